"""Why this module exists: one cell, one meaning, or a reason why not.

Each kind of column has one reader that turns a raw cell (text from CSV, typed from
XLSX) into a value in the contract's unit. A refused cell raises `CellFault`, which
intake turns into file, row and column.
"""

from __future__ import annotations

import datetime
import math
import re
import unicodedata

from planner.lab.bounds import FIRST_YEAR, TEXT_CHARACTERS
from planner.lab.campaign_fields import believable_day
from planner.lab.specimen import Measured
from planner.lab.units import Convert

_NUMBER = re.compile(r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]{1,3})?")
_NUMBER_CHARACTERS = 40
_DAY = re.compile(r"([0-9]{4}-[0-9]{2}-[0-9]{2})(?:[T ][0-9:.]{4,15})?")
_FLAGS = {"yes": True, "true": True, "1": True, "no": False, "false": False, "0": False}
#: What a flag may be, for messages.
FLAG_WORDS = "yes or no, true or false, 1 or 0"


class CellFault(Exception):
    """A cell that cannot be read: what is wrong, what is allowed, the likely cause."""

    def __init__(self, what: str, *, allowed: str | None = None, cause: str | None = None):
        super().__init__(what)
        self.what, self.allowed, self.cause = what, allowed, cause


#: What a spreadsheet takes for the beginning of a formula.
FORMULA = ("=", "+", "-", "@", "\t", "\r")


def harmless(text: str) -> str:
    """Return a text as it may be written into a CSV file: a spreadsheet that opens it runs nothing."""
    return f"'{text}" if text.startswith(FORMULA) else text


def is_number(text: str) -> bool:
    """Tell whether a text is a plain number, which no spreadsheet runs whatever its sign."""
    return _NUMBER.fullmatch(text.strip()) is not None


def is_blank(raw: object) -> bool:
    """Tell whether a cell holds nothing."""
    return raw is None or (isinstance(raw, str) and not raw.strip())


def read_text(raw: object, *, label: bool = False) -> str:
    """Read a text cell.

    Parameters
    ----------
    raw : object
        Text; a whole number typed by a spreadsheet becomes its digits.
    label : bool, default False
        A label (identifier, lot, load) may not begin like a formula or run over
        lines; a note may run over lines.

    Returns
    -------
    str
        Stripped and in normal form C.
    """
    if label and isinstance(raw, (datetime.date, datetime.time, datetime.timedelta)):
        raise CellFault("is formatted as a date or time", allowed="a label", cause="a spreadsheet changed it; format the cell as text and write the label again")
    if isinstance(raw, bool):
        raw = "yes" if raw else "no"
    if isinstance(raw, float) and math.isfinite(raw) and raw == int(raw) and abs(raw) < 1e15:
        raw = int(raw)
    if isinstance(raw, str) and len(raw) > 4 * TEXT_CHARACTERS:
        raise CellFault("is too long", allowed=f"at most {TEXT_CHARACTERS} characters")
    text = unicodedata.normalize("NFC", str(raw).strip())
    if not label:
        text = re.sub(r"[\r\n\t]+", " ", text)
    if len(text) > TEXT_CHARACTERS:
        raise CellFault("is too long", allowed=f"at most {TEXT_CHARACTERS} characters")
    if any(unicodedata.category(character)[0] == "C" for character in text):
        raise CellFault("holds a control or invisible character", allowed="printable text")
    if text and text[0] in ("=+-@" if label else "=@"):
        raise CellFault(
            f"begins with '{text[0]}', which a spreadsheet runs as a formula",
            allowed="text that begins with a letter or digit",
        )
    return text


def read_number(raw: object, convert: Convert | None, *, decimal_comma: bool = False) -> float:
    """Read a number and convert it to the contract's unit.

    Parameters
    ----------
    raw : object
        Text or a typed number.
    convert : callable or None
        From the header's unit; None where it is the contract's.
    decimal_comma : bool, default False
        The file writes 0,19.

    Returns
    -------
    float
        Finite.
    """
    if isinstance(raw, (datetime.date, datetime.time, datetime.timedelta)):
        raise CellFault("is formatted as a date or time", allowed="a number",
                        cause="a spreadsheet changed it; format the cell as a number")  # fmt: skip
    if isinstance(raw, bool):
        raise CellFault("is a yes/no value", allowed="a number")
    if isinstance(raw, (int, float)):
        value = float(raw) if abs(raw) < 1e300 else math.inf
    else:
        value = _number_of(str(raw).strip(), decimal_comma)
    if not math.isfinite(value):
        raise CellFault("is no finite number", allowed="a number, or blank if not measured")
    converted = convert(value) if convert else value
    if not math.isfinite(converted):
        raise CellFault("makes no sense in the unit of its header", allowed="a finite number")
    return converted + 0.0


def read_measured(raw: object, convert: Convert | None, *, decimal_comma: bool = False) -> Measured:
    """Read a measurement that may be censored (`>x`, `<x`)."""
    if not isinstance(raw, str):
        return Measured(read_number(raw, convert, decimal_comma=decimal_comma))
    text = raw.strip()
    censor = {">": 1, "<": -1}.get(text[:1], 0)
    rest = text[1:].strip() if censor else text
    return Measured(read_number(rest, convert, decimal_comma=decimal_comma), censor)


def read_count(raw: object, *, decimal_comma: bool = False) -> int:
    """Read a whole number; 36.0, or 36,0 in a file of decimal commas, is one."""
    value = read_number(raw, None, decimal_comma=decimal_comma)
    if value != int(value):
        raise CellFault("is not a whole number", allowed="0, 1, 2, ...")
    return int(value)


def read_flag(raw: object, *, partly: bool = False) -> tuple[bool, str]:
    """Read a yes/no cell.

    Parameters
    ----------
    raw : object
        Text, a spreadsheet's bool, or 1/0.
    partly : bool, default False
        `partly` is accepted and counts as no.

    Returns
    -------
    value : bool
    canonical : str
        ``"yes"``, ``"no"`` or ``"partly"``.
    """
    if isinstance(raw, bool):
        return raw, "yes" if raw else "no"
    if isinstance(raw, (int, float)) and raw in (0, 1):
        raw = str(int(raw))
    word = str(raw).strip().lower()[:20]
    if partly and word == "partly":
        return False, "partly"
    if word not in _FLAGS:
        raise CellFault("is neither yes nor no", allowed=FLAG_WORDS + (", partly" if partly else ""))
    return _FLAGS[word], "yes" if _FLAGS[word] else "no"


def read_date(raw: object, *, today: datetime.date | None = None) -> str:
    """Read a date and return it in ISO form."""
    allowed = f"a date such as 2026-03-02, from {FIRST_YEAR} to tomorrow"
    if isinstance(raw, datetime.datetime):
        day = raw.date()
    elif isinstance(raw, datetime.date):
        day = raw
    else:
        match = _DAY.fullmatch(str(raw).strip())
        if not match:
            raise CellFault("is no date", allowed=allowed, cause="write year-month-day")
        try:
            day = datetime.date.fromisoformat(match.group(1))
        except ValueError:
            raise CellFault("is no day of the calendar", allowed=allowed) from None
    if not believable_day(day, today=today):
        raise CellFault("lies outside the dates believed", allowed=allowed)
    return day.isoformat()


def _number_of(text: str, decimal_comma: bool) -> float:
    """Read the text of a number."""
    if len(text) > _NUMBER_CHARACTERS:
        raise CellFault("is no number", allowed="a number, or blank if not measured")
    plain = text
    if decimal_comma:
        if "." in text and "," not in text and _NUMBER.fullmatch(text):
            raise CellFault("has a decimal point in a file of decimal commas",
                            allowed="one decimal sign throughout the file")  # fmt: skip
        if text.count(",") == 1 and "." not in text:
            plain = text.replace(",", ".")
    if _NUMBER.fullmatch(plain):
        return float(plain)
    cause = None
    if "," in text and decimal_comma:
        cause = "one decimal comma in a number, and nothing between thousands"
    elif "," in text:
        cause = "a decimal comma is read only in files separated by semicolons"
    elif text[:1] in "<>" and text:
        cause = "only measurements may be censored with > or <"
    elif text.endswith("%"):
        cause = "write the share as a number, or head the column [%]"
    elif text[:1] in "=@":
        cause = "a formula; save its value"
    raise CellFault("is no number", allowed="a number, or blank if not measured", cause=cause)
