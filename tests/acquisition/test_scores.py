"""Closed forms of the score at one point, against quadrature, simulation and the one-step values of check D8."""

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.special import ndtr
from scipy.stats import multivariate_normal

from planner.acquisition.scores import (
    MisclassificationTable,
    expected_misclassification,
    expected_undecided,
    expected_variance,
    normal_scores,
)


def by_quadrature(z0, r, of_c):
    """Integrate a function of c' over the mean that the batch will show, split at its kink."""
    sd, left = np.sqrt(r), np.sqrt(1 - r)

    def integrand(m):
        return of_c(ndtr((m - z0) / left)) * np.exp(-0.5 * (m / sd) ** 2) / (sd * np.sqrt(2 * np.pi))

    ends = sorted({-12 * sd, 12 * sd, *(x for x in (z0, z0 - 6 * left, z0 + 6 * left) if abs(x) < 12 * sd)})
    return sum(quad(integrand, a, b, epsabs=1e-12, epsrel=1e-12, limit=200)[0] for a, b in zip(ends, ends[1:]))


@pytest.mark.parametrize("z0", [-2.5, -0.7, 0.0, 0.03, 1.3, 3.0])
@pytest.mark.parametrize("r", [1e-3, 0.1, 0.5, 0.9, 0.999])
def test_expected_misclassification_is_the_integral(z0, r):
    assert expected_misclassification(z0, r) == pytest.approx(by_quadrature(z0, r, lambda c: np.minimum(c, 1 - c)), abs=1e-8)


@pytest.mark.parametrize(("z0", "r"), [(-1.2, 0.2), (0.0, 0.7), (0.8, 0.95)])
def test_expected_variance_is_the_integral(z0, r):
    assert expected_variance(z0, r) == pytest.approx(by_quadrature(z0, r, lambda c: c * (1 - c)), abs=1e-8)


@pytest.mark.parametrize(("z0", "r"), [(-1.2, 0.2), (0.0, 0.7), (0.8, 0.95), (2.5, 0.4)])
def test_expected_undecided_is_the_integral(z0, r):
    sd, left, q = np.sqrt(r), np.sqrt(1 - r), 1.6448536269514722
    low, high = z0 - left * q, z0 + left * q
    expected = quad(lambda m: np.exp(-0.5 * (m / sd) ** 2) / (sd * np.sqrt(2 * np.pi)), low, high)[0]
    assert expected_undecided(z0, r, confidence=0.95) == pytest.approx(expected, abs=1e-7)


def test_ends_of_the_scale():
    z0 = np.array([-1.0, 0.0, 0.4, np.inf, -np.inf])
    c = ndtr(-z0)
    assert np.allclose(expected_misclassification(z0, 0.0), np.minimum(c, 1 - c), atol=1e-15)
    assert np.all(expected_misclassification(z0, 1.0) < 2e-5)
    assert np.all(expected_misclassification(z0[3:], 0.5) == 0.0)
    assert np.all(np.diff(expected_misclassification(0.3, np.linspace(0, 1, 50))) <= 0)


def test_table_reads_to_a_hundred_thousandth():
    rng = np.random.default_rng(1)
    z0 = np.concatenate([[0.0, 1e-6, 1e-3, 0.05, 3.4], rng.normal(size=200)])
    n = z0.size
    share = np.concatenate([rng.random((200, n)), 10 ** (-10 * rng.random((200, n))), 1 - 10 ** (-8 * rng.random((100, n)))])
    table = MisclassificationTable(z0, weights=np.ones(n))
    assert np.abs(table.read(share) - expected_misclassification(z0, share)).max() < 1e-5
    assert table.total(share[:3]) == pytest.approx(table.read(share[:3]).sum(axis=1), rel=1e-6)


def test_normal_scores_keep_the_verdict_of_every_draw():
    rng = np.random.default_rng(2)
    conformance = np.round(rng.beta(4, 1, size=(300, 40)), 2)
    conformance[:, 0], conformance[:, 1] = 1.0, 0.2
    s = normal_scores(conformance, reliability=0.9)
    assert np.array_equal(s.z > s.z0, conformance >= 0.9)
    assert np.array_equal(s.c, (conformance >= 0.9).mean(axis=0))


# Check D8: a Gaussian process of unit variance and length with data (0, 0), (1, 1), (2, 0.5), threshold 0.7; values derived from
# the formulas of Bect et al. (2012) and Chevalier et al. (2014).
NODES, VALUES, THRESHOLD = np.array([0.0, 1.0, 2.0]), np.array([0.0, 1.0, 0.5]), 0.7


def kernel(a, b):
    return np.exp(-0.5 * np.subtract.outer(np.atleast_1d(a), np.atleast_1d(b)) ** 2)


def process(x, y):
    weights = np.linalg.solve(kernel(NODES, NODES), kernel(NODES, y))
    mean = float((kernel(x, NODES) @ np.linalg.solve(kernel(NODES, NODES), VALUES))[0])
    return mean, float((kernel(x, y) - kernel(x, NODES) @ weights)[0, 0])


@pytest.mark.parametrize(
    ("x", "new", "now", "after"), [(1.5, 1.7, 0.0462229, 0.0060453), (3.0, 2.5, 0.1162940, 0.0408438)]
)
def test_one_step_uncertainty_reduction_d8(x, new, now, after):
    mean, variance = process(x, x)
    z0 = (THRESHOLD - mean) / np.sqrt(variance)
    share = process(x, new)[1] ** 2 / (variance * process(new, new)[1])
    p = ndtr(-z0)
    assert p * (1 - p) == pytest.approx(now, abs=1e-6)
    assert expected_variance(z0, share) == pytest.approx(after, abs=1e-6)
    bivariate = multivariate_normal.cdf([-z0, z0], mean=[0, 0], cov=[[1, -share], [-share, 1]])
    assert expected_variance(z0, share) == pytest.approx(bivariate, abs=1e-6)


@pytest.mark.parametrize("size", [0, 1, 4])
def test_the_compiled_score_is_the_table_read_in_array_passes(size):
    rng = np.random.default_rng(size)
    z0 = np.concatenate([rng.normal(size=200), [0.0, 1e-6, 3.5, -4.0]])
    table = MisclassificationTable(z0)
    whiten = np.tril(rng.standard_normal((50, size, size))).astype(np.float32)
    cross = (0.2 * rng.standard_normal((50, size, z0.size))).astype(np.float32)
    share = rng.beta(0.5, 2.0, z0.size).astype(np.float32)
    share[:3] = 0.0
    cross[:, :, 0] = 0.0
    expected = table.total(np.minimum(share + np.einsum("nkp,nkp->np", whiten @ cross, whiten @ cross), 1.0))
    assert table.total_with(whiten, cross, share) == pytest.approx(expected, abs=3e-7)
