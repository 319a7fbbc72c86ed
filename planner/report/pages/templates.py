"""The one set of page templates: autoescape on, and a number on a page says which number of the record it is.

Kept apart from the figures, so that a plan's pages are filled without bringing the drawing library in.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from functools import cache
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup, escape

HERE = Path(__file__).parent


def share(value: float | None) -> str:
    """Write a share as a percentage with one decimal."""
    return "-" if value is None else f"{fixed(100 * value, 1)} %"


def fixed(value: float | None, places: int = 3) -> str:
    """Write a number with so many decimals."""
    return "-" if value is None else f"{round(value, places) + 0.0:.{places}f}"        # never -0.00


def money(value: float) -> str:
    """Write money without cents, thousands apart."""
    return f"{value:,.0f}".replace(",", " ")


def plain(value: Any) -> str:
    """Write a set value or an amount in its shortest form, at most five significant digits."""
    return "-" if value is None else (f"{value:.5g}" if isinstance(value, (int, float)) else str(value))


def sentence(text: str) -> str:
    """Begin with a capital letter."""
    return text[:1].upper() + text[1:]


def spaced(text: str) -> str:
    """Write a name of the files in words."""
    return str(text).replace("_", " ")


def several(text: str, count: int) -> str:
    """Write a name of the files in words, for so many of it."""
    return spaced(text) + ("" if count == 1 else "s")


UNITS = {"bytes": ("MB", 1e-6), "mb": ("MB", 1.0), "gib": ("GiB", 1.0), "min": ("min", 1.0), "s": ("s", 1.0)}


def measured(name: str, value: Any) -> tuple[str, str]:
    """Write an entry of an evidence file: its name in words, and the value with the unit that ends the name."""
    if name in MEASURED:
        return MEASURED[name], f"{value:.3g} s"
    words = name.split("_")
    unit, scale = UNITS.get(words[-1], ("", 1.0)) if isinstance(value, (int, float)) and not isinstance(value, bool) else ("", 1.0)
    if isinstance(value, list):
        shown = " to ".join(f"{scale * v:.3g}" for v in value)
    elif isinstance(value, bool):
        shown = "yes" if value else "no"
    elif isinstance(value, int) and scale == 1.0:
        shown = f"{value:,}".replace(",", " ")
    else:
        shown = f"{scale * value:.3g}" if isinstance(value, (int, float)) else str(value)
    return " ".join(words[:-1] if unit else words), f"{shown}{' ' if unit else ''}{unit}"


EVIDENCE = {
    "acquisition": "our plans and other strategies in paired virtual campaigns (acquisition)",
    "calibration": "data simulated from known values and fitted again (calibration)",
    "crash": "commands stopped half-way (crash)",
    "false_claims": "claims of virtual campaigns held against their truth (false claims)",
    "forecast": "forecasts of plans held against refits (forecast)",
    "fuzz": "damaged result files (fuzz)",
    "large": "large campaigns (large)",
    "speed": "how long commands take (speed)",
}
"""What stored evidence is about, by its name."""
OF_MODELS = ("calibration", "false_claims", "forecast", "acquisition")
"""Evidence on which a claim rests; the rest is about the program."""
MEASURED = {
    "fit_300_s": "fit of 300 specimens", "fit_10000_s": "fit of 10 000 specimens", "plan_60_cold_s": "first plan ever, 60 specimens",
    "plan_60_warm_s": "plan, 60 specimens", "plan_60_plain_pymc_s": "the same model written plainly, 60 specimens",
    "pick_1000_2048_40_s": "choice of 40 trials among 1000 on 2048 points", "pick_5000_4096_80_s": "choice of 80 trials among 5000 on 4096 points",
}
"""Times whose names in the evidence file say too little."""

FORMS: dict[str, Callable[[Any], str]] = {
    "share": share,
    "points": lambda v: fixed(None if v is None else 100 * v, 1),
    "points2": lambda v: fixed(None if v is None else 100 * v, 2),
    "points3": lambda v: fixed(None if v is None else 100 * v, 3),
    "money": money,
    "plain": plain,
    "fixed1": lambda v: fixed(v, 1),
    "fixed2": lambda v: fixed(v, 2),
    "fixed3": lambda v: fixed(v, 3),
}
"""How a number of a record may be printed, by the name that the page carries in `data-as`."""


@cache
def templates() -> Environment:
    """Return the templates with their filters."""
    found = Environment(loader=FileSystemLoader(HERE), autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    found.policies["json.dumps_kwargs"] = {"sort_keys": False}      # a figure refers back to what was defined before it
    found.filters |= {"sentence": sentence, "share": share, "fixed": fixed, "money": money, "plain": plain, "spaced": spaced, "several": several, "points": FORMS["points"]}
    found.globals |= {"measured": measured, "evidence_words": EVIDENCE, "of_models": OF_MODELS}
    return found


def own(name: str) -> Markup:
    """Return a file of this folder, to be inlined as it is."""
    return Markup((HERE / name).read_text(encoding="utf-8"))


class Shown:
    """Prints numbers of a record, each with the place in the record that it comes from.

    Parameters
    ----------
    record : mapping
        Plain values, as `--json` prints them.
    """

    def __init__(self, record: Mapping[str, Any]):
        self.record = record

    def value(self, path: str) -> Any:
        """Return the value at a place such as `trials.3.expected_gain`."""
        found: Any = self.record
        for part in path.split("."):
            found = found[int(part)] if re.fullmatch(r"\d+", part) and isinstance(found, list) else found[part]
        return found

    def __call__(self, path: str, form: str = "plain", *, tag: str = "span") -> Markup:
        """Return the printed number; in a drawing `tag` is `tspan`."""
        return Markup('<{0} data-of="{1}" data-as="{2}">{3}</{0}>').format(Markup(tag), path, form, escape(FORMS[form](self.value(path))))
