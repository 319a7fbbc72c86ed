"""The weeks to come, planned one after another on today's posterior.

What a budget buys is a question about plans that nobody has made yet. Each coming week is chosen as `plan` would choose
it, given that the batches before it are known to come (the linear batch update conditions on them), and what the map would
look like is read off an ensemble: every posterior draw is moved by the outcome that another draw would have shown. The
weeks are laid out beforehand; a lab that looks at its results each Friday does at least as well on average.

References
----------
Goldstein, M. & Wooff, D. (2007), Bayes Linear Statistics, ch. 3 (adjusted expectation and variance).
Evensen, G. (2003), Ocean Dynamics 53, 343-367 (an ensemble moved by perturbed observations).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from planner.acquisition.batch import Problem, choose
from planner.acquisition.candidate import Candidate
from planner.acquisition.candidates import Made, build_pool
from planner.acquisition.draft import Draft
from planner.acquisition.gain import NO_LOAD, LinearGain
from planner.acquisition.limits import Limits, Needs
from planner.acquisition.measurements import Predictor
from planner.acquisition.outcomes import scatter_of, single_yes_no_correction
from planner.acquisition.reference import ReferenceMap
from planner.lab.errors import UserError
from planner.outlook.watched import Watched, claimed_share
from planner.window.decision import halves

PLENTY = 9_999
"""Blanks of a lot once there was time to order them."""
N_CANDIDATES = 320


@dataclass(frozen=True)
class Week:
    """One week to come."""

    number: int
    """1 is the coming week."""
    cost: float
    """Specimens, sections and set-ups, controls included."""
    hours: float
    loads: int
    sections: int
    specimens: dict[str, int]
    """By specimen type."""
    blanks: dict[tuple[str, str], int]
    """Blanks used, by (temper, lot)."""
    misclassification: float
    """H expected after it."""
    rows: int
    """Measurements known by its end, pending ones included."""


@dataclass(frozen=True)
class Outset:
    """Where the coming weeks start from."""

    problem: Problem
    """The choice of a week, before any week is chosen."""
    z: np.ndarray
    """(n_draws, n_points) normal scores of conformance at the reference points."""
    z0: np.ndarray
    """Their thresholds; -inf where every draw conforms, inf where none does."""
    chain: np.ndarray
    """(n_draws,) chain of each draw."""
    watched: Watched | None = None
    """Points on which claims are read, under the same draws; None: the reference points alone, certified at C without margin."""


@dataclass(frozen=True)
class Ahead:
    """The coming weeks and all that their outcomes rest on."""

    outset: Outset
    weeks: tuple[Week, ...]
    batch: tuple[tuple[int, int], ...]
    """Pending specimens, then those of every week in turn: (candidate, load)."""
    pending_rows: int
    """Measurements of pending specimens."""
    pending_misclassification: float
    """H expected once pending results are in."""
    first: Draft | None
    """The coming week's draft."""
    ended: str
    """Why no further week was laid out; empty when all were."""


def set_out(
    reference: ReferenceMap, predictor: Predictor, limits: Limits, *, history: Sequence[Made] = (),
    pending: Sequence[tuple[Candidate, str | None]] = (), watched: Watched | None = None,
    n_candidates: int = N_CANDIDATES, rng: np.random.Generator,
) -> Outset:  # fmt: skip
    """Set up the choice of a week, once for all weeks.

    Parameters
    ----------
    reference : ReferenceMap
    predictor : Predictor
    limits : Limits
        Its lots with blanks are offered; which of them a week may use is decided week by week.
    history : sequence of Made
    pending : sequence of (Candidate, load label or None)
        Planned earlier, not reported yet.
    watched : Watched, optional
        Points on which claims are read.
    n_candidates : int, default 320
    rng : numpy.random.Generator
    """
    pool = build_pool(limits.definition, limits, reference, history=history, n_candidates=n_candidates, rng=rng)
    everything = (*pool.candidates, *(one for one, _ in pending))
    number = {lot: i for i, lot in enumerate(dict.fromkeys(c.lot for c in everything))}
    gain = LinearGain(reference.z, reference.z0, predictor.measurements(everything), lots=np.array([number[c.lot] for c in everything]))
    labels = list(dict.fromkeys(label for _, label in pending if label is not None))
    picks = tuple((len(pool.candidates) + i, NO_LOAD if label is None else labels.index(label)) for i, (_, label) in enumerate(pending))
    region = reference.c[reference.nearest(pool.candidates)] > 1.0 - limits.definition.goal.confidence
    correction = single_yes_no_correction(gain, reference.z > reference.z0)
    problem = Problem(gain, pool, limits, Needs(limits, pool.candidates), region, picks, correction)
    return Outset(problem, reference.z, reference.z0, reference.chain, watched)


def look_ahead(
    outset: Outset, *, weeks: int, money: float | None = None, weekly: float | None = None, blanks: dict[str, int] | None = None
) -> Ahead:
    """Lay out the coming weeks.

    Parameters
    ----------
    outset : Outset
    weeks : int
    money : float, optional
        Money left for all weeks together; default no limit.
    weekly : float, optional
        Most money of a week; default what the week's budget allows.
    blanks : dict, optional
        Blanks on hand by lot, which bound the coming week only; later weeks can order. Default: no bound.
    """
    problem = outset.problem
    gain, start = problem.gain, list(problem.pending)
    batch, done, left, first, ended = list(start), [], money, None, ""
    for number in range(1, weeks + 1):
        limits = _limits(problem.limits, weekly=weekly, money=left, blanks=blanks if number == 1 else None)
        pool = problem.pool if number == 1 else replace(problem.pool, insisted=())
        week = replace(problem, pool=pool, limits=limits, needs=Needs(limits, problem.pool.candidates), pending=tuple(batch))
        try:
            draft = choose(week, passes=0, prices=("money",))
        except UserError as error:
            if number == 1 and blanks is not None:
                return look_ahead(outset, weeks=weeks, money=money, weekly=weekly)
            ended = f"week {number}: {error.what}"
            break
        batch = draft.batch()
        done.append(_week(number, draft, gain, batch))
        first = draft if first is None else first
        left = None if left is None else left - draft.tally.cost
    base = gain.condition(start)
    return Ahead(outset, tuple(done), tuple(batch), base.rows.size, base.misclassification, first, ended)


def _limits(limits: Limits, *, weekly: float | None, money: float | None, blanks: dict[str, int] | None) -> Limits:
    least = min(x for x in (limits.allowed["budget"], weekly, None if money is None else max(money, 0.0)) if x is not None)
    allowed = {**limits.allowed, "budget": least}
    stock = {lot: PLENTY for lot in limits.blanks} if blanks is None else {lot: blanks.get(lot, 0) for lot in limits.blanks}
    return replace(limits, allowed=allowed, blanks=stock)


def _week(number: int, draft: Draft, gain: LinearGain, batch) -> Week:
    chosen = [draft.pool.candidates[p.candidate] for p in draft.picks]
    used: Counter = Counter()
    for one in chosen:
        used[one.temper, one.lot] += draft.limits.uses[one.specimen_type].blanks
    return Week(number, draft.tally.cost, draft.tally.hours, len(draft.tally.loads), draft.tally.sections,
                dict(Counter(c.specimen_type for c in chosen)), dict(used), draft.misclassification, gain.stacked(batch)[0].size)


@dataclass(frozen=True)
class Foreseen:
    """What the map may look like after each stage; arrays (n_stages, n_outcomes). Stage 0 is today."""

    misclassification: np.ndarray
    claimed: np.ndarray
    """Share of the largest region that the window's rules would certify as a whole."""
    undecided: np.ndarray
    target: np.ndarray | None
    """Joint probability of the target's points; None without a target."""
    target_level: float = 1.0
    """Joint probability from which the target is certified."""


class _Moved:
    """Normal scores of some points, and how whitened outcomes of the coming weeks move them."""

    def __init__(self, gain: LinearGain, batch, z: np.ndarray, z0: np.ndarray):
        spread = z.std(axis=0)
        live = np.isfinite(z0) & (spread > 0)
        safe = np.where(live, spread, 1.0)
        self.targets = np.where(live, (z - z.mean(axis=0)) / safe, 0.0).astype(np.float32)
        self.thresholds = np.where(live, (np.where(live, z0, 0.0) - z.mean(axis=0)) / safe, np.where(np.isneginf(z0), -1.0, 1.0)).astype(np.float32)
        f = gain.measurements.F[:, batch.rows]
        cross = ((f - f.mean(axis=0)) / gain.unit[batch.rows]).astype(np.float32).T @ self.targets
        self.white = batch.unmix.astype(np.float32) @ (np.float32((1.0 - gain.shrinkage) / len(z)) * cross)

    def after(self, score: np.ndarray, seen: np.ndarray, end: int):
        """Return a function: number of an outcome -> who conforms (n_draws, n) once the first `end` measurements showed it."""
        rest, moved = self.targets - score[:, :end] @ self.white[:end], seen[:, :end] @ self.white[:end]
        return lambda outcome: rest > self.thresholds - moved[outcome]


def foresee(ahead: Ahead, *, confidence: float, n_outcomes: int = 48, rng: np.random.Generator) -> Foreseen:
    """Draw what each stage may show.

    An outcome is what one posterior draw, taken as the truth, would show with scatter. Every other draw is moved by
    the difference between that outcome and its own.

    Parameters
    ----------
    ahead : Ahead
    confidence : float
        C. As in the window, half of the chains orders points and the rest certifies.
    n_outcomes : int, default 48
    rng : numpy.random.Generator
    """
    outset, gain = ahead.outset, ahead.outset.problem.gain
    m, batch = gain.measurements, gain.condition(ahead.batch)
    watched = outset.watched or Watched.plain(outset.z, outset.z0, level=confidence)
    score = _innovations(gain, batch, np.arange(m.F.shape[0]), rng)
    seen = _innovations(gain, batch, rng.integers(0, m.F.shape[0], n_outcomes), rng)
    ends, split = [0, *(w.rows for w in ahead.weeks)], halves(outset.chain)
    every, near = _Moved(gain, batch, outset.z, outset.z0), _Moved(gain, batch, watched.z, watched.z0)
    aim = None if watched.target is None else _Moved(gain, batch, *watched.target)
    out = {name: np.zeros((len(ends), n_outcomes)) for name in ("misclassification", "claimed", "undecided", "target")}
    for stage, end in enumerate(ends):
        of_map, of_claim, of_target = (one and one.after(score, seen, end) for one in (every, near, aim))
        for outcome in range(n_outcomes if stage else 1):
            at = (stage, outcome if stage else slice(None))
            c = of_map(outcome).mean(axis=0)
            claimed = claimed_share(of_claim(outcome), watched, split, confidence=confidence)
            out["misclassification"][at], out["claimed"][at] = _expected(c), claimed
            out["undecided"][at] = max(0.0, 1.0 - claimed - float(np.mean(c <= 1.0 - confidence)))
            if of_target is not None:
                out["target"][at] = of_target(outcome).all(axis=1).mean()
    return Foreseen(out["misclassification"], out["claimed"], out["undecided"], None if aim is None else out["target"], watched.target_level)


def further_falls(outset: Outset, batch: Sequence[tuple[int, int]], more: Sequence[tuple[int, int]], *, n_outcomes: int = 48, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Draw H (n_outcomes,) after a batch, and after it and further specimens, outcome by outcome of the same draws.

    Parameters
    ----------
    outset : Outset
    batch, more : sequences of (candidate, load)
    n_outcomes : int, default 48
    rng : numpy.random.Generator
    """
    gain = outset.problem.gain
    whole, start = gain.condition([*batch, *more]), gain.stacked(batch)[0].size
    n_draws = gain.measurements.F.shape[0]
    score = _innovations(gain, whole, np.arange(n_draws), rng)
    seen = _innovations(gain, whole, rng.integers(0, n_draws, n_outcomes), rng)
    moved = _Moved(gain, whole, outset.z, outset.z0)
    return tuple(np.array([_expected(conforms(outcome).mean(axis=0)) for outcome in range(n_outcomes)])
                 for conforms in (moved.after(score, seen, end) for end in (start, whole.rows.size)))


def _expected(c: np.ndarray) -> float:
    """Return H of a map of c."""
    return float(np.minimum(c, 1 - c).mean())


def _innovations(gain: LinearGain, batch, draws: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Return whitened outcomes (n, n_rows) that the given draws would show."""
    m, rows = gain.measurements, batch.rows
    if rows.size == 0:
        return np.zeros((draws.size, 0), np.float32)
    value = scatter_of(gain, rows, batch.row_load).draw(m.F[np.ix_(draws, rows)], rng=rng)
    off = (value - m.F[:, rows].mean(axis=0)) / gain.unit[rows]
    return (off @ batch.unmix.T).astype(np.float32)
