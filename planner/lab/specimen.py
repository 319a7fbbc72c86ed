"""Why this module exists: one specimen, one record, and one list of columns.

`Specimen` is what the rest of the house sees of a result row: plain values in
the contract's units. `COLUMNS` is the single table that ties a column of a file
to an attribute of that record, its unit and its kind; intake, ledger, template
and plan files all read it, so that adding a column is adding a line.
The ledger keeps *cells*: the canonical text of every filled cell by column name.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

TYPES = ("tensile_coupon", "bend_coupon", "braze_coupon", "component")
BRAZED_TYPES = ("braze_coupon", "component")


@dataclass(frozen=True, slots=True)
class Measured:
    """One measured value, perhaps censored."""

    value: float  #: in the unit of its column
    censor: int = 0  #: 0 exact, +1 right (">x": at least), -1 left ("<x": below the gauge)


@dataclass(frozen=True, slots=True)
class Specimen:
    """One specimen: conditions as set, and what was measured (None: not measured)."""

    specimen: str
    specimen_type: str
    temper: str
    lot: str
    forming_temperature_degC: float | None = None
    strain: float | None = None
    braze_temperature_degC: float | None = None
    braze_time_min: float | None = None
    furnace_load: str | None = None
    date: str | None = None  #: ISO, e.g. 2026-03-02
    limit_strain: Measured | None = None
    springback_angle_deg: Measured | None = None
    section_feature: str | None = None
    recrystallised: bool | None = None  #: `partly` counts as False
    film_depth_um: Measured | None = None
    clad_left_um: Measured | None = None
    cracked: bool | None = None
    gap_mm: Measured | None = None
    joints_inspected: int | None = None
    joints_sound: int | None = None
    leaked: bool | None = None
    note: str = ""
    forming_temperature_measured_degC: float | None = None
    braze_temperature_measured_degC: float | None = None
    braze_time_measured_min: float | None = None
    extra: tuple[tuple[str, str], ...] = ()  #: `x_` columns as (name, text)


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a result file."""

    name: str  #: as headers spell it, without the unit
    attribute: str  #: attribute of `Specimen`
    kind: str  #: label | text | number | measured | flag | count | date
    unit: str | None = None  #: the contract's unit; None where there is none

    @property
    def header(self) -> str:
        """The header cell of this column."""
        return self.name if self.unit is None else f"{self.name} [{self.unit}]"


COLUMNS = (
    Column("specimen", "specimen", "label"),
    Column("specimen_type", "specimen_type", "label"),
    Column("temper", "temper", "label"),
    Column("lot", "lot", "label"),
    Column("forming_temperature", "forming_temperature_degC", "number", "degC"),
    Column("strain", "strain", "number", "1"),
    Column("braze_temperature", "braze_temperature_degC", "number", "degC"),
    Column("braze_time", "braze_time_min", "number", "min"),
    Column("furnace_load", "furnace_load", "label"),
    Column("date", "date", "date"),
    Column("limit_strain", "limit_strain", "measured", "1"),
    Column("springback_angle", "springback_angle_deg", "measured", "deg"),
    Column("section_feature", "section_feature", "label"),
    Column("recrystallised", "recrystallised", "flag"),
    Column("film_depth", "film_depth_um", "measured", "um"),
    Column("clad_left", "clad_left_um", "measured", "um"),
    Column("cracked", "cracked", "flag"),
    Column("gap", "gap_mm", "measured", "mm"),
    Column("joints_inspected", "joints_inspected", "count"),
    Column("joints_sound", "joints_sound", "count"),
    Column("leaked", "leaked", "flag"),
    Column("note", "note", "text"),
)
OPTIONAL_COLUMNS = (
    Column("forming_temperature_measured", "forming_temperature_measured_degC", "number", "degC"),
    Column("braze_temperature_measured", "braze_temperature_measured_degC", "number", "degC"),
    Column("braze_time_measured", "braze_time_measured_min", "number", "min"),
)
#: Every modelled or kept column by its name.
COLUMN_BY_NAME = {column.name: column for column in COLUMNS + OPTIONAL_COLUMNS}
#: Columns of a plan file that are no results: ignored on reading.
PLAN_COLUMNS = ("sequence", "purpose", "reason", "expected_gain")
#: What can be measured, by column name (the words of `gives`).
MEASUREMENTS = (
    "limit_strain", "springback_angle", "recrystallised", "film_depth", "clad_left",
    "cracked", "gap", "joints_inspected", "joints_sound", "leaked",
)  # fmt: skip
#: Columns that only a specimen that went through the furnace can fill.
BRAZE_CONDITIONS = (
    "braze_temperature", "braze_time", "furnace_load",
    "braze_temperature_measured", "braze_time_measured",
)  # fmt: skip
#: Outcomes that come after the braze.
BRAZE_OUTCOMES = (
    "recrystallised", "film_depth", "clad_left", "joints_inspected", "joints_sound", "leaked",
)  # fmt: skip

_TRUE_CELL, _FALSE_CELL = "yes", "no"


def has_measurement(specimen: Specimen) -> bool:
    """Tell whether anything at all was measured on the specimen."""
    return any(
        getattr(specimen, COLUMN_BY_NAME[name].attribute) is not None for name in MEASUREMENTS
    )


def went_through_furnace(specimen: Specimen) -> bool:
    """Tell whether the row speaks of a braze that took place or is planned.

    A specimen that cracked while being formed keeps its braze cells but was not brazed.
    """
    return (
        specimen.specimen_type in BRAZED_TYPES
        and specimen.cracked is not True
        and specimen.braze_temperature_degC is not None
    )


def number_text(value: float) -> str:
    """Return the canonical text of a number: shortest form that reads back the same."""
    text = repr(float(value))
    return text[:-2] if text.endswith(".0") else text


def cells_of(specimen: Specimen) -> dict[str, str]:
    """Return the canonical text of every filled cell, by column name.

    Parameters
    ----------
    specimen : Specimen
        Any specimen, measured or planned.

    Returns
    -------
    dict of str to str
        Blank cells are absent; `x_` columns come last under their own names.
    """
    cells = {}
    for name, column in COLUMN_BY_NAME.items():
        value = getattr(specimen, column.attribute)
        if value is None or value == "":
            continue
        cells[name] = cell_text(value)
    cells.update(specimen.extra)
    return cells


def specimen_of(cells: Mapping[str, str]) -> Specimen:
    """Build the specimen that canonical cells speak of (inverse of `cells_of`).

    Parameters
    ----------
    cells : mapping of str to str
        Canonical cells by column name, as the ledger keeps them.

    Returns
    -------
    Specimen
    """
    values: dict[str, object] = {}
    extra = []
    for name, text in cells.items():
        column = COLUMN_BY_NAME.get(name)
        if column is None:
            extra.append((name, text))
        else:
            values[column.attribute] = _cell_value(column.kind, text)
    return Specimen(**values, extra=tuple(sorted(extra)))  # type: ignore[arg-type]


def cell_text(value: object) -> str:
    """Return the canonical text of one value (a filled cell)."""
    if isinstance(value, Measured):
        return {0: "", 1: ">", -1: "<"}[value.censor] + number_text(value.value)
    if isinstance(value, bool):
        return _TRUE_CELL if value else _FALSE_CELL
    if isinstance(value, int):
        return str(value)
    if isinstance(value, float):
        return number_text(value)
    return str(value)


def _cell_value(kind: str, text: str) -> object:
    """Value of one canonical text."""
    if kind == "number":
        return float(text)
    if kind == "measured":
        censor = {">": 1, "<": -1}.get(text[0], 0)
        return Measured(float(text[1:] if censor else text), censor)
    if kind == "flag":
        return text == _TRUE_CELL
    if kind == "count":
        return int(text)
    return text
