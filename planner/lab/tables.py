"""Why this module exists: a result file is foreign until its size, kind and text are known.

Reads one CSV or XLSX file into a plain grid of cells, within limits that hold
before anything is unpacked: only ordinary files, no links out of the folder, bounded
bytes, rows, columns and cells. What is doubtful is refused with its reason.
"""

from __future__ import annotations

import csv
import hashlib
import io
import os
import re
import stat
import unicodedata
from dataclasses import dataclass
from pathlib import Path

from planner.lab.errors import UserError, printable, show
from planner.lab.workbook import read_workbook

MAX_BYTES = 30_000_000
MAX_ROWS = 200_000
MAX_COLUMNS = 300


@dataclass(frozen=True)
class Grid:
    """One result file as rows of cells, header first."""

    name: str  #: file name for messages
    digest: str  #: SHA-256 of the bytes
    rows: list[list[object]]  #: rows[0] is the header; text from CSV, typed from XLSX
    decimal_comma: bool  #: numbers are written 0,19
    warnings: tuple[str, ...] = ()
    separator: str = ""  #: of a CSV file; empty for a workbook, whose cells cannot shift
    unended: bool = False  #: a CSV file that stops in the middle of a line, perhaps because it was cut


def read_grid(path: str | Path, *, folder: str | Path | None = None) -> Grid:
    """Read a result file into a grid.

    Parameters
    ----------
    path : path
        A `.csv` or `.xlsx` file.
    folder : path, optional
        The file must lie in this folder once links are followed; default: anywhere.

    Returns
    -------
    Grid

    Raises
    ------
    UserError
        When the file is missing, no ordinary file, a link out of the folder, too
        large, of an unknown kind, or not readable as such.
    """
    path = Path(path)
    name = file_name(path)
    data = read_bytes(path, folder=folder)
    digest = hashlib.sha256(data).hexdigest()
    if path.suffix.lower() == ".xlsx":
        rows, warnings = read_workbook(data, name=name)
        return _checked(Grid(name, digest, rows, False, tuple(warnings)))
    if path.suffix.lower() != ".csv":
        raise UserError(
            "is neither CSV nor XLSX", where=name, allowed=".csv or .xlsx",
            fix="save it as CSV UTF-8 or XLSX",
        )  # fmt: skip
    rows, comma, separator = _read_csv(data, name)
    return _checked(Grid(name, digest, rows, comma, separator=separator, unended=not data.endswith((b"\n", b"\r"))))


def file_name(path: Path) -> str:
    """Return a file's name, refused where it could not be shown or stored."""
    name = path.name
    if any(unicodedata.category(character)[0] == "C" for character in name) or len(name) > 200:
        raise UserError(
            "the file's name holds control characters or is too long", where=printable(name),
            fix="rename the file",
        )  # fmt: skip
    return name


def file_digest(path: str | Path, *, folder: str | Path | None = None) -> str:
    """Return the SHA-256 of a result file, under the same limits as `read_grid`."""
    return hashlib.sha256(read_bytes(Path(path), folder=folder)).hexdigest()


def read_bytes(path: Path, *, folder: str | Path | None = None) -> bytes:
    """Read an ordinary file of bounded size (see `read_grid` for what is refused)."""
    name = printable(path.name)
    try:
        if folder is not None:
            real, home = Path(os.path.realpath(path)), Path(os.path.realpath(folder))
            if home not in real.parents:
                raise UserError(
                    "is a link out of its folder", where=name, fix="copy the file itself there"
                )
        status = os.stat(path)
        if not stat.S_ISREG(status.st_mode):
            raise UserError(
                "is not an ordinary file", where=name, allowed="a file that holds rows",
                fix="put the file itself there, or move what bears its name away",
            )  # fmt: skip
        if status.st_size <= MAX_BYTES:
            with path.open("rb") as file:
                data = file.read(MAX_BYTES + 1)
        if status.st_size > MAX_BYTES or len(data) > MAX_BYTES:
            raise UserError("is too large", where=name, allowed=f"at most {MAX_BYTES:_} bytes")
        return data
    except FileNotFoundError:
        raise UserError("there is no such file", where=name, fix="check the name") from None
    except (OSError, ValueError) as error:
        raise UserError(
            f"cannot be read: {printable(str(getattr(error, 'strerror', None) or error))}",
            where=name, fix="check the file and its permissions",
        ) from None  # fmt: skip


def _read_csv(data: bytes, name: str) -> tuple[list[list[object]], bool, str]:
    """Decode and split a CSV file; tell whether its decimals are commas, and its separator."""
    text = _decoded(data, name)
    first = text.split("\n", 1)[0]
    semicolons, commas, tabs = first.count(";"), first.count(","), first.count("\t")
    if tabs > max(semicolons, commas):
        raise UserError(
            "is separated by tabs", where=name, allowed="commas, or semicolons",
            fix="save it as CSV UTF-8",
        )  # fmt: skip
    delimiter = ";" if semicolons > commas else ","
    rows: list[list[object]] = []
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    try:
        for row in reader:
            rows.append(list(row))
            if len(rows) > MAX_ROWS or len(row) > MAX_COLUMNS:
                break
    except csv.Error as error:
        raise UserError(
            f"is not well-formed CSV: {printable(str(error))}", where=f"{name}, row {len(rows) + 1}",
            fix="close the quotes, or save it anew as CSV UTF-8",
        ) from None  # fmt: skip
    comma = delimiter == ";" and any(
        re.fullmatch(r"[<>]?\s*[+-]?\d*,\d+", cell.strip()) for row in rows[1:] for cell in row
        if isinstance(cell, str)
    )  # fmt: skip
    return rows, comma, delimiter


def _decoded(data: bytes, name: str) -> str:
    """Decode UTF-8 (a BOM is accepted); refuse other encodings with the reason."""
    if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        raise UserError("is UTF-16 text", where=name, allowed="UTF-8", fix="save it as CSV UTF-8")
    if data[:4] == b"PK\x03\x04":
        raise UserError("is a workbook named .csv", where=name, fix="name it .xlsx")
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        row = data[: error.start].count(b"\n") + 1
        raise UserError(
            "is not UTF-8 text", where=f"{name}, near row {row}",
            found=f"byte {data[error.start]:#04x}", allowed="UTF-8",
            fix="it may be Windows-1252; save it as CSV UTF-8",
        ) from None  # fmt: skip
    if "\0" in text:
        row = text[: text.index("\0")].count("\n") + 1
        raise UserError("holds NUL characters", where=f"{name}, row {row}", fix="save it anew")
    return text


def _checked(grid: Grid) -> Grid:
    """Hold a grid to the limits of rows and columns, and to having a header."""
    if not grid.rows or not any(str(cell).strip() for cell in grid.rows[0]):
        raise UserError(
            "has no header", where=f"{grid.name}, row 1",
            allowed="the column names of results/TEMPLATE.csv",
        )  # fmt: skip
    if len(grid.rows) > MAX_ROWS:
        raise UserError("has too many rows", where=grid.name, allowed=f"at most {MAX_ROWS:_}")
    widest = max(range(len(grid.rows)), key=lambda i: len(grid.rows[i]))
    if len(grid.rows[widest]) > MAX_COLUMNS:
        raise UserError(
            "has too many columns", where=f"{grid.name}, row {widest + 1}",
            found=show(len(grid.rows[widest])), allowed=f"at most {MAX_COLUMNS}",
        )  # fmt: skip
    return grid
