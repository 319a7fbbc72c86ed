"""What a batch would show, outcome by outcome.

The linear score knows how much of a point's variance a batch explains, not how the outcomes fall: a yes/no has two of them,
and a rare leak or crack can be several times better or worse than its second moments say.  Here single yes/no trials are
scored exactly from the draws, and a whole batch is scored on simulated outcomes, which also gives the band of the
forecast: how far one week's outcome may fall from the expected gain.  Outcomes are drawn and weighed by ``scatter``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr

from planner.acquisition.gain import NO_LOAD, LinearGain, Pick
from planner.acquisition.scatter import Scatter
from planner.acquisition.scores import MAX_SHARE

ESS_GUARD = 200.0
GUARDED_SHARE = 0.9
LARGEST_CORRECTION = 6.0


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


def single_yes_no_correction(gain: LinearGain, conforms: np.ndarray) -> np.ndarray:
    """Return the factor by which to multiply the linear gain of each candidate.

    It is 1 except for candidates that yield nothing but one yes/no: for those, the exact two-outcome gain over the linear one,
    held to a factor of six either way.

    Parameters
    ----------
    gain : LinearGain
    conforms : (n_draws, n_points) bool array
        Over all reference points.

    Returns
    -------
    (n_candidates,) array
    """
    factor = np.ones(gain.n_candidates)
    rows = [gain.rows_of(c) for c in range(gain.n_candidates)]
    single = np.array([c for c, r in enumerate(rows) if r.size == 1 and gain.measurements.is_binary[r[0]]], int)
    if single.size:
        p = gain.measurements.F[:, [rows[c][0] for c in single]]
        exact = two_outcome_gain(conforms[:, gain.live], p, weights=gain.table.weights)
        nothing = gain.condition([])
        linear = gain.now - gain.score(nothing, single, np.full(single.size, NO_LOAD))
        usable = (linear > 0) & (exact > 0)
        ratio = np.divide(exact, linear, out=np.ones(single.size), where=usable)
        factor[single] = np.clip(ratio, 1.0 / LARGEST_CORRECTION, LARGEST_CORRECTION)
    return factor


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
