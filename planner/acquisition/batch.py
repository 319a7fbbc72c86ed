"""Choosing a week's batch: what is insisted on, what represents the region, then the best for the money.

The order matters.  Trials that the lab insists on go in first and are never moved.  A representative share of components
follows: drawn over the claimed and undecided region whatever the model thinks, they guard against a wrong model
and serve as calibration data.  The rest is greedy by gain for price under two price rules, of which the better plan is kept,
and improved by exchange until nothing helps.  The linear score that led there is not exact for yes/no outcomes: the last few
states of the plan, and the best of the other price rule, meet once more on simulated outcomes.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np

from planner.acquisition import lazy, search
from planner.acquisition.candidates import Pool
from planner.acquisition.draft import INSISTED, REPRESENTATIVE, TRIAL, Draft, Pick, Step
from planner.acquisition.gain import LinearGain
from planner.acquisition.infeasible import insisted_do_not_fit, no_load_opened, no_specimen_fits, nothing_fits
from planner.acquisition.limits import LIMITS, NONE, OPEN, Limits, Needs
from planner.acquisition.measurements import Measurements
from planner.acquisition.outcomes import simulated_maps
from planner.acquisition.reference import ReferenceMap
from planner.acquisition.threads import one_blas_thread

REPRESENTATIVE_SHARE = 0.10
"""Least share of a week's components that represent the region."""
FEWEST_COMPONENTS = 5
"""Components of a week from which one of them represents the region: of fewer it would be more than every fifth."""
PRICES = ("money", "scarce")
FINALISTS = 6
"""Plans that meet on simulated outcomes, the last one of the exchange among them."""
N_OUTCOMES = 128
OPTIMISM_POINTS = 2048
"""Points of the map, at most, on which the choice is tested against other draws."""


@dataclass(frozen=True)
class Optimism:
    """What is lost when a batch chosen on half of the chains is scored on the other half."""

    chosen: float
    """Fall of H on the chains that chose."""
    fresh: float
    """Fall of H of the same batch on the other chains."""

    @property
    def drop(self) -> float:
        """Share of the gain that does not carry over; at least 0."""
        return max(0.0, 1.0 - self.fresh / self.chosen) if self.chosen > 0 else 0.0


@dataclass(frozen=True)
class Problem:
    """All that a choice rests on."""

    gain: LinearGain
    pool: Pool
    limits: Limits
    needs: Needs
    region: np.ndarray
    """(n_candidates,) true where a component would lie in the claimed or undecided region."""
    pending: tuple[tuple[int, int], ...] = ()
    correction: np.ndarray | None = None
    """(n_candidates,) factor on single gains, from ``outcomes.single_yes_no_correction``."""
    conforms: np.ndarray | None = None
    """(n_draws, n_points) what each draw says of each point; with it the last plans are scored on simulated outcomes."""

    def draft(self, price: str = PRICES[0]) -> Draft:
        """Return an empty draft."""
        return Draft(
            self.gain, self.pool, self.limits, self.needs,
            pending=self.pending, correction=self.correction, price=price, region=self.region,
        )  # fmt: skip


def choose(problem: Problem, *, passes: int = 3, prices: Sequence[str] = PRICES) -> Draft:
    """Choose a batch.

    Parameters
    ----------
    problem : Problem
    passes : int, default 3
        Largest number of exchange passes; 0 for greedy alone. Of a pool so large that choices are scored lazily, one at most.
    prices : sequence of str
        Price rules to try.

    Returns
    -------
    Draft
        A plan inside every limit.

    Raises
    ------
    UserError
        When an insisted trial or not even one specimen fits; it names the limit that binds.
    """
    problem.gain.keep_products()
    passes = min(passes, 1) if len(problem.pool.candidates) > lazy.ABOVE else passes
    with one_blas_thread():
        return _choose(problem, passes=passes, prices=prices)


def _choose(problem: Problem, *, passes: int, prices: Sequence[str]) -> Draft:
    start = problem.draft()
    if problem.pool.is_control.all():
        raise nothing_fits(problem.limits, None, what="not one specimen fits in this week's limits")
    insist(start)
    if room_for_components(problem.limits) >= 2 * FEWEST_COMPONENTS:      # a week is never components alone
        represent(start, problem.region)
    drafts = [start.under(price) for price in prices]
    with ThreadPoolExecutor(len(drafts)) as threads:          # drafts share nothing that they change
        list(threads.map(search.greedy, drafts))
    drafts.sort(key=lambda d: d.misclassification)
    best, others, states = drafts[0], drafts[1:], deque(maxlen=FINALISTS - len(prices))
    keep_representative_share(best, problem.region)
    for _ in range(2 if passes else 0):
        search.exchange(best, passes=passes, before=lambda: states.append(best.copy()))
        if not search.greedy(best):
            break
    refused = sum((d.refused for d in drafts), start.refused)
    if passes and problem.conforms is not None and best.picks:
        for draft in others:
            keep_representative_share(draft, problem.region)
        best = settle([best, *states, *others], problem.conforms)
    keep_representative_share(best, problem.region)       # exchange and what was added after it may have thinned it
    best.refused = refused
    if not best.picks:
        _take_anything(best)
    return best


def settle(drafts: Sequence[Draft], conforms: np.ndarray) -> Draft:
    """Return the draft with the largest fall of H over simulated outcomes; the first where none beats it beyond chance.

    Parameters
    ----------
    drafts : sequence of Draft
        The one that the linear score thinks best first.
    conforms : (n_draws, n_points) bool array

    Notes
    -----
    Outcomes are drawn at the same posterior draws for all.  Another draft must win by more than twice the standard error of the
    paired difference, and by the same kind of scoring (reweighted or linear).
    """
    found = []
    for draft in drafts:
        c, how, _ = simulated_maps(draft.gain, conforms, draft.batch(), n_outcomes=N_OUTCOMES, rng=np.random.default_rng(0))
        found.append((np.minimum(c, 1.0 - c) @ draft.gain.table.weights, how))
    first, method = found[0]
    best, most = drafts[0], 0.0
    for draft, (after, how) in zip(drafts[1:], found[1:], strict=True):
        ahead = first - after
        if how == method and ahead.mean() > max(most, 2.0 * ahead.std(ddof=1) / np.sqrt(ahead.size)):
            best, most = draft, float(ahead.mean())
    return best


def insist(draft: Draft) -> None:
    """Put in the trials that the lab insists on.

    Raises
    ------
    UserError
        When one of them does not fit.
    """
    for number in draft.pool.insisted:
        row, braze = np.array([number]), int(draft.pool.braze[number])
        if braze < 0:
            ways = [(row, NONE, None)]
        else:
            same = [load for load in draft.tally.loads if draft.braze_of(load) == braze]
            ways = [*((row, load, None) for load in same), *((row, OPEN, control) for control in _controls(draft, braze))]
        for rows, load, control in ways:
            if draft.tally.refusals(rows, load=load, control=control)[0] == 0:
                opens = draft.free_load() if load == OPEN else None
                into = Pick(number, opens if opens is not None else load, INSISTED)
                draft.take(Step(into=(into,), opens=opens, control=control))
                break
        else:
            candidates = draft.pool.candidates
            raise insisted_do_not_fit(draft.limits, [candidates[i] for i in draft.pool.insisted], candidates[number])


def _controls(draft: Draft, braze: int) -> list[int | None]:
    """Return the controls that a load at this braze could have, the one that is taken first in front."""
    possible, control = draft.control_for(braze)
    if not possible or control is None:
        return [control] if possible else []
    return [control, *(c for (_, b), c in draft.pool.control.items() if b == braze and c != control)]


def represent(draft: Draft, region: np.ndarray) -> bool:
    """Put in one component of the representative list, or where none fits any component of the region.

    Returns
    -------
    bool
        Whether one was put in.
    """
    pool = draft.pool
    kinds = np.array([c.specimen_type == "component" for c in pool.candidates], bool) & region & ~pool.is_control
    listed = np.isin(pool.plate, sorted(pool.representative))
    used = {_spot(pool, p.candidate) for p in draft.picks}
    spots: dict[tuple, list[int]] = {}
    for i in np.flatnonzero(kinds & listed):
        spots.setdefault(_spot(pool, int(i)), []).append(int(i))          # with a section and without
    groups = [np.array(rows, int) for spot, rows in spots.items() if spot not in used] + [np.flatnonzero(kinds & ~listed)]
    openings = draft.openings()
    for rows in groups:
        found = []
        for braze in np.unique(pool.braze[rows]):
            mine = rows[pool.braze[rows] == braze]
            for load in draft.tally.loads:
                if draft.braze_of(load) == braze:
                    fits = mine[draft.tally.refusals(mine, load=load) == 0]
                    found += [Step(into=(Pick(int(r), load, REPRESENTATIVE),)) for r in fits]
            if not found and int(braze) in openings:
                control, fits = openings[int(braze)]
                number = draft.free_load()
                for r in np.intersect1d(mine, fits):
                    found.append(Step(into=(Pick(int(r), number, REPRESENTATIVE),), opens=number, control=control))
        if found:
            into = [s.into[0] for s in found]
            fall = draft.misclassification - draft.gain.score(draft.conditioned, [p.candidate for p in into], [p.load for p in into])
            inside = [s.opens is None for s in found]
            order = np.lexsort((-fall / draft.needs.cost[[p.candidate for p in into]], ~np.array(inside)))
            draft.take(found[int(order[0])])
            return True
    return False


def room_for_components(limits: Limits) -> float:
    """Return how many components the week could hold if it held nothing else, by money, hours and stock."""
    use = limits.uses.get("component")
    if use is None:
        return 0.0
    room = [limits.allowed[name] / one for name, one in (("budget", use.cost), ("hours", use.hours)) if one > 0]
    return min([*room, sum(n // max(use.blanks, 1) for n in limits.blanks.values())])


def _spot(pool: Pool, candidate: int) -> tuple:
    """Return how a specimen is formed, whatever is cut from it and however it is brazed."""
    c = pool.candidates[candidate]
    return c.specimen_type, c.temper, c.forming_temperature_degC, c.strain


def keep_representative_share(draft: Draft, region: np.ndarray) -> None:
    """Turn the components that matter least into representative ones until their share is met; of fewer than five none need be."""
    pool = draft.pool

    def components() -> list[Pick]:
        return [p for p in draft.picks if pool.candidates[p.candidate].specimen_type == "component"]

    while True:
        mine = components()
        have = sum(p.role == REPRESENTATIVE for p in mine)
        free = [p for p in mine if p.role == TRIAL]
        if len(mine) < FEWEST_COMPONENTS or have >= REPRESENTATIVE_SHARE * len(mine) or not free:
            return
        losses = draft.gain.losses(draft.conditioned)[len(draft.pending) :]
        ranked = sorted(free, key=lambda p: losses[draft.picks.index(p)])
        used = {_spot(pool, p.candidate) for p in draft.picks}
        step = next((s for p in ranked for s in _representing(draft, p, region, used)), None)
        if step is None:
            return
        draft.take(step)


def _representing(draft: Draft, pick: Pick, region: np.ndarray, used: set[tuple]) -> list[Step]:
    """Return the ways of turning one component into a representative one of the same load."""
    pool = draft.pool
    trial = draft.copy()
    trial.take(Step(out=(pick,)))
    if pick.load not in trial.tally.loads:
        return []
    braze = int(pool.braze[pick.candidate])
    rows = [pool.at[(p, braze)] for p in sorted(pool.representative)]
    rows = np.array([r for r in rows if region[r] and _spot(pool, r) not in used], int)
    fits = rows[trial.tally.refusals(rows, load=pick.load) == 0]
    return [Step(out=(pick,), into=(Pick(int(r), pick.load, REPRESENTATIVE),)) for r in fits]


def _take_anything(draft: Draft) -> None:
    """Where no gain is expected at all: one specimen that fits, or the message that says why none does."""
    rows, loads = draft.options()
    openings = draft.openings()
    if rows.size:
        draft.take(Step(into=(Pick(int(rows[0]), int(loads[0])),)))
        return
    if openings:
        _, (control, fits) = min(openings.items())
        number = draft.free_load()
        draft.take(Step(into=(Pick(int(fits[0]), number),), opens=number, control=control))
        return
    pool = draft.pool
    raise no_specimen_fits(draft.limits, [c for c, control in zip(pool.candidates, pool.is_control, strict=True) if not control])


def why_no_load(draft: Draft) -> str | None:
    """Say which limit keeps every furnace load shut, and the least change; ``None`` where one is open or could be."""
    pool = draft.pool
    brazed = [pool.candidates[i] for i in np.flatnonzero(draft.needs.furnace & ~pool.is_control)]
    if draft.tally.loads or not brazed:
        return None
    bare = Draft(draft.gain, pool, draft.limits, draft.needs)
    insist(bare)
    return None if bare.openings() else no_load_opened(draft.limits, brazed, [pool.candidates[i] for i in pool.insisted])


def optimism(problem: Problem, reference: ReferenceMap, measurements: Measurements) -> Optimism | None:
    """Choose on half of the chains, score on the other half.

    Parameters
    ----------
    problem : Problem
    reference : ReferenceMap
        With the chain of each draw.
    measurements : Measurements
        Of the pool's candidates.

    Returns
    -------
    Optimism or None
        ``None`` with a single chain.
    """
    chains = np.unique(reference.chain)
    if chains.size < 2:
        return None
    first = np.isin(reference.chain, chains[: chains.size // 2])
    gains = []
    some = slice(None, None, -(-reference.c.size // OPTIMISM_POINTS))
    for half in (first, ~first):
        part = reference.of_draws(half)
        gains.append(LinearGain(part.z[:, some], part.z0[some], measurements.of_draws(half), lots=problem.gain.lots))
    chosen = Problem(gains[0], problem.pool, problem.limits, problem.needs, problem.region, problem.pending)
    batch = choose(chosen, passes=0, prices=PRICES[:1]).batch()
    falls = [g.condition(problem.pending).misclassification - g.condition(batch).misclassification for g in gains]
    return Optimism(*falls)


def binding_limits(draft: Draft) -> dict[str, int]:
    """Return the limits that refused candidates while the batch was chosen, most often first, with counts."""
    counts = draft.refused[1:]
    order = np.argsort(-counts, kind="stable")
    return {LIMITS[i]: int(counts[i]) for i in order if counts[i]}
