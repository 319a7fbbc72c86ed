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
from planner.acquisition.outcomes import single_yes_no_correction
from planner.acquisition.reference import ReferenceMap
from planner.lab.errors import UserError
from planner.window.decision import Halves, halves

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
    """(n_draws, n_points + n_extra) normal scores of conformance."""
    z0: np.ndarray
    """Their thresholds; -inf where every draw conforms, inf where none does."""
    n_points: int
    """Reference points; what follows them counts in no share."""
    chain: np.ndarray
    """(n_draws,) chain of each draw."""


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
    pending: Sequence[tuple[Candidate, str | None]] = (), extra: tuple[np.ndarray, np.ndarray] | None = None,
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
    extra : (z, z0), optional
        Normal scores (n_draws, n_extra) and thresholds of points that count in no share (those of the target).
    n_candidates : int, default 320
    rng : numpy.random.Generator
    """
    pool = build_pool(limits.definition, limits, reference, history=history, n_candidates=n_candidates, rng=rng)
    everything = (*pool.candidates, *(one for one, _ in pending))
    number = {lot: i for i, lot in enumerate(dict.fromkeys(c.lot for c in everything))}
    z, z0, n = reference.z, reference.z0, reference.c.size
    weights = np.full(n, 1.0 / n)
    if extra is not None:
        z, z0 = np.concatenate([z, extra[0]], axis=1), np.concatenate([z0, extra[1]])
        weights = np.concatenate([weights, np.zeros(extra[1].size)])
    gain = LinearGain(z, z0, predictor.measurements(everything), lots=np.array([number[c.lot] for c in everything]), weights=weights)
    labels = list(dict.fromkeys(label for _, label in pending if label is not None))
    picks = tuple((len(pool.candidates) + i, NO_LOAD if label is None else labels.index(label)) for i, (_, label) in enumerate(pending))
    region = reference.c[reference.nearest(pool.candidates)] > 1.0 - limits.definition.goal.confidence
    correction = single_yes_no_correction(gain, z > z0)
    problem = Problem(gain, pool, limits, Needs(limits, pool.candidates), region, picks, correction)
    return Outset(problem, z, z0, n, reference.chain)


def look_ahead(
    outset: Outset, *, weeks: int, money: float | None = None, share: float = 1.0, blanks: dict[str, int] | None = None
) -> Ahead:
    """Lay out the coming weeks.

    Parameters
    ----------
    outset : Outset
    weeks : int
    money : float, optional
        Money left for all weeks together; default no limit.
    share : float, default 1
        Share of each week's money that may be spent.
    blanks : dict, optional
        Blanks on hand by lot, which bound the coming week only; later weeks can order. Default: no bound.
    """
    problem = outset.problem
    gain, start = problem.gain, list(problem.pending)
    batch, done, left, first, ended = list(start), [], money, None, ""
    for number in range(1, weeks + 1):
        limits = _limits(problem.limits, share=share, money=left, blanks=blanks if number == 1 else None)
        pool = problem.pool if number == 1 else replace(problem.pool, insisted=())
        week = replace(problem, pool=pool, limits=limits, needs=Needs(limits, problem.pool.candidates), pending=tuple(batch))
        try:
            draft = choose(week, passes=0, prices=("money",))
        except UserError as error:
            if number == 1 and blanks is not None:
                return look_ahead(outset, weeks=weeks, money=money, share=share)
            ended = f"week {number}: {error.what}"
            break
        batch = draft.batch()
        done.append(_week(number, draft, gain, batch))
        first = draft if first is None else first
        left = None if left is None else left - draft.tally.cost
    base = gain.condition(start)
    return Ahead(outset, tuple(done), tuple(batch), base.rows.size, base.misclassification, first, ended)


def _limits(limits: Limits, *, share: float, money: float | None, blanks: dict[str, int] | None) -> Limits:
    weekly = limits.allowed["budget"] * share
    allowed = {**limits.allowed, "budget": weekly if money is None else min(weekly, max(money, 0.0))}
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
    """Share of the largest set of which every point conforms with joint probability C."""
    undecided: np.ndarray
    target: np.ndarray | None
    """Joint probability of the extra points; None without them."""


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
    z, z0 = outset.z[:, gain.live], outset.z0[gain.live]
    targets = ((z - z.mean(axis=0)) / z.std(axis=0)).astype(np.float32)
    thresholds = (z0 - z.mean(axis=0)) / z.std(axis=0)
    score = _innovations(gain, batch, np.arange(m.F.shape[0]), rng)
    seen = _innovations(gain, batch, rng.integers(0, m.F.shape[0], n_outcomes), rng)
    ends = [0, *(w.rows for w in ahead.weeks)]
    split = halves(outset.chain)
    shape = (len(ends), n_outcomes)
    out = {name: np.zeros(shape) for name in ("misclassification", "claimed", "undecided", "target")}
    for stage, end in enumerate(ends):
        white = batch.whitened[:end]
        rest = targets - score[:, :end] @ white
        moved = seen[:, :end] @ white
        for outcome in range(n_outcomes if stage else 1):
            found = _read(rest > thresholds - moved[outcome], outset, split, confidence)
            for name, value in found.items():
                out[name][stage, slice(None) if stage == 0 else outcome] = value
    has_target = outset.n_points < outset.z0.size
    return Foreseen(out["misclassification"], out["claimed"], out["undecided"], out["target"] if has_target else None)


def _innovations(gain: LinearGain, batch, draws: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Return whitened outcomes (n, n_rows) that the given draws would show."""
    m, rows = gain.measurements, batch.rows
    if rows.size == 0:
        return np.zeros((draws.size, 0), np.float32)
    mean = m.F[np.ix_(draws, rows)].astype(float)
    root = np.linalg.cholesky(gain.residual_covariance(rows, batch.row_load))
    value = np.where(m.is_binary[rows], rng.random(mean.shape) < mean, mean + rng.standard_normal(mean.shape) @ root.T)
    off = (value - m.F[:, rows].mean(axis=0)) / gain.unit[rows]
    return (off @ batch.unmix.T).astype(np.float32)


def _read(conforms: np.ndarray, outset: Outset, split: Halves, confidence: float) -> dict[str, float]:
    """Return H, shares and the target's joint probability of an ensemble (n_draws, n_live) of yes and no."""
    n, alive_points = outset.n_points, outset.problem.gain.live
    mine = alive_points < n
    c, of_map = conforms[:, mine].mean(axis=0), conforms[:, mine]
    fixed = np.setdiff1d(np.arange(outset.z0.size), alive_points)
    holds = np.isneginf(outset.z0[fixed])
    sure, never = int(np.sum(holds & (fixed < n))), int(np.sum(~holds & (fixed < n)))
    order = np.argsort(-of_map[split.order].mean(axis=0), kind="stable")
    alive = np.bitwise_and.accumulate(np.packbits(of_map[split.certify][:, order].T, axis=1), axis=0)
    joint = np.bitwise_count(alive).sum(axis=1) / split.certify.size
    claimed = float(np.sum((joint >= confidence) & (c[order] >= confidence)) + sure) / n
    excluded = float(np.sum(c <= 1.0 - confidence) + never) / n
    target = 0.0 if np.any(~holds & (fixed >= n)) else float(conforms[:, ~mine].all(axis=1).mean())
    return {"misclassification": float(np.minimum(c, 1 - c).sum()) / n, "claimed": claimed,
            "undecided": max(0.0, 1.0 - claimed - excluded), "target": target}
