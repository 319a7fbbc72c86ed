"""Published optimal designs found by the planner's own search (checks D1 and D3; values recalled from the literature)."""

import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.special import expit

from planner.acquisition import search
from planner.acquisition.design_criteria import (
    PointDesign,
    efficiency,
    logit_regressors,
    optimal_weights,
    polynomial_regressors,
    sensitivity,
)


def found(regressors, runs):
    design = PointDesign(regressors, runs)
    assert search.greedy(design) == runs
    trace = search.exchange(design, passes=20)
    assert np.all(np.diff(trace) > 0) or len(trace) == 1
    return design


# D1. Ford, Torsney & Wu, JRSS B 54 (1992) 569; Minkin (1987) (from memory).
def test_local_d_optimum_of_the_logit_d1():
    eta = np.linspace(-3, 3, 60_001)
    regressors = logit_regressors(eta)
    design = found(regressors, 2)
    support = np.sort(eta[design.chosen])
    assert support == pytest.approx([-1.5434046, 1.5434046], abs=1e-4)
    assert expit(support) == pytest.approx([0.17604, 0.82396], abs=1e-4)
    root = brentq(lambda z: z * np.tanh(z / 2) - 1.0, 1.0, 2.0)
    assert root == pytest.approx(1.5434046, abs=1e-6)
    exact = logit_regressors(np.array([-root, root]))
    best = exact.T @ exact / 2
    assert np.linalg.det(best) == pytest.approx(0.0501185, abs=1e-6)
    assert efficiency(design.information, best) >= 0.99
    variance = sensitivity(regressors, best)
    assert variance.max() == pytest.approx(2.0, abs=1e-6)
    assert np.abs(np.abs(eta[variance > 2.0 - 1e-6]) - root).max() < 2e-3
    five = logit_regressors(np.linspace(-3, 3, 5))
    assert efficiency(five.T @ five / 5, best) == pytest.approx(0.86982, abs=1e-4)


def test_even_runs_split_between_the_two_points():
    eta = np.linspace(-3, 3, 601)
    design = found(logit_regressors(eta), 10)
    chosen = eta[design.chosen]
    assert np.sum(chosen > 0) == 5
    assert np.abs(chosen) == pytest.approx(np.full(10, 1.54), abs=0.011)


# D3. Kiefer & Wolfowitz (1960); Fedorov; Guest (1958) (from memory).
@pytest.mark.parametrize(
    ("degree", "support", "determinant"),
    [(2, [-1, 0, 1], 4 / 27), (3, [-1, -1 / np.sqrt(5), 1 / np.sqrt(5), 1], 0.00512)],
)
def test_d_optimal_polynomials_d3(degree, support, determinant):
    x = np.union1d(np.linspace(-1, 1, 2001), support)
    regressors = polynomial_regressors(x, degree=degree)
    design = found(regressors, degree + 1)
    assert np.sort(x[design.chosen]) == pytest.approx(support, abs=1e-6)
    assert np.linalg.det(design.information) == pytest.approx(determinant, abs=1e-6)
    assert sensitivity(regressors, design.information).max() == pytest.approx(degree + 1, abs=1e-6)


def test_uniform_measure_and_weights_d3():
    """Kiefer & Wolfowitz (1960), as above (from memory)."""
    x = np.linspace(-1, 1, 201)
    moments = np.array([[2 / (i + j + 1) if (i + j) % 2 == 0 else 0.0 for j in range(3)] for i in range(3)]) / 2
    best = np.diag([1.0, 1.0, 1.0])
    best[0, 2] = best[2, 0] = best[1, 1] = best[2, 2] = 2 / 3
    assert efficiency(moments, best) == pytest.approx(0.58480, abs=1e-5)
    regressors = polynomial_regressors(x, degree=2)
    weights = optimal_weights(regressors, tolerance=1e-4)
    information = regressors.T @ (weights[:, None] * regressors)
    assert efficiency(information, best) > 0.9999
    assert sensitivity(regressors, information).max() <= 3 * (1 + 1e-4)
