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
    pool, needs = draft.pool, draft.needs
    fall = draft.start - draft.misclassification
    scale = gain / fall if fall > 0.0 else 1.0
    average = gain / draft.tally.cost if draft.tally.cost > 0 else 0.0
    groups: dict[str, list[int]] = {}
    for i in np.flatnonzero(~pool.is_control):
        groups.setdefault(_kind(pool, int(i)), []).append(int(i))
    taken = {_kind(pool, p.candidate) for p in draft.picks}
    hard = refused_by(_insisted_alone(draft))
    codes = np.where(hard > 0, hard, refused_by(draft))          # what no choice of trials lets in is out by that limit
    out = []
    for what, members in groups.items():
        if what in taken:
            continue
        rows = np.array(members)
        loads = np.where(needs.furnace[rows], draft.free_load(), NO_LOAD)
        more = scale * np.maximum(draft.misclassification - draft.gain.score(draft.conditioned, rows, loads), 0.0)
        ratio = np.where((codes[rows] == 0) | ~(codes[rows] == 0).any(), more / needs.cost[rows], -np.inf)      # what fits goes first
        best = int(np.argmax(ratio))
        worth, cost, code = float(more[best]), float(needs.cost[rows[best]]), int(codes[rows[best]])
        why = f"would lower H by {_points(worth)} points for {cost:g} {currency}, {_points(1000 * worth / cost)} a thousand; the plan lowers it by {_points(1000 * average)} a thousand"
        if code and worth / cost > average:
            why = f"kept out by a limit of the week, {LIMITS[code - 1].replace('_', ' ')}: {why}"
        out.append(NotWorth(named(pool.candidates[rows[best]]), worth, cost, why))
    return tuple(sorted(out, key=lambda n: -n.gain / n.cost))


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
