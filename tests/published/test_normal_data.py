"""Conjugate update and censored likelihood of normal data against closed forms (check row Q7)."""

import numpy as np
import pytest
from scipy import optimize, stats
from scipy.special import gammaln

from models.likelihood import censored_normal, log_ndtr, normal_logpdf

# Tobin, Econometrica 26 (1958) 24 (from memory): three exact values, two known only to lie above 2.
VALUES = np.array([1.2, 0.8, 1.5, 2.0, 2.0])
CENSOR = np.array([0, 0, 0, 1, 1])


def test_normal_inverse_gamma_update_by_quadrature_over_our_likelihood():
    # Gelman et al., Bayesian Data Analysis, 3rd ed., section 3.3 (from memory): y = 1..5, m0 0, k0 1, a0 2, b0 1.
    y, m0, k0, a0, b0 = np.arange(1.0, 6.0), 0.0, 1.0, 2.0, 1.0
    n = len(y)
    k, a = k0 + n, a0 + n / 2
    m = (k0 * m0 + y.sum()) / k
    b = b0 + ((y - y.mean()) ** 2).sum() / 2 + k0 * n * (y.mean() - m0) ** 2 / (2 * k)
    assert (m, k, a, b) == pytest.approx((2.5, 6, 4.5, 9.75), abs=1e-12)
    assert b / (a - 1) == pytest.approx(2.785714, abs=1e-6)
    scale = np.sqrt(b * (k + 1) / (a * k))
    assert scale == pytest.approx(1.589899, abs=1e-6)
    assert stats.t(2 * a, m, scale).sf(5) == pytest.approx(0.0751507, abs=1e-7)
    log_marginal = (gammaln(a) - gammaln(a0) + a0 * np.log(b0) - a * np.log(b)
                    + 0.5 * np.log(k0 / k) - n / 2 * np.log(2 * np.pi))  # fmt: skip
    assert log_marginal == pytest.approx(-13.284539, abs=1e-5)

    # The same numbers from our own density, integrated over mean and log sd on a grid.
    mean, log_sd = np.linspace(-8, 13, 1401)[:, None], np.linspace(-2.5, 3.5, 901)[None, :]
    sd = np.exp(log_sd)
    joint = (stats.invgamma(a0, scale=b0).logpdf(sd**2) + np.log(2 * sd**2)
             + normal_logpdf(mean, m0, sd / np.sqrt(k0)) + sum(normal_logpdf(v, mean, sd) for v in y))  # fmt: skip
    cell = (mean[1, 0] - mean[0, 0]) * (log_sd[0, 1] - log_sd[0, 0])
    weight = np.exp(joint)
    assert np.log(weight.sum() * cell) == pytest.approx(log_marginal, abs=1e-5)
    weight /= weight.sum()
    assert (weight * mean).sum() == pytest.approx(2.5, abs=1e-5)
    assert (weight * sd**2).sum() == pytest.approx(2.785714, abs=1e-5)
    precise = (weight / sd**2).sum()
    assert (weight * (mean - 2.5) ** 2).sum() == pytest.approx(2.785714 / k, abs=1e-5)                     # k = 6
    assert precise == pytest.approx(4.5 / 9.75, abs=1e-5)                                                  # a / b
    assert (weight / sd**4).sum() - precise**2 == pytest.approx(4.5 / 9.75**2, abs=1e-5)                   # a / b^2
    # the predictive t has 9 degrees of freedom: its variance is scale^2 x 9 / 7
    spread = (weight * (sd**2 + (mean - 2.5) ** 2)).sum()
    assert np.sqrt(spread * 7 / 9) == pytest.approx(1.589899, abs=1e-5)
    above = (weight * np.exp(log_ndtr((mean - 5) / sd))).sum()
    assert above == pytest.approx(0.0751507, abs=1e-6)


def test_censored_log_likelihood():
    assert censored_normal(VALUES, 1.0, 0.5, CENSOR).sum() == pytest.approx(-8.903743, abs=1e-5)


def test_censored_maximum_likelihood():
    found = optimize.minimize(
        lambda p: -censored_normal(VALUES, p[0], np.exp(p[1]), CENSOR).sum(), [1.0, 0.0], tol=1e-10
    )
    assert found.x[0] == pytest.approx(1.69014, abs=1e-5)
    assert np.exp(found.x[1]) == pytest.approx(0.72004, abs=1e-5)
    assert -found.fun == pytest.approx(-4.998535, abs=1e-5)


def test_left_censoring_mirrors_right_censoring():
    mirrored = censored_normal(-VALUES, -1.0, 0.5, -CENSOR)
    np.testing.assert_allclose(mirrored, censored_normal(VALUES, 1.0, 0.5, CENSOR), rtol=1e-14)


def test_interval_from_two_left_censored_terms():
    # P(0.5 < y < 1.5) at mean 1, sd 0.5.
    upper, lower = (np.exp(censored_normal(bound, 1.0, 0.5, -1)) for bound in (1.5, 0.5))
    assert np.log(upper - lower) == pytest.approx(-0.381715, abs=1e-6)


def test_mean_above_a_bound():
    # E(y | y > 2) at mean 1, sd 0.5: mean + sd^2 x density over tail, at the bound (Tobin 1958).
    hazard = np.exp(normal_logpdf(2.0, 1.0, 0.5) - censored_normal(2.0, 1.0, 0.5, 1))
    assert 1.0 + 0.5**2 * hazard == pytest.approx(2.186608, abs=1e-5)


def test_log_ndtr_against_scipy_into_the_far_tail():
    x = np.concatenate([np.linspace(-60, 8, 2001), [-300.0, -12.0]])
    np.testing.assert_allclose(log_ndtr(x), stats.norm.logcdf(x), rtol=1e-9, atol=1e-15)
