"""Why this module exists: columns come in any order, in foreign units, with strangers among them.

Turns the header row of a grid into one `Field` a column: which column of the
contract it is, how its values convert, or that it is ignored. Strangers are
refused by name.
"""

from __future__ import annotations

from dataclasses import dataclass

from planner.lab.campaign_rules import closest
from planner.lab.cells import is_blank
from planner.lab.errors import UserError
from planner.lab.problems import Problem, place, refusal
from planner.lab.specimen import COLUMN_BY_NAME, PLAN_COLUMNS, Column
from planner.lab.tables import Grid
from planner.lab.units import Convert, converter, elongation_converter, refuse_elongation, split_header

#: Longest header cell, in characters.
MAX_HEADER = 120


@dataclass(frozen=True)
class Field:
    """One column of a file."""

    header: str  #: as written
    name: str  #: column name; empty where the header cell is blank
    column: Column | None = None  #: None for `x_` and ignored columns
    convert: Convert | None = None  #: None where values are in the contract's unit
    ignored: bool = False  #: a plan's own column
    warnings: tuple[str, ...] = ()


def read_header(grid: Grid) -> list[Field]:
    """Read the header row of a result file.

    Parameters
    ----------
    grid : Grid

    Returns
    -------
    list of Field
        One a column, in the file's order.

    Raises
    ------
    UserError
        Naming every unknown, doubled or unit-less column.
    """
    fields: list[Field] = []
    problems: list[Problem] = []
    seen: dict[str, str] = {}
    for raw in grid.rows[0]:
        header = "" if is_blank(raw) else str(raw).strip()
        try:
            field = _field(header)
        except UserError as error:
            problems.append(
                Problem(place(grid.name, 1), header[:MAX_HEADER], error.what, error.found,
                        error.allowed, error.fix)
            )  # fmt: skip
            continue
        if field.name and field.name in seen:
            problems.append(
                Problem(place(grid.name, 1), header, f"repeats the column {seen[field.name]}",
                        allowed="each column once")
            )  # fmt: skip
        seen.setdefault(field.name, header)
        fields.append(field)
    if not problems and "specimen" not in seen:
        problems.append(
            Problem(place(grid.name, 1), "specimen", "is missing",
                    allowed="the column names of results/TEMPLATE.csv")
        )  # fmt: skip
    if problems:
        raise refusal(problems, grid.name)
    return fields


def _field(header: str) -> Field:
    """Read one header cell."""
    if len(header) > MAX_HEADER or not header.isprintable():
        raise UserError("is too long or holds control characters", allowed=f"{MAX_HEADER} characters")
    if not header:
        return Field(header, "")
    name, unit = split_header(header)
    if name.startswith("x_"):
        return Field(header, header if unit else name)
    if name in PLAN_COLUMNS:
        return Field(header, name, ignored=True)
    if name == "uniform_elongation":
        return Field(header, "limit_strain", COLUMN_BY_NAME["limit_strain"], elongation_converter(unit))
    refused = refuse_elongation(name)
    if refused:
        raise refused
    column = COLUMN_BY_NAME.get(name)
    if column is None:
        near = closest(name, list(COLUMN_BY_NAME))
        raise UserError(
            "is no known column",
            allowed="the columns of results/TEMPLATE.csv; begin a column of your own with x_",
            fix=f"did you mean {COLUMN_BY_NAME[near].header}?" if near else None,
        )
    if column.unit is None:
        if unit:
            raise UserError("takes no unit", found=unit, allowed=column.name)
        return Field(header, name, column)
    convert = converter(unit, column.unit, column=name)
    percent = unit in ("%", "percent")
    note = (f"{name} in percent was read as true strain; engineering elongation to necking is "
            "uniform_elongation [%]",) if percent else ()  # fmt: skip
    return Field(header, name, column, convert, warnings=note)
