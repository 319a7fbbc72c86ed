"""A trial or two without a new fit: Pareto-smoothed importance weights on draws at hand.

The gate is k-hat <= min(1 - 1/log10 S, 0.7) *and* an effective sample size of at least 400: on posteriors like ours k-hat
stays calm long after the weights have thinned out.  Beyond the gate a full fit is needed.

References
----------
Vehtari, Simpson, Gelman, Yao & Gabry, Pareto smoothed importance sampling, JMLR 25 (2024).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from arviz_stats.base import array_stats

from models.fit import Draws

LEAST_ESS = 400.0


@dataclass(frozen=True)
class Weights:
    """Smoothed importance weights."""

    weight: np.ndarray            # (n_draws,) adding to 1
    k_hat: float                  # Pareto shape of the raw weights' tail
    ess: float                    # 1 / sum of squares

    @property
    def usable(self) -> bool:
        """Whether the weights pass the gate."""
        return self.k_hat <= k_threshold(len(self.weight)) and self.ess >= LEAST_ESS


def k_threshold(n_draws: int) -> float:
    """Return min(1 - 1/log10 S, 0.7)."""
    return min(1.0 - 1.0 / math.log10(n_draws), 0.7)


def smoothed(log_weight: np.ndarray) -> Weights:
    """Return Pareto-smoothed weights from unnormalised log weights (n_draws,).

    Equal weights (nothing learnt), or a tail of equal values (one yes/no), count as reliable and are used raw.
    """
    log_weight = log_weight - log_weight.max()
    k_hat = 0.0
    if np.ptp(log_weight) > 1e-12:
        try:
            # psislw takes log-likelihoods and negates them: hand it minus the log weights
            log_weight, k = array_stats.psislw(-log_weight)
            k_hat = float(k)
        except (ValueError, FloatingPointError, IndexError):
            k_hat = 0.0
    if not np.isfinite(k_hat):
        k_hat = 0.0
    weight = np.exp(log_weight - np.max(log_weight))
    weight /= weight.sum()
    return Weights(weight, k_hat, float(1.0 / np.sum(weight ** 2)))


def resampled(draws: Draws, weights: Weights, rng: np.random.Generator) -> Draws:
    """Return draws resampled by weight (systematic), chain by chain, in the form of a fit.

    Copies of a draw stay side by side, in the order of the chain: whoever estimates effective draws from autocorrelation then sees them.
    """
    n_chains, n_each, _ = draws.z.shape
    by_chain = weights.weight.reshape(n_chains, n_each)
    z = np.empty_like(draws.z)
    for i in range(n_chains):
        edges = np.cumsum(by_chain[i]) / by_chain[i].sum()
        pick = np.minimum(np.searchsorted(edges, (np.arange(n_each) + rng.uniform()) / n_each), n_each - 1)
        z[i] = draws.z[i, pick]
    return replace(draws, z=z, sampler="reweighted")
