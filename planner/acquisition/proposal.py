"""Next week's plan as one record: rows, totals, forecast, and what there is to argue about."""

from __future__ import annotations

from dataclasses import dataclass

from planner.acquisition.batch import Optimism
from planner.acquisition.candidate import Candidate


@dataclass(frozen=True)
class Doubt:
    """The point of the map whose doubt a trial lowers most."""

    temper: str
    forming_temperature_degC: float
    strain: float
    braze_temperature_degC: float
    braze_time_min: float
    probability_conforming: float
    """c there, before the trial."""


@dataclass(frozen=True)
class PlanRow:
    """One specimen of the plan."""

    sequence: int
    """Order of forming, from 1."""
    purpose: str
    """``trial`` or ``control``."""
    role: str
    """trial, control, insisted or representative."""
    specimen: str
    """Fresh id."""
    furnace_load: str | None
    """Fresh label; ``None`` for what is not brazed."""
    candidate: Candidate
    """What it is and how it is made."""
    reason: str
    """In words."""
    expected_gain: float
    """Share of the plan's fall of H that is put down to it; the rows sum to the plan's gain."""
    loss_without: float
    """Rise of H if it alone were left out."""
    alternative: str | None
    """The next best specimen in its place."""
    alternative_loss: float | None
    """Rise of H if that were taken instead."""
    settles: Doubt | None = None
    """The doubt that the reason names; ``None`` where it names none."""


@dataclass(frozen=True)
class Forecast:
    """What the batch is expected to do to the map."""

    misclassification_now: float
    misclassification: float
    """Expected after the batch."""
    gain: float
    """Fall of H."""
    gain_band_80: tuple[float, float]
    """10 % and 90 % points over single outcomes of the week."""
    band_method: str
    """``reweighted`` or ``linear``: how the outcomes were scored."""
    undecided_share_now: float
    """Neither claimed nor excluded."""
    undecided_share: float
    """Expected after the batch: today's share times the expected fall of the points with 1 - C < c < C."""
    undecided_band_80: tuple[float, float] | None = None
    """10 % and 90 % points of it over single outcomes of the week."""
    probability_of_goal: float | None = None
    """Chance that the undecided share is then no more than the goal asks."""
    linear_gain: float | None = None
    """Fall of H by the linear update alone."""
    linear_band_80: tuple[float, float] | None = None
    """The band before it was scaled by what forecasts were worth against refits."""
    simulated_gain: float | None = None
    """Mean fall of H over the simulated outcomes behind the band: what `gain` was before it was scaled."""


@dataclass(frozen=True)
class NotWorth:
    """Something that was weighed and left out."""

    what: str
    """Specimen or section, in words."""
    gain: float
    """Fall of H that it would add to the plan."""
    cost: float
    """What it would cost on top."""
    why: str
    """In words."""


@dataclass(frozen=True)
class Proposal:
    """Next week's plan."""

    rows: tuple[PlanRow, ...]
    """In forming order, controls included."""
    cost: float
    """Specimens, sections and set-ups, controls included."""
    hours: float
    furnace_loads: int
    tool_temperatures: int
    sections: int
    forecast: Forecast
    optimism: Optimism | None
    """Choice on half of the chains scored on the other half; ``None`` where it was not asked for."""
    not_worth: tuple[NotWorth, ...]
    """What was judged not worth its money."""
    binding: dict[str, int]
    """Limits that refused specimens while the plan was chosen, most often first."""
    days_to_result: int
    """Days until the last result of this plan."""
    notices: tuple[str, ...] = ()
    """Sentences about the plan as a whole, such as which limit keeps every furnace load shut."""
    shrinkage: float | None = None
    """Of the correlations of the candidates' readings: a list of somebody else is scored with the same."""

    @property
    def n_trials(self) -> int:
        """Rows, controls included."""
        return len(self.rows)
