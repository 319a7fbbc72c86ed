"""Pareto-smoothed weights and their gate (check C1), chains with known diagnostics (C3), and what reweighting gives back."""

import numpy as np
import pytest
from scipy.stats import norm

from models.reweight import k_threshold, resampled, smoothed
from models.verdict import diagnostics, judge
from tests.models.test_verdict import ar1


# Vehtari, Simpson, Gelman, Yao & Gabry (2024); package `loo` 2.7.0 (published).
@pytest.mark.parametrize(("draws", "expected"), [(100, 0.5), (320, 0.601), (1000, 0.667), (2200, 0.700), (4000, 0.7), (10_000, 0.7)])
def test_threshold_of_the_tail_shape(draws, expected):
    assert k_threshold(draws) == pytest.approx(expected, abs=5e-4)
    assert k_threshold(2154) == pytest.approx(0.7, abs=1e-4)


@pytest.mark.parametrize("k", [0.3, 0.7, 1.0])
def test_tail_shape_of_a_pareto_tail_is_recovered(k):
    """Weights U^-k, 20 000 draws."""
    u = np.random.default_rng(11).uniform(size=20_000)
    found = smoothed(-k * np.log(u))
    assert found.k_hat == pytest.approx(k, abs=0.08) and found.usable == (k < 0.7 and found.ess >= 400)


def test_equal_weights_and_a_single_yes_no_are_reliable():
    same = smoothed(np.zeros(1000))
    assert same.k_hat == 0.0 and same.ess == pytest.approx(1000)
    leak = smoothed(np.where(np.arange(4000) % 4 == 0, np.log(0.9), np.log(0.4)))
    assert leak.usable and leak.weight.sum() == pytest.approx(1.0)


def test_reweighted_normal_draws_give_the_shifted_mean():
    """N(0, 1) draws weighted to N(0.7, 1): mean and spread follow, and resampling keeps them."""
    from models.fit import prior_draws
    from models.priors import Layout, prior_set

    layout = Layout(1, 8, 8)
    draws = prior_draws(layout, prior_set(("O",), (0,)), draws=2000, rng=np.random.default_rng(4))
    first = draws.z[..., 0].ravel()
    weights = smoothed(norm.logpdf(first, 0.7) - norm.logpdf(first))
    assert weights.usable
    assert weights.weight @ first == pytest.approx(0.7, abs=0.06)
    again = resampled(draws, weights, np.random.default_rng(5)).z[..., 0]
    assert again.mean() == pytest.approx(0.7, abs=0.07) and again.std() == pytest.approx(1.0, abs=0.08)


# Geyer; Betancourt (2016), arXiv 1604.00695 (published).
def test_antithetic_chains_are_worth_more_than_their_draws():
    x = ar1(-0.5, (4, 10_000), np.random.default_rng(7))[..., None]
    assert diagnostics(x)[1, 0] == pytest.approx(3 * 40_000, rel=0.05)


@pytest.mark.parametrize(("rho", "expected"), [(0.0, 2.0), (0.85, 0.30)])
def test_energy_information_of_known_energies(rho, expected):
    x = np.random.default_rng(8).standard_normal((4, 150_000, 1))
    v = judge(x, ["x"], divergent=np.zeros(x.shape[:2], bool), energy=ar1(rho, x.shape[:2], np.random.default_rng(9)))
    assert v.bfmi == pytest.approx(expected, abs=0.02)      # the least of four chains
