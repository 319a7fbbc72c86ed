"""Closed forms for normal responses: tolerance factors and exact conformance.

For one normal response with the reference prior, P(conformance >= R | data) is a
non-central t probability, the same number as the confidence of a one-sided
tolerance limit. That identity is the sharpest check there is on code that gets
the same probability from draws, and the factors size the verification trial for
measured (not yes/no) responses.
"""

from __future__ import annotations

import numpy as np
from scipy import integrate, optimize, special, stats


def tolerance_factor_one_sided(n: int, share: float, confidence: float) -> float:
    """Return k such that mean + k s bounds a `share` of a normal population with `confidence`.

    k = t'_{n-1, z_P sqrt(n)}(confidence) / sqrt(n), the non-central t quantile.

    Examples
    --------
    >>> round(tolerance_factor_one_sided(10, 0.95, 0.95), 3)
    2.911
    """
    root = np.sqrt(n)
    return float(stats.nct.ppf(confidence, n - 1, stats.norm.ppf(share) * root) / root)


def tolerance_factor_two_sided(n: int, share: float, confidence: float) -> float:
    """Return the exact k such that mean +- k s holds a `share` of a normal population with `confidence`.

    Solves 2 int_0^inf P(chi2_{n-1} > (n-1) r(x)^2 / k^2) phi(x) sqrt(n) dx = confidence, where
    Phi(x + r) - Phi(x - r) = share and x is the error of the mean in population sds.

    References
    ----------
    ISO 16269-6:2014, Annex F; Krishnamoorthy & Mathew (2009), Statistical Tolerance Regions, eq. 2.3.1.
    """

    def covered(k: float) -> float:
        def density(u: float) -> float:
            r = _half_width(u / np.sqrt(n), share)
            return stats.chi2.sf((n - 1) * r * r / (k * k), n - 1) * np.exp(-u * u / 2) / np.sqrt(2 * np.pi)

        return 2 * integrate.quad(density, 0, 9, epsabs=1e-11, epsrel=1e-10, limit=200)[0]

    low = stats.norm.ppf((1 + share) / 2)
    high = 2 * low
    while covered(high) < confidence:
        high *= 2
    return float(optimize.brentq(lambda k: covered(k) - confidence, low / 2, high, xtol=1e-9))


def _half_width(x: float, share: float) -> float:
    """Solve Phi(x + r) - Phi(x - r) = share for r."""
    z = float(stats.norm.ppf(share))
    return float(
        optimize.brentq(lambda r: special.ndtr(x + r) - special.ndtr(x - r) - share, 0.0, x + abs(z) + 5, xtol=1e-12)
    )


def distribution_free_size(share: float, confidence: float, *, two_sided: bool = False) -> int:
    """Return the least n whose extreme value (or both extremes) bounds a `share` with `confidence`."""
    n = 2 if two_sided else 1
    while 1 - share**n - (n * share ** (n - 1) * (1 - share) if two_sided else 0.0) < confidence:
        n += 1
    return n


def posterior_probability_conforming(
    mean: float, sd: float, n: int, *, upper: float, reliability: float
) -> float:
    """Return P(conformance >= R | data) for one normal response with an upper limit, reference prior 1/sigma^2.

    P(Phi((U - mu)/sigma) >= R) = nct.cdf((U - mean)/sd sqrt(n); n - 1, z_R sqrt(n)).

    Parameters
    ----------
    mean, sd : float
        Sample mean and standard deviation (n - 1 in the denominator).
    n : int
    upper : float
        The limit, in the unit of the response.
    reliability : float
        R.

    Returns
    -------
    float

    References
    ----------
    Guttman (1970), Statistical Tolerance Regions: Classical and Bayesian.
    """
    root = np.sqrt(n)
    return float(stats.nct.cdf((upper - mean) / sd * root, n - 1, stats.norm.ppf(reliability) * root))


def predictive_pass_probability(mean: float, sd: float, n: int, *, upper: float) -> float:
    """Return the predictive probability that the next value is below the limit; not P(conformance >= R)."""
    return float(stats.t.cdf((upper - mean) / (sd * np.sqrt(1 + 1 / n)), n - 1))


def joint_conformance_two_normals(first: float, second: float, correlation: float) -> float:
    """Return the probability that two correlated normal responses both conform, given each one's own probability.

    Phi2(Phi^-1(p1), Phi^-1(p2); correlation), by Drezner and Wesolowsky's integral over the correlation.

    References
    ----------
    Drezner & Wesolowsky (1990), J. Statist. Comput. Simul. 35, 101-107.
    """
    h, k = stats.norm.ppf(first), stats.norm.ppf(second)

    def density(angle: float) -> float:
        s = np.sin(angle)
        return np.exp(-(h * h - 2 * h * k * s + k * k) / (2 * (1 - s * s)))

    if abs(correlation) >= 1:
        return float(min(first, second) if correlation > 0 else max(0.0, first + second - 1))
    area = integrate.quad(density, 0, np.arcsin(correlation), epsabs=1e-12)[0]
    return float(first * second + area / (2 * np.pi))
