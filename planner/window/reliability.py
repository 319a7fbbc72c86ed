"""Demonstration tests on counts: how many parts without failure say how much.

The reviewer's question "how many components must pass to confirm the claim?" has
classical answers in closed form. They stand here, apart from the model, both as
the yardstick the window is tested against and for sizing the verification trial.
The classical and the Bayesian sizes differ by one part for the same R and C: each
function says which it is.
"""

from __future__ import annotations

import math

from scipy import stats


def success_run_size(reliability: float, confidence: float, *, failures: int = 0) -> int:
    """Return the classical number of parts of which at most `failures` may fail.

    Smallest n with P(X <= failures | n, 1 - R) <= 1 - C.

    Parameters
    ----------
    reliability, confidence : float
        R and C in (0, 1).
    failures : int, default 0

    Returns
    -------
    int

    Examples
    --------
    >>> success_run_size(0.95, 0.95)
    59
    """
    _check(reliability, confidence)
    if failures < 0:
        raise ValueError(f"failures must be 0 or more; found {failures}")
    n = max(failures + 1, math.ceil(math.log1p(-confidence) / math.log(reliability) - 1e-9))
    while stats.binom.cdf(failures, n, 1 - reliability) > (1 - confidence) * (1 + 1e-12):
        n += 1
    return n


def success_run_size_bayes(reliability: float, confidence: float, *, a: float = 1.0, b: float = 1.0) -> int:
    """Return the number of parts without failure after which P(R_true >= R) >= C, prior Beta(a, b) on conformance.

    With the uniform prior this is one part fewer than the classical size.
    """
    _check(reliability, confidence)
    n = 0
    while stats.beta.sf(reliability, a + n, b) < confidence * (1 - 1e-12):
        n += 1
    return n


def reliability_lower_uniform(n: int, confidence: float) -> float:
    """Return the lower bound (1 - C)^(1/(n + 1)) on reliability after n passes, uniform prior."""
    return (1 - confidence) ** (1 / (n + 1))


def posterior_probability_reliable(
    failures: int, n: int, reliability: float, *, a: float = 1.0, b: float = 1.0
) -> float:
    """Return P(conformance >= R | failures in n) under a Beta(a, b) prior on conformance (Jeffreys: 1/2, 1/2)."""
    return float(stats.beta.sf(reliability, a + n - failures, b + failures))


def next_part_passes(failures: int, n: int, *, a: float = 1.0, b: float = 1.0) -> float:
    """Return the predictive probability that the next part passes; not the same as P(conformance >= R)."""
    return (a + n - failures) / (a + b + n)


def beta_binomial_pmf(k: int, n: int, a: float, b: float) -> float:
    """Return P(k of n) when the success probability is Beta(a, b)."""
    return float(stats.betabinom.pmf(k, n, a, b))


def clopper_pearson(x: int, n: int, confidence: float = 0.95) -> tuple[float, float]:
    """Return the exact two-sided interval for a proportion, x successes in n.

    References
    ----------
    Clopper & Pearson (1934), Biometrika 26, 404-413.
    """
    tail = (1 - confidence) / 2
    low = 0.0 if x == 0 else float(stats.beta.ppf(tail, x, n - x + 1))
    high = 1.0 if x == n else float(stats.beta.isf(tail, x + 1, n - x))
    return low, high


def clopper_pearson_lower(x: int, n: int, confidence: float = 0.95) -> float:
    """Return the exact one-sided lower bound for a proportion."""
    return 0.0 if x == 0 else float(stats.beta.ppf(1 - confidence, x, n - x + 1))


def wilson(x: int, n: int, confidence: float = 0.95) -> tuple[float, float]:
    """Return Wilson's score interval for a proportion.

    References
    ----------
    Wilson (1927), JASA 22, 209-212.
    """
    z = float(stats.norm.isf((1 - confidence) / 2))
    centre = (x + z * z / 2) / (n + z * z)
    half = z / (n + z * z) * math.sqrt(x * (n - x) / n + z * z / 4)
    return max(0.0, centre - half), min(1.0, centre + half)


def _check(reliability: float, confidence: float) -> None:
    for name, value in (("reliability", reliability), ("confidence", confidence)):
        if not 0 < value < 1:
            raise ValueError(f"{name} must lie strictly between 0 and 1; found {value}")
