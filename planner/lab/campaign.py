"""Why this module exists: the one door through which a `campaign.toml` comes in.

`read_definition` turns the file into a `Definition` or into one `UserError` that
names file, line, key, value, what is allowed and what to do. `defaults_in_force`
is what `check` prints: every value in force and where it came from.
"""

from __future__ import annotations

import hashlib
import json
import tomllib
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from planner.lab.campaign_fields import Table
from planner.lab.campaign_rules import Fault, closest, contradictions, unreachable
from planner.lab.campaign_wording import faults_of, located_error
from planner.lab.definition import Definition
from planner.lab.errors import UserError, printable, show

__all__ = [
    "CAMPAIGN_FILE", "Definition", "closest", "defaults_in_force", "definition_digest",
    "definition_from", "read_definition", "unreachable",
]  # fmt: skip

CAMPAIGN_FILE = "campaign.toml"
#: Largest definition read, in bytes, and its longest line, in characters.
MAX_BYTES = 1_000_000
MAX_LINE = 5_000


def read_definition(path: str | Path) -> Definition:
    """Read and check a campaign definition.

    Parameters
    ----------
    path : path
        `campaign.toml` itself, or the campaign folder that holds it.

    Returns
    -------
    Definition
        Frozen; every default filled in.

    Raises
    ------
    UserError
        When the file is missing, unreadable, too large, not TOML, or breaks a rule
        of the contract. One message names up to ten mistakes.
    """
    path = Path(path)
    if path.is_dir():
        path = path / CAMPAIGN_FILE
    text = _read_text(path)
    name = printable(path.name)
    if any(len(line) > MAX_LINE for line in text.splitlines()):
        raise UserError("has a line that is too long", where=name, allowed=f"{MAX_LINE} characters")
    try:
        tree = tomllib.loads(text)
    except RecursionError:
        raise UserError("is nested too deeply", where=name, fix="see the commented example of "
                        "`trialwright start DIR`") from None  # fmt: skip
    except ValueError as error:
        raise UserError(
            f"is not valid TOML: {printable(str(error), limit=200)}", where=name,
            fix=f"mend that line of {name}; `trialwright check {_folder(path)}` reads it again",
        ) from None  # fmt: skip
    return definition_from(tree, where=name, text=text, folder=_folder(path))


def definition_from(
    tree: Mapping[str, Any], *, where: str = "definition", text: str = "", folder: str = "DIR"
) -> Definition:
    """Build a definition from an already parsed tree of tables.

    Parameters
    ----------
    tree : mapping
        Tables and keys as `tomllib` returns them.
    where : str, default "definition"
        Name of the file for messages.
    text : str, default ""
        Text of the file, to name the line of a mistake.
    folder : str, default "DIR"
        Campaign folder named in the next step.

    Raises
    ------
    UserError
        As `read_definition`.
    """
    try:
        definition = Definition.model_validate(dict(tree))
        faults: list[Fault] = list(contradictions(definition))
    except ValidationError as error:
        faults = faults_of(error, Definition)
    if faults:
        raise located_error(faults, where=where, text=text, folder=folder)
    return definition


def definition_digest(definition: Definition, *, tables: Iterable[str] | None = None) -> str:
    """Return the SHA-256 of the values in force (written or default alike).

    Parameters
    ----------
    definition : Definition
    tables : iterable of str, optional
        Only these top-level tables; default all.

    Returns
    -------
    str
        64 hexadecimal digits. Comments, order and spelling of the file do not count.
    """
    tree = definition.model_dump(mode="json", by_alias=True)
    if tables is not None:
        tree = {name: tree[name] for name in tables}
    text = json.dumps(tree, sort_keys=True, ensure_ascii=False, allow_nan=False)
    return hashlib.sha256(text.encode()).hexdigest()


def defaults_in_force(definition: Definition) -> list[tuple[str, object, str]]:
    """List every value in force as (key path, value, origin).

    Returns
    -------
    list of (str, object, str)
        Origin is ``"file"`` or ``"default"``; None stands for "no limit", "not
        required" or "not stated". Entries of lists are counted from 1.
    """
    rows = list(_walk(definition, "", given=True))
    control = definition.control
    shown = []
    for key, value, origin in rows:
        if key == "control.temper" and value is None and control is not None:
            value = control.temper
        if key == "control.loads":
            value = control is not None
        shown.append((key, value, origin))
    return shown


def _walk(table: Table, path: str, *, given: bool) -> Iterator[tuple[str, object, str]]:
    """Yield the leaves of a table in the order of its keys."""
    for name, field in type(table).model_fields.items():
        key, value = path + (field.alias or name), getattr(table, name)
        from_file = given and name in table.model_fields_set
        if isinstance(value, Table):
            yield from _walk(value, f"{key}.", given=from_file)
        elif isinstance(value, tuple) and value and isinstance(value[0], Table):
            for i, entry in enumerate(value, start=1):
                yield from _walk(entry, f"{key}[{i}].", given=from_file)
        elif isinstance(value, dict):
            for owner, beliefs in value.items():
                for belief, pair in beliefs.items():
                    yield f"{key}.{owner}.{belief}", pair, "file"
        elif not (name == "section" and value is None and type(table).__name__ != "ComponentType"):
            yield key, value, "file" if from_file else "default"


def _read_text(path: Path) -> str:
    """Read a definition's text within its limits."""
    name = printable(path.name)
    folder = _folder(path)
    try:
        if path.exists() and not path.is_file():
            raise UserError(
                "is not an ordinary file", where=name, allowed="a text file in TOML",
                fix=f"move it away; `trialwright start {folder}` writes a commented one",
            )  # fmt: skip
        with path.open("rb") as file:
            data = file.read(MAX_BYTES + 1)
    except (FileNotFoundError, NotADirectoryError):
        raise UserError(
            f"there is no {name} in {show(folder)}",
            fix=f"`trialwright start {folder}` writes a commented one",
        ) from None
    except (OSError, ValueError) as error:
        raise UserError(
            f"cannot be read: {printable(str(getattr(error, 'strerror', None) or error))}",
            where=name, fix="check the permissions of the file and its folder",
        ) from None  # fmt: skip
    if len(data) > MAX_BYTES:
        raise UserError("is too large", where=name, allowed=f"at most {MAX_BYTES} bytes")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        raise UserError(
            f"is not UTF-8 text (line {line})", where=name, fix="save it as UTF-8"
        ) from None


def _folder(path: Path) -> str:
    """The campaign folder as a person would type it."""
    return printable(str(path.parent), limit=200)
