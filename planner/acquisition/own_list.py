"""The researcher's own list of trials, scored on the same scale as ours: expected H, cost, broken limits."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace

import numpy as np

from planner.acquisition.candidate import Candidate
from planner.acquisition.forecast_record import calibrated, possible
from planner.acquisition.gain import NO_LOAD, LinearGain
from planner.acquisition.limits import Limits, Needs, Tally
from planner.acquisition.measurements import Predictor
from planner.acquisition.outcomes import outcome_draws, simulated_gain
from planner.acquisition.reference import ReferenceMap
from planner.lab.specimen import Specimen


@dataclass(frozen=True)
class ListScore:
    """What a list of trials would cost and bring."""

    n_trials: int
    cost: float                   # specimens, sections and set-ups
    hours: float
    furnace_loads: int
    tool_temperatures: int
    sections: int
    misclassification: float      # expected H after it
    gain: float                   # expected fall of H, beyond what pending specimens bring
    gain_band_80: tuple[float, float]   # 10 % and 90 % points over single outcomes
    linear_gain: float            # by the linear update alone
    linear_band_80: tuple[float, float]   # before it was scaled by what forecasts were worth against refits
    simulated_gain: float         # mean over simulated outcomes: what the expected gain was before it was scaled
    broken_limits: tuple[str, ...]  # limits of the week that it breaks; "control" where a load has none

    def to_json(self) -> dict:
        """Return plain values."""
        return asdict(self) | {"broken_limits": list(self.broken_limits), "gain_band_80": list(self.gain_band_80), "linear_band_80": list(self.linear_band_80)}


def score_list(specimens: Sequence[Specimen], *, reference: ReferenceMap, predictor: Predictor, limits: Limits,
               pending: Sequence[tuple[Candidate, str | None]] = (), stated: float | None = None, shrinkage: float | None = None) -> ListScore:
    """Score a list as it stands.

    Parameters
    ----------
    specimens : rows of the list, nothing measured, furnace loads named.
    reference, predictor : as for `propose`.
    limits : of this week, stock as it stands.
    pending : specimens of earlier plans whose results are still to come: the gain is what the list brings beyond them.
    stated : H now as it is printed beside the gain; default that of `reference`, which may rest on fewer draws.
    shrinkage : of the correlations of readings, as our plan was scored with it; default estimated from the list's own.
    """
    chosen = [Candidate(s.specimen_type, s.temper, s.lot, s.forming_temperature_degC, s.strain, s.braze_temperature_degC, s.braze_time_min,
                        s.section_feature) for s in specimens]
    unknown = {c.lot: c.temper for c in chosen if c.lot not in limits.blanks}
    limits = replace(limits, blanks={**limits.blanks, **dict.fromkeys(unknown, 0)}, lot_temper={**limits.lot_temper, **unknown})
    labels = [s.furnace_load for s in specimens]
    names = {label: i for i, label in enumerate(dict.fromkeys(x for x in [*labels, *(load for _, load in pending)] if x is not None))}
    tally = Tally(limits, Needs(limits, chosen))
    for label in dict.fromkeys(x for x in labels if x is not None):
        tally.open(names[label], None)
    for i, label in enumerate(labels):
        tally.add(i, *([] if label is None else [names[label]]))
    everything = [*chosen, *(c for c, _ in pending)]
    lots = {lot: i for i, lot in enumerate(dict.fromkeys(c.lot for c in everything))}
    gain = LinearGain(reference.z, reference.z0, predictor.measurements(everything), lots=np.array([lots[c.lot] for c in everything], int),
                      shrinkage=shrinkage)
    place = lambda label: NO_LOAD if label is None else names[label]
    given = [(len(chosen) + i, place(load)) for i, (_, load) in enumerate(pending)]
    before = gain.condition(given).misclassification
    picks = [(i, place(label)) for i, label in enumerate(labels)]
    linear = before - gain.condition([*given, *picks]).misclassification
    simulated = simulated_gain(gain, reference.z > reference.z0, picks, given=given, rng=outcome_draws())
    low, high = simulated.band_80
    linear_band = (min(low, linear), max(high, linear))
    now = reference.misclassification if stated is None else stated
    fall, band = possible(*calibrated(simulated.gain, linear_band), most=now)
    broken = tally.broken() + (["control"] if _lacks_control(chosen, labels, limits) else [])
    return ListScore(len(chosen), tally.cost, tally.hours, len(tally.loads), len(tally.temperatures), tally.sections,
                     now - fall, fall, band, linear, linear_band, simulated.gain, tuple(broken))


def _lacks_control(chosen: Sequence[Candidate], labels: Sequence[str | None], limits: Limits) -> bool:
    """Tell whether a load of the list goes without the control that the campaign asks for."""
    control = limits.definition.control
    if control is None:
        return False
    same = {label for c, label in zip(chosen, labels, strict=True) if (c.specimen_type, c.temper, c.forming_temperature_degC, c.strain)
            == (control.specimen_type, control.temper, control.forming_temperature_degC, control.strain)}
    return any(label is not None and label not in same for label in labels)
