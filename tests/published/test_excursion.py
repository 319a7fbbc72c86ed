"""Volume of an excursion set and its expected error, on the Branin function and a toy map (check row D7).

References
----------
Chevalier et al., Technometrics 56 (2014) 455 (expected volume, Vorob'ev deviation); values derived.
"""

from functools import cache

import numpy as np
import pytest
from scipy.special import ndtr

from planner.window.box import FactorBox
from planner.window.decision import misclassification, probability_conforming
from planner.window.points import reference_points

BOX = FactorBox(("O",), np.array([20.0, 0.0, 592.0, 1.0]), np.array([280.0, 0.2, 612.0, 8.0]))

# Branin's function; shares derived by a fine grid. Threshold, share of the box above it.
SHARES = [(80.0, 0.253658), (50.0, 0.395888), (20.0, 0.672786), (10.0, 0.841127)]


def branin(x, y):
    """Branin's function on [-5, 10] x [0, 15]."""
    bent = y - 5.1 * x**2 / (4 * np.pi**2) + 5 * x / np.pi - 6
    return bent**2 + 10 * (1 - 1 / (8 * np.pi)) * np.cos(x) + 10


@cache
def branin_over_the_box():
    """Branin's function at our own points: the first two factors, rescaled to its square."""
    points = reference_points(BOX, 1 << 16, seed=7)
    x = (points.forming_temperature - 20.0) / 260.0 * 15.0 - 5.0
    y = points.strain / 0.2 * 15.0
    return branin(x, y)


@pytest.mark.parametrize("minimum", [(-np.pi, 12.275), (np.pi, 2.275), (9.42478, 2.475)])
def test_branin_is_branin(minimum):
    assert branin(*minimum) == pytest.approx(0.397887, abs=1e-6)


def on_a_grid(n=2000):
    """Branin's function at the middles of n x n cells of its square."""
    at = (np.arange(n) + 0.5) / n
    return branin(15.0 * at[:, None] - 5.0, 15.0 * at[None, :]).ravel()


def test_the_mean_by_a_grid_and_by_reference_points():
    assert on_a_grid().mean() == pytest.approx(54.3072, abs=2e-4)
    assert branin_over_the_box().mean() == pytest.approx(54.3072, abs=1e-3)


@pytest.mark.parametrize(("threshold", "share"), SHARES)
def test_a_grid_gives_the_volume(threshold, share):
    certain = probability_conforming(on_a_grid()[None, :], threshold)
    assert certain.mean() == pytest.approx(share, abs=2e-4) and misclassification(certain) == 0.0


@pytest.mark.parametrize(("threshold", "share"), SHARES)
def test_reference_points_give_the_volume(threshold, share):
    certain = probability_conforming(branin_over_the_box()[None, :], threshold)
    assert certain.mean() == pytest.approx(share, abs=1e-3)
    assert misclassification(certain) == 0.0


def test_a_map_that_converges_loses_its_error():
    # As doubt about the function shrinks tenfold, so does H, and the claimed volume goes to the true one.
    doubts = [30.0, 3.0, 0.3]
    maps = [ndtr((branin_over_the_box() - 50.0) / doubt) for doubt in doubts]
    errors = [misclassification(c) for c in maps]
    assert errors[0] > 5 * errors[1] > 25 * errors[2] > 0
    volumes = [abs((c >= 0.5).mean() - 0.395888) for c in maps]
    assert max(volumes) < 1e-3
    assert abs(maps[2].mean() - 0.395888) < abs(maps[0].mean() - 0.395888)


def test_toy_map_with_uniform_doubt():
    # p(x) = x on [0, 1]: expected volume 0.5, Vorob'ev threshold 0.5, deviation 0.25 (Molchanov; derived).
    c = (np.arange(100_000) + 0.5) / 100_000
    assert c.mean() == pytest.approx(0.5, abs=1e-12)
    assert (c >= 0.5).mean() == pytest.approx(c.mean(), abs=1e-12)
    assert misclassification(c) == pytest.approx(0.25, abs=1e-9)
