"""What a batch would show, outcome by outcome.

The linear score knows how much of a point's variance a batch explains, not how the outcomes fall: a yes/no has two of them,
and a rare leak or crack can be several times better or worse than its second moments say.  Here the yes/no readings of
a specimen are scored exactly from the draws, and a whole batch is scored on simulated outcomes, which also gives the band of the
forecast: how far one week's outcome may fall from the expected gain.  Outcomes are drawn and weighed by ``scatter``.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import partial

import numpy as np
from scipy.special import ndtr

from planner.acquisition.gain import NO_LOAD, LinearGain, Pick
from planner.acquisition.measurements import KINDS
from planner.acquisition.scatter import Scatter
from planner.acquisition.scores import MAX_SHARE
from planner.acquisition.threads import one_blas_thread

ESS_GUARD = 200.0
GUARDED_SHARE = 0.9
LARGEST_CORRECTION = 6.0
LEAST_SIGNAL = 1e-4
"""Standard deviation over draws of a chance below which its yes/no reading counts as telling nothing."""
AT_ONCE, THREADS = 256, 2
"""Specimens whose outcomes are worked out together."""


@dataclass(frozen=True)
class SimulatedGain:
    """Fall of H over simulated outcomes of a batch."""

    gain: float
    """Mean over outcomes."""
    band_80: tuple[float, float]
    """10 % and 90 % points over single outcomes."""
    method: str
    """``"reweighted"`` where importance weights held, else ``"linear"``."""
    ess: float
    """Median effective number of draws of the weights."""
    c: np.ndarray
    """(n_outcomes, n_live) P(conforming) of the points in doubt after each outcome."""


def two_outcome_gain(conforms: np.ndarray, p: np.ndarray, *, weights: np.ndarray | None = None) -> np.ndarray:
    """Return the exact expected fall of H from one yes/no measurement.

    Parameters
    ----------
    conforms : (n_draws, n_points) bool array
        Whether each draw says that each point conforms.
    p : (n_draws,) or (n_draws, n_measurements) array
        Probability of yes under each draw.
    weights : (n_points,) array, optional
        Default 1 / n_points.

    Returns
    -------
    (n_measurements,) array, or a scalar array for one measurement

    Examples
    --------
    >>> conforms = np.array([[True], [False]])
    >>> float(two_outcome_gain(conforms, np.array([1.0, 0.0])))
    0.5
    """
    conforms = np.asarray(conforms, dtype=np.float64)
    p = np.asarray(p, float)
    yes = p if p.ndim == 2 else p[:, None]
    n_draws, n_points = conforms.shape
    weights = np.full(n_points, 1.0 / n_points) if weights is None else weights
    c = conforms.mean(axis=0)
    with_yes = yes.T @ conforms / n_draws
    p_yes = yes.mean(axis=0)[:, None]
    with_no = c - with_yes
    after = np.minimum(with_yes, p_yes - with_yes) + np.minimum(with_no, 1.0 - p_yes - with_no)
    gain = (np.minimum(c, 1.0 - c) - after) @ weights
    return gain if p.ndim == 2 else gain[0]


def yes_no_gain(conforms: np.ndarray, chances: np.ndarray, crack: np.ndarray, *, weights: np.ndarray) -> np.ndarray:
    """Return the exact expected fall of H from all yes/no readings of a specimen together, outcome by outcome.

    Parameters
    ----------
    conforms : (n_draws, n_points) float array
        1 where a draw says that a point conforms.
    chances : (k, n_draws, n_specimens) array
        Chance of yes of each reading, those that a crack could prevent as if it had not.
    crack : (k,) int array
        Which reading is the crack that each goes against, -1 for none.
    weights : (n_points,) array

    Returns
    -------
    (n_specimens,) array
    """
    n_draws, n = chances.shape[1:]
    left, c = np.ones((n, 1), chances.dtype), conforms.mean(axis=0)
    rest, after = np.repeat(c[None, :], n, axis=0), np.zeros((n, conforms.shape[1]), chances.dtype)
    outcomes = [y for y in itertools.product((False, True), repeat=len(crack)) if not any(y[j] and i >= 0 and y[i] for j, i in enumerate(crack))]
    for outcome in outcomes[1:]:                                    # the one of every reading no: what is left
        chance = np.ones((n_draws, n), chances.dtype)
        for j, yes in enumerate(outcome):
            if crack[j] < 0 or not outcome[crack[j]]:
                chance *= chances[j] if yes else 1.0 - chances[j]
        p, both = chance.mean(axis=0)[:, None], np.ascontiguousarray(chance.T) @ conforms / n_draws
        after += np.minimum(both, p - both)
        rest -= both
        left -= p
    after += np.minimum(rest, left - rest)
    return (np.minimum(c, 1.0 - c) - after) @ weights


def single_yes_no_correction(gain: LinearGain, conforms: np.ndarray) -> np.ndarray:
    """Return the factor by which to multiply the linear gain of each candidate.

    A yes/no reading tells more or less than its second moments say.  The exact gain of all yes/no readings of a specimen over their
    linear one, held to a factor of six either way, is applied to what they add to its other readings by the linear score: all of
    the gain where the others tell nothing, none of it where they tell all that the yes/no readings could.

    Parameters
    ----------
    gain : LinearGain
    conforms : (n_draws, n_points) bool array
        Over all reference points.

    Returns
    -------
    (n_candidates,) array
        1 for candidates without a yes/no reading that tells anything.
    """
    m, factor = gain.measurements, np.ones(gain.n_candidates)
    live = np.asarray(conforms)[:, gain.live].astype(np.float32)
    asked = m.is_binary.copy()
    asked[asked] = m.F[:, asked].std(axis=0) > LEAST_SIGNAL
    alike: dict[tuple, list[int]] = {}
    for candidate in np.unique(m.candidate[asked]):
        rows = gain.rows_of(candidate)
        alike.setdefault(tuple(asked[rows]) + tuple(m.kind[rows]), []).append(candidate)
    for together in alike.values():
        rows = np.array([gain.rows_of(c) for c in together])
        mine = asked[rows[0]]
        with one_blas_thread(), ThreadPoolExecutor(THREADS) as threads:
            parts = np.array_split(rows[:, mine], -(-len(rows) // AT_ONCE))
            exact = np.concatenate(list(threads.map(partial(_exact, gain, live), parts)))
        linear, whole = gain.now - gain.score_alone(rows[:, mine]), gain.now - gain.score_alone(rows)
        added = whole if mine.all() else whole - (gain.now - gain.score_alone(rows[:, ~mine]))
        ratio = _bounded(exact, linear)
        factor[together] = _bounded(whole + (ratio - 1.0) * np.maximum(added, 0.0), whole)
    return factor


def _bounded(exact: np.ndarray, linear: np.ndarray) -> np.ndarray:
    """Return exact over linear, held to the largest correction; 1 where nothing is told either way."""
    ratio = np.divide(exact, linear, out=np.ones_like(linear), where=linear > 0.0)
    return np.clip(ratio, 1.0 / LARGEST_CORRECTION, LARGEST_CORRECTION)


def _exact(gain: LinearGain, live: np.ndarray, rows: np.ndarray) -> np.ndarray:
    """Return the exact gain of the given yes/no rows (n, k) of specimens that are alike."""
    m, kind = gain.measurements, list(gain.measurements.kind[rows[0]])
    chances, crack = np.stack([m.F[:, one] for one in rows.T]).astype(np.float32), np.full(len(kind), -1)
    if "cracked" in kind:
        first = kind.index("cracked")
        against = (m.within[rows, KINDS.index("cracked")] < 0.0).any(axis=0) & (np.arange(len(kind)) != first)
        crack[against] = first
        through = np.maximum(1.0 - chances[first], np.float32(1e-12))
        chances[against] = np.minimum(chances[against] / through, 1.0)
    return yes_no_gain(live, chances, crack, weights=gain.table.weights)


def outcome_draws() -> np.random.Generator:
    """Return the generator behind a forecast: the same for every batch, so that two of them meet the same draws and differ by what they hold.

    It is not the one by whose draws the last plans are told apart: what was chosen by some outcomes is not praised by the same.
    """
    return np.random.default_rng(1)


def simulated_gain(
    gain: LinearGain,
    conforms: np.ndarray,
    picks: Sequence[Pick],
    *,
    given: Sequence[Pick] = (),
    n_outcomes: int = 256,
    ess_guard: float = ESS_GUARD,
    rng: np.random.Generator,
) -> SimulatedGain:
    """Score a batch on simulated outcomes.

    Each outcome is drawn at one posterior draw: yes/no measurements as such, then normal ones with what they share with these
    and through new lots and loads.  Where the batch is small enough for importance weights, the map after each outcome comes from
    reweighted draws; otherwise from the linear update applied to that outcome.

    Parameters
    ----------
    gain : LinearGain
    conforms : (n_draws, n_points) bool array
        Over all reference points.
    picks : sequence of (candidate, load)
    given : sequence of (candidate, load), optional
        Pending specimens: simulated too. What they bring alone is taken off outcome by outcome, so that gain and band are those
        of the fall of H beyond them.
    n_outcomes : int, default 256
    ess_guard : float, default 200
        Effective draws that 90 % of the outcomes must keep for reweighting to be believed.
    rng : numpy.random.Generator
    """
    batch = [*given, *picks]
    scatter, outcome = _outcomes(gain, batch, n_outcomes=n_outcomes, rng=rng)
    c, method, ess = _read(gain, conforms, batch, scatter, outcome, ess_guard=ess_guard)
    before = gain.condition(given).misclassification
    if given:
        alone = scatter_of(gain, *gain.stacked(given))       # the same outcomes, of the pending specimens alone, read in the same way
        guard = 0.0 if method == "reweighted" else np.inf
        known, _, _ = _read(gain, conforms, given, alone, outcome[:, : alone.rows.size], ess_guard=guard)
        before = np.minimum(known, 1.0 - known) @ gain.table.weights
    fall = before - np.minimum(c, 1.0 - c) @ gain.table.weights
    low, high = np.quantile(fall, [0.1, 0.9])
    return SimulatedGain(float(fall.mean()), (float(low), float(high)), method, ess, c)


def simulated_maps(
    gain: LinearGain,
    conforms: np.ndarray,
    picks: Sequence[Pick],
    *,
    n_outcomes: int = 256,
    ess_guard: float = ESS_GUARD,
    rng: np.random.Generator,
) -> tuple[np.ndarray, str, float]:
    """Return c after each simulated outcome (n_outcomes, n_live), the method and the median effective number of draws.

    Parameters are those of :func:`simulated_gain`, pending specimens among the picks; with equal generators, outcome i of two
    batches is drawn at the same posterior draw.
    """
    scatter, outcome = _outcomes(gain, picks, n_outcomes=n_outcomes, rng=rng)
    return _read(gain, conforms, picks, scatter, outcome, ess_guard=ess_guard)


def scatter_of(gain: LinearGain, rows: np.ndarray, loads: np.ndarray) -> Scatter:
    """Return the law of a batch's readings given a draw, from its measurements and the load of each."""
    return Scatter.of(gain.measurements, rows, gain.residual_covariance(rows, loads), gain.within_covariance(rows))


def _outcomes(gain: LinearGain, picks: Sequence[Pick], *, n_outcomes: int, rng: np.random.Generator) -> tuple[Scatter, np.ndarray]:
    """Return the law of a batch's readings and outcomes of them (n_outcomes, n_rows)."""
    scatter = scatter_of(gain, *gain.stacked(picks))
    at = rng.integers(0, gain.measurements.F.shape[0], n_outcomes)
    return scatter, scatter.draw(gain.measurements.F[np.ix_(at, scatter.rows)], rng=rng)


def _read(
    gain: LinearGain,
    conforms: np.ndarray,
    picks: Sequence[Pick],
    scatter: Scatter,
    outcome: np.ndarray,
    *,
    ess_guard: float,
) -> tuple[np.ndarray, str, float]:
    """Return c after each outcome of a batch, the method and the median effective number of draws."""
    weights, ess = scatter.weights(gain.measurements.F[:, scatter.rows], outcome)
    if np.mean(ess >= ess_guard) >= GUARDED_SHARE:
        live = np.asarray(conforms, float)[:, gain.live]
        return weights @ live, "reweighted", float(np.median(ess))
    return _linear(gain, picks, scatter.rows, outcome), "linear", float(np.median(ess))


def _linear(gain: LinearGain, picks: Sequence[Pick], rows: np.ndarray, outcome: np.ndarray) -> np.ndarray:
    """Return c after each outcome by the linear update of every point's normal score."""
    batch = gain.condition(picks)
    surprise = (outcome - gain.measurements.F[:, rows].mean(axis=0)) / gain.unit[rows]
    moved = surprise @ batch.unmix.T @ batch.whitened
    left = np.sqrt(1.0 - np.minimum(batch.share.astype(float), MAX_SHARE))
    return ndtr((moved - gain.z0) / left)
