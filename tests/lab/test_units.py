"""Units of headers against closed forms and definitions of the units."""

from __future__ import annotations

import math

import pytest

from planner.lab.errors import UserError
from planner.lab.intake import read_results
from planner.lab.units import converter, elongation_converter, split_header

# (unit, the contract's unit, value, expected): definitions of the units (SI brochure;
# inch = 25.4 mm exactly; mil = thou = inch/1000; degF = 1.8 degC + 32).
CONVERSIONS = [
    ("degF", "degC", 302.0, 150.0),
    ("degF", "degC", 1112.0, 600.0),
    ("K", "degC", 873.15, 600.0),
    ("s", "min", 180.0, 3.0),
    ("h", "min", 0.05, 3.0),
    ("mil", "mm", 4.0, 0.1016),
    ("mil", "um", 2.0, 50.8),
    ("in", "mm", 0.01, 0.254),
    ("mm", "um", 0.048, 48.0),
    ("um", "mm", 150.0, 0.15),
    ("rad", "deg", math.pi / 2, 90.0),
    ("%", "1", 12.0, 0.12),
]


@pytest.mark.parametrize(("unit", "canonical", "value", "expected"), CONVERSIONS)
def test_conversions(unit, canonical, value, expected):
    assert converter(unit, canonical, column="x")(value) == pytest.approx(expected, rel=1e-11)


@pytest.mark.parametrize(
    ("unit", "canonical"),
    [("degC", "degC"), ("°C", "degC"), ("1", "1"), (None, "1"), ("µm", "um"), ("min", "min")],
)
def test_the_contracts_own_unit_needs_no_conversion(unit, canonical):
    assert converter(unit, canonical, column="x") is None


@pytest.mark.parametrize(
    ("unit", "canonical"),
    [(None, "mm"), ("mm", "degC"), ("mil", "deg"), ("furlongg", "mm"), ("10**9**9", "mm"), ("s", "1")],
)
def test_unfit_units_are_refused(unit, canonical):
    with pytest.raises(UserError):
        converter(unit, canonical, column="x")


@pytest.mark.parametrize("percent", [0.5, 12.0, 25.0])
def test_uniform_elongation_becomes_true_strain(percent):
    # ln(1 + e): check F5, e 0.20 -> 0.182322
    assert elongation_converter("%")(percent) == pytest.approx(math.log(1 + percent / 100), rel=1e-11)
    assert elongation_converter("%")(20.0) == pytest.approx(0.182322, abs=1e-6)


def test_header_splits_into_name_and_unit():
    assert split_header(" Film_Depth [ um ] ") == ("film_depth", "um")
    assert split_header("note") == ("note", None)


def test_foreign_units_and_censoring_through_a_file(write, definition):
    row = {
        "specimen": "T-9", "specimen_type": "tensile_coupon", "temper": "O", "lot": "K1",
        "date": "2026-03-03", "forming_temperature [degF]": "392", "uniform_elongation [%]": ">25",
    }  # fmt: skip
    bend = {
        "specimen": "C-9", "specimen_type": "component", "temper": "O", "lot": "K1",
        "date": "2026-03-03", "forming_temperature [degF]": "68", "strain [1]": "0.1",
        "gap [mil]": "<0.5",
    }  # fmt: skip
    headers = list(dict.fromkeys([*row, *bend]))
    parsed = read_results(write("a.csv", [row, bend], headers=headers), definition)
    tensile, component = (specimen for _, specimen, _ in parsed.specimens)
    assert tensile.forming_temperature_degC == pytest.approx(200.0)
    assert tensile.limit_strain.censor == 1
    assert tensile.limit_strain.value == pytest.approx(math.log(1.25))
    assert (component.gap_mm.value, component.gap_mm.censor) == (pytest.approx(0.0127), -1)


def test_elongation_to_fracture_is_refused_saying_why(write, definition):
    path = write("a.csv", [{"specimen": "a", "elongation [%]": "12"}])
    with pytest.raises(UserError, match="includes the neck"):
        read_results(path, definition)
