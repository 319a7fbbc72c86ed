"""What a plan does without: kinds of specimen that were weighed and found wanting, and kinds that a limit keeps out.

"Not worth its money" may only be said of what could have been had.  A kind of which nothing fits any more, though it would bring more
for its money than the plan does, is out by a limit, and the limit is named.
"""

from __future__ import annotations

import numpy as np

from planner.acquisition.batch import insist
from planner.acquisition.candidates import Pool
from planner.acquisition.draft import Draft
from planner.acquisition.gain import NO_LOAD
from planner.acquisition.limits import LIMITS, NONE, OPEN
from planner.acquisition.proposal import NotWorth
from planner.acquisition.reasons import named

CENT = 0.005
SMALLEST_SHOWN = 0.0005
"""Points of H below which a gain is not written out."""


def left_out(draft: Draft, *, gain: float, currency: str) -> tuple[NotWorth, ...]:
    """Return specimen types, and sections, that the plan does without, the most gain for its money first.

    Parameters
    ----------
    draft : Draft
        The plan as chosen.
    gain : float
        Expected gain of the whole plan as it is printed; what is left out is put on the same scale.
    currency : str
    """
    pool = draft.pool
    fall = draft.start - draft.misclassification
    scale = gain / fall if fall > 0.0 else 1.0
    average = gain / draft.tally.cost if draft.tally.cost > 0 else 0.0
    groups: dict[str, list[int]] = {}
    for i in np.flatnonzero(~pool.is_control):
        groups.setdefault(_kind(pool, int(i)), []).append(int(i))
    taken = {_kind(pool, p.candidate) for p in draft.picks}
    hard = refused_by(_insisted_alone(draft))                    # what no choice of trials lets in is out by that limit
    out = []
    for what, members in groups.items():
        if what in taken:
            continue
        rows, loads, price, code, setups = _ways(draft, np.array(members))
        code = np.where(hard[rows] > 0, hard[rows], code)
        more = scale * np.maximum(draft.misclassification - draft.gain.score(draft.conditioned, rows, loads), 0.0)
        ratio = np.where((code == 0) | ~(code == 0).any(), more / price, -np.inf)      # what fits goes first
        best = int(np.argmax(ratio))
        worth, cost, code = float(more[best]), float(price[best]), int(code[best])
        dear = f" ({setups[best]:g} of it for what it brings along: set-up, control)" if setups[best] > CENT else ""
        why = f"would lower H by {_points(worth)} points for {cost:g} {currency}{dear}, {_points(1000 * worth / cost)} a thousand; the plan lowers it by {_points(1000 * average)} a thousand"
        if code and worth / cost > average:
            why = f"kept out by a limit of the week, {LIMITS[code - 1].replace('_', ' ')}: {why}"
        out.append(NotWorth(named(pool.candidates[rows[best]]), worth, cost, why))
    return tuple(sorted(out, key=lambda n: -n.gain / n.cost))


def _ways(draft: Draft, rows: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Return every way in which candidates could be added, one an entry: candidate, load, price, what refuses it, and how much of the price is set-up and control."""
    pool, tally, needs = draft.pool, draft.tally, draft.needs
    found: list[tuple[np.ndarray, int, np.ndarray, np.ndarray]] = []

    def add(some: np.ndarray, load: int, scored: int, control: int | None = None, *, possible: bool = True) -> None:
        if some.size:
            price = tally.demand(some, load=load, control=control)["budget"] - tally.cost
            code = tally.refusals(some, load=load, control=control)
            found.append((some, scored, price, code if possible else np.full(some.size, 1 + LIMITS.index("stock"))))

    add(rows[~needs.furnace[rows]], NONE, NO_LOAD)
    for braze in np.unique(pool.braze[rows[needs.furnace[rows]]]):
        some = rows[needs.furnace[rows] & (pool.braze[rows] == braze)]
        for load in tally.loads:
            if draft.braze_of(load) == braze:
                add(some, load, load)
        possible, control = draft.control_for(int(braze))
        add(some, OPEN, draft.free_load(), control if possible else None, possible=possible)
    candidates, price, code = (np.concatenate([way[i] for way in found]) for i in (0, 2, 3))
    loads = np.concatenate([np.full(way[0].size, way[1], int) for way in found])
    return candidates, loads, price, code, price - needs.cost[candidates]


def refused_by(draft: Draft) -> np.ndarray:
    """Return, for each candidate, 0 where one more of it fits in the plan, else 1 + the place in ``LIMITS`` of what refuses it.

    Of several ways to take it in - an open load of its braze, a load opened for it - the one that comes nearest counts.
    """
    pool, tally, furnace = draft.pool, draft.tally, draft.needs.furnace
    codes = np.full(len(pool.candidates), 1 + LIMITS.index("stock"), int)
    loose = np.flatnonzero(~furnace)
    codes[loose] = tally.refusals(loose, load=NONE)
    for braze in range(len(pool.brazes)):
        rows = np.flatnonzero(furnace & (pool.braze == braze))
        ways = [tally.refusals(rows, load=load) for load in tally.loads if draft.braze_of(load) == braze]
        possible, control = draft.control_for(braze)
        ways += [tally.refusals(rows, load=OPEN, control=control)] if possible else []
        if ways:
            ways = np.array(ways, int)
            codes[rows] = np.where((ways == 0).any(axis=0), 0, ways.max(axis=0))
    return codes


def _insisted_alone(draft: Draft) -> Draft:
    bare = Draft(draft.gain, draft.pool, draft.limits, draft.needs)
    insist(bare)
    return bare


def _kind(pool: Pool, candidate: int) -> str:
    c = pool.candidates[candidate]
    return f"{c.specimen_type}{' with a section' if c.section_feature is not None else ''} of {c.temper}"


def _points(share: float) -> str:
    """Write a share of the box in points: hundredths, with three decimals as on the plan's page."""
    points = 100.0 * share
    return f"{points:.3f}" if points >= SMALLEST_SHOWN or points == 0.0 else "less than 0.001"
