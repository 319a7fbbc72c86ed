"""Why this module exists: a workbook of 0.8 MB can unpack to 300 MB and a grid of gigabytes.

An XLSX file is a zip of XML. Its members' sizes and the furthest cell of every
sheet are looked at before the reader proper (python-calamine) may open it.
"""

from __future__ import annotations

import io
import re
import zipfile
import zlib
from itertools import chain, pairwise
from typing import Any, NamedTuple

from planner.lab.errors import UserError, printable

#: Largest sum of unpacked members, in bytes, and most members.
MAX_UNPACKED = 64_000_000
MAX_MEMBERS = 2_000
#: Furthest cell: rows, columns, and cells of the rectangle that a reader must hold.
MAX_ROW, MAX_COLUMN, MAX_CELLS = 200_000, 300, 2_500_000

#: Most text that shared strings may swell to, in bytes: longest string x cells.
MAX_TEXT = 500_000_000

_ATTRIBUTE = re.compile(rb"""\sr\s*=\s*["']([^"']{0,40})""")
_REFERENCE = re.compile(rb"([A-Za-z]{0,3})([0-9]{1,7})")
_CELL = re.compile(rb"<(?:\w+:)?c\s[^<>]*>")
_IS_ERROR = re.compile(rb"""\st\s*=\s*["']e["']""")
_IS_TEXT = re.compile(rb"""\st\s*=\s*["']str["']""")
_FORMULA, _VALUE = re.compile(rb"<(?:\w+:)?f[\s/>]"), re.compile(rb"<(?:\w+:)?v(?:\s[^<>]*)?>[^<]")
_NOT_WORKED_OUT = re.compile(rb"""\sfullCalcOnLoad\s*=\s*["'](?:1|true)["']""")


def read_workbook(data: bytes, *, name: str) -> tuple[list[list[object]], list[str]]:
    """Read the first sheet of a workbook.

    Parameters
    ----------
    data : bytes
        The whole file.
    name : str
        File name for messages.

    Returns
    -------
    rows : list of list
        From the sheet's first row and column on; cells typed as stored (text, number,
        bool, date, time), blank cells as empty text.
    warnings : list of str
        Names of sheets that were not read; formulas that no spreadsheet has worked out.

    Raises
    ------
    UserError
        When it is no workbook, too large once unpacked, or holds error cells or
        formulas without their values.
    """
    first_sheet, not_worked_out = _inspect(data, name)
    book = _guarded(lambda calamine: calamine.CalamineWorkbook.from_filelike(io.BytesIO(data)), name)
    names = list(book.sheet_names)
    if not names:
        raise UserError("has no sheet", where=name)
    grid = _guarded(
        lambda calamine: book.get_sheet_by_index(0).to_python(skip_empty_area=False), name
    )
    if first_sheet.error:
        raise UserError(
            "holds cells with a spreadsheet error such as #N/A",
            where=f"{name}, cell {first_sheet.error}", fix="clear the cell or mend its formula",
        )  # fmt: skip
    if first_sheet.unsaved:
        raise UserError(
            "holds a formula whose value was not saved with it", where=f"{name}, cell {first_sheet.unsaved}",
            fix="open the workbook in a spreadsheet and save it, or write the value in place of the formula",
        )  # fmt: skip
    warnings = []
    if first_sheet.formulas and not_worked_out:
        warnings.append(f"{name}: its formulas were written by a program and no spreadsheet has worked them out; their values may be wrong. "
                        "Open it in a spreadsheet, save it, and record it again")
    if len(names) > 1:
        others = ", ".join(printable(other, limit=40) for other in names[1:6])
        warnings.append(f"{name}: only the first sheet was read, not {others}")
    return [list(row) for row in grid], warnings


class _Sheet(NamedTuple):
    """What stands in the cells of a sheet that a reader would pass over."""

    error: str = ""  #: first cell that holds a spreadsheet's error
    unsaved: str = ""  #: first formula without its value
    formulas: bool = False


def _look(content: bytes) -> _Sheet:
    """Look for errors and formulas, tag by tag; what stands behind the cells (lists of allowed values) is none of them."""
    content = content[: content.find(b"sheetData>", content.find(b"sheetData") + 1) + 1 or len(content)]
    if not (_IS_ERROR.search(content) or _FORMULA.search(content)):
        return _Sheet()
    error, unsaved, formulas = "", "", False
    for tag, following in pairwise(chain(_CELL.finditer(content), [None])):
        end = following.start() if following else len(content)
        if not error and _IS_ERROR.search(tag.group()):
            error = _name_of(tag.group())
        if tag.group().endswith(b"/>") or not _FORMULA.search(content, tag.end(), end):
            continue
        formulas = True
        if not (unsaved or _IS_TEXT.search(tag.group()) or _VALUE.search(content, tag.end(), end)):
            unsaved = _name_of(tag.group())
    return _Sheet(error, unsaved, formulas)


def _name_of(tag: bytes) -> str:
    found = _ATTRIBUTE.search(tag)
    return printable(found.group(1).decode("utf-8", "replace")) if found else "?"


def _inspect(data: bytes, name: str) -> tuple[_Sheet, bool]:
    """Check sizes before opening; return what to know of the first sheet, and whether formulas still wait to be worked out."""
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            members = archive.infolist()
            unpacked = sum(member.file_size for member in members)
            if unpacked > MAX_UNPACKED or len(members) > MAX_MEMBERS:
                raise UserError(
                    "is too large once unpacked", where=name, found=f"{unpacked:_} bytes",
                    allowed=f"at most {MAX_UNPACKED:_} bytes", fix="save the rows as CSV UTF-8",
                )  # fmt: skip
            sheets: dict[str, _Sheet] = {}
            waiting = False
            longest = cells = 0
            for member in members:
                content = archive.read(member)  # stops at the stated size and checks the sum
                if b"\0" in content[:200] and member.filename.lower().endswith((".xml", ".rels")):
                    raise UserError("holds XML that is not UTF-8", where=name, fix="save it anew")
                if "sharedstrings" in member.filename.lower():
                    longest = max(map(len, content.split(b"si>")))
                if b"sheetData" in content:
                    cells = max(cells, content.count(b"</") // 2)
                    _check_extent(content, name)
                    sheets[member.filename] = _look(content)
                elif member.filename.lower().endswith("workbook.xml"):
                    waiting = _NOT_WORKED_OUT.search(content) is not None
            if longest * cells > MAX_TEXT:
                raise UserError("repeats a long text in too many cells", where=name,
                                fix="shorten the text, or save the rows as CSV UTF-8")  # fmt: skip
            first = min(sheets, key=lambda sheet: (len(sheet), sheet), default="")
            return sheets.get(first, _Sheet()), waiting
    except UserError:
        raise
    except (zipfile.BadZipFile, zlib.error, OSError, EOFError, ValueError, RuntimeError,
            NotImplementedError, OverflowError, MemoryError) as error:  # fmt: skip
        raise UserError(
            f"is no readable workbook: {printable(str(error), limit=120)}", where=name,
            fix="save it anew as XLSX without a password, or as CSV UTF-8",
        ) from None  # fmt: skip


def _check_extent(content: bytes, name: str) -> None:
    """Refuse a sheet whose furthest cell would make the reader hold a huge rectangle."""
    furthest_row = furthest_column = 1
    for attribute in set(_ATTRIBUTE.findall(content)):
        match = _REFERENCE.fullmatch(attribute.strip())
        if match is None:
            raise UserError(
                "has a cell reference that is none", where=name,
                found=attribute.decode("utf-8", "replace"), fix="save it anew as XLSX or CSV UTF-8",
            )  # fmt: skip
        furthest_row = max(furthest_row, int(match.group(2)))
        column = 0
        for letter in match.group(1).upper():
            column = column * 26 + letter - 64
        furthest_column = max(furthest_column, column)
    too_far = furthest_row > MAX_ROW or furthest_column > MAX_COLUMN
    if too_far or furthest_row * furthest_column > MAX_CELLS:
        raise UserError(
            "has a sheet that reaches too far", where=name,
            found=f"row {furthest_row}, column {furthest_column}",
            allowed=f"at most {MAX_ROW:_} rows and {MAX_COLUMN} columns",
            fix="delete the empty rows and columns beyond the data, or save as CSV UTF-8",
        )  # fmt: skip


def _guarded(step: Any, name: str) -> Any:
    """Run one step of the reader; whatever it raises, even a panic, is a bad workbook."""
    import python_calamine  # noqa: PLC0415  (only workbooks need it)

    try:
        return step(python_calamine)
    except (KeyboardInterrupt, SystemExit, GeneratorExit):
        raise
    except BaseException as error:
        raise UserError(
            f"is no readable workbook: {printable(str(error), limit=120)}", where=name,
            fix="save it anew as XLSX, or as CSV UTF-8",
        ) from None  # fmt: skip
