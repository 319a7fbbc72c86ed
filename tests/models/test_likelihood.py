"""Log densities against scipy, the probit mixture against quadrature."""

import numpy as np
import pytest
import scipy.special
import scipy.stats

from models import likelihood as ll
from models.responses import deviation, formability, recrystallisation


def test_log_ndtr_against_scipy():
    x = np.concatenate([np.linspace(-40, 12, 4001), [-500.0, -11.999999, -12.0, -12.000001]])
    ours, theirs = ll.log_ndtr(x), scipy.special.log_ndtr(x)
    np.testing.assert_allclose(ours[x < 4], theirs[x < 4], rtol=1e-10)
    assert np.abs(ours - theirs)[x >= 4].max() <= 1e-15


def test_beta_binomial_against_scipy():
    n, c = 24, 37.0
    eta = np.array([-3.0, 0.2, 4.0])[:, None]
    p = ll.logistic(eta)
    k = np.arange(n + 1)
    np.testing.assert_allclose(ll.beta_binomial_logpmf(k, float(n), eta, c), scipy.stats.betabinom.logpmf(k, n, p * c, (1 - p) * c), rtol=1e-10)
    assert ll.beta_binomial_logpmf(0.0, 0.0, 0.3, c) == pytest.approx(0.0, abs=1e-12)


def test_censored_normal_against_scipy():
    y, mean, sd = np.array([0.3, 0.3, 0.3, 0.3]), 0.1, 0.4
    norm = scipy.stats.norm(mean, sd)
    expected = [norm.logpdf(0.3), norm.logsf(0.3), norm.logcdf(0.3), 0.0]
    np.testing.assert_allclose(ll.censored_normal(y, mean, sd, np.array([0, 1, -1, 9])), expected, rtol=1e-12)


@pytest.mark.parametrize("variance", [0.0, 0.01, 0.1, 0.6, 3.0])
def test_probit_mixture_against_the_averaged_logistic(variance):
    x, w = ll.normal_nodes(80)
    mean, width = np.linspace(-4, 4, 401), 0.3
    exact = ll.logistic((mean[:, None] + np.sqrt(variance) * np.linspace(-8, 8, 4001)) / width) @ _normal_weights(4001)
    assert np.abs(recrystallisation.probability(mean, variance, width) - exact).max() <= 5e-5


def _normal_weights(n):
    density = np.exp(-0.5 * np.linspace(-8, 8, n) ** 2)
    return density / density.sum()


def test_power_of_warmth_is_zero_without_warmth():
    assert formability.power_of_warmth(np.array([0.0, 1.0, 0.25]), 1.5) == pytest.approx([0.0, 1.0, 0.125], abs=1e-15)


def test_deviations_have_unit_scale_where_trials_are():
    """With unit normal coefficients the smooth terms have variance near 1 at the centre and never much above."""
    variance = (deviation.tau_basis(np.linspace(0, 1.1, 50)) ** 2).sum(0)
    assert variance.max() <= 1.1 and variance.min() >= 0.3
    tau = np.array([0.0, 0.5, 1.0])
    assert (np.array(deviation.pinned(deviation.tau_basis(tau), tau)) ** 2).sum(0) == pytest.approx([0.0, 1.0, 0.0], abs=1e-12)
    across = np.array(deviation.heat_basis(np.linspace(-1.5, 1.5, 40)))
    assert (across ** 2).sum(0).max() <= 1.1


def test_heat_basis_holds_multiples_of_the_angle():
    q = np.linspace(-5, 5, 31)
    angle = np.pi * (np.clip(q, -deviation.Q_HALF, deviation.Q_HALF) + deviation.Q_HALF) / (2 * deviation.Q_HALF)
    expected = [w * np.sin((j + 1) * angle) for j, w in enumerate(deviation._Q_WEIGHT)]
    np.testing.assert_allclose(deviation.heat_basis(q), expected, atol=1e-14)
