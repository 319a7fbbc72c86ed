"""Closed forms of reliability and normal theory against published and derived values (checks Q1-Q6, Q9)."""

import math

import numpy as np
import pytest
from scipy import stats

from planner.window import normal_theory as nt
from planner.window import reliability as rel


# Q1. Source: standard zero-failure demonstration tables (from memory).
@pytest.mark.parametrize(
    ("reliability", "confidence", "failures", "expected"),
    [
        (0.95, 0.95, 0, 59),
        (0.90, 0.90, 0, 22),
        (0.99, 0.95, 0, 299),
        (0.90, 0.95, 0, 29),
        (0.95, 0.90, 0, 45),
        (0.99, 0.90, 0, 230),
        (0.80, 0.80, 0, 8),
        (0.95, 0.95, 1, 93),
        (0.90, 0.90, 1, 38),
        (0.90, 0.95, 1, 46),
        (0.99, 0.95, 1, 473),
        (0.95, 0.95, 2, 124),
    ],
)
def test_success_run_sizes(reliability, confidence, failures, expected):
    n = rel.success_run_size(reliability, confidence, failures=failures)
    assert n == expected
    if failures == 0:
        assert reliability**n <= 1 - confidence < reliability ** (n - 1)
        assert n == math.ceil(math.log(1 - confidence) / math.log(reliability))


def test_bayesian_size_is_one_less_than_the_classical():
    """Trap 1 of the checks: 59 is classical, 58 is the uniform prior."""
    assert rel.success_run_size_bayes(0.95, 0.95) == 58
    assert rel.success_run_size_bayes(0.90, 0.90) == rel.success_run_size(0.90, 0.90) - 1


@pytest.mark.parametrize("bad", [0.0, 1.0, -0.2, 1.5])
def test_impossible_goals_are_refused(bad):
    with pytest.raises(ValueError, match="between 0 and 1"):
        rel.success_run_size(bad, 0.95)
    with pytest.raises(ValueError, match="between 0 and 1"):
        rel.success_run_size_bayes(0.9, bad)


# Q2. Source: beta-binomial conjugacy; values recomputed (published in part, from memory in part).
def test_beta_binomial_posterior():
    lower = [(10, 0.90, 0.811131), (29, 0.95, 0.904966), (59, 0.95, 0.951297), (99, 0.99, 0.954993)]
    for n, confidence, expected in lower:
        assert rel.reliability_lower_uniform(n, confidence) == pytest.approx(expected, abs=1e-6)
        assert rel.posterior_probability_reliable(0, n, rel.reliability_lower_uniform(n, confidence)) == pytest.approx(
            confidence, abs=1e-12
        )
    posterior = [(0, 10, 0.9, 0.686189), (0, 22, 0.9, 0.911371), (1, 29, 0.9, 0.816305), (0, 59, 0.95, 0.953930)]
    for x, n, reliability, expected in posterior:
        assert rel.posterior_probability_reliable(x, n, reliability) == pytest.approx(expected, abs=1e-6)
    assert rel.posterior_probability_reliable(0, 10, 0.9, a=0.5, b=0.5) == pytest.approx(0.858447, abs=1e-6)
    assert rel.next_part_passes(0, 10) == pytest.approx(11 / 12, abs=1e-12)
    assert rel.beta_binomial_pmf(4, 10, 2, 3) == pytest.approx(0.1398601, abs=1e-6)


# Q3. Source: Newcombe (1998), Statistics in Medicine 17, 857, Table I (from memory).
@pytest.mark.parametrize(
    ("x", "n", "exact", "score"),
    [
        (81, 263, (0.2527, 0.3676), (0.2553, 0.3662)),
        (15, 148, (0.0578, 0.1617), (0.0624, 0.1605)),
        (0, 20, (0.0, 0.1684), (0.0, 0.1611)),
        (1, 29, (0.0009, 0.1776), (0.0061, 0.1718)),
    ],
)
def test_intervals_for_a_proportion(x, n, exact, score):
    assert rel.clopper_pearson(x, n) == pytest.approx(exact, abs=5e-5)
    assert rel.wilson(x, n) == pytest.approx(score, abs=5e-5)


def test_all_passes_one_and_two_sided():
    assert rel.clopper_pearson(59, 59)[0] == pytest.approx(0.93939, abs=5e-6)
    assert rel.clopper_pearson_lower(59, 59) == pytest.approx(0.95049, abs=5e-6)


# Q4. Source: Montgomery & Runger, Table XII; ISO 16269-6:2014.
@pytest.mark.parametrize(
    ("n", "share", "confidence", "expected"),
    [
        (10, 0.90, 0.90, 2.066),
        (10, 0.95, 0.95, 2.911),
        (10, 0.99, 0.95, 3.981),
        (20, 0.95, 0.95, 2.396),
        (5, 0.90, 0.95, 3.407),
        (30, 0.90, 0.95, 1.777),
        (100, 0.95, 0.95, 1.927),
    ],
)
def test_one_sided_tolerance_factor(n, share, confidence, expected):
    assert nt.tolerance_factor_one_sided(n, share, confidence) == pytest.approx(expected, abs=6e-4)


# Q5. Source: ISO 16269-6:2014, Annex F; Meeker, Hahn & Escobar, Tables J.5 and J.11.
@pytest.mark.parametrize(
    ("n", "share", "confidence", "expected"),
    [
        (10, 0.95, 0.95, 3.3935),
        (5, 0.95, 0.95, 5.0769),
        (8, 0.90, 0.90, 2.7542),
        (16, 0.90, 0.90, 2.2537),
        (30, 0.95, 0.90, 2.4166),
    ],
)
def test_two_sided_tolerance_factor(n, share, confidence, expected):
    assert nt.tolerance_factor_two_sided(n, share, confidence) == pytest.approx(expected, abs=1e-4)


def test_howes_approximation_is_not_taken_for_exact():
    assert abs(nt.tolerance_factor_two_sided(10, 0.95, 0.95) - 3.382) > 0.01


def test_distribution_free_sizes():
    assert nt.distribution_free_size(0.95, 0.95) == 59
    assert nt.distribution_free_size(0.95, 0.95, two_sided=True) == 93


# Q6. Source: Guttman (1970), equivalence of the reference posterior and the one-sided limit (from memory).
@pytest.mark.parametrize(
    ("n", "distance", "reliability", "expected"),
    [
        (10, 2.91096, 0.95, 0.95000),
        (10, 3.0, 0.95, 0.958193),
        (10, 2.0, 0.95, 0.697091),
        (10, 1.6449, 0.95, 0.456344),
        (20, 2.0, 0.90, 0.964123),
    ],
)
def test_posterior_probability_of_conformance(n, distance, reliability, expected):
    found = nt.posterior_probability_conforming(0.0, 1.0, n, upper=distance, reliability=reliability)
    assert found == pytest.approx(expected, abs=1e-4)
    # The decision code on 50 000 posterior draws of (mu, sigma) must give the same number.
    from planner.window.decision import probability_conforming

    rng = np.random.default_rng(6)
    sigma = np.sqrt((n - 1) / rng.chisquare(n - 1, 50_000))
    mu = sigma / np.sqrt(n) * rng.standard_normal(50_000)
    conformance = stats.norm.cdf((distance - mu) / sigma)[:, None]
    tolerance = max(0.004, 4 * np.sqrt(expected * (1 - expected) / 50_000))
    assert probability_conforming(conformance, reliability)[0] == pytest.approx(expected, abs=tolerance)


def test_predictive_pass_is_another_number():
    """Trap 2 of the checks."""
    assert nt.predictive_pass_probability(0.0, 1.0, 10, upper=3.0) == pytest.approx(0.990616, abs=1e-6)


# Q9. Source: bivariate normal (from memory); scipy's bivariate cdf as second implementation.
@pytest.mark.parametrize(("correlation", "expected"), [(0.0, 0.8100), (0.5, 0.8324), (0.9, 0.8689)])
def test_joint_conformance_of_two_responses(correlation, expected):
    found = nt.joint_conformance_two_normals(0.9, 0.9, correlation)
    assert found == pytest.approx(expected, abs=2e-4)
    z = stats.norm.ppf(0.9)
    second = stats.multivariate_normal([0, 0], [[1, correlation], [correlation, 1]]).cdf([z, z])
    assert found == pytest.approx(second, abs=1e-6)


def test_joint_conformance_at_perfect_correlation():
    assert nt.joint_conformance_two_normals(0.9, 0.8, 1.0) == 0.8
    assert nt.joint_conformance_two_normals(0.9, 0.8, -1.0) == pytest.approx(0.7)
