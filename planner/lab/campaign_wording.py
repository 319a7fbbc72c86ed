"""Why this module exists: pydantic and TOML speak to programmers, we speak to a lab.

Validation errors are turned into faults with a key path, and faults into one
`UserError` that names the line of the file, the value and the next step.
"""

from __future__ import annotations

import re
from typing import Any, get_args

from pydantic import ValidationError

from planner.lab.campaign_fields import Table
from planner.lab.campaign_rules import Fault, closest
from planner.lab.errors import UserError, printable, show

#: Most mistakes that one message lists.
MAX_LISTED = 10

_TABLE = re.compile(r"\s*(\[\[?)\s*([^\[\]#]+?)\s*\]\]?\s*(?:#.*)?$")
_KEY = re.compile(r"\s*([\w\"'-]+(?:\s*\.\s*[\w\"'-]+)*)\s*=")


def faults_of(error: ValidationError, model: type[Table]) -> list[Fault]:
    """Translate a pydantic error into faults of our own.

    Parameters
    ----------
    error : ValidationError
        Raised by `model`.
    model : type of Table
        The top table, searched for the keys that a misspelt one may have meant.

    Returns
    -------
    list of Fault
    """
    return [_fault(entry, model) for entry in error.errors(include_url=False)]


def located_error(faults: list[Fault], *, where: str, text: str, folder: str) -> UserError:
    """Make the one error for all faults of a file.

    Parameters
    ----------
    faults : list of Fault
        At least one.
    where : str
        File name.
    text : str
        The file's text, or empty.
    folder : str
        Campaign folder, for the next step.
    """
    recheck = f"mend {where}, then `trialwright check {folder}`"
    if len(faults) == 1:
        (one,) = faults
        return UserError(
            one.what, found=one.found, where=_place(one, where, text), allowed=one.allowed,
            fix=f"{one.fix}; {recheck}" if one.fix else recheck,
        )  # fmt: skip
    lines = []
    for one in faults[:MAX_LISTED]:
        line = f"  {_place(one, where, text)}: {one.what}"
        line += f"; found {show(one.found)}" if one.found is not None else ""
        line += f"; allowed: {one.allowed}" if one.allowed else ""
        lines.append(line + (f"; {one.fix}" if one.fix else ""))
    if len(faults) > MAX_LISTED:
        lines.append(f"  and {len(faults) - MAX_LISTED} more")
    return UserError("\n".join([f"{len(faults)} mistakes", *lines]), where=where, fix=recheck)


def line_of(text: str, path: tuple[str | int, ...]) -> int | None:
    """Find the line of a key in a definition written table by table.

    Parameters
    ----------
    text : str
        Text of the file.
    path : tuple
        Keys and zero-based list positions.

    Returns
    -------
    int or None
        Line counted from 1: of the key where it is found, else of its table; None
        where neither is (inline tables, absent keys).
    """
    table: tuple[str | int, ...] = ()
    counts: dict[tuple[str, ...], int] = {}
    best: int | None = None
    best_length = 0
    for number, line in enumerate(text.splitlines(), start=1):
        here = table
        if match := _TABLE.match(line):
            names = _parts(match.group(2))
            if match.group(1) == "[[":
                counts[names] = counts.get(names, -1) + 1
                table = (*names, counts[names])
            else:
                table = names
            here = table
        elif match := _KEY.match(line):
            here = (*table, *_parts(match.group(1)))
        else:
            continue
        if len(here) > best_length and here == path[: len(here)]:
            best, best_length = number, len(here)
    return best


def _parts(dotted: str) -> tuple[str, ...]:
    """Split a dotted key."""
    return tuple(part.strip().strip("\"'") for part in dotted.split("."))


def key_text(path: tuple[str | int, ...]) -> str:
    """Write a key path for people: list entries are counted from 1."""
    text = ""
    for part in path:
        text += f"[{part + 1}]" if isinstance(part, int) else f".{printable(part, limit=60)}"
    return text.lstrip(".") or "the file"


def _place(one: Fault, where: str, text: str) -> str:
    """File, key and line of a fault."""
    line = line_of(text, one.path)
    return f"{where}, key {key_text(one.path)}" + (f" (line {line})" if line else "")


def _fault(entry: Any, model: type[Table]) -> Fault:
    """Translate one entry of a pydantic error."""
    path = tuple(part for part in entry["loc"])
    kind, found = entry["type"], entry.get("input")
    context = entry.get("ctx") or {}
    if kind == "rule":
        return Fault(path, context["what"], found, context["allowed"], context["fix"])
    if kind == "extra_forbidden":
        known = _keys_at(model, path[:-1])
        near = closest(str(path[-1]), known)
        where = key_text(path[:-1]) if path[:-1] else "the top level"
        return Fault(
            path, f"is no key of {where}", None, ", ".join(known) or None,
            f"did you mean {near}?" if near else "remove it",
        )  # fmt: skip
    if kind == "missing":
        return Fault(path, "is missing and has no default", fix="add it")
    if kind == "none_required":
        return Fault(path, "does not apply: only a component has a section", fix="remove it")
    words = printable(entry["msg"].replace("Input should be ", ""), limit=300)
    words = words.replace("a valid dictionary or instance of ", "a table [").replace(
        "greater than or equal to", "at least").replace("less than or equal to", "at most")  # fmt: skip
    if words.startswith("a table ["):
        words = f"a table [{key_text(path)}]"
    return Fault(path, "is not allowed", found, words)


def _keys_at(model: type[Table], path: tuple[str | int, ...]) -> list[str]:
    """List the keys that a table of the definition knows; empty off the tables."""
    current: Any = model
    for part in path:
        if isinstance(part, int):
            continue
        fields = {field.alias or name: field for name, field in current.model_fields.items()}
        found = next(iter(_tables_in(fields[part].annotation)), None) if part in fields else None
        if found is None:
            return []
        current = found
    return [field.alias or name for name, field in current.model_fields.items()]


def _tables_in(annotation: Any) -> list[type[Table]]:
    """Find the table class inside an annotation such as `tuple[Feature, ...] | None`."""
    if isinstance(annotation, type) and issubclass(annotation, Table):
        return [annotation]
    return [table for part in get_args(annotation) for table in _tables_in(part)]
