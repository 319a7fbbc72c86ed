"""The extrapolation flag, rule by rule."""

import numpy as np
import pytest

from models.rows import Conditions
from planner.window.support import component_support, extrapolated, supported_range


def _flag(box, specimens, *rows, temper=0):
    return extrapolated(Conditions.from_factors(temper, np.array(rows)), component_support(specimens, box), box)


def test_two_uncracked_components_nearby_are_needed(box, make_component):
    here = (0.5, 0.5, 0.5, 0.5)
    one = make_component(settings=here)
    assert _flag(box, [], here).all()
    assert _flag(box, [one], here).all()
    assert not _flag(box, [one, one], here).any()
    assert _flag(box, [one, make_component(settings=here, cracked=True)], here).all()
    assert _flag(box, [one, make_component(settings=here, kind="braze_coupon")], here).all()
    assert not _flag(box, [one, make_component(settings=here, cracked=None)], here).any()


def test_near_is_half_a_range_in_euclidean_distance(box, make_component):
    low = [make_component(settings=(0.0, 0.0, 0.0, 0.0))] * 2
    wide = [*low, make_component(settings=(1.0, 1.0, 1.0, 1.0), cracked=True)]
    assert not _flag(box, wide, (0.25, 0.25, 0.25, 0.25)).any()
    assert _flag(box, wide, (0.26, 0.25, 0.25, 0.25)).all()


def test_ten_percent_beyond_any_factor(box, make_component):
    two = [make_component(settings=(0.4, 0.5, 0.5, 0.5)), make_component(settings=(0.6, 0.5, 0.5, 0.5))]
    assert _flag(box, two, (0.69, 0.5, 0.5, 0.5), (0.71, 0.5, 0.5, 0.5)).tolist() == [False, True]
    assert _flag(box, two, (0.5, 0.5, 0.39, 0.5)).all()
    low, high = supported_range(0, component_support(two, box), box)
    assert low == pytest.approx([0.3, 0.4, 0.4, 0.4]) and high == pytest.approx([0.7, 0.6, 0.6, 0.6])


def test_cracked_components_without_braze_settings_widen_the_forming_range_only(box, make_component):
    two = [make_component(settings=(0.4, 0.4, 0.5, 0.5))] * 2
    cracked = make_component(settings=(0.4, 0.7, None, None), cracked=True)
    assert _flag(box, two, (0.4, 0.6, 0.5, 0.5)).all()
    assert not _flag(box, [*two, cracked], (0.4, 0.6, 0.5, 0.5)).any()


def test_tempers_do_not_support_each_other(plate_box, make_component):
    here = (200.0, 0.1, 600.0, 3.0)
    two = [make_component("H24", here)] * 2
    assert _flag(plate_box, two, here, temper=0).all()
    assert not _flag(plate_box, two, here, temper=1).any()
