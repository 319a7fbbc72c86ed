"""Why this module exists: labs write degF, mil and percent; the ledger keeps one unit a column.

Units stand in the header as `name [unit]`. A column already in the contract's unit
costs nothing; for any other, pint is imported then and there. Only single unit
words are accepted, never expressions, so that a header cannot make pint compute.
"""

from __future__ import annotations

import functools
import math
import re
from collections.abc import Callable
from typing import Any

from planner.lab.errors import UserError

Convert = Callable[[float], float]

_HEADER = re.compile(r"(?P<name>[^\[\]]*?)\s*(?:\[\s*(?P<unit>[^\[\]]*?)\s*\])?", re.DOTALL)
_WORD = re.compile(r"[A-Za-zµμ°Å%]{1,24}")

#: Spellings that are the contract's own unit: no conversion, no pint.
_SAME = {
    "degC": {"degC", "°C", "C", "celsius", "Celsius"},
    "1": {"1", "-", "mm/mm", "m/m"},
    "min": {"min", "minute", "minutes"},
    "um": {"um", "µm", "μm", "micrometre", "micrometer", "micron", "microns"},
    "mm": {"mm", "millimetre", "millimeter"},
    "deg": {"deg", "°", "degree", "degrees"},
}
#: Words that pint reads otherwise than a sheet-metal lab: mil is a length here.
_AS_MEANT = {
    "mil": "thou", "mils": "thou", "in": "inch", "%": "percent", "°F": "degF", "F": "degF",
    "°K": "kelvin", "K": "kelvin", "C": "degC", "µm": "um", "μm": "um",
}  # fmt: skip

#: Significant digits kept after a conversion, so that 302 degF is 150 degC to the digit.
DIGITS = 12


def split_header(header: str) -> tuple[str, str | None]:
    """Split a header cell into its column name and unit.

    Parameters
    ----------
    header : str
        Such as ``"gap [mm]"`` or ``"note"``.

    Returns
    -------
    name : str
        Lower case, stripped.
    unit : str or None
        None where no brackets stand.

    Raises
    ------
    UserError
        When brackets do not match.

    Examples
    --------
    >>> split_header("Gap [mm]")
    ('gap', 'mm')
    """
    match = _HEADER.fullmatch(header.strip())
    if match is None:
        raise UserError("is no header of the form `name [unit]`", found=header)
    return match["name"].strip().lower(), match["unit"]


def converter(unit: str | None, canonical: str, *, column: str) -> Convert | None:
    """Find how values in a header's unit become the contract's unit.

    Parameters
    ----------
    unit : str or None
        Unit in the header; None where there is none.
    canonical : str
        The contract's unit of that column.
    column : str
        Column name, for messages.

    Returns
    -------
    callable or None
        None where the values are already in the contract's unit.

    Raises
    ------
    UserError
        When the unit is missing, unknown or of another kind.
    """
    if unit is None or unit == "":
        if canonical == "1":
            return None
        raise UserError(
            f"column {column} has no unit in its header", allowed=f"{column} [{canonical}]",
            fix=f"head the column `{column} [{canonical}]` if that is its unit",
        )  # fmt: skip
    if unit in _SAME[canonical]:
        return None
    if not _WORD.fullmatch(unit):
        raise _refused(unit, canonical, column)
    registry, errors = _pint()
    source = _AS_MEANT.get(unit, unit)
    target = "dimensionless" if canonical == "1" else canonical
    try:
        low = registry.Quantity(1.0, source).to(target).magnitude
    except errors:
        raise _refused(unit, canonical, column) from None
    if not math.isfinite(low):
        raise _refused(unit, canonical, column)
    return lambda value: _rounded(registry.Quantity(value, source).to(target).magnitude)


def elongation_converter(unit: str | None) -> Convert:
    """Convert uniform engineering elongation to true strain, ln(1 + e).

    Parameters
    ----------
    unit : str or None
        ``"%"`` or ``"1"``.

    Returns
    -------
    callable
        Maps an elongation in that unit to true strain; not a number at or below
        minus one.

    References
    ----------
    Any text on the tensile test: true strain is the logarithm of one plus
    engineering strain, valid up to the onset of necking.
    """
    if unit not in ("%", "percent", *_SAME["1"]):
        raise UserError(
            "column uniform_elongation needs its unit in the header", found=unit,
            allowed="uniform_elongation [%] or uniform_elongation [1]",
        )  # fmt: skip
    scale = 100.0 if unit in ("%", "percent") else 1.0

    def convert(value: float) -> float:
        share = value / scale
        return _rounded(math.log1p(share)) if share > -1.0 else math.nan

    return convert


def refuse_elongation(name: str) -> UserError | None:
    """Return why a column of total elongation cannot stand for limit strain, or None."""
    if "elongation" not in name or name == "uniform_elongation" or name.startswith("x_"):
        return None
    return UserError(
        f"column {name} is refused: elongation at fracture includes the neck, so it is no "
        "limit strain",
        allowed="limit_strain [1] (true strain at necking) or uniform_elongation [%]",
        fix="give the uniform elongation, or keep the column as x_" + name,
    )


def _rounded(value: float) -> float:
    """Drop the rounding noise of a conversion."""
    return float(f"{value:.{DIGITS}g}")


def _refused(unit: str, canonical: str, column: str) -> UserError:
    """Say that a unit does not fit its column."""
    target = "a pure number, [1] or [%]" if canonical == "1" else f"a unit that converts to {canonical}"
    return UserError(f"column {column} has a unit that does not fit", found=unit, allowed=target)


@functools.cache
def _pint() -> tuple[Any, tuple[type[Exception], ...]]:
    """Import pint on first need; return its registry and what a bad unit raises."""
    import pint  # noqa: PLC0415  (half a second that most files need not pay)

    registry: Any = pint.UnitRegistry(cache_folder=None)
    bad = (pint.PintError, AttributeError, ValueError, TypeError, AssertionError, ArithmeticError)
    return registry, bad
