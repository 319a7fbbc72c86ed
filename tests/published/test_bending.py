"""Springback and bending against published examples and a brute section integral (check rows S1 to S4)."""

import numpy as np
import pytest
from scipy.integrate import quad

from models import mechanics

# S1: Gardiner, Trans. ASME 79 (1957) 1-9 (published, partly from memory). radius, thickness, yield, modulus, K.
GARDINER = [
    (50.0, 2.0, 300.0, 210e3, 0.893039),
    (0.8, 0.2, 145.0, 68_900.0, 0.974748),
    (1.2, 0.2, 145.0, 68_900.0, 0.962127),
    (0.5, 0.0359, 40_000.0, 29e6, 0.9424),  # in, psi: Kalpakjian & Schmid, worked example
]


@pytest.mark.parametrize(("radius", "thickness", "yield_stress", "modulus", "expected"), GARDINER)
def test_gardiner_ratio(radius, thickness, yield_stress, modulus, expected):
    ratio = mechanics.gardiner_ratio(radius, thickness, yield_stress, modulus)
    assert ratio == pytest.approx(expected, abs=1e-4 if expected == 0.9424 else 1e-6)


def test_gardiner_examples_in_radii_and_angles():
    ratio = [mechanics.gardiner_ratio(*row[:4]) for row in GARDINER]
    assert 50.0 / ratio[0] == pytest.approx(55.989, abs=1e-3)
    assert mechanics.springback_angle(ratio[1], 90) == pytest.approx(2.273, abs=1e-3)
    assert mechanics.springback_angle(ratio[2], 90) == pytest.approx(3.409, abs=1e-3)
    assert 0.5 / ratio[3] == pytest.approx(0.5306, abs=1e-4)
    assert mechanics.overbend_angle(ratio[3], 90) == pytest.approx(95.50, abs=0.01)


def _section_moment(radius, thickness, stress, kink):
    """Brute integral of stress times height over a section of unit width."""
    return 2 * quad(lambda y: stress(y / radius) * y, 0, thickness / 2, points=[kink] if kink else None)[0]


def test_the_cubic_is_elastic_plastic_unloading():
    # S2: Marciniak, Duncan & Hu, ch. 6 (from memory).
    radius, thickness, yield_stress, modulus = GARDINER[0][:4]
    moment = mechanics.moment_perfectly_plastic(radius, thickness, yield_stress, modulus)
    assert moment == pytest.approx(299.4898, abs=1e-4)
    brute = _section_moment(
        radius, thickness, lambda strain: min(modulus * strain, yield_stress), radius * yield_stress / modulus
    )
    assert moment == pytest.approx(brute, rel=1e-9)
    left = 1 - mechanics.curvature_loss(moment, thickness, modulus) * radius
    assert left == pytest.approx(mechanics.gardiner_ratio(*GARDINER[0][:4]), abs=1e-9)
    assert mechanics.unloaded_radius(radius, moment, thickness, modulus) == pytest.approx(55.989, abs=1e-3)


@pytest.mark.parametrize("radius", [700.0, 1000.0, 5000.0])
def test_an_elastic_bend_springs_back_flat(radius):
    # S2: X >= 1/2 (from memory).
    moment = mechanics.moment_perfectly_plastic(radius, 2.0, 300.0, 210e3)
    assert moment == pytest.approx(210e3 * 8 / (12 * radius))
    assert mechanics.gardiner_ratio(radius, 2.0, 300.0, 210e3) == 0.0
    assert np.isinf(mechanics.unloaded_radius(radius, moment, 2.0, 210e3))


def test_plane_strain_springs_back_a_little_more():
    # S2, case (b) in plane strain (from memory).
    yield_stress, modulus = mechanics.plane_strain(145.0, 68_900.0, 0.33)
    assert mechanics.gardiner_ratio(0.8, 0.2, yield_stress, modulus) == pytest.approx(0.974017, abs=1e-6)


def test_power_law_moment_and_unloaded_radius():
    # S2: 190 strain^0.2 (from memory).
    moment = mechanics.moment_power_law(0.8, 0.2, 190.0, 0.2)
    assert moment == pytest.approx(1.139575, abs=1e-6)
    assert moment == pytest.approx(_section_moment(0.8, 0.2, lambda strain: 190 * strain**0.2, None), rel=1e-8)
    assert mechanics.unloaded_radius(0.8, moment, 0.2, 68_900.0) == pytest.approx(0.816199, abs=1e-6)


def test_worked_example_with_linear_hardening():
    # S3: Ghosh & Mallik, Manufacturing Science, sample problem 3.9, p. 135 (published; title from memory).
    thickness, modulus, hardening, yield_stress = 5.0, 207e3, 517.0, 345.0
    radius = mechanics.smallest_punch_radius(thickness, 0.2)
    assert radius == pytest.approx(10.156, abs=1e-3)
    moment = mechanics.moment_linear_hardening(radius, thickness, yield_stress, hardening)
    assert moment == pytest.approx(2583.99, abs=0.01)
    loss = mechanics.curvature_loss(moment, thickness, modulus)
    # The example defines the punch angle by the curvature lost at the neutral surface, 0.45 t from the inside.
    assert 90 / (1 + loss * (radius + 0.45 * thickness)) == pytest.approx(88.6816, abs=1e-3)
    legs = 2 * (50 - (radius + thickness))
    assert mechanics.bend_allowance(90, radius, thickness, 0.45) + legs == pytest.approx(89.1755, abs=1e-3)


def test_smallest_punch_radius_is_zero_for_a_very_ductile_sheet():
    assert mechanics.smallest_punch_radius(0.2, 0.9) == 0.0


# S4: Kalpakjian & Schmid (from memory).
OUTER_FIBRE = [(0.5, 0.500), (1, 0.3333), (2, 0.200), (4, 0.1111), (6, 0.0769), (10, 0.0476)]


@pytest.mark.parametrize(("radius_over_thickness", "expected"), OUTER_FIBRE)
def test_outer_fibre_strain(radius_over_thickness, expected):
    assert mechanics.outer_fibre_strain(radius_over_thickness) == pytest.approx(expected, abs=1e-4)


@pytest.mark.parametrize(("neutral_share", "expected"), [(0.33, 1.3603), (0.5, 1.4137)])
def test_bend_allowance(neutral_share, expected):
    assert mechanics.bend_allowance(90, 0.8, 0.2, neutral_share) == pytest.approx(expected, abs=1e-4)
