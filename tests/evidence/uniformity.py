"""Are ranks uniform?  A band for their distribution function, simultaneous over ranks and over quantities.

Ranks 0..L of a truth among L draws are uniform where the posterior is right.  Counted in bins, every point of the empirical
distribution function is binomial; the statistic is the most surprising point, its own distribution is simulated, and over many
quantities the level is shared out (Sidak), which holds whatever their correlation (Sidak's inequality for two-sided normal
bounds; a little cautious where quantities go together).

References
----------
Talts et al. (2018), arXiv 1804.06788; Saeilynoja, Buerkner & Vehtari (2022), Statistics and Computing 32:32.
"""

from __future__ import annotations

from functools import cache

import numpy as np
from scipy.stats import binom

LEVEL = 0.95                      # of the band over all ranks and quantities together
BINS = 20
N_NULL = 200_000


def surprise(counts: np.ndarray) -> np.ndarray:
    """Return, for bin counts (..., n_bins), the smaller binomial tail of the most surprising point of the distribution function."""
    counts = np.asarray(counts, int)
    n, bins = int(counts[..., :].sum(axis=-1).flat[0]), counts.shape[-1]
    below = np.cumsum(counts, axis=-1)[..., :-1]
    table = tails(n, bins)
    return np.min(table[np.arange(bins - 1), below], axis=-1)


@cache
def tails(n: int, bins: int) -> np.ndarray:
    """Return the smaller of P(X <= k) and P(X >= k), X binomial, shape (n_bins - 1, n + 1)."""
    at, k = np.arange(1, bins)[:, None] / bins, np.arange(n + 1)[None, :]
    return np.minimum(binom.cdf(k, n, at), binom.sf(k - 1, n, at))


@cache
def null(n: int, bins: int = BINS) -> np.ndarray:
    """Return sorted surprises of uniform ranks."""
    rng = np.random.default_rng([n, bins])
    return np.sort(np.concatenate([surprise(rng.multinomial(n, np.full(bins, 1 / bins), size=N_NULL // 10)) for _ in range(10)]))


def p_value(counts: np.ndarray) -> np.ndarray:
    """Return P(as surprising or more) for bin counts (..., n_bins) of uniform ranks; never 0."""
    of_null = null(int(np.asarray(counts)[..., :].sum(axis=-1).flat[0]), np.shape(counts)[-1])
    return (np.searchsorted(of_null, surprise(counts) * (1 + 1e-12), side="right") + 1) / (len(of_null) + 1)


def least_p(n_quantities: int, level: float = LEVEL) -> float:
    """Return the p below which one of many quantities is outside the band."""
    return 1.0 - level ** (1.0 / n_quantities)


def band(n: int, n_quantities: int, bins: int = BINS) -> tuple[np.ndarray, np.ndarray]:
    """Return the lowest and highest counts of the distribution function at the inner bin edges that are inside the band, each (n_bins - 1,)."""
    of_null = null(n, bins)
    least = of_null[int(np.ceil(least_p(n_quantities) * len(of_null)))]
    inside = tails(n, bins) >= least
    return inside.argmax(axis=1), n - inside[:, ::-1].argmax(axis=1)


def rank(truth: float, draws: np.ndarray, rng: np.random.Generator) -> int:
    """Return the rank of a value among draws (L,), 0..L; ties are broken at random."""
    draws = np.asarray(draws)
    return int((draws < truth).sum() + rng.integers((draws == truth).sum() + 1))
