"""Effective draws of an indicator: closed form and a second implementation."""

import numpy as np
import pytest
from arviz_stats.base import array_stats

from planner.window.ess import indicator_ess


def _chain(rho, shape, seed):
    rng = np.random.default_rng(seed)
    x = np.empty(shape)
    x[:, 0] = rng.standard_normal(shape[0])
    for i in range(1, shape[1]):
        x[:, i] = rho * x[:, i - 1] + np.sqrt(1 - rho**2) * rng.standard_normal(shape[0])
    return x


@pytest.mark.parametrize(("rho", "tolerance"), [(0.9, 0.15), (0.5, 0.05), (0.0, 0.05)])
def test_first_order_chain(rho, tolerance):
    """ESS/N = (1 - rho)/(1 + rho). Source: Geyer (1992), from memory."""
    x = _chain(rho, (4, 10_000), 3)
    assert indicator_ess(x) / x.size == pytest.approx((1 - rho) / (1 + rho), rel=tolerance)


@pytest.mark.parametrize("rho", [0.0, 0.6, 0.95])
def test_against_arviz_stats(rho):
    yes = _chain(rho, (2, 2000), 8) < 1.7
    other = array_stats.ess(yes.astype(float), method="mean")
    assert indicator_ess(yes) == pytest.approx(min(other, yes.size), rel=0.03)


def test_capped_and_constant():
    assert indicator_ess(_chain(-0.5, (2, 3000), 1)) == 6000
    assert indicator_ess(np.ones((2, 500), bool)) == 1000
    assert indicator_ess(np.zeros((2, 500), bool)) == 1000
    assert indicator_ess(np.array([[True, False]])) == 2


def test_two_chains_that_disagree_count_little():
    assert indicator_ess(np.array([np.ones(1000), np.zeros(1000)])) < 20
