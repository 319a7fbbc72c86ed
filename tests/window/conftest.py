"""Toy campaigns whose window is known in closed form. All numbers are invented."""

from types import SimpleNamespace

import numpy as np
import pytest

from planner.window.box import FACTORS, FactorBox


@pytest.fixture
def box():
    """One temper, unit ranges in every factor: volumes are plain numbers."""
    return FactorBox(("O",), np.zeros(4), np.ones(4))


@pytest.fixture
def plate_box():
    """Two tempers, ranges as a real campaign has them, and one rule."""
    rule = np.array([[-np.inf, np.inf], [-np.inf, np.inf], [608.0, 612.0], [0.0, 1.5]])
    return FactorBox(("O", "H24"), np.array([20, 0.01, 592, 1.0]), np.array([280, 0.25, 612, 8.0]), (rule,))


@pytest.fixture
def four_chains():
    """Make chain labels for n draws in four chains."""
    return lambda n: np.repeat(np.arange(4), n // 4)


@pytest.fixture
def make_definition():
    """Stand in for a campaign definition with the keys the window reads."""

    def make(box, *, reliability=0.9, confidence=0.95, target=None):
        ranges = {key: (box.low[j], box.high[j]) for j, key in enumerate(FACTORS)}
        rules = [
            SimpleNamespace(**{key: None if not np.isfinite(row[0]) else tuple(row) for key, row in zip(FACTORS, rule)})
            for rule in box.out_of_reach
        ]
        return SimpleNamespace(
            goal=SimpleNamespace(reliability=reliability, confidence=confidence),
            factors=SimpleNamespace(tempers=list(box.tempers)),
            factor_ranges=ranges,
            out_of_reach=rules,
            target=target,
        )

    return make


@pytest.fixture
def make_component():
    """Make a recorded component with what the support rule reads."""

    def make(temper="O", settings=(0.5, 0.5, 0.5, 0.5), *, cracked=False, lot="K1", load="L1", kind="component"):
        return SimpleNamespace(
            specimen_type=kind,
            temper=temper,
            lot=lot,
            furnace_load=load,
            cracked=cracked,
            **dict(zip(FACTORS, settings)),
        )

    return make
