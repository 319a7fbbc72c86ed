"""Effective sample size of a yes/no that is followed along the chains.

A joint claim is a probability estimated by a share of draws, and draws of a
Markov chain are not independent. The error of that share follows from the
effective sample size of the very indicator "every point conforms", not from that
of any parameter. Written out here because the certificate of a claim should not
depend on the version of a diagnostics package.
"""

from __future__ import annotations

import numpy as np


def indicator_ess(indicator: np.ndarray) -> float:
    """Estimate the effective number of draws behind the mean of a sequence.

    Geyer's initial monotone positive sequence over split chains. Capped at the
    number of draws (a negatively correlated chain earns no credit); a constant
    sequence counts all its draws.

    Parameters
    ----------
    indicator : array (n_chains, n_draws_per_chain)
        Yes/no or real values.

    Returns
    -------
    float
        Between 1 and n_chains * n_draws_per_chain.

    References
    ----------
    Geyer (1992), Statistical Science 7, section 3.3; Vehtari, Gelman, Simpson,
    Carpenter & Buerkner (2021), Bayesian Analysis 16, equations 10-13.
    """
    values = np.asarray(indicator, dtype=float)
    total = values.size
    if total < 8 or np.all(values == values.flat[0]):
        return float(total)
    half = values.shape[1] // 2
    split = np.concatenate([values[:, :half], values[:, -half:]])
    n = half
    centred = split - split.mean(axis=1, keepdims=True)
    size = 1 << (2 * n - 1).bit_length()
    spectrum = np.fft.rfft(centred, size, axis=1)
    covariance = np.fft.irfft(spectrum * np.conj(spectrum), size, axis=1)[:, :n] / n
    within = np.mean(covariance[:, 0]) * n / (n - 1)
    pooled = within * (n - 1) / n + np.var(split.mean(axis=1), ddof=1)
    rho = 1.0 - (within - covariance.mean(axis=0) * n / (n - 1)) / pooled
    rho[0] = 1.0
    pairs = rho[: n - n % 2].reshape(-1, 2).sum(axis=1)
    end = int(np.argmax(pairs <= 0)) if np.any(pairs <= 0) else len(pairs)
    positive = np.minimum.accumulate(pairs[:end])
    time = -1.0 + 2.0 * positive.sum()
    return float(np.clip(split.size / max(time, 1e-12), 1.0, total))
