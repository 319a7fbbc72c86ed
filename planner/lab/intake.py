"""Why this module exists: result files arrive as the lab wrote them, and leave as specimens.

`read_results` reads one file whole or refuses it whole. It never writes, and knows
the ledger only through the cells that a file's absent columns inherit.
"""

from __future__ import annotations

import datetime
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path

from planner.lab.cells import (
    CellFault,
    is_blank,
    read_count,
    read_date,
    read_flag,
    read_measured,
    read_number,
    read_text,
)
from planner.lab.definition import Definition
from planner.lab.errors import printable, show
from planner.lab.headers import Field, read_header
from planner.lab.problems import Problem, place, refusal
from planner.lab.rules import check_bounds, group_faults, row_faults, row_notes
from planner.lab.specimen import Specimen, number_text, specimen_of
from planner.lab.tables import Grid, read_grid

Cells = dict[str, str]

#: Faults after which reading a file stops; far more than a message lists.
MAX_FAULTS = 200
#: Most pairs of cells that a message offers as one decimal number.
MAX_PAIRS = 3
#: Rows that a note names one by one.
MAX_ROWS_NAMED = 20


@dataclass(frozen=True)
class ParsedFile:
    """One result file, read and found good."""

    path: Path
    digest: str  #: SHA-256 of its bytes
    specimens: list[tuple[int, Specimen, Cells]]  #: (row, specimen, canonical cells)
    warnings: list[str] = field(default_factory=list)
    columns: frozenset[str] = frozenset()  #: columns the file speaks of

    @property
    def name(self) -> str:
        """The file's name, as messages show it."""
        return printable(self.path.name)


@dataclass
class _Draft:
    """Cells of one specimen while a file is being read."""

    row: int
    cells: Cells
    rows: dict[str, int]


def read_results(
    path: str | Path,
    definition: Definition,
    *,
    folder: str | Path | None = None,
    known: Mapping[str, Mapping[str, str]] | None = None,
    today: datetime.date | None = None,
) -> ParsedFile:
    """Read one result file.

    Parameters
    ----------
    path : path
        CSV or XLSX.
    definition : Definition
        The campaign that the rows belong to.
    folder : path, optional
        The file must lie in it once links are followed.
    known : mapping of specimen to cells, optional
        What the ledger holds. A column that the file does not have is taken from
        there, so that a file of late sections need not repeat the conditions.
    today : date, optional
        Default: the machine's date.

    Returns
    -------
    ParsedFile
        One entry a specimen; two rows of one specimen that agree are one.

    Raises
    ------
    UserError
        One error for the whole file; it lists up to ten problems.
    """
    path = Path(path)
    grid = read_grid(path, folder=folder)
    fields = read_header(grid)
    problems: list[Problem] = []
    drafts = _read_rows(grid, fields, definition, problems, today)
    short = _short_rows(grid, fields, problems)
    columns = frozenset(one.name for one in fields if not one.ignored)
    specimens, notes = _judged(drafts, grid.name, columns, definition, known or {}, problems)
    rows = [(place(grid.name, row), specimen) for row, specimen, _ in specimens]
    problems += [Problem.at(where, fault) for where, fault in group_faults(rows)]
    if problems:
        raise refusal(problems, grid.name)
    warnings = list(grid.warnings) + [_note(grid.name, note, at) for note, at in notes.items()]
    warnings += [f"{grid.name}: {w}" for one in fields for w in one.warnings]
    if short:
        warnings.append(_note(grid.name, "has fewer cells than the header; those missing at its end count as blank", short))
    if not drafts:
        warnings.append(f"{grid.name}: has a header only; recorded as empty")
    return ParsedFile(path, grid.digest, specimens, warnings, columns)


def _judged(
    drafts: dict[str, _Draft],
    name: str,
    columns: frozenset[str],
    definition: Definition,
    known: Mapping[str, Mapping[str, str]],
    problems: list[Problem],
) -> tuple[list[tuple[int, Specimen, Cells]], dict[str, list[int]]]:
    """Hold every specimen to the rules of a row; return the good ones and the notes."""
    specimens: list[tuple[int, Specimen, Cells]] = []
    notes: dict[str, list[int]] = {}
    for label, draft in drafts.items():
        if len(problems) > MAX_FAULTS:
            break
        inherited = {k: text for k, text in known.get(label, {}).items() if k not in columns}
        cells = {**inherited, **draft.cells}
        if _lacks_label(cells, draft.row, name, columns, problems):
            continue
        specimen = specimen_of(cells)
        found = list(row_faults(specimen, definition))
        for fault in found:
            row = draft.rows.get(fault.column, draft.row)
            problems.append(Problem.of(fault, name, row))
        if not found:
            specimens.append((draft.row, specimen, cells))
            for note in row_notes(specimen, definition):
                notes.setdefault(note, []).append(draft.row)
    return specimens, notes


def _read_rows(
    grid: Grid,
    fields: list[Field],
    definition: Definition,
    problems: list[Problem],
    today: datetime.date | None,
) -> dict[str, _Draft]:
    """Read every row's cells and join rows of one specimen."""
    drafts: dict[str, _Draft] = {}
    for i, raw_row in enumerate(grid.rows[1:], start=2):
        if all(is_blank(raw) for raw in raw_row):
            continue
        if len(problems) > MAX_FAULTS:
            break
        before = len(problems)
        problems += _too_wide(grid, raw_row, len(fields), i)
        cells: Cells = {}
        for one, raw in zip(fields, raw_row, strict=False):
            if is_blank(raw):
                continue
            try:
                if one.name == "":
                    raise CellFault("stands in a column without a name", allowed="a named column")
                if not one.ignored:
                    cells[one.name] = _canonical(one, raw, grid, definition, today)
            except CellFault as fault:
                problems.append(
                    Problem(
                        place(grid.name, i), one.header, fault.what, found=raw,
                        allowed=fault.allowed, cause=fault.cause,
                    )
                )  # fmt: skip
        cells = {name: text for name, text in cells.items() if text != ""}
        if len(problems) == before:
            _join(drafts, i, cells, grid.name, problems)
    return drafts


def _too_wide(grid: Grid, raw_row: list[object], width: int, row: int) -> list[Problem]:
    """Refuse a row with more cells than the header.

    In a workbook only a filled cell beyond the header is at fault. In a CSV file blank ones are
    too: a comma too many anywhere in the row moves the cells behind it one column on, and where
    the last columns are blank nothing else shows it.
    """
    beyond = raw_row[width:]
    filled = next((extra for extra in beyond if not is_blank(extra)), None)
    if not beyond or (filled is None and not grid.separator):
        return []
    where = place(grid.name, row)
    if not grid.separator:
        return [Problem(where, None, "has a cell beyond the header", found=filled)]
    pairs = _split_decimals(raw_row) if grid.separator == "," else []
    cause = f"a '{grid.separator}' too many, or one in a text without quotes"
    if pairs:
        cause = f"a decimal comma without quotes ({' or '.join(pairs[:MAX_PAIRS])}?); write a point, or separate by semicolons"
    return [Problem(
        where, None, f"has {len(raw_row)} cells under a header of {width}, so its columns may be shifted",
        found=filled, allowed="no more cells than the header", cause=cause,
    )]  # fmt: skip


def _short_rows(grid: Grid, fields: list[Field], problems: list[Problem]) -> list[int]:
    """Return the rows of a CSV file that end early; refuse those of which it is doubtful what they say.

    A spreadsheet may leave out blank cells at the end of a row. But a decimal comma moves the cells behind it, and a row that
    such cells are missing from hides it; and a file that was cut while it was copied ends within a row.
    """
    if not grid.separator:
        return []
    width, short = len(fields), []
    measured = [i for i, one in enumerate(fields) if one.column is not None and one.column.kind == "measured"]
    for i, row in enumerate(grid.rows[1:], start=2):
        if len(row) >= width or all(is_blank(raw) for raw in row):
            continue
        short.append(i)
        # the row ends with the two: cells behind them would have to fit the columns that they were pushed into
        neighbours = [(str(row[a]), str(row[b])) for a, b in pairwise(measured) if b == a + 1 == len(row) - 1]
        pairs = [one for pair in neighbours for one in _split_decimals(list(pair))] if grid.separator == "," else []
        if pairs:
            problems.append(Problem(
                place(grid.name, i), None, f"has {len(row)} cells under a header of {width}, and two measured ones may be one number cut by its decimal comma",
                found=" or ".join(pairs[:MAX_PAIRS]), allowed="as many cells as the header, blank ones too",
                cause="a decimal comma without quotes; write a point, or separate by semicolons",
            ))  # fmt: skip
    last = len(grid.rows)
    others = [len(row) for row in grid.rows[1:-1] if not all(is_blank(raw) for raw in row)]
    if grid.unended and last in short and len(grid.rows[-1]) < min(others, default=width):
        problems.append(Problem(
            place(grid.name, last), None, "ends early, and the file ends without a line end", found=len(grid.rows[-1]),
            allowed=f"{width} cells, blank ones too, or a line end behind the row if it is whole", cause="the file was cut while it was copied; copy it again",
        ))  # fmt: skip
    return short


def _split_decimals(raw_row: list[object]) -> list[str]:
    """Return neighbouring cells that look like the two sides of a decimal comma, joined; the last, measured ones first."""
    return [
        f"{left},{right}" for left, right in pairwise(str(cell).strip() for cell in raw_row)
        if re.fullmatch(r"[<>]?\s*[+-]?[0-9]{1,4}", left) and re.fullmatch(r"[0-9]{1,6}", right)
    ][::-1]  # fmt: skip


def _canonical(
    one: Field, raw: object, grid: Grid, definition: Definition, today: datetime.date | None
) -> str:
    """Read one filled cell and return its canonical text."""
    column, comma = one.column, grid.decimal_comma
    if column is None or column.kind == "text":
        return read_text(raw)
    if column.kind == "label":
        return read_text(raw, label=True)
    if column.kind == "date":
        return read_date(raw, today=today)
    if column.kind == "flag":
        return read_flag(raw, partly=column.name == "recrystallised")[1]
    if column.kind == "count":
        count = read_count(raw, decimal_comma=comma)
        check_bounds(column, count, definition)
        return str(count)
    if column.kind == "number":
        number = read_number(raw, one.convert, decimal_comma=comma)
        check_bounds(column, number, definition)
        return number_text(number)
    measured = read_measured(raw, one.convert, decimal_comma=comma)
    check_bounds(column, measured, definition)
    return {0: "", 1: ">", -1: "<"}[measured.censor] + number_text(measured.value)


def _join(
    drafts: dict[str, _Draft], row: int, cells: Cells, name: str, problems: list[Problem]
) -> None:
    """Add a row to its specimen's draft; refuse cells that contradict an earlier row."""
    specimen = cells.get("specimen")
    if specimen is None:
        problems.append(Problem(place(name, row), "specimen", "is blank", allowed="a label"))
        return
    draft = drafts.get(specimen)
    if draft is None:
        drafts[specimen] = _Draft(row, cells, dict.fromkeys(cells, row))
        return
    for column, text in cells.items():
        if draft.cells.setdefault(column, text) != text:
            problems.append(
                Problem(
                    place(name, row), column,
                    f"contradicts row {draft.rows[column]} of the same specimen {show(specimen)}",
                    found=text, allowed=f"{show(draft.cells[column])}, or another specimen label",
                )
            )  # fmt: skip
        draft.rows.setdefault(column, row)


def _lacks_label(
    cells: Cells, row: int, name: str, columns: frozenset[str], problems: list[Problem]
) -> bool:
    """Report the labels that every row must have; tell whether one is missing."""
    missing = [label for label in ("specimen_type", "temper", "lot") if label not in cells]
    for label in missing:
        what = "is blank" if label in columns else "has no column in this file"
        problems.append(Problem(place(name, row), label, what, allowed="filled on every row"))
    return bool(missing)


def _note(name: str, note: str, rows: list[int]) -> str:
    """Word a note once for all the rows it applies to."""
    listed = ", ".join(map(str, rows[:MAX_ROWS_NAMED]))
    more = f" and {len(rows) - MAX_ROWS_NAMED} more" if len(rows) > MAX_ROWS_NAMED else ""
    return f"{name}, row{'s' * (len(rows) > 1)} {listed}{more}: {note}"
