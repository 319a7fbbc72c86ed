"""Necking criteria and strain measures against textbook values (check rows F1, F2, F4, F5)."""

import numpy as np
import pytest

from models import necking


def test_considere_for_a_power_law():
    # F1: Considere 1885; Dieter (from memory).
    point = necking.considere_power_law(180.0, 0.22)
    assert point.strain == pytest.approx(0.22, abs=1e-12)
    assert point.uniform_elongation == pytest.approx(0.24608, abs=1e-5)
    assert point.stress == pytest.approx(129.005, abs=1e-3)
    assert point.tensile_strength == pytest.approx(103.529, abs=1e-3)


def test_considere_for_voce():
    # F1: Considere 1885 (from memory).
    point = necking.considere_voce(120.0, 80.0, 0.12)
    assert point.strain == pytest.approx(0.219375, abs=1e-6)
    assert point.stress == pytest.approx(107.1429, abs=1e-4)
    assert point.tensile_strength == pytest.approx(86.0379, abs=1e-4)
    assert necking.considere_voce(120.0, 5.0, 0.5).strain == 0.0  # starts past the criterion


@pytest.mark.parametrize(
    ("point", "curve"),
    [
        (necking.considere_power_law(180.0, 0.22), lambda e: 180 * e**0.22),
        (necking.considere_voce(120.0, 80.0, 0.12), lambda e: 120 - 80 * np.exp(-e / 0.12)),
    ],
)
def test_necking_starts_where_the_load_is_greatest(point, curve):
    # Second implementation: the largest engineering stress on a fine grid.
    strain = np.linspace(0.01, 0.6, 200_001)
    load = curve(strain) * np.exp(-strain)
    assert point.tensile_strength == pytest.approx(load.max(), rel=1e-9)
    assert point.strain == pytest.approx(strain[load.argmax()], abs=1e-5)


@pytest.mark.parametrize(("rate", "expected"), [(0.0, 0.2000), (0.02, 0.2041), (0.05, 0.2105), (0.10, 0.2222)])
def test_rate_sensitivity_delays_necking(rate, expected):
    # F2: Hart, Acta Metall. 15 (1967) 351 (from memory).
    assert necking.hart_strain(0.20, rate) == pytest.approx(expected, abs=1e-4)


# F4: Keeler & Brazier 1977; Goodwin, SAE 680093 (published). A mild-steel correlation: arithmetic only.
STEEL_INTERCEPT = [(1.0, 0.21, 37.43, 0.31794), (0.2, 0.21, 26.126, 0.23211), (0.2, 0.20, 24.882, 0.22220)]


@pytest.mark.parametrize(("thickness", "exponent", "engineering", "true"), STEEL_INTERCEPT)
def test_steel_intercept_arithmetic(thickness, exponent, engineering, true):
    percent = necking.keeler_goodwin_intercept(thickness, exponent)
    assert percent == pytest.approx(engineering, abs=1e-3)
    assert necking.true_strain(percent / 100) == pytest.approx(true, abs=1e-5)


def test_steel_intercept_in_inches():
    # The often-quoted inch forms, 23.3 + 359 t and 23.3 + 360 t, at 1 mm.
    ours = necking.keeler_goodwin_intercept(1.0, 0.21)
    assert 23.3 + 359 / 25.4 == pytest.approx(ours, abs=0.01)
    assert 23.3 + 360 / 25.4 == pytest.approx(37.47, abs=0.01)


def test_engineering_and_true_measures():
    # F5: any text (from memory).
    assert necking.true_strain(0.20) == pytest.approx(0.182322, abs=1e-6)
    assert necking.engineering_strain(0.20) == pytest.approx(0.221403, abs=1e-6)
    assert necking.true_stress(250.0, 0.10) == pytest.approx(275.0, abs=1e-6)
    assert necking.true_strain(necking.engineering_strain(0.37)) == pytest.approx(0.37, rel=1e-14)
