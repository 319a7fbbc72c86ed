"""Which specimens could be made next week, before anyone asks what they are worth.

Two lists are crossed.  *Plates* say what is formed and how (type, temper, lot, forming temperature, strain, section);
*brazes* say how a furnace load is run.  Every plate at every braze is a candidate, so that a load can change its
braze condition, or a specimen its load, without asking the models anew.  Forming temperatures come from a short list too,
because every distinct one costs a set-up.  Conditions are drawn where the map is in doubt, spread quasi-randomly over the
box so that nothing is overlooked, and repeated from what the lab already runs.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from scipy.stats import qmc

from planner.acquisition.candidate import Candidate
from planner.acquisition.limits import Limits, always_sectioned
from planner.acquisition.reference import ReferenceMap
from planner.lab.campaign import Definition, unreachable
from planner.lab.errors import UserError

DOUBT_SHARE = 0.6
"""Share of plates drawn near the boundary of the map; the others are spread over the box."""
STEP = {"forming_temperature_degC": 5.0, "strain": 0.005, "braze_temperature_degC": 0.5, "braze_time_min": 0.25}
"""What a lab would set a rig to; common practice, no source."""
N_REPRESENTATIVE = 6
SMALLEST_STRAIN = 0.005


class Made(Protocol):
    """A specimen already made or planned: its conditions."""

    specimen_type: str
    temper: str
    forming_temperature_degC: float | None
    strain: float | None
    braze_temperature_degC: float | None
    braze_time_min: float | None


@dataclass(frozen=True)
class Pool:
    """All candidates of one week."""

    candidates: tuple[Candidate, ...]
    braze: np.ndarray
    """(n_candidates,) braze number, -1 for types that are not brazed."""
    plate: np.ndarray
    """(n_candidates,) number of the plate: equal for one specimen at several brazes."""
    brazes: tuple[tuple[float, float], ...]
    """Braze temperature (degC) and time (min) by braze number."""
    at: dict[tuple[int, int], int]
    """Candidate by (plate, braze)."""
    control: dict[tuple[str, int], int]
    """Candidate that is the control, by (lot, braze)."""
    representative: frozenset[int]
    """Plates drawn to represent the claimed and undecided region rather than to settle a doubt."""
    insisted: tuple[int, ...]
    """Candidates that the lab insists on, one entry a specimen."""

    @property
    def is_control(self) -> np.ndarray:
        """(n_candidates,) true for controls, which are never chosen by themselves."""
        flag = np.zeros(len(self.candidates), bool)
        flag[list(self.control.values())] = True
        return flag


def snapped(definition: Definition, key: str, value: float) -> float:
    """Round a factor to what a rig is set to, inside the range of the box."""
    low, high = definition.factor_ranges[key]
    step = STEP[key]
    return float(round(min(max(round(value / step) * step, low), high), 6))


def build_pool(
    definition: Definition,
    limits: Limits,
    reference: ReferenceMap,
    *,
    history: Sequence[Made] = (),
    n_candidates: int = 1000,
    n_brazes: int = 12,
    n_temperatures: int = 8,
    rng: np.random.Generator,
) -> Pool:
    """Build the candidates of one week.

    Parameters
    ----------
    definition : Definition
    limits : Limits
        For lots in stock, settings in reach and the control.
    reference : ReferenceMap
        Where the map is in doubt.
    history : sequence of Made
        Specimens already made; their tool temperatures and braze conditions are offered again.
    n_candidates, n_brazes, n_temperatures : int
        Sizes aimed at.
    rng : numpy.random.Generator

    Returns
    -------
    Pool
    """
    order = _in_doubt(reference, rng=rng)
    every = _temperatures(definition, reference, order, history, n_temperatures)
    low, high = definition.factor_ranges["forming_temperature_degC"]
    warm = [t for t in every if low <= t <= high] or every      # a control or a trial insisted on may lie outside, others do not
    brazes = _brazes(definition, reference, order, history, n_brazes)
    coupons = _coupons(definition, limits, warm)
    insisted = _insisted(definition, limits)
    room = max(n_candidates - len(coupons), 2 * n_brazes) // max(len(brazes), 1)
    plates = _plates(definition, limits, reference, order, warm, room, rng=rng)
    spread = _representative(definition, limits, reference, warm, history, rng=rng)
    return _crossed(limits, [*coupons, *plates, *spread], brazes, spread=set(spread), insisted=insisted)


def _in_doubt(reference: ReferenceMap, *, rng: np.random.Generator) -> np.ndarray:
    """Return reference points in random order, those in most doubt more likely early."""
    weight = np.minimum(reference.c, 1.0 - reference.c) + 0.01
    return np.argsort(-np.log(rng.random(weight.size)) / weight)


def _temperatures(
    definition: Definition, reference: ReferenceMap, order: np.ndarray, history: Sequence[Made], most: int
) -> list[float]:
    key = "forming_temperature_degC"
    low, high = definition.factor_ranges[key]
    wanted = [t.forming_temperature_degC for t in definition.insist]
    control = definition.control
    if control is not None:
        wanted.append(control.forming_temperature_degC)
    made = Counter(s.forming_temperature_degC for s in history if s.forming_temperature_degC is not None)

    def in_reach(t: float) -> bool:
        return unreachable(definition, {key: t}) is None

    wanted += sorted((t for t in made if low <= t <= high and in_reach(t)), key=lambda t: (-made[t], t))[: most // 2]
    wanted.append(snapped(definition, key, low))
    snaps = [snapped(definition, key, t) for t in reference.settings[order[: 32 * most], 0]]
    doubtful = np.sort([t for t in snaps if in_reach(t)] or snaps)
    free = max(most - len(set(wanted)), 2)
    wanted += [float(t) for t in doubtful[np.linspace(0, doubtful.size - 1, free).round().astype(int)]]
    return sorted({round(float(t), 6) for t in wanted})


def _brazes(
    definition: Definition, reference: ReferenceMap, order: np.ndarray, history: Sequence[Made], most: int
) -> tuple[tuple[float, float], ...]:
    """Return braze conditions: those insisted on, those run before, then the ones farthest from all so far."""
    keys = ("braze_temperature_degC", "braze_time_min")

    def in_reach(pair: tuple[float, float]) -> bool:
        return unreachable(definition, dict(zip(keys, pair, strict=True))) is None

    def inside(pair: tuple[float, float]) -> bool:
        return all(low <= v <= high for v, (low, high) in zip(pair, (definition.factor_ranges[k] for k in keys), strict=True))

    chosen: dict[tuple[float, float], None] = {}
    for trial in definition.insist:
        if trial.braze_temperature_degC is not None:
            chosen[(trial.braze_temperature_degC, trial.braze_time_min)] = None
    made = Counter((s.braze_temperature_degC, s.braze_time_min) for s in history if s.braze_time_min is not None)
    common = sorted(made.items(), key=lambda p: (-p[1], p[0]))
    usable = [pair for pair, _ in common if None not in pair and in_reach(pair) and inside(pair)]
    chosen |= dict.fromkeys(usable[: most // 4])
    doubtful = reference.settings[order[:256], 2:]
    options = {tuple(snapped(definition, k, v) for k, v in zip(keys, row, strict=True)): None for row in doubtful}
    open_ = [pair for pair in options if in_reach(pair)]
    spans = np.array([definition.factor_ranges[k][1] - definition.factor_ranges[k][0] for k in keys])
    while open_ and len(chosen) < most:
        apart = [min((_distance(o, c, spans) for c in chosen), default=0.0) for o in open_]
        chosen[open_.pop(int(np.argmax(apart)))] = None
    return tuple((float(a), float(b)) for a, b in chosen)


def _distance(a: Sequence[float], b: Sequence[float], spans: np.ndarray) -> float:
    return float((((np.asarray(a) - np.asarray(b)) / spans) ** 2).sum())


def _coupons(definition: Definition, limits: Limits, warm: Sequence[float]) -> list[Candidate]:
    """Return coupons that are not brazed: every lot in stock at every tool temperature, pulled or bent to the end."""
    return [
        Candidate(name, temper, lot, t)
        for name, use in limits.uses.items()
        if not use.furnace
        for temper in definition.factors.tempers
        for lot in limits.lots_of(temper)
        for t in warm
    ]


def _insisted(definition: Definition, limits: Limits) -> list[Candidate]:
    """Return what the lab insists on, one entry a specimen, each of the fullest lot that holds it: others may need the last blanks of a small one."""
    left = dict(limits.blanks)
    wanted = [trial for trial in definition.insist for _ in range(trial.count)]
    lot_of: dict[int, str] = {}
    for i in sorted(range(len(wanted)), key=lambda i: -limits.uses[wanted[i].specimen_type].blanks):
        trial, need = wanted[i], limits.uses[wanted[i].specimen_type].blanks
        lots = [lot for lot, temper in limits.lot_temper.items() if temper == trial.temper]
        if not lots:
            raise UserError(
                f"the insisted trial (a {trial.specimen_type} of {trial.temper}) does not fit: stock binds, "
                "for no lot of it is in stock",
                where="campaign.toml, [[insist]]",
                allowed=f"tempers with a lot in [[stock]]: {', '.join(sorted(set(limits.lot_temper.values()))) or 'none'}",
                fix=f"add a lot of {trial.temper} to [[stock]] or take the trial out of [[insist]]",
            )
        lot_of[i] = max((lot for lot in lots if left[lot] >= need), key=left.__getitem__, default=lots[0])
        left[lot_of[i]] -= need
    first = definition.component.features[0].name
    return [
        Candidate(
            trial.specimen_type, trial.temper, lot_of[i], trial.forming_temperature_degC, trial.strain, trial.braze_temperature_degC,
            trial.braze_time_min, first if always_sectioned(definition, trial.specimen_type) else None,
        )
        for i, trial in enumerate(wanted)
    ]  # fmt: skip


def _plates(
    definition: Definition,
    limits: Limits,
    reference: ReferenceMap,
    order: np.ndarray,
    warm: Sequence[float],
    room: int,
    *,
    rng: np.random.Generator,
) -> list[Candidate]:
    """Return what could be formed for the furnace, without a braze."""
    kinds = [(n, t) for n, use in limits.uses.items() if use.furnace for t in definition.factors.tempers]
    kinds = [(name, temper) for name, temper in kinds if limits.lots_of(temper)]
    features = definition.component.features
    out: dict[Candidate, None] = {}
    for name, temper in kinds:
        share = max(room // len(kinds), 4)
        lots = limits.lots_of(temper)
        section = limits.uses[name].section_sections > 0
        must_cut = always_sectioned(definition, name)
        count = share // 2 if section and not must_cut else share
        settings = _forming_settings(definition, reference, order, temper, 4 * count, rng=rng)
        made = 0
        for i, (t, strain) in enumerate(settings):
            if made >= count:
                break
            t = min(warm, key=lambda w: abs(w - t))
            if name == "braze_coupon":
                strain *= features[i % len(features)].strain_share
            # a component stays inside the range; a coupon stands for a feature that is strained less
            strain = snapped(definition, "strain", strain) if name == "component" else round(round(strain / STEP["strain"]) * STEP["strain"], 6)
            strain = max(strain, SMALLEST_STRAIN)
            cuts = [None, features[i % len(features)].name] if section else [None]
            cuts = [features[i % len(features)].name] if must_cut else cuts
            fresh = [Candidate(name, temper, lots[made % len(lots)], t, strain, section_feature=cut) for cut in cuts]
            made += any(f not in out for f in fresh)
            out |= dict.fromkeys(fresh)
    return list(out)


def _forming_settings(
    definition: Definition, reference: ReferenceMap, order: np.ndarray, temper: str, count: int, *, rng: np.random.Generator
) -> list[tuple[float, float]]:
    """Return (forming temperature, strain): in doubt and quasi-random by turns, in the shares wanted."""
    mine = order[reference.temper[order] == reference.tempers.index(temper)]
    doubtful = iter(reference.settings[mine, :2].tolist())
    low, high = np.array([definition.factor_ranges[k] for k in ("forming_temperature_degC", "strain")]).T
    cube = qmc.Sobol(2, rng=rng).random_base2(int(np.ceil(np.log2(max(count, 2)))))
    even = iter((low + cube * (high - low)).tolist())
    return [tuple(next(doubtful if u < DOUBT_SHARE else even, None) or next(even, (low[0], low[1]))) for u in rng.random(count)]


def _representative(
    definition: Definition,
    limits: Limits,
    reference: ReferenceMap,
    warm: Sequence[float],
    history: Sequence[Made],
    *,
    rng: np.random.Generator,
) -> list[Candidate]:
    """Return components spread over the claimed and undecided region, farthest from the components made so far."""
    if "component" not in limits.uses:
        return []
    stocked = [bool(limits.lots_of(t)) for t in reference.tempers]
    region = np.flatnonzero((reference.c > 1.0 - definition.goal.confidence) & np.take(stocked, reference.temper))
    region = rng.permutation(region)[:512]
    made = [s for s in history if s.specimen_type == "component" and s.strain is not None and s.temper in reference.tempers]
    spot = np.column_stack([4.0 * reference.temper, reference.scaled[:, :2]])
    nearest = np.full(region.size, np.inf)
    for s in made:
        row = np.array([[s.forming_temperature_degC or 20.0, s.strain, 0.0, 0.0]])
        at = np.r_[4.0 * reference.tempers.index(s.temper), reference.scale(row)[0, :2]]
        nearest = np.minimum(nearest, ((spot[region] - at) ** 2).sum(axis=1))
    features = definition.component.features
    cut = always_sectioned(definition, "component")
    may_cut = limits.uses["component"].section_sections > 0
    out: dict[Candidate, None] = {}
    for n in range(min(N_REPRESENTATIVE, region.size)):
        i = region[int(np.argmax(nearest))]
        nearest = np.minimum(nearest, ((spot[region] - spot[i]) ** 2).sum(axis=1))
        temper = reference.tempers[reference.temper[i]]
        lot = limits.lots_of(temper)[n % len(limits.lots_of(temper))]
        t = min(warm, key=lambda w: abs(w - reference.settings[i, 0]))
        strain = max(snapped(definition, "strain", reference.settings[i, 1]), SMALLEST_STRAIN)
        sections = [features[0].name] if cut else [None, *([features[n % len(features)].name] if may_cut else [])]
        out |= {Candidate("component", temper, lot, t, strain, section_feature=section): None for section in sections}
    return list(out)


def _crossed(
    limits: Limits,
    plates: Sequence[Candidate],
    brazes: tuple[tuple[float, float], ...],
    *,
    spread: set[Candidate],
    insisted: Sequence[Candidate],
) -> Pool:
    """Cross plates with brazes and add controls and insisted trials."""
    list_of, braze_of, plate_of, at = [], [], [], {}
    plates = list(dict.fromkeys(plates))

    def put(candidate: Candidate, plate: int, braze: int) -> int:
        list_of.append(candidate)
        braze_of.append(braze)
        plate_of.append(plate)
        at[(plate, braze)] = len(list_of) - 1
        return len(list_of) - 1

    for p, plate in enumerate(plates):
        if not limits.uses[plate.specimen_type].furnace:
            put(plate, p, -1)
            continue
        for b, braze in enumerate(brazes):
            put(plate.at_braze(braze), p, b)
    plate_number = len(plates)
    control: dict[tuple[str, int], int] = {}
    if limits.definition.control is not None:
        for lot in limits.lots_of(limits.definition.control.temper):
            for b, braze in enumerate(brazes):
                control[(lot, b)] = put(limits.control(lot, braze), plate_number, b)
            plate_number += 1
    wanted: dict[Candidate, int] = {}
    for candidate in insisted:
        if candidate not in wanted:
            b = -1 if candidate.braze is None else brazes.index(candidate.braze)
            wanted[candidate] = put(candidate, plate_number, b)
            plate_number += 1
    return Pool(
        candidates=tuple(list_of),
        braze=np.array(braze_of, int),
        plate=np.array(plate_of, int),
        brazes=brazes,
        at=at,
        control=control,
        representative=frozenset(p for p, plate in enumerate(plates) if plate in spread),
        insisted=tuple(wanted[c] for c in insisted),
    )
