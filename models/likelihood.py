"""Log densities shared by every response, over numpy, pytensor or traced numbers (which have special functions of their own).

The normal log-cdf is written with erfc and an asymptotic tail so that no rare special function is needed and both
array modules give the same number to rounding.
"""

from __future__ import annotations

import math

import numpy as np

SMALL = 20_000                    # values up to which the standard library's erfc is quicker than loading another
LOG_SQRT_2PI = 0.5 * math.log(2 * math.pi)
TAIL = -12.0                      # below this the log-cdf uses its asymptotic series
SURE = 10.0                       # the log-cdf is 0 here


_math_erfc = np.frompyfunc(math.erfc, 1, 1)


def _erfc(x):
    """Return erfc; commands that only draw from the priors ask for little and need not load the special functions for it."""
    if np.size(x) <= SMALL:
        return np.asarray(_math_erfc(x), float)[()]
    from scipy.special import erfc

    return erfc(x)


def _gammaln(x):
    from scipy.special import gammaln

    return gammaln(x)


def log_rising(x, k, *, xp=np):
    """Return ln x (x + 1) .. (x + k - 1)."""
    if hasattr(xp, "log_rising"):
        return xp.log_rising(x, k)
    g = _special("gammaln", xp)
    return g(x + k) - g(x)


def _special(name, xp):
    if xp is np:
        return {"erfc": _erfc, "gammaln": _gammaln}[name]
    return getattr(xp, name)


def ndtr(x, *, xp=np):
    """Return the standard normal cdf."""
    return 0.5 * _special("erfc", xp)(x * (-1.0 / math.sqrt(2.0)))


def log_ndtr(x, *, xp=np):
    """Return the log of the standard normal cdf: relative error below 1e-10 up to x = 4, absolute error below 1e-15 above.

    References
    ----------
    Abramowitz & Stegun 26.2.12 for the tail.
    """
    if hasattr(xp, "log_ndtr"):
        return xp.log_ndtr(x)
    body = xp.log(0.5 * _special("erfc", xp)(xp.maximum(x, TAIL) * (-1.0 / math.sqrt(2.0))))
    far = xp.minimum(x, TAIL)
    r = 1.0 / (far * far)
    series = xp.log1p(-r * (1 - r * (3 - r * (15 - r * (105 - r * (945 - 10395 * r))))))
    tail = -0.5 * far * far - xp.log(-far) - LOG_SQRT_2PI + series
    return xp.where(x > TAIL, body, tail)


def normal_logpdf(y, mean, sd, *, xp=np):
    """Return the normal log density."""
    z = (y - mean) / sd
    return -0.5 * z * z - xp.log(sd) - LOG_SQRT_2PI


def censored_normal(y, mean, sd, censor, *, xp=np):
    """Return the log-likelihood of a normal latent: density (0), upper tail (+1: latent above y) or lower tail (-1).

    Parameters
    ----------
    y, mean, sd, censor : arrays that broadcast; `censor` holds 0, +1 or -1 (9, missing, contributes 0).

    References
    ----------
    Tobin, Econometrica 26 (1958) 24.
    """
    z = (y - mean) / sd
    exact = -0.5 * z * z - xp.log(sd) - LOG_SQRT_2PI
    equal = np.equal if xp is np else xp.eq
    tail = log_ndtr(xp.where(equal(abs(censor), 1), xp.where(censor > 0, -z, z), SURE), xp=xp)
    value = xp.where(equal(censor, 0), exact, tail)
    return xp.where(censor > 8, 0.0, value)


def log_add(a, b, *, xp=np):
    """Return log(exp a + exp b) without overflow."""
    high = xp.maximum(a, b)
    return high + xp.log1p(xp.exp(-xp.abs(a - b)))


def log_logistic(x, *, xp=np):
    """Return log(1/(1 + exp(-x)))."""
    return xp.log_logistic(x) if hasattr(xp, "log_logistic") else xp.minimum(x, 0.0) - xp.log1p(xp.exp(-xp.abs(x)))


def logistic(x, *, xp=np):
    """Return 1/(1 + exp(-x))."""
    return 1.0 / (1.0 + xp.exp(xp.minimum(-x, 700.0)))


def beta_binomial_logpmf(sound, inspected, logit_p, concentration, *, xp=np):
    """Return the beta-binomial log mass with mean logistic(logit_p) and a + b = concentration; 0 where nothing was inspected.

    References
    ----------
    Gelman et al., Bayesian Data Analysis, 3rd ed., section 17.3 (over-dispersed counts).
    """
    p = xp.clip(logistic(logit_p, xp=xp), 1e-9, 1 - 1e-9)
    a, b = p * concentration, (1 - p) * concentration
    ways = log_rising(inspected - sound + 1.0, sound, xp=xp) - log_rising(1.0, sound, xp=xp)
    return (ways + log_rising(a, sound, xp=xp) + log_rising(b, inspected - sound, xp=xp)
            - log_rising(concentration, inspected, xp=xp))


def normal_nodes(n: int):
    """Return n nodes and weights for expectations over a standard normal (Gauss-Hermite)."""
    x, w = np.polynomial.hermite_e.hermegauss(n)
    return x, w / w.sum()


def log_normal_mean(log_f, mean, sd, n: int, *, xp=np):
    """Return ln E exp(log_f(mean + sd Z)), Z standard normal, by n Gauss-Hermite nodes.

    Parameters
    ----------
    log_f : function of an array (n, ...) whose further axes are those of `mean` and `sd`.
    """
    x, w = normal_nodes(n)
    if xp is not np:
        return xp.log_mean(log_f, mean, sd, x, np.log(w))
    ahead = (slice(None),) + (None,) * np.ndim(mean)
    total = log_f(mean + sd * x[ahead]) + np.log(w)[ahead]
    high = total.max(axis=0)
    return high + np.log(np.exp(total - high).sum(axis=0))
