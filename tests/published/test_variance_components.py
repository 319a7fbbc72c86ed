"""Variance components of published batch and split-plot data, through the pooling that lots and furnace loads use (checks H2, H5).

The marginal covariance is not written down here: it is what `pooled` does to unit normals, effect by effect, so a wrong
spread or a level left out would show.
"""

import csv
from pathlib import Path

import numpy as np
import pytest
from scipy.optimize import minimize
from scipy.stats import f

from models.likelihood import normal_logpdf
from models.pooling import pooled

DATA = Path(__file__).parent / "data"


def read(name):
    with open(DATA / name, newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    return {key: np.array([row[key] for row in rows]) for key in rows[0]}


def levels(labels):
    """Return group numbers."""
    return np.unique(labels, return_inverse=True)[1]


def contrasts(index, *, total=False):
    """Return indicator columns of all groups but the first; with `total`, columns that add to zero over the groups."""
    columns = np.eye(index.max() + 1)[:, 1:] - (np.eye(index.max() + 1)[:, :1] if total else 0.0)
    return columns[index]


def products(a, b):
    return np.einsum("ni,nj->nij", a, b).reshape(len(a), -1)


def covariance(groups, spreads, residual, n):
    """Return the covariance of observations: each level's `pooled` effects of unit normals, and the residual."""
    total = residual**2 * np.eye(n)
    for index, spread in zip(groups, spreads):
        effect = pooled(0.0, spread, np.eye(index.max() + 1))[index]
        total += effect @ effect.T
    return total


def fitted(x, y, cov):
    """Return generalised least squares: coefficients, their covariance and minus twice the log-likelihood at them."""
    root = np.linalg.cholesky(cov)
    wx, wy = np.linalg.solve(root, x), np.linalg.solve(root, y)
    information = wx.T @ wx
    beta = np.linalg.solve(information, wx.T @ wy)
    deviance = -2.0 * normal_logpdf(wy, wx @ beta, 1.0).sum() + 2.0 * np.log(np.diag(root)).sum()
    return beta, np.linalg.inv(information), deviance


def criterion(x, y, cov, *, restricted):
    """Return minus twice the log-likelihood, restricted (REML) or not."""
    _, of_beta, deviance = fitted(x, y, cov)
    return deviance - (np.linalg.slogdet(of_beta)[1] + x.shape[1] * np.log(2 * np.pi) if restricted else 0.0)


def estimate(x, y, groups, start, *, restricted=True):
    """Return the spreads (residual last) that maximise the likelihood, and the criterion there."""
    def at(log_sd):
        sd = np.exp(log_sd)
        return criterion(x, y, covariance(groups, sd[:-1], sd[-1], len(y)), restricted=restricted)
    found = minimize(at, np.log(start), method="BFGS", options={"gtol": 1e-6})
    return np.exp(found.x), found.fun


@pytest.fixture(scope="module")
def dyestuff():
    d = read("dyestuff.csv")
    return levels(d["Batch"]), d["Yield"].astype(float)


# H2. Davies & Goldsmith's dyestuff as analysed by Bates, lme4 (published).
def test_batches_by_restricted_likelihood(dyestuff):
    batch, y = dyestuff
    one = np.ones((len(y), 1))
    (between, within), value = estimate(one, y, [batch], (30.0, 50.0))
    assert between == pytest.approx(42.0006, rel=1e-3) and within == pytest.approx(49.5101, rel=1e-3)
    assert between**2 == pytest.approx(1764.05, rel=1e-3) and within**2 == pytest.approx(2451.25, rel=1e-3)
    assert value == pytest.approx(319.6543, abs=1e-3)
    assert within**2 + 5 * between**2 == pytest.approx(11271.5, rel=1e-3)          # the batches' mean square
    cov = covariance([batch], [between], within, len(y))
    beta, of_beta, _ = fitted(one, y, cov)
    assert beta[0] == pytest.approx(1527.5, abs=1e-6) and of_beta[0, 0] ** 0.5 == pytest.approx(19.383, rel=1e-3)
    effect = pooled(0.0, between, np.eye(6))
    blup = effect @ effect[batch].T @ np.linalg.solve(cov, y - beta[0])
    assert blup == pytest.approx([-17.607, 0.391, 28.562, -23.085, 56.733, -44.995], rel=1e-3, abs=2e-3)
    icc = between**2 / (between**2 + within**2)
    assert icc == pytest.approx(0.4185, rel=1e-3) and 1 + 4 * icc == pytest.approx(2.674, rel=1e-3)
    assert len(y) / (1 + 4 * icc) == pytest.approx(11.2, abs=0.05)


def test_batches_by_likelihood(dyestuff):
    batch, y = dyestuff
    one = np.ones((len(y), 1))
    (between, within), value = estimate(one, y, [batch], (30.0, 50.0), restricted=False)
    assert between == pytest.approx(37.260, rel=1e-3) and within**2 == pytest.approx(2451.25, rel=1e-3)
    assert value == pytest.approx(327.32706, abs=1e-4)
    assert fitted(one, y, covariance([batch], [between], within, len(y)))[1][0, 0] ** 0.5 == pytest.approx(17.695, rel=1e-3)


def test_batch_variance_ratio(dyestuff):
    """F = 11271.5 / 2451.25, by Wald's statistic and by what our likelihood loses without the batches, at the residual spread it estimates."""
    batch, y = dyestuff
    one = np.ones((len(y), 1))
    fixed = np.column_stack([one, contrasts(batch, total=True)])
    (_, within), _ = estimate(one, y, [batch], (30.0, 50.0))
    cov = covariance([], [], within, len(y))
    beta, of_beta, with_batches = fitted(fixed, y, cov)
    assert wald(beta, of_beta, slice(1, None)) == pytest.approx(4.598, rel=1e-3)
    assert (fitted(one, y, cov)[2] - with_batches) / 5 == pytest.approx(4.598, rel=1e-3)


def wald(beta, of_beta, columns):
    """Return the F statistic of some coefficients."""
    part = beta[columns]
    return part @ np.linalg.solve(of_beta[columns, columns], part) / len(part)


# H5. Yates (1935) oats: whole plots as furnace loads, sub-plots as specimens in them (published; MASS section 10.2 from memory).
@pytest.fixture(scope="module")
def oats():
    d = read("oats.csv")
    block, variety, nitrogen = (levels(d[key]) for key in "BVN")
    return block, variety, nitrogen, block * (variety.max() + 1) + variety, d["Y"].astype(float)


def of_oats(variety, nitrogen, *, total):
    v, n = contrasts(variety, total=total), contrasts(nitrogen, total=total)
    return np.column_stack([np.ones(len(v)), v, n, products(v, n)])


def test_split_plot_spreads(oats):
    block, variety, nitrogen, plot, y = oats
    sd, value = estimate(of_oats(variety, nitrogen, total=False), y, [block, plot], (10.0, 10.0, 10.0))
    assert sd == pytest.approx([14.645, 10.299, 13.307], rel=1e-3)
    assert value == pytest.approx(529.0285, abs=1e-3)


def test_a_whole_plot_factor_is_judged_on_whole_plots(oats):
    """Trap: without the level of the whole plots (furnace loads) the variety's F is 5.04 in place of 1.49."""
    block, variety, nitrogen, plot, y = oats
    x = of_oats(variety, nitrogen, total=True)
    v, n, both = slice(1, 3), slice(3, 6), slice(6, None)
    (of_block, of_plot, residual), _ = estimate(of_oats(variety, nitrogen, total=False), y, [block, plot], (10.0, 10.0, 10.0))
    beta, of_beta, _ = fitted(x, y, covariance([block, plot], [of_block, of_plot], residual, len(y)))
    assert wald(beta, of_beta, v) == pytest.approx(1.485, rel=1e-3) and f.sf(wald(beta, of_beta, v), 2, 10) == pytest.approx(0.272, abs=1e-3)
    assert wald(beta, of_beta, n) == pytest.approx(37.686, rel=1e-3) and wald(beta, of_beta, both) == pytest.approx(0.303, rel=1e-3)
    whole_plot = residual**2 + 4 * of_plot**2
    assert wald(beta, of_beta, v) * whole_plot == pytest.approx(893.18, rel=1e-3) and wald(beta, of_beta, n) * residual**2 == pytest.approx(6673.5, rel=1e-3)
    wrong = fitted(x, y, covariance([block], [of_block], residual, len(y)))
    assert wald(*wrong[:2], v) == pytest.approx(5.044, rel=1e-3)


def test_split_plot_strata(oats):
    """Mean squares of Yates's strata are what the three spreads add up to: sub-plot, whole plot (x 4), block (x 12)."""
    block, variety, nitrogen, plot, y = oats
    sd, _ = estimate(of_oats(variety, nitrogen, total=False), y, [block, plot], (10.0, 10.0, 10.0))
    of_block, of_plot, residual = sd**2
    assert residual == pytest.approx(177.08, rel=1e-3)
    assert residual + 4 * of_plot == pytest.approx(601.33, rel=1e-3)
    assert residual + 4 * of_plot + 12 * of_block == pytest.approx(3175.06, rel=1e-3)
