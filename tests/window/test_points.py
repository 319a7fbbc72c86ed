"""Points: uniform, inside, reproducible, and on the corners that matter."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from models.rows import Conditions
from planner.window.box import FactorBox, factor_box
from planner.window.points import (
    box_skeleton,
    boundary_points,
    corners,
    jittered,
    reference_points,
    show_grid,
)


def test_reference_points_are_uniform_reachable_and_equal_over_tempers(plate_box):
    points = reference_points(plate_box, 2048, seed=5)
    assert np.bincount(points.temper).tolist() == [1024, 1024]
    assert plate_box.reachable(points.factors()).all()
    share = (points.factors() - plate_box.low) / plate_box.span
    # The rule cuts 1/5 x 1/14 of the box; forming settings stay uniform.
    assert share[:, :2].mean(axis=0) == pytest.approx([0.5, 0.5], abs=0.01)
    cold = points.braze_temperature < 608
    assert cold.mean() == pytest.approx(0.8 / (1 - 0.2 * 0.5 / 7), abs=0.01)


def test_same_seed_same_points_other_scramble_other_points(plate_box):
    first = reference_points(plate_box, 256, seed=5)
    again = reference_points(plate_box, 256, seed=5)
    other = reference_points(plate_box, 256, seed=5, scramble=1)
    assert np.array_equal(first.factors(), again.factors())
    assert not np.isin(first.strain, other.strain).any()


def test_three_tempers_round_up(plate_box):
    three = FactorBox(("O", "H22", "H24"), plate_box.low, plate_box.high)
    assert len(reference_points(three, 2048, seed=1)) == 2049


def test_nothing_within_reach_is_refused(box):
    rule = np.array([[-1.0, 2.0]] * 4)
    closed = FactorBox(("O",), box.low, box.high, (rule,))
    with pytest.raises(ValueError, match="out_of_reach"):
        reference_points(closed, 64, seed=1)


def test_corners_without_and_with_a_rule(box, plate_box):
    assert len(corners(box)) == 16
    found = corners(plate_box)
    assert plate_box.reachable(found.factors()).all()
    # The corner (612 degC, 1 min) is cut off; the points just beside the rule stand in for it.
    assert not np.any((found.braze_temperature == 612) & (found.braze_time == 1))
    assert np.any((found.braze_temperature == 612) & (np.abs(found.braze_time - 1.5) < 1e-4))
    assert np.any((np.abs(found.braze_temperature - 608) < 1e-4) & (found.braze_time == 1))


def test_skeleton_has_corners_and_edge_midpoints():
    skeleton = box_skeleton(np.zeros(4), np.ones(4))
    assert len(skeleton) == 16 + 32
    assert ((skeleton == 0.5).sum(axis=1) <= 1).all()


@settings(max_examples=20, deadline=None)
@given(seed=st.integers(0, 2**31), width=st.floats(0.01, 0.6))
def test_jitter_stays_reachable_and_near(seed, width):
    rule = np.array([[-np.inf, np.inf], [-np.inf, np.inf], [608.0, 612.0], [0.0, 1.5]])
    box = FactorBox(("O", "H24"), np.array([20, 0.01, 592, 1.0]), np.array([280, 0.25, 612, 8.0]), (rule,))
    base = reference_points(box, 16, seed=3)
    near = jittered(box, base, width=width, rng=np.random.default_rng(seed))
    assert len(near) <= 8 * len(base)
    assert box.reachable(near.factors()).all()
    for k in (0, 1):
        a = (near.factors()[near.temper == k] - box.low) / box.span
        b = (base.factors()[base.temper == k] - box.low) / box.span
        gap = np.abs(a[:, None] - b[None]).max(axis=2).min(axis=1)
        assert gap.max() <= width + 1e-9


def test_boundary_points_are_the_edge_of_a_half_space(box):
    points = reference_points(box, 1024, seed=2)
    member = points.strain < 0.4
    edge = boundary_points(box, points, member)
    assert member[edge].all()
    assert points.strain[edge].mean() > points.strain[member].mean()
    assert edge.size < member.sum()
    assert boundary_points(box, points, np.zeros(1024, bool)).size == 0
    assert boundary_points(box, points, np.ones(1024, bool)).size == 0


def test_grid_is_row_major_and_marks_what_is_out_of_reach(plate_box):
    grid = show_grid(plate_box, 1, braze_temperature=610.0, braze_time=1.2, n_temperatures=3, n_strains=4)
    assert len(grid.conditions) == 12 and set(grid.conditions.temper) == {1}
    assert grid.conditions.strain[:4] == pytest.approx(grid.strain)
    assert not grid.reachable.any()
    assert show_grid(plate_box, 1, braze_temperature=600.0, braze_time=1.2).reachable.all()


def test_box_is_read_from_a_definition(plate_box, make_definition):
    read = factor_box(make_definition(plate_box))
    assert read.tempers == plate_box.tempers
    assert np.array_equal(read.low, plate_box.low) and np.array_equal(read.high, plate_box.high)
    assert np.array_equal(read.out_of_reach[0], plate_box.out_of_reach[0])
    assert read.meets_a_rule(np.array([20, 0.01, 600, 1.0]), np.array([280, 0.2, 609, 3.0]))
    assert not read.meets_a_rule(np.array([20, 0.01, 600, 2.0]), np.array([280, 0.2, 609, 3.0]))


def test_conditions_round_trip():
    rows = np.array([[20, 0.1, 600, 3.0], [250, 0.2, 605, 4.0]])
    assert np.array_equal(Conditions.from_factors([0, 1], rows).factors(), rows)
