"""Smooth deviations: what the formulas may have wrong.

A few Laplacian eigenfunctions weighted by the spectral density of a squared-exponential covariance (Hilbert-space
approximation of a Gaussian process; Solin & Sarkka, Statistics and Computing 30 (2020) 419).  The amplitude has a
prior near zero, so that a wrong functional form widens the answer instead of lying.

Over warmth alone the deviation is pinned: its chord from tau = 0 (20 degC) to tau = 1 (250 degC) is taken off. What is left bends
between and beyond the two temperatures of which beliefs speak, so that a stated range holds exactly; level and slope have parameters of their own.
"""

from __future__ import annotations

import numpy as np

N_BASIS = 3                       # eigenfunctions in one direction
TAU_CENTRE, TAU_HALF, TAU_LENGTH = 0.55, 1.2, 0.5
Q_HALF, Q_LENGTH = 4.0, 1.4
N_HEAT_TAU, N_HEAT_Q = 2, 3       # products kept for the joints: tau x q


def _weights(half: float, length: float) -> np.ndarray:
    frequency = np.pi * np.arange(1, N_BASIS + 1) / (2 * half)
    density = np.sqrt(2 * np.pi) * length * np.exp(-0.5 * (length * frequency) ** 2)
    return np.sqrt(density / half)


_TAU_WEIGHT = _weights(TAU_HALF, TAU_LENGTH)
_Q_WEIGHT = _weights(Q_HALF, Q_LENGTH)


def tau_basis(tau) -> np.ndarray:
    """Return the weighted basis over tau, shape (3, ...); with unit normal coefficients its variance is about 1 at the centre."""
    tau = np.asarray(tau, float)
    angle = np.pi * (tau - TAU_CENTRE + TAU_HALF) / (2 * TAU_HALF)
    return np.stack([w * np.sin((j + 1) * angle) for j, w in enumerate(_TAU_WEIGHT)])


_AT_ENDS = tau_basis(np.array([0.0, 1.0]))


def _chordless(basis, tau) -> list:
    return [basis[j] - (1.0 - tau) * float(_AT_ENDS[j, 0]) - tau * float(_AT_ENDS[j, 1]) for j in range(N_BASIS)]


_PINNED_SCALE = float(1.0 / np.sqrt(np.sum(np.square(_chordless(tau_basis(0.5), 0.5)))))


def pinned(basis, tau) -> list:
    """Return the basis over tau less its chord from tau = 0 to tau = 1, as a list of N_BASIS arrays; of unit variance half way."""
    return [_PINNED_SCALE * b for b in _chordless(basis, tau)]


def heat_basis(q, xp=np) -> list:
    """Return the weighted basis over braze heat q as a list of N_HEAT_Q arrays."""
    angle = np.pi * (xp.clip(q, -Q_HALF, Q_HALF) + Q_HALF) / (2 * Q_HALF)
    s, c = xp.sin(angle), xp.cos(angle)
    multiples = s, 2.0 * s * c, s * (3.0 - 4.0 * s * s)               # sin of 1, 2 and 3 times the angle
    return [float(weight) * m for weight, m in zip(_Q_WEIGHT[:N_HEAT_Q], multiples)]


def over_tau(coefficients, basis, tau):
    """Return the deviation over tau, nothing at tau = 0 and 1: sum_j coefficient_j pinned_j; coefficients are N_BASIS arrays (..., n), one value a row."""
    return sum(c * b for c, b in zip(coefficients, pinned(basis, tau), strict=True))


def over_heat(coefficients, basis, q, xp=np):
    """Return the deviation over (tau, q); coefficients are N_HEAT_TAU * N_HEAT_Q arrays (..., n), tau-major."""
    across = heat_basis(q, xp)
    return sum(sum(coefficients[i * N_HEAT_Q + j] * across[j] for j in range(N_HEAT_Q)) * basis[i]
               for i in range(N_HEAT_TAU))
