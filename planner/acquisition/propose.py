"""The one door to the planner: from the map and a predictor to next week's plan with its reasons."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from concurrent.futures import ThreadPoolExecutor

import numpy as np

from planner.acquisition.batch import Optimism, Problem, binding_limits, choose, optimism, why_no_load
from planner.acquisition.candidate import Candidate
from planner.acquisition.candidates import Made, Pool, build_pool
from planner.acquisition.draft import CONTROL, TRIAL, Draft, Pick, Step
from planner.acquisition.forecast_record import calibrated, possible
from planner.acquisition.gain import NO_LOAD, LinearGain
from planner.acquisition.left_out import left_out
from planner.acquisition.limits import NONE, Limits, Needs
from planner.acquisition.measurements import Measurements, Predictor
from planner.acquisition.outcomes import outcome_draws, simulated_gain, single_yes_no_correction
from planner.acquisition.proposal import Forecast, PlanRow, Proposal
from planner.acquisition.reasons import named, settled, worded
from planner.acquisition.reference import ReferenceMap
from planner.acquisition.schedule import schedule
from planner.acquisition.scores import expected_undecided
from planner.acquisition.threads import one_blas_thread
from planner.lab.campaign import Definition
from planner.lab.campaign_tables import Goal

Pending = tuple[Candidate, str | None]
"""A specimen of an earlier plan that is not reported yet, and the label of its furnace load."""


def propose(
    definition: Definition,
    *,
    reference: ReferenceMap,
    predictor: Predictor,
    limits: Limits | None = None,
    history: Sequence[Made] = (),
    pending: Sequence[Pending] = (),
    known_specimens: Collection[str] = (),
    known_loads: Collection[str] = (),
    number: int = 1,
    week: int = 1,
    stated: float | None = None,
    stated_undecided: float | None = None,
    n_candidates: int = 1000,
    with_optimism: bool = True,
    rng: np.random.Generator,
) -> Proposal:
    """Propose next week's plan.

    Parameters
    ----------
    definition : Definition
    reference : ReferenceMap
        The map now; its draws are those of the predictor, in the same order.
    predictor : Predictor
        What candidates would measure.
    limits : Limits, optional
        Default: the definition's week and stock as they stand.
    history : sequence of Made
        Specimens made so far.
    pending : sequence of (Candidate, load label or None)
        Planned earlier, not reported yet.  Their results are counted as known to come; their stock must already be
        taken off ``limits``.
    known_specimens, known_loads : collections of str
        Names in use.
    number, week : int, default 1
        Number of the plan (names carry it) and week of the campaign (odd: blocks rise).
    stated : float, optional
        H now as it is printed beside the gain; default that of ``reference``, which may rest on fewer draws.
    stated_undecided : float, optional
        The undecided share now, alike.
    n_candidates : int, default 1000
    with_optimism : bool, default True
        Whether to choose once more on half of the chains.
    rng : numpy.random.Generator

    Returns
    -------
    Proposal

    Raises
    ------
    UserError
        When an insisted trial or not one specimen fits; it names the limits that bind and the least change.
    """
    limits = Limits.of(definition) if limits is None else limits
    seen = [*history, *(candidate for candidate, _ in pending)]
    pool = build_pool(definition, limits, reference, history=seen, n_candidates=n_candidates, rng=rng)
    measurements = predictor.measurements((*pool.candidates, *(candidate for candidate, _ in pending)))
    problem = _problem(limits, reference, pool, measurements, pending)
    with one_blas_thread(), ThreadPoolExecutor(max_workers=1) as beside:
        fresh = beside.submit(optimism, problem, reference, measurements) if with_optimism else None
        draft = choose(problem)
        fresh = fresh.result() if fresh else None
        return _proposal(draft, reference, fresh, number, week, known_specimens, known_loads, stated=(stated, stated_undecided), rng=rng)


def _problem(
    limits: Limits, reference: ReferenceMap, pool: Pool, measurements: Measurements, pending: Sequence[Pending]
) -> Problem:
    lots = _numbered([c.lot for c in (*pool.candidates, *(candidate for candidate, _ in pending))])
    gain = LinearGain(reference.z, reference.z0, measurements, lots=lots)
    confidence = limits.definition.goal.confidence
    conforms = reference.z > reference.z0
    return Problem(
        gain=gain,
        pool=pool,
        limits=limits,
        needs=Needs(limits, pool.candidates),
        region=reference.c[reference.nearest(pool.candidates)] > 1.0 - confidence,
        pending=_pending_picks(pending, first=len(pool.candidates)),
        correction=single_yes_no_correction(gain, conforms),
        conforms=conforms,
    )


def _proposal(
    draft: Draft,
    reference: ReferenceMap,
    fresh: Optimism | None,
    number: int,
    week: int,
    known_specimens: Collection[str],
    known_loads: Collection[str],
    *,
    stated: tuple[float | None, float | None],
    rng: np.random.Generator,
) -> Proposal:
    definition = draft.limits.definition
    names = {"known_specimens": known_specimens, "known_loads": known_loads}
    forecast = _forecast(draft, reference, goal=definition.goal, stated=stated)
    shut = why_no_load(draft)
    return Proposal(
        rows=_rows(draft, reference, gain=forecast.gain, number=number, week=week, names=names, rng=rng),
        cost=draft.tally.cost,
        hours=draft.tally.hours,
        furnace_loads=len(draft.tally.loads),
        tool_temperatures=len(draft.tally.temperatures),
        sections=draft.tally.sections,
        forecast=forecast,
        optimism=fresh,
        not_worth=left_out(draft, gain=forecast.gain, currency=definition.campaign.currency),
        binding=binding_limits(draft),
        days_to_result=_days(draft),
        notices=() if shut is None else (shut,),
        shrinkage=float(draft.gain.shrinkage),
    )


def _numbered(labels: Sequence[str]) -> np.ndarray:
    number = {label: i for i, label in enumerate(dict.fromkeys(labels))}
    return np.array([number[label] for label in labels], int)


def _pending_picks(pending: Sequence[Pending], *, first: int) -> tuple[tuple[int, int], ...]:
    labels = list(dict.fromkeys(label for _, label in pending if label is not None))
    loads = [NO_LOAD if label is None else labels.index(label) for _, label in pending]
    return tuple((first + i, load) for i, load in enumerate(loads))


def _forecast(draft: Draft, reference: ReferenceMap, *, goal: Goal, stated: tuple[float | None, float | None]) -> Forecast:
    confidence = goal.confidence
    gain, fall = draft.gain, draft.start - draft.misclassification
    picks = draft.batch()[len(draft.pending) :]
    simulated = simulated_gain(gain, reference.z > reference.z0, picks, given=draft.pending, rng=outcome_draws())
    band = (min(simulated.band_80[0], fall), max(simulated.band_80[1], fall))
    now = reference.misclassification if stated[0] is None else stated[0]
    expected, expected_band = possible(*calibrated(simulated.gain, band), most=now)
    c = reference.c
    open_now = float(((c > 1.0 - confidence) & (c < confidence)).mean())
    open_after = float(expected_undecided(gain.z0, draft.conditioned.share, confidence=confidence).sum() / c.size)
    undecided = float((~reference.claimed & (c > 1.0 - confidence)).mean()) if stated[1] is None else stated[1]
    kept = min(open_after / open_now, 1.0) if open_now > 0 else 1.0
    kept = 1.0 - (1.0 - kept) * (min(expected / fall, 1.0) if fall > 0 else 1.0)
    # single outcomes, scaled so that their mean is the expected share, as far as a share can go
    single = ((simulated.c > 1.0 - confidence) & (simulated.c < confidence)).sum(axis=1) / c.size
    single = np.clip(single * (undecided * kept / single.mean()), 0.0, 1.0) if single.mean() > 0 else single
    low, high = np.quantile(single, [0.1, 0.9])
    return Forecast(
        misclassification_now=now,
        misclassification=now - expected,
        gain=expected,
        gain_band_80=expected_band,
        band_method=simulated.method,
        undecided_share_now=undecided,
        undecided_share=undecided * kept,
        undecided_band_80=(float(low), float(high)),
        probability_of_goal=float(np.mean(single <= goal.undecided_share_max)),
        linear_gain=fall,
        linear_band_80=band,
        simulated_gain=simulated.gain,
    )


def _rows(
    draft: Draft,
    reference: ReferenceMap,
    *,
    gain: float,
    number: int,
    week: int,
    names: dict[str, Collection[str]],
    rng: np.random.Generator,
) -> tuple[PlanRow, ...]:
    picks, candidates = draft.picks, draft.pool.candidates
    chosen = [candidates[p.candidate] for p in picks]
    loads = [None if p.load == NONE else p.load for p in picks]
    slots = schedule(
        [c.forming_temperature_degC for c in chosen], loads, week=week, number=number, rng=rng, **names
    )
    gains = _contributions(draft, gain)
    losses, points = _without(draft)
    fall = draft.start - draft.misclassification
    scale = gain / fall if fall > 0.0 else 1.0             # told on the scale of the gain that is printed
    here = reference.nearest(chosen)
    rows = []
    for slot in slots:
        pick, candidate = picks[slot.index], chosen[slot.index]
        other, other_loss = _alternative(draft, pick)
        rows.append(
            PlanRow(
                sequence=slot.sequence,
                purpose="control" if pick.role == CONTROL else "trial",
                role=pick.role,
                specimen=slot.specimen,
                furnace_load=slot.furnace_load,
                candidate=candidate,
                reason=worded(candidate, pick.role, reference, point=points[slot.index], here=int(here[slot.index])),
                expected_gain=float(gains[slot.index]),
                loss_without=scale * float(losses[slot.index]),
                alternative=other,
                alternative_loss=None if other_loss is None else scale * other_loss,
                settles=settled(pick.role, reference, point=points[slot.index]),
            )
        )
    return tuple(rows)


def _contributions(draft: Draft, whole: float) -> np.ndarray:
    """Return each pick's share of the gain of the batch, in the order in which they were chosen: sums to the whole."""
    step = draft.gain.condition(draft.pending)
    values = [step.misclassification]
    for pick in draft.batch()[len(draft.pending) :]:
        step = draft.gain.with_pick(step, pick)
        values.append(step.misclassification)
    falls = -np.diff(values)
    return falls * (whole / falls.sum()) if falls.sum() > 0.0 else falls


def _without(draft: Draft) -> tuple[np.ndarray, list[int | None]]:
    """Return, for each pick, the rise of H without it and the reference point whose doubt rises most."""
    gain = draft.gain
    shares = gain.shares_without(draft.conditioned)[len(draft.pending) :]
    rise = gain.table.read(shares) - gain.table.read(draft.conditioned.share)
    if rise.size == 0:
        return np.zeros(len(draft.picks)), [None] * len(draft.picks)
    points = [int(gain.live[i]) if r[i] > 0 else None for r, i in zip(rise, rise.argmax(axis=1), strict=True)]
    return rise.sum(axis=1, dtype=float), points


def _alternative(draft: Draft, pick: Pick) -> tuple[str | None, float | None]:
    """Return the next best specimen in place of a freely chosen one, and the rise of H with it."""
    if pick.role != TRIAL:
        return None, None
    trial = draft.copy()
    trial.take(Step(out=(pick,)))
    rows, loads = trial.options()
    same = np.array([draft.pool.candidates[r] == draft.pool.candidates[pick.candidate] for r in rows], bool)
    rows, loads = rows[~same], loads[~same]
    if rows.size == 0:
        return None, None
    best, after = trial.best_addition(rows, loads)
    return named(draft.pool.candidates[rows[best]]), after - draft.misclassification


def _days(draft: Draft) -> int:
    """Return the days until the last result of the plan."""
    days = [0]
    for pick in draft.picks:
        candidate = draft.pool.candidates[pick.candidate]
        use = draft.limits.uses[candidate.specimen_type]
        days.append(use.section_days if candidate.section_feature is not None else use.days_to_result)
        days.append(use.days_to_result)
    return max(days)
