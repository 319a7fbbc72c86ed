"""By how much correlations that are estimated from few draws are drawn towards 0.

References
----------
Schaefer, J. & Strimmer, K. (2005), Stat. Appl. Genet. Mol. Biol. 4:32 (shrinkage of correlations, from memory).
"""

from __future__ import annotations

import numpy as np

ROWS = 2000
"""Measurements, about, from which the shrinkage is estimated."""


def correlation_shrinkage(cross: np.ndarray, *, signal: np.ndarray, n_draws: int) -> float:
    """Return the share by which correlations estimated from ``n_draws`` draws are drawn towards 0.

    Parameters
    ----------
    cross : (n_measurements, n_points) array
        Covariance of standardised measurements with standardised points.
    signal : (n_measurements,) array
        Standard deviation of each measurement's expectation over draws, in units of its whole spread.
    n_draws : int
    """
    informative = np.flatnonzero(signal > 1e-6)
    informative = informative[:: 1 + informative.size // ROWS]
    if not informative.size or cross.shape[1] == 0:
        return 0.0
    correlation = cross[informative] / signal[informative, None].astype(cross.dtype)
    square = np.minimum(correlation**2, 1.0)
    error = ((1.0 - square) ** 2).mean(dtype=float) / max(n_draws - 1, 1)
    return float(np.clip(error / max(square.mean(dtype=float), 1e-12), 0.0, 1.0))
