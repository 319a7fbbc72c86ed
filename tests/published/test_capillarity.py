"""Capillary pressure, flow and fillets against textbook values and geometry (check rows B1 to B4)."""

import numpy as np
import pytest
from scipy.integrate import quad

from models import capillarity, handbook

# B1: Young-Laplace, textbook examples (published).
# name, density kg/m3, angle deg, tension N/m, rise cm, pressure under the meniscus Pa.
TUBES = [("water", 999, 1, 0.073, 2.97, -291.95), ("mercury", 13_579, 140, 0.559, -1.28, 1712.87)]


@pytest.mark.parametrize(("name", "density", "angle", "tension", "rise_cm", "pressure"), TUBES)
def test_rise_in_a_tube(name, density, angle, tension, rise_cm, pressure):
    pull = capillarity.tube_pressure(tension, angle, 0.5e-3)
    assert pull == pytest.approx(-pressure, rel=5e-3)  # the liquid under the meniscus stands below the air by this
    assert 100 * capillarity.rise(pull, density) == pytest.approx(rise_cm, rel=5e-3)


def test_rise_between_plates():
    # B1: inputs are orders of magnitude for molten Al-Si (from memory).
    pull = capillarity.gap_pressure(0.82, 5.0, 1e-4)
    assert pull == pytest.approx(16_340, rel=5e-3)
    assert capillarity.rise(pull, 2400.0) == pytest.approx(0.694, rel=5e-3)
    halved = capillarity.gap_pressure(0.82, 5.0, 0.5e-4)
    assert halved / pull == pytest.approx(2.0, rel=1e-12)
    assert capillarity.rise(halved, 2400.0) / capillarity.rise(pull, 2400.0) == pytest.approx(2.0, rel=1e-12)


def test_filler_flows_in_milliseconds():
    # B2: Washburn 1921 (from memory).
    slot = capillarity.gap_flow_length(0.82, 5.0, 1e-4, 1.3e-3, 1.0)
    assert slot == pytest.approx(0.1447, rel=1e-3)
    assert capillarity.tube_flow_length(0.82, 5.0, 1e-4, 1.3e-3, 1.0) == pytest.approx(0.1773, rel=1e-3)
    assert capillarity.gap_flow_length(0.82, 5.0, 1e-4, 1.3e-3, 4.0) == pytest.approx(2 * slot, rel=1e-12)
    time = capillarity.gap_fill_time(0.82, 5.0, 1e-4, 1.3e-3, 0.010)
    assert 1000 * time == pytest.approx(4.8, abs=0.05)
    assert capillarity.gap_flow_length(0.82, 5.0, 1e-4, 1.3e-3, time) == pytest.approx(0.010, rel=1e-12)


def test_fillet_in_a_corner():
    # B3: plane geometry (derived).
    assert capillarity.corner_fillet_area(0.3) == pytest.approx(0.019314, abs=1e-6)


# B3: plane geometry (derived). cylinder radius, fillet radius, area; mm.
CYLINDERS = [(1.0, 0.1, 0.028928), (0.8, 0.05, 0.0098991), (1.0, 1.0, 2 * (1 - np.pi / 4))]


@pytest.mark.parametrize(("cylinder", "fillet", "area"), CYLINDERS)
def test_fillet_between_cylinder_and_plate(cylinder, fillet, area):
    assert capillarity.cylinder_fillet_area(cylinder, fillet) == pytest.approx(area, abs=1e-6)
    reach = capillarity.tangent_reach(cylinder, fillet)
    assert reach == pytest.approx(2 * np.sqrt(cylinder * fillet), rel=1e-14)

    # Second implementation: width of the liquid from the cylinder out to the meniscus, summed over height.
    def width(y):
        return reach - np.sqrt(fillet**2 - (y - fillet) ** 2) - np.sqrt(cylinder**2 - (cylinder - y) ** 2)

    brute = quad(width, 0, 2 * cylinder * fillet / (cylinder + fillet))[0]
    assert capillarity.cylinder_fillet_area(cylinder, fillet) == pytest.approx(brute, rel=1e-6)


@pytest.mark.parametrize(("share", "expected"), [(0.7626, 2.5327), (1.0, 1.9314)])
def test_clad_that_a_joint_draws(share, expected):
    # B4: mass balance (common practice).
    area = 2 * capillarity.corner_fillet_area(0.3)
    drawn = capillarity.clad_length_drawn(area, 0.020, share)
    assert drawn == pytest.approx(expected, abs=1e-3)
    assert capillarity.clad_length_drawn(4 * area, 0.020, share) == pytest.approx(4 * drawn)
    assert capillarity.clad_length_drawn(area, 0.040, share / 2) == pytest.approx(drawn)


def test_the_liquid_share_of_that_example_is_4045_as_it_starts_to_melt():
    # B4 with M5: 10 wt% silicon just above the eutectic temperature.
    assert handbook.liquid_fraction(handbook.EUTECTIC_DEGC, 10.0) == pytest.approx(0.7626, abs=1e-4)
