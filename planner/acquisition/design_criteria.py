"""Textbook optimal designs by the planner's own search.

A plan for a real campaign has no published answer to be held against; D-optimal designs do.  This module states such a
problem in the terms of ``search``, so that the greedy choice and the exchange which pick specimens can be shown to find the
known optimum, and gives the equivalence theorem by which any design of this kind proves itself.

References
----------
Kiefer, J. & Wolfowitz, J. (1960), Canadian Journal of Mathematics 12, 363-366 (D = G).
Ford, I., Torsney, B. & Wu, C. F. J. (1992), JRSS B 54, 569-583 (two-parameter binary responses, from memory).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.special import expit


def information_gain(signal: np.ndarray, noise: np.ndarray) -> float:
    """Return the expected information of a linear-Gaussian batch, in nats.

    Parameters
    ----------
    signal : (n, n) array
        Prior covariance of the expected outcomes, ``X Sigma X'``.
    noise : (n, n) or (n,) array
        Noise covariance, or its diagonal.

    Returns
    -------
    float
        ``(log det(signal + noise) - log det(noise)) / 2`` (Lindley 1956; Chaloner & Verdinelli 1995).

    Examples
    --------
    >>> round(information_gain(np.array([[16.0]]), np.array([100.0])), 6)
    0.07421
    """
    signal = np.atleast_2d(np.asarray(signal, float))
    noise = np.asarray(noise, float)
    noise = np.diag(noise) if noise.ndim == 1 else noise
    return 0.5 * float(np.linalg.slogdet(signal + noise)[1] - np.linalg.slogdet(noise)[1])


def logit_regressors(eta: np.ndarray) -> np.ndarray:
    """Return rows (n, 2) whose products are the information of one yes/no trial at linear predictor ``eta``."""
    eta = np.asarray(eta, float)
    p = expit(eta)
    return np.sqrt(p * (1.0 - p))[:, None] * np.column_stack([np.ones_like(eta), eta])


def polynomial_regressors(x: np.ndarray, *, degree: int) -> np.ndarray:
    """Return rows (n, degree + 1) of powers of ``x``."""
    return np.vander(np.asarray(x, float), degree + 1, increasing=True)


def sensitivity(regressors: np.ndarray, information: np.ndarray) -> np.ndarray:
    """Return the standardised variance ``f' M^-1 f`` at each row.

    A design is D-optimal, and G-optimal, exactly where its largest value is the number of parameters.
    """
    solved = np.linalg.solve(information, regressors.T)
    return np.einsum("ij,ji->i", regressors, solved)


def efficiency(information: np.ndarray, best: np.ndarray) -> float:
    """Return the D-efficiency ``(det M / det M*)^(1/p)``."""
    ratio = np.linalg.slogdet(information)[1] - np.linalg.slogdet(best)[1]
    return float(np.exp(ratio / information.shape[0]))


@dataclass
class PointDesign:
    """A design of a fixed number of runs over candidate points, worth its expected information.

    With a wide prior the information gain of the linear-Gaussian batch is ``log det`` of the information matrix up to a
    constant, so that its optimum is the D-optimum.
    """

    regressors: np.ndarray
    """(n_candidates, n_parameters)."""
    runs: int
    """Number of runs to place."""
    prior_variance: float = 1e8
    """Variance of each parameter before the trial."""

    def __post_init__(self) -> None:
        self.chosen: list[int] = []

    @property
    def information(self) -> np.ndarray:
        """(p, p) information matrix of one run on average."""
        rows = self.regressors[self.chosen]
        return rows.T @ rows / max(len(self.chosen), 1)

    def value(self) -> float:
        """Expected information, nats."""
        rows = self.regressors[self.chosen]
        return information_gain(self.prior_variance * rows @ rows.T, np.ones(len(rows))) if self.chosen else 0.0

    def _spread(self, rows: np.ndarray) -> np.ndarray:
        """Return the variance of each candidate's mean given the runs in ``rows``."""
        p = self.regressors.shape[1]
        precision = rows.T @ rows + np.eye(p) / self.prior_variance
        return np.einsum("ij,ji->i", self.regressors, np.linalg.solve(precision, self.regressors.T))

    def next_step(self) -> Any | None:
        """Return the candidate that informs most."""
        if len(self.chosen) >= self.runs:
            return None
        return (None, int(np.argmax(self._spread(self.regressors[self.chosen]))))

    def take(self, step: tuple[int | None, int]) -> None:
        """Add a run, or put a run elsewhere."""
        position, candidate = step
        if position is None:
            self.chosen.append(candidate)
        else:
            self.chosen[position] = candidate

    def moves(self) -> Iterator[int]:
        """Return every run in turn."""
        yield from range(len(self.chosen))

    def propose(self, move: int) -> tuple[float, tuple[int, int]] | None:
        """Return the best place for one run."""
        others = self.regressors[self.chosen[:move] + self.chosen[move + 1 :]]
        spread = self._spread(others)
        best = int(np.argmax(spread))
        own = spread[self.chosen[move]]
        return self.value() + 0.5 * float(np.log1p(spread[best]) - np.log1p(own)), (move, best)


def optimal_weights(regressors: np.ndarray, *, tolerance: float = 1e-9, most: int = 200_000) -> np.ndarray:
    """Return approximate D-optimal weights over candidate points by the multiplicative rule.

    Parameters
    ----------
    regressors : (n_candidates, n_parameters) array
    tolerance : float, default 1e-9
        Largest excess of the sensitivity over the number of parameters, relative.
    most : int, default 200 000
        Largest number of rounds.

    Returns
    -------
    (n_candidates,) array
        Weights that sum to 1.

    References
    ----------
    Silvey, S. D., Titterington, D. M. & Torsney, B. (1978), Communications in Statistics A7, 1379-1389 (from memory).
    """
    n, p = regressors.shape
    weights = np.full(n, 1.0 / n)
    for _ in range(most):
        d = sensitivity(regressors, regressors.T @ (weights[:, None] * regressors))
        if d.max() <= p * (1.0 + tolerance):
            break
        weights = weights * d / p
        keep = weights > 1e-14
        weights = np.where(keep, weights, 0.0) / weights[keep].sum()
    return weights
