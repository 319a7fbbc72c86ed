"""Why this module exists: some numbers cannot be what they say they are.

A braze temperature of 1110 is a Fahrenheit reading, a strain of 12 a percentage.
The hard bounds are wide physical limits; a value beyond them is refused with
its likely cause, while the merely unusual passes with a note. The campaign
definition and the result rows share this one table.
"""

from __future__ import annotations

#: Hard bounds by column, in the column's own unit (both ends included).
HARD_BOUNDS: dict[str, tuple[float, float]] = {
    "forming_temperature": (-60.0, 450.0),
    "forming_temperature_measured": (-60.0, 450.0),
    "strain": (0.0, 2.0),
    "limit_strain": (0.0, 2.0),
    "braze_temperature": (560.0, 640.0),
    "braze_temperature_measured": (560.0, 640.0),
    "braze_time": (0.0, 120.0),
    "braze_time_measured": (0.0, 120.0),
    "springback_angle": (0.0, 180.0),
    "gap": (0.0, 50.0),
    "joints_inspected": (0, 10_000),
    "joints_sound": (0, 10_000),
}

#: Clad left may exceed the nominal clad thickness by this factor (uneven cladding).
CLAD_LEFT_FACTOR = 1.5

#: Longest text of a cell, in characters.
TEXT_CHARACTERS = 500

#: First year of a date that is believed.
FIRST_YEAR = 1990


def bound_text(bounds: tuple[float, float], unit: str | None = None) -> str:
    """Say a pair of bounds in words, with its unit."""
    low, high = bounds
    text = f"{low:g} to {high:g}"
    return text if unit in (None, "1") else f"{text} {unit}"


def likely_cause(column: str, value: float) -> str | None:
    """Guess why a value fell outside its hard bounds.

    Parameters
    ----------
    column : str
        Column name without its unit.
    value : float
        The refused value, in the column's unit.

    Returns
    -------
    str or None
        One clause such as ``"12 looks like percent (12 % is 0.12)"``.
    """
    if value < 0 and "temperature" not in column:
        return f"{value:g} is negative; a sign slipped in"
    if column in ("strain", "limit_strain"):
        return f"{value:g} looks like percent ({value:g} % is {value / 100:g})"
    if "forming_temperature" in column:
        return _temperature_cause(value, -60.0, 450.0, "head the column [K] or [degF]")
    if "braze_temperature" in column:
        return _temperature_cause(value, 560.0, 640.0, "head the column [K] or [degF]")
    if "braze_time" in column:
        return f"{value:g} looks like seconds ({value:g} s is {value / 60:.4g} min)"
    if column == "gap":
        return f"{value:g} looks like micrometres ({value:g} um is {value / 1000:g} mm)"
    if column in ("film_depth", "clad_left"):
        return f"{value:g} looks like another unit (nm or a mistyped decimal point)"
    if column == "springback_angle":
        return f"{value:g} looks like the bend angle counted the other way round"
    return None


def _temperature_cause(value: float, low: float, high: float, remedy: str) -> str | None:
    """Name the temperature scale on which the value would make sense."""
    if low <= (value - 32.0) / 1.8 <= high:
        celsius = (value - 32.0) / 1.8
        return f"{value:g} looks like degF ({value:g} degF is {celsius:.4g} degC); {remedy}"
    if low <= value - 273.15 <= high:
        return f"{value:g} looks like kelvin ({value:g} K is {value - 273.15:.4g} degC); {remedy}"
    return f"{value:g} degC is not a temperature of this process"
