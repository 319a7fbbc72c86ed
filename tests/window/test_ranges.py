"""Operating ranges: the search against brute force, the certificate against exact probabilities."""

from itertools import product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import ndtr

from planner.window.box import FactorBox
from planner.window.box_search import Lattice, largest_box, nested_boxes
from planner.window.decision import halves, judge
from planner.window.points import reference_points
from planner.window.ranges import operating_range, target_range

SPLIT = halves(np.repeat(np.arange(4), 1500))
N_DRAWS = 6000


def _box(**more):
    return FactorBox(("O",), np.zeros(4), np.ones(4), **more)


def _find(conformance, box=None, *, confidence=0.95, n=1024, **more):
    box = box or _box()
    sure = {"box": box, "reliability": 0.9, "confidence": confidence, "split": SPLIT, "seed": 4, "temper": 0}
    reference = judge(conformance, reference_points(box, n, seed=4), reliability=0.9, split=SPLIT)
    return operating_range(conformance, reference, **sure, **more), sure


def _block(theta, half):
    """Conforms where every factor lies within half of theta (n_draws, 4)."""
    return lambda x: 1.0 * (np.abs(x.factors()[None] - theta[:, None, :]) <= half).all(axis=2)


def _theta(sd, seed=1):
    return 0.5 + sd * np.random.default_rng(seed).standard_normal((N_DRAWS, 4))


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 10_000), level=st.floats(0.3, 0.9))
def test_search_in_two_factors_is_close_to_brute_force(seed, level):
    rng = np.random.default_rng(seed)
    grid = np.linspace(0, 1, 7)
    centre = 0.5 + 0.12 * rng.standard_normal((64, 2))
    half = rng.uniform(0.25, 0.6, 2)
    x, y = np.meshgrid(grid, grid, indexing="ij")
    holds = (np.abs(x[..., None] - centre[:, 0]) / half[0]) ** 2 + (np.abs(y[..., None] - centre[:, 1]) / half[1]) ** 2 < 1
    lattice = Lattice((grid, grid), np.packbits(holds, axis=-1), 64, np.ones(2))
    best = 0.0
    for a, b in product(range(7), repeat=2):
        for c, d in product(range(a + 1, 7), range(b + 1, 7)):
            if holds[a : c + 1, b : d + 1].all(axis=(0, 1)).mean() >= level:
                best = max(best, (grid[c] - grid[a]) * (grid[d] - grid[b]))
    found = largest_box(lattice, level=level)
    if best == 0:
        assert found is None
        return
    low, high = found
    assert lattice.probability(lattice.alive(low, high)) >= level
    assert lattice.volume(low, high) >= 0.7 * best


def test_nested_boxes_shrink_one_layer_at_a_time_and_gain():
    theta = _theta(0.05)[:, :2]
    grid = np.linspace(0, 1, 9)
    x, y = np.meshgrid(grid, grid, indexing="ij")
    holds = (np.abs(x[..., None] - theta[:, 0]) < 0.3) & (np.abs(y[..., None] - theta[:, 1]) < 0.3)
    lattice = Lattice((grid, grid), np.packbits(holds, axis=-1), N_DRAWS, np.ones(2))
    chain = nested_boxes(lattice, (np.array([0, 0]), np.array([8, 8])))
    steps = [np.sum(h - l) for l, h in chain]
    assert steps == list(range(16, 1, -1))
    p = [lattice.probability(lattice.alive(l, h)) for l, h in chain]
    assert np.all(np.diff(p) >= 0)


def test_known_block_is_found_and_certified():
    """Independent edges: P(box inside) = prod of 2 Phi((half - a)/sd) - 1, exactly."""
    sd, half = 0.02, 0.4
    found, _ = _find(_block(_theta(sd), half))
    assert found.verdict == "CERTIFIED" and found.temper == "O"
    exact = np.prod(ndtr((found.low - 0.5 + half) / sd) - ndtr((found.high - 0.5 - half) / sd))
    assert exact >= 0.945
    assert found.joint_probability == pytest.approx(exact, abs=0.02)
    best_side = 2 * (half - sd * 2.6)
    assert 0.6 * best_side**4 <= found.volume <= (2 * half) ** 4
    assert found.volume == pytest.approx(np.prod(found.high - found.low))
    assert found.error < 0.01 and not found.extrapolated


def test_a_box_is_never_laid_over_settings_out_of_reach():
    rule = np.array([[-np.inf, np.inf], [-np.inf, np.inf], [0.55, 1.0], [0.0, 0.45]])
    found, _ = _find(_block(_theta(0.01), 0.45), _box(out_of_reach=(rule,)))
    assert found.verdict == "CERTIFIED"
    assert not _box(out_of_reach=(rule,)).meets_a_rule(found.low, found.high)


def test_a_box_stays_where_it_is_supported():
    found, _ = _find(_block(_theta(0.01), 0.45), unsupported=lambda x: x.strain > 0.6)
    assert found.verdict == "CERTIFIED" and found.high[1] <= 0.6
    free, _ = _find(_block(_theta(0.01), 0.45))
    assert free.high[1] > 0.7


def test_no_box_where_nothing_is_sure():
    assert _find(_block(_theta(0.5), 0.4))[0] is None
    assert _find(lambda x: np.zeros((N_DRAWS, len(x))))[0] is None


def test_a_hole_that_the_lattice_misses_is_caught_by_fresh_points():
    """Fails in a thin slab between lattice lines; no certified box may contain it."""

    def conformance(x):
        return np.repeat(np.where(np.abs(x.strain - 0.5) < 0.02, 0.0, 1.0)[None], N_DRAWS, axis=0)

    found, _ = _find(conformance)
    assert found is None or found.high[1] <= 0.5 or found.low[1] >= 0.5


def test_round_edges_where_the_ranges_are_those_of_a_lab(plate_box):
    def conformance(x):
        inside = (x.forming_temperature > 120) & (x.strain < 0.2) & (x.braze_temperature < 609)
        return np.repeat(np.where(inside, 1.0, 0.0)[None], N_DRAWS, axis=0)

    found, _ = _find(conformance, plate_box)
    assert found.low[0] == round(found.low[0]) and found.high[2] * 2 == round(found.high[2] * 2)
    assert set(found.ranges()) == {
        "forming_temperature_degC",
        "strain",
        "braze_temperature_degC",
        "braze_time_min",
    }


def test_a_fixed_factor_is_allowed():
    box = FactorBox(("O",), np.array([0, 0, 0, 0.5]), np.array([1, 1, 1, 0.5]))
    found, _ = _find(_block(_theta(0.01), 0.4), box)
    assert found.verdict == "CERTIFIED" and found.low[3] == found.high[3] == 0.5
    assert found.volume == pytest.approx(np.prod((found.high - found.low)[:3]))


def test_target_probability_is_exact():
    sd, half = 0.05, 0.4
    low, high = np.full(4, 0.25), np.full(4, 0.75)
    _, sure = _find(_block(_theta(sd), half))
    target = target_range(_block(_theta(sd), half), low=low, high=high, **sure)
    exact = (2 * ndtr((half - 0.25) / sd) - 1) ** 4
    assert target.joint_probability == pytest.approx(exact, abs=4 * np.sqrt(exact * (1 - exact) / N_DRAWS) + 1e-3)
    assert target.verdict == "CERTIFIED"
    wide = target_range(_block(_theta(sd), half), low=np.full(4, 0.15), high=np.full(4, 0.85), **sure)
    assert wide.verdict == "NOT_CERTIFIED"
    assert wide.joint_probability == pytest.approx((2 * ndtr(1.0) - 1) ** 4, abs=0.03)


def test_certified_boxes_are_right_as_often_as_they_say():
    """20 toy campaigns with their own prior as truth: false boxes at most as chance allows at 5 %."""
    false = certified = 0
    for campaign in range(20):
        rng = np.random.default_rng([8, campaign])
        mean = rng.uniform(0.4, 0.6, 4)
        truth = mean + 0.04 * rng.standard_normal((1, 4))
        draws = mean + 0.04 * rng.standard_normal((N_DRAWS, 4))
        found, _ = _find(_block(draws, 0.35), n=512, levels=(6, 6, 5, 5))
        if found is not None:
            certified += 1
            false += bool(np.any(found.low < truth[0] - 0.35) or np.any(found.high > truth[0] + 0.35))
    assert certified >= 18
    assert false <= 4  # binomial(20, 0.05): more than 4 has probability 0.3 %
