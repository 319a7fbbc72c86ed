"""Why this module exists: conditions that someone asks about are held to the same bounds as result rows.

A table of conditions comes from a file (CSV or XLSX, with the same freedom of separators, units and decimal commas as result
files) or from Python. It is read whole or refused whole.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

from planner.lab.cells import CellFault, is_blank, read_number, read_text
from planner.lab.definition import Definition
from planner.lab.errors import UserError
from planner.lab.problems import Problem, place, refusal
from planner.lab.rules import check_bounds
from planner.lab.specimen import COLUMN_BY_NAME
from planner.lab.tables import read_grid
from planner.lab.units import Convert, converter, split_header

#: Columns of a condition, in the order of a settings array.
CONDITION = ("temper", "forming_temperature", "strain", "braze_temperature", "braze_time")
HEADERS = tuple(COLUMN_BY_NAME[name].header for name in CONDITION)
FIX = "mend {}, and give the command again"


def read_conditions(path: str | Path, definition: Definition):
    """Read a file of conditions.

    Parameters
    ----------
    path : path
        CSV or XLSX with at least the five columns of `HEADERS`; other columns are kept as they stand.
    definition : Definition

    Returns
    -------
    pandas.DataFrame
        Its rows in their order; the four settings as numbers in the contract's units, under the contract's headers.

    Raises
    ------
    UserError
        Naming file, row and column of up to ten problems.
    """
    import pandas

    grid = read_grid(path)
    header = ["" if is_blank(cell) else str(cell).strip() for cell in grid.rows[0]]
    rows = [row for row in grid.rows[1:] if not all(is_blank(cell) for cell in row)]
    numbers = [i for i, row in enumerate(grid.rows[1:], start=2) if not all(is_blank(cell) for cell in row)]
    wide = [Problem(place(grid.name, i), None, "has more cells than the header", found=len(row), allowed=f"{len(header)} cells")
            for i, row in zip(numbers, rows, strict=True) if len(row) > len(header)]
    if wide:
        raise refusal(wide, grid.name, fix=FIX.format(grid.name))
    table = pandas.DataFrame([[*row, *[""] * (len(header) - len(row))] for row in rows], columns=header, dtype=object)
    return checked(table, definition, name=grid.name, numbers=numbers, decimal_comma=grid.decimal_comma)


def checked(table, definition: Definition, *, name: str = "the table", numbers: list[int] | None = None, decimal_comma: bool = False):
    """Return a table of conditions with its temper as text and its settings as numbers, or refuse it.

    Parameters
    ----------
    table : pandas.DataFrame
    definition : Definition
    name : str
        What messages call it.
    numbers : list of int, optional
        Row numbers for messages; default: the first row is row 2, as under a header.
    decimal_comma : bool, default False
    """
    problems: list[Problem] = []
    columns = _columns(list(map(str, table.columns)), name, problems)
    if problems:
        raise refusal(problems, name, fix=FIX.format(name))
    numbers = list(range(2, len(table) + 2)) if numbers is None else numbers
    out = table.copy()
    for wanted, (position, convert) in columns.items():
        read: list[Any] = []
        for row, raw in zip(numbers, table.iloc[:, position], strict=True):
            try:
                read.append(_cell(wanted, raw, convert, definition, decimal_comma))
            except CellFault as fault:
                problems.append(Problem(place(name, row), HEADERS[CONDITION.index(wanted)], fault.what, found=raw, allowed=fault.allowed, cause=fault.cause))
        if len(read) == len(table):
            out = out.drop(columns=out.columns[position])
            out.insert(position, HEADERS[CONDITION.index(wanted)], read)
    if problems:
        raise refusal(problems, name, fix=FIX.format(name))
    return out


def _columns(headers: list[str], name: str, problems: list[Problem]) -> dict[str, tuple[int, Convert | None]]:
    """Return position and conversion of each of the five columns."""
    found: dict[str, tuple[int, Convert | None]] = {}
    for i, header in enumerate(headers):
        try:
            column, unit = split_header(header)
            if column not in CONDITION:
                continue
            if column in found:
                raise UserError("stands there twice", allowed="each column once")
            wanted = COLUMN_BY_NAME[column].unit
            found[column] = (i, None if wanted is None else converter(unit, wanted, column=column))
        except UserError as error:
            problems.append(Problem(place(name, 1), header[:80], error.what, error.found, error.allowed, error.fix))
    if not problems:
        problems += [Problem(place(name, 1), header, "is missing", found=", ".join(headers), allowed=", ".join(HEADERS))
                     for header, column in zip(HEADERS, CONDITION, strict=True) if column not in found]
    return found


def _cell(column: str, raw: object, convert: Convert | None, definition: Definition, decimal_comma: bool) -> str | float:
    """Read one cell."""
    tempers = definition.factors.tempers
    if is_blank(raw):
        raise CellFault("is blank", allowed=", ".join(tempers) if column == "temper" else "a number")
    if column == "temper":
        temper = read_text(raw, label=True)
        if temper not in tempers:
            raise CellFault("is no temper of [factors]", allowed=", ".join(tempers))
        return temper
    value = read_number(raw, convert, decimal_comma=decimal_comma)
    check_bounds(COLUMN_BY_NAME[column], value, definition)
    return value
