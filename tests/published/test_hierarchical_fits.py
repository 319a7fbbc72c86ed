"""Published hierarchical data fitted by the joint model's own code: its pooling, likelihood, compiled kernel and sampler (checks H1, H3).

Schools and batches play the lots: ln(limit strain) = level + lot + noise is the same algebra.  All other unknowns are held
still by priors of no width, a school's known error enters as the scatter of its strain setting, and a published prior
that the model cannot state is reached by weights on the draws.
"""

import csv
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy import stats
from scipy.integrate import cumulative_trapezoid

from models import fit, joint_model, rows
from models.likelihood import normal_logpdf
from models.pooling import pooled
from models.priors import BY_TEMPER, Layout, prior_set
from models.rows import Conditions, CountBlock, NormalBlock, Observations, SectionBlock, Sheet, design

DATA = Path(__file__).parent / "data"
LAYOUT = Layout(1, 8, 8)
SHEET = Sheet(20.0, 10.0, np.array([1.0]), np.array([1.0]), np.array([True]))
STILL = 1e-9
WIDE = 1.5                        # sd of ln spread in the draws that are reweighted: a narrower one leaves single draws near 0 far too much weight
Y = np.array([28.0, 8, -3, 7, -1, 1, 18, 12])
SIGMA = np.array([15.0, 10, 16, 11, 9, 11, 10, 18])


def batches():
    with open(DATA / "dyestuff.csv", newline="", encoding="utf-8") as file:
        found = [(ord(row["Batch"]) - ord("A"), float(row["Yield"])) for row in csv.DictReader(file)]
    return np.array([b for b, _ in found]), (np.array([y for _, y in found]) - 1527.5) / 50.0


def observed(y, lot, error):
    """Return the readings as limit strains of coupons formed at 20 degC, nothing else measured."""
    n = len(y)
    x = Conditions.from_factors(np.zeros(n, int), np.tile([20.0, 0.1, 600.0, 3.0], (n, 1)))
    d = replace(design(x, component=0.0, lot=lot), log_strain_sd=np.broadcast_to(np.asarray(error, float), (n,)).copy())
    nothing, no = d.take(slice(0, 0)), np.zeros(0)
    return Observations(NormalBlock(d, np.asarray(y, float), np.zeros(n)), NormalBlock(nothing, no, no), SectionBlock(nothing, *[no] * 8),
                        CountBlock(nothing, *[no] * 5), 1, int(lot.max()) + 1, 0)


def priors(level, spread, scatter):
    """Return the model's priors with (location, scale) of the level, of the ln spread of lots and of the ln scatter replaced."""
    free = {"lot_limit_sd": spread, "limit_sd": scatter, "limit_deviation_sd": (np.log(STILL), STILL)}
    own = prior_set(("O",), (0,))
    table = own.by_temper.copy()
    table[BY_TEMPER.index("limit_level"), 0] = level
    changed = tuple(replace(p, location=free[p.name][0], scale=free[p.name][1]) if p.name in free else p for p in own.shared)
    return replace(own, shared=changed, by_temper=table)


@pytest.fixture(scope="module")
def fitted():
    """One compilation for both data sets: the priors are data of the compiled code."""
    schools = observed(Y, np.arange(8), SIGMA)
    of_schools = priors((0.0, 5.0), (np.log(3.0), 1.5), (np.log(1e-6), STILL))
    lot, y = batches()
    of_batches = priors((0.0, 20.0), (0.0, WIDE), (0.0, 0.5))
    blocks = {"formability": joint_model.formability_rows}
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(joint_model, "BLOCKS", blocks)
        sampler = fit.Sampler(schools, SHEET, LAYOUT, of_schools)
        first = sampler.sample(seed=1, draws=2500, tune=700)
        sampler.priors = of_batches
        second = sampler.sample(seed=2, obs=observed(y, lot, 0.0), draws=10_000, tune=2000)        # six batches leave the spread a long tail
    return first, second


def told(draws, log_weight):
    """Return a function of (values, what) that gives weighted means with their Monte Carlo errors, and quantiles."""
    weight = np.exp(log_weight - log_weight.max()).ravel()
    weight /= weight.sum()
    assert 1.0 / (weight**2).sum() > 0.3 * len(weight)

    def mean(values):
        values = np.asarray(values).reshape(len(weight), -1)
        middle = weight @ values
        return middle, 4 * np.sqrt(3 * ((weight[:, None] * (values - middle)) ** 2).sum(0))     # draws are worth a third of as many

    def quantile(values, at):
        values = np.asarray(values).ravel()
        order = np.argsort(values)
        return np.interp(at, np.cumsum(weight[order]), values[order])
    return mean, quantile


def test_eight_schools(fitted):
    """Rubin (1981); Gelman et al., BDA 5.5; posteriordb: mu ~ N(0, 5), tau ~ half-Cauchy(5). Means +- 0.15 or 4 Monte Carlo errors."""
    draws, _ = fitted
    p = draws.params()
    tau = p.lot_limit_sd[:, 0]
    mean, quantile = told(draws, np.log(tau) - np.log1p((tau / 5) ** 2) + 0.5 * ((np.log(tau) - np.log(3.0)) / 1.5) ** 2)
    assert not draws.divergent.any() and draws.sampler == "nutpie"
    for values, exact in ((p.limit_level[:, 0], 4.3968), (tau, 3.5977), (p.limit_level + p.lot_limit,
                          (6.2119, 4.9402, 3.9270, 4.7571, 3.6155, 4.0426, 6.2967, 4.8543))):
        found, error = mean(values)
        assert (np.abs(found - exact) < np.maximum(0.15, error)).all(), (found, exact, error)
    assert quantile(tau, [0.5, 0.975]) == pytest.approx([2.743, 11.92], rel=0.12)


def test_eight_schools_exactly():
    """The same and BDA's flat priors, by quadrature over our own density of `pooled` effects."""
    tau = np.concatenate([np.linspace(1e-4, 5, 2001), np.geomspace(5.001, 3000, 6000)])
    spread = np.hypot(SIGMA, pooled(0.0, tau[:, None], 1.0))         # of y about the level: own error and a pooled unit effect
    by_school = dict(enumerate((6.2119, 4.9402, 3.9270, 4.7571, 3.6155, 4.0426, 6.2967, 4.8543)))
    for prior_precision, log_prior, mu, mu_sd, tau_mean, tau_sd, of_tau, theta, theta_sd in (
            (1 / 25, -np.log1p((tau / 5) ** 2), 4.3968, 3.3177, 3.5977, 3.2200, ((0.025, 0.5, 0.975), (0.122, 2.743, 11.92)), by_school, {}),
            (0.0, 0 * tau, 7.932, 5.178, 6.575, 5.650, ((0.5,), (5.23,)), {0: 11.400, 4: 5.126}, {0: 8.34, 4: 6.36})):
        precision = (spread**-2).sum(1) + prior_precision
        centre = (Y / spread**2).sum(1) / precision
        log_m = (normal_logpdf(Y, centre[:, None], spread).sum(1) - 0.5 * np.log(precision) - 0.5 * prior_precision * centre**2 + log_prior)
        density = np.exp(log_m - log_m.max())
        mass = np.trapezoid(density, tau)
        average = lambda f: np.trapezoid(density * f, tau) / mass
        level = average(centre)
        assert level == pytest.approx(mu, abs=0.01) and average(tau) == pytest.approx(tau_mean, abs=0.02)
        assert np.sqrt(average(1 / precision + centre**2) - level**2) == pytest.approx(mu_sd, abs=0.01)
        assert np.sqrt(average(tau**2) - average(tau) ** 2) == pytest.approx(tau_sd, abs=0.02)
        cdf = cumulative_trapezoid(density, tau, initial=0) / mass
        assert np.interp(of_tau[0], cdf, tau) == pytest.approx(of_tau[1], rel=0.01)
        for school, exact in theta.items():
            share = tau**2 / spread[:, school] ** 2
            within = share * Y[school] + (1 - share) * centre
            assert average(within) == pytest.approx(exact, abs=0.02)
            if school in theta_sd:
                spread_of = average(within**2 + tau**2 * (1 - share) + (1 - share) ** 2 / precision) - average(within) ** 2
                assert np.sqrt(spread_of) == pytest.approx(theta_sd[school], abs=0.02)


def test_eight_schools_against_the_reference_draws(fitted):
    """posteriordb (published): means of its reference draws, +- 0.15; their own Monte Carlo errors are 0.033 (mu) and 0.032 (tau)."""
    draws, _ = fitted
    p = draws.params()
    tau = p.lot_limit_sd[:, 0]
    mean, _ = told(draws, np.log(tau) - np.log1p((tau / 5) ** 2) + 0.5 * ((np.log(tau) - np.log(3.0)) / 1.5) ** 2)
    for values, reference in ((p.limit_level[:, 0], 4.4105), (tau, 3.6021), (p.limit_level + p.lot_limit,
                              (6.1505, 4.9396, 3.9059, 4.7960, 3.6144, 4.0511, 6.3172, 4.8840))):
        found, error = mean(values)
        assert (np.abs(found - reference) < np.maximum(0.15, error)).all(), (found, reference, error)


def test_pooled_schools_do_not_differ():
    """Complete pooling: 7.6856 +- 4.0719, Q 4.707 on 7 degrees of freedom, p 0.696."""
    weight = SIGMA**-2
    level = (weight * Y).sum() / weight.sum()
    assert (level, weight.sum() ** -0.5) == pytest.approx((7.6856, 4.0719), abs=1e-4)
    q = -2 * (normal_logpdf(Y, level, SIGMA) - normal_logpdf(Y, Y, SIGMA)).sum()
    assert q == pytest.approx(4.707, abs=1e-3) and stats.chi2(7).sf(q) == pytest.approx(0.696, abs=1e-3)


@pytest.mark.parametrize("prior", ["half-normal", "flat"])
def test_dyestuff_batches(fitted, prior):
    """Exact two-dimensional quadrature on the sufficient statistics of Davies & Goldsmith's data (derived); flat level."""
    _, draws = fitted
    p = draws.params()
    tau, sigma = p.lot_limit_sd[:, 0], p.limit_sd[:, 0]
    of_draws = -0.5 * (np.log(tau) / WIDE) ** 2 - np.log(tau) - 0.5 * (np.log(sigma) / 0.5) ** 2 - np.log(sigma)
    wanted = -0.5 * (tau / 2) ** 2 - 0.5 * (sigma / 2) ** 2 if prior == "half-normal" else -np.log(sigma)
    mean, quantile = told(draws, wanted - of_draws)
    effects = 1527.5 + 50 * (p.limit_level + p.lot_limit[:, :6])
    if prior == "flat":
        cases = ((50 * tau, 58.40, 1.5), (50 * sigma, 51.534, 0.3))
        assert quantile(50 * tau, 0.5) == pytest.approx(50.83, abs=1.5)
    else:
        cases = ((50 * tau, 51.594, 1.0), (50 * sigma, 52.504, 0.3), (tau**2 / (tau**2 + sigma**2), 0.4584, 0.01),
                 (effects[:, 4], 1582.57, 1.0), (effects[:, 5], 1483.83, 1.0))
        assert (np.abs(quantile(50 * tau, [0.05, 0.5, 0.95]) - [20.20, 47.14, 97.88]) < [3.0, 2.0, 5.0]).all()
        level, _ = mean(p.limit_level[:, 0])
        assert 50 * np.sqrt(mean((p.limit_level[:, 0] - level) ** 2)[0])[0] == pytest.approx(25.312, rel=0.06)
    for values, exact, tolerance in cases:
        found, error = mean(values)
        assert abs(found[0] - exact) < max(tolerance, error[0]), (found, exact, error)


def test_dyestuff_batches_exactly():
    """The same by quadrature over our own density of `pooled` effects, batch means and what is left within batches."""
    lot, y = batches()
    means = np.array([y[lot == k].mean() for k in range(6)])
    within = ((y - means[lot]) ** 2).sum()
    tau, sigma = np.linspace(1e-3, 8, 1200)[:, None, None], np.linspace(0.4, 3.0, 500)[None, :, None]
    spread = np.hypot(pooled(0.0, tau, 1.0), sigma / np.sqrt(5.0))
    total = normal_logpdf(means, means.mean(), spread).sum(-1, keepdims=True) + np.log(spread) - 24 * np.log(sigma) - 0.5 * within / sigma**2
    weight = np.exp((total - 0.5 * (tau / 2) ** 2 - 0.5 * (sigma / 2) ** 2)[..., 0] + 20.0)
    weight /= weight.sum()
    average = lambda f: (weight * (f + 0.0 * tau)[..., 0]).sum() if np.ndim(f) else weight.sum() * f
    share = tau**2 / spread**2
    assert 50 * average(tau + 0 * sigma) == pytest.approx(51.594, abs=0.05) and 50 * average(sigma) == pytest.approx(52.504, abs=0.02)
    assert 50 * np.sqrt(average(tau**2 + 0 * sigma) - average(tau + 0 * sigma) ** 2) == pytest.approx(24.850, abs=0.15)
    assert average(tau**2 / (tau**2 + sigma**2)) == pytest.approx(0.4584, abs=2e-4)
    assert 50 * np.sqrt(average(spread**2 / 6)) == pytest.approx(25.312, abs=0.05)
    for k, exact in ((4, 1582.57), (5, 1483.83)):
        assert 1527.5 + 50 * (means.mean() + average(share) * (means[k] - means.mean())) == pytest.approx(exact, abs=0.05)
    cdf = np.cumsum(weight.sum(1))
    assert 50 * np.interp([0.05, 0.5, 0.95], cdf, tau[:, 0, 0]) == pytest.approx([20.20, 47.14, 97.88], abs=0.25)
