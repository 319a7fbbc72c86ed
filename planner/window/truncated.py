"""Gauss rules for a normal that is known to lie below a bound: what a film or a gap that passed looks like.

The joint predictor is far from linear in film depth and gap, so their means and variances are not enough.  The rules are
worked out once on a grid of bounds; the nearest is used.
"""

from __future__ import annotations

from functools import cache

import numpy as np

SIZES = (1, 2, 3, 5, 8, 16, 32)                       # numbers of nodes on offer
MOST_NODES = SIZES[-1]
BOUND_LOW, BOUND_STEP, N_BOUND = -5.0, 1.0 / 64, 673
PANELS, PANEL_NODES = 24, 12                   # composite Gauss-Legendre points that stand for the continuous density


@cache
def truncated_rules() -> np.ndarray:
    """Return nodes and weights, float32 (n_sizes, N_BOUND, 2, MOST_NODES); weights add to 1, unused entries are 0.

    Behind the only node of the rule of one stands the variance of the truncated normal.
    """
    bound = BOUND_LOW + BOUND_STEP * np.arange(N_BOUND)
    out = np.zeros((len(SIZES), N_BOUND, 2, MOST_NODES), np.float32)
    low = np.minimum(bound - 3.0, -8.0)
    x, w = np.polynomial.legendre.leggauss(PANEL_NODES)
    x, w = ((0.5 * (x + 1.0) + np.arange(PANELS)[:, None]) / PANELS).ravel(), np.tile(w, PANELS)
    z = low[:, None] + x * (bound - low)[:, None]
    density = w * np.exp(-0.5 * (z ** 2 - np.minimum(bound, 0.0)[:, None] ** 2))
    density /= density.sum(1, keepdims=True)
    diagonal, off = _recurrence(z, density, MOST_NODES)
    for i, n in enumerate(SIZES):
        out[i, :, 0, :n], out[i, :, 1, :n] = _rule(diagonal, off, n)
    out[0, :, 0, 1] = off[:, 0] ** 2
    return out


def gauss_rule(z, w, n: int) -> tuple[np.ndarray, np.ndarray]:
    """Return n nodes and weights, each (n_measures, n), of the Gauss rules of discrete measures w (adding to 1) on z, row by row."""
    return _rule(*_recurrence(z, w, n), n)


def _rule(diagonal, off, n: int) -> tuple[np.ndarray, np.ndarray]:
    jacobi, at = np.zeros((len(diagonal), n, n)), np.arange(n)
    jacobi[:, at, at] = diagonal[:, :n]
    jacobi[:, at[1:], at[:-1]] = off[:, :n - 1]
    nodes, vectors = np.linalg.eigh(jacobi)
    return nodes, vectors[:, 0, :] ** 2


def _recurrence(z, w, n: int) -> tuple[np.ndarray, np.ndarray]:
    """Return the Jacobi matrix of the discrete measures w on z, row by row: diagonal (., n) and off-diagonal (., n - 1).

    References
    ----------
    Gautschi, Orthogonal Polynomials (2004), the discretised Stieltjes procedure; Golub & Welsch, Math. Comp. 23 (1969) 221 (from memory).
    """
    diagonal, off = np.zeros((len(z), n)), np.zeros((len(z), n - 1))
    before, now = np.zeros_like(z), np.ones_like(z)
    for k in range(n):
        diagonal[:, k] = (w * z * now ** 2).sum(1)
        if k == n - 1:
            break
        after = (z - diagonal[:, k:k + 1]) * now - (off[:, k - 1:k] if k else 0.0) * before
        off[:, k] = np.sqrt((w * after ** 2).sum(1))
        before, now = now, after / off[:, k:k + 1]
    return diagonal, off
