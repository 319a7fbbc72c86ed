"""Why this module exists: the words a campaign definition may use, checked one by one.

Each annotated type below states what a single value of `campaign.toml` may be.
The tables in `campaign.py` are built from them; what can only be judged by
looking at two tables at once is in `campaign_rules.py`.
"""

from __future__ import annotations

import datetime
import re
import unicodedata
from typing import Annotated, Any

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field
from pydantic_core import PydanticCustomError

from planner.lab.bounds import FIRST_YEAR, HARD_BOUNDS, TEXT_CHARACTERS, bound_text

#: EN 515 designations of wrought aluminium: F, O, W, H and T with their digits.
_TEMPER = re.compile(r"(?:F|O[123]?|W|H[1-4][1-9][0-9]{0,2}|T[1-9][0-9]{0,4})")

#: Factor keys in the order in which the whole program lists them, with their units.
FACTOR_UNITS = {
    "forming_temperature_degC": "degC",
    "strain": "1",
    "braze_temperature_degC": "degC",
    "braze_time_min": "min",
}
_COLUMN_OF_FACTOR = {
    "forming_temperature_degC": "forming_temperature",
    "strain": "strain",
    "braze_temperature_degC": "braze_temperature",
    "braze_time_min": "braze_time",
}


class Table(BaseModel):
    """A table of campaign.toml: frozen, and no key beyond those listed."""

    model_config = ConfigDict(frozen=True, extra="forbid", hide_input_in_errors=True)


def fault(what: str, *, allowed: str | None = None, fix: str | None = None) -> PydanticCustomError:
    """Make the error that a field's own rule raises (text, what is allowed, what to do)."""
    return PydanticCustomError("rule", "{what}", {"what": what, "allowed": allowed, "fix": fix})


def factor_bounds(key: str) -> tuple[float, float]:
    """Return the hard bounds of a factor by its definition key."""
    return HARD_BOUNDS[_COLUMN_OF_FACTOR[key]]


def _clean(text: str) -> str:
    """Strip and normalise a text; refuse control and direction characters."""
    text = unicodedata.normalize("NFC", text.strip())
    if any(unicodedata.category(character)[0] == "C" for character in text):
        raise fault("holds a control or invisible character", allowed="printable text on one line")
    return text


def _named(text: str) -> str:
    """Refuse a label that is empty or that a spreadsheet would run as a formula."""
    if not text:
        raise fault("is empty", allowed=f"a label of 1 to {TEXT_CHARACTERS} characters")
    if text[0] in "=+-@":
        raise fault(
            f"begins with '{text[0]}', which a spreadsheet takes for a formula",
            allowed="a label that begins with a letter or digit",
        )
    return text


def _temper(text: str) -> str:
    """Hold a temper to EN 515."""
    if not _TEMPER.fullmatch(text):
        hint = text.upper().replace(" ", "").replace("-", "")
        fix = f"write {hint}" if _TEMPER.fullmatch(hint) else None
        raise fault("is no EN 515 temper", allowed="O, F, H111, H12 to H48, T4 and so on", fix=fix)
    return text


def _ordered(pair: tuple[float, float]) -> tuple[float, float]:
    """Refuse a range that is empty or turned round."""
    if not pair[0] < pair[1]:
        turned = pair[0] > pair[1]
        raise fault(
            "is turned round" if turned else "has no width",
            allowed="[low, high] with low < high",
            fix=f"write [{pair[1]:g}, {pair[0]:g}]" if turned else None,
        )
    return pair


def _positive_pair(pair: tuple[float, float]) -> tuple[float, float]:
    """Refuse a range that reaches zero or below."""
    if pair[0] <= 0:
        raise fault("must lie above zero", allowed="0 < low < high")
    return pair


def _day(value: Any) -> Any:
    """Accept a TOML date, a TOML date-time or an ISO text."""
    if isinstance(value, datetime.datetime):
        return value.date()
    if isinstance(value, str):
        try:
            return datetime.date.fromisoformat(value.strip())
        except ValueError:
            raise fault("is no date", allowed="a date such as 2026-03-02") from None
    if not isinstance(value, datetime.date):
        raise fault("is no date", allowed="a date such as 2026-03-02")
    return value


def believable_day(day: datetime.date, *, today: datetime.date | None = None) -> bool:
    """Tell whether a date lies from 1990 to tomorrow (tomorrow: other time zones)."""
    latest = (today or datetime.date.today()) + datetime.timedelta(days=1)
    return datetime.date(FIRST_YEAR, 1, 1) <= day <= latest


def _believable(day: datetime.date) -> datetime.date:
    """Refuse a date outside 1990 to tomorrow."""
    if not believable_day(day):
        raise fault("lies outside the dates believed", allowed=f"{FIRST_YEAR} to tomorrow")
    return day


def within(key: str) -> AfterValidator:
    """Hold a number or a range to the hard bounds of a factor."""
    low, high = factor_bounds(key)

    def check(value: Any) -> Any:
        ends = value if isinstance(value, tuple) else (value,)
        if min(ends) < low or max(ends) > high:
            raise fault(
                "lies beyond the hard bounds", allowed=bound_text((low, high), FACTOR_UNITS[key])
            )
        return value

    return AfterValidator(check)


Number = Annotated[float, Field(strict=True, allow_inf_nan=False)]
Money = Annotated[Number, Field(ge=0, le=1e12)]
Hours = Annotated[Number, Field(ge=0, le=1e6)]
Spread = Annotated[Number, Field(ge=0, le=1e3)]
Positive = Annotated[Number, Field(gt=0, le=1e9)]
Whole = Annotated[int, Field(strict=True, ge=0, le=1_000_000)]
Some = Annotated[int, Field(strict=True, ge=1, le=1_000_000)]
Flag = Annotated[bool, Field(strict=True)]
Share = Annotated[Number, Field(gt=0, lt=1)]
Text = Annotated[
    str, Field(strict=True, max_length=TEXT_CHARACTERS), AfterValidator(_clean)
]
Label = Annotated[Text, AfterValidator(_named)]
Temper = Annotated[Label, AfterValidator(_temper)]
Range = Annotated[tuple[Number, Number], AfterValidator(_ordered)]
PositiveRange = Annotated[Range, AfterValidator(_positive_pair)]
Day = Annotated[datetime.date, BeforeValidator(_day), AfterValidator(_believable)]
