"""Why this module exists: a claim is only as good as the record behind it.

Finds what was altered behind the program's back: entries of the ledger changed,
removed or reordered; result files edited after they were recorded; plans changed
after they were issued. It reports, it never repairs.
"""

from __future__ import annotations

import os
from pathlib import Path

from planner.lab.definition import Definition
from planner.lab.errors import UserError, printable
from planner.lab.intake import read_results
from planner.lab.ledger import Ledger
from planner.lab.store import TABLES, chain_digest
from planner.lab.tables import file_digest
from planner.lab.template import result_files

#: Most problems of the chain that are listed.
MAX_LISTED = 20
GONE = "is gone"


def verify(ledger: Ledger) -> list[str]:
    """Check the chain of the ledger.

    Returns
    -------
    list of str
        One sentence a problem: damaged file, entry altered, removed or reordered, a
        clock that ran backwards. Empty when all is well.
    """
    try:
        problems = [
            f"ledger.sqlite is damaged: {row[0]}"
            for row in ledger.store.rows("PRAGMA quick_check(5)")
            if row[0] != "ok"
        ]
        entries = sorted(_entries(ledger))
        ((head, head_chain),) = ledger.store.rows("SELECT sequence, chain FROM head")
    except (UserError, ValueError) as error:
        return [f"ledger.sqlite is damaged: {error}"]
    previous, expected, clock = "", 1, ""
    for sequence, table, entry, stated_previous, chain in entries:
        label = _label(table, entry)
        if sequence != expected:
            problems.append(f"entries {expected} to {sequence - 1} of the ledger were removed")
        elif stated_previous != previous:
            problems.append(f"entry {sequence} ({label}) does not follow the one before it")
        if chain_digest(stated_previous, table, sequence, entry) != chain:
            problems.append(f"entry {sequence} ({label}) was altered after it was written")
        at = str(entry[-1])
        if at < clock:
            problems.append(f"the clock ran backwards at entry {sequence} ({label}), {at}")
        previous, expected, clock = chain, sequence + 1, max(at, clock)
    if head != expected - 1 or head_chain != previous:
        problems.append(f"the ledger ends at entry {expected - 1} but {head} were written")
    return problems[:MAX_LISTED]


def edited_files(
    directory: str | Path, definition: Definition, ledger: Ledger
) -> list[str]:
    """Report recorded result files that now say something else.

    Parameters
    ----------
    directory : path
        Campaign folder.
    definition : Definition
    ledger : Ledger

    Returns
    -------
    list of str
        One sentence for every file whose present text alters or drops a cell that
        was recorded from it, no longer reads, or is gone.
    """
    directory = Path(directory)
    present = {path.name: path for path in result_files(directory)}
    latest = {entry.name: entry.digest for entry in ledger.files()}
    problems = []
    for name in sorted(latest):
        before = ledger.submitted(name)
        if not before:
            continue
        if name not in present:
            problems.append(f"{name} was recorded and is not in results/ (moved away, or recorded from elsewhere)")
            continue
        try:
            if file_digest(present[name], folder=directory / "results") == latest[name]:
                continue
            parsed = read_results(
                present[name], definition, folder=directory / "results", known=ledger.known()
            )
        except UserError as error:
            problems.append(f"{name} was edited and no longer reads: {error.what.splitlines()[0]}")
            continue
        now = {
            specimen.specimen: {k: text for k, text in cells.items() if k in parsed.columns}
            for _, specimen, cells in parsed.specimens
        }
        problems += [f"{name} was edited: {text}" for text in _differences(before, now)[:5]]
    return problems


def changed_plans(directory: str | Path, ledger: Ledger) -> list[str]:
    """Report files of plans, and frozen claims, that are gone or say something else than when they were issued; and what was never issued.

    Raises
    ------
    UserError
        When a folder cannot be listed.
    """
    directory, issued, documents = Path(directory), ledger.plans(), ledger.documents()
    problems = []
    for plan in issued:
        home = f"plans/{plan.number:03d}/"
        files = {f"{home}plan.csv": plan.digest} | {p: d for p, d in documents.items() if p.startswith(home)}
        for path, digest in files.items():
            name, fault = path.removeprefix(home), _fault_of(directory / path, digest)
            if fault == GONE:
                problems.append(f"plan {plan.number:03d} was issued and its {name} is gone")
            elif fault:
                problems.append(f"plan {plan.number:03d} was changed after it was issued: its {name} {fault}")
    claims = {p: d for p, d in documents.items() if p.startswith("claims/")}
    for path, digest in claims.items():
        fault = _fault_of(directory / path, digest)
        if fault:
            problems.append(f"the claim {path} was changed after it was frozen: it {fault}")
    return problems + _unissued(directory, {plan.number for plan in issued}, set(claims))


def _fault_of(path: Path, digest: str) -> str:
    """Say what is wrong with an issued file, or nothing."""
    if not os.path.lexists(path):
        return GONE
    try:
        return "" if file_digest(path, folder=path.parent) == digest else "says something else now"
    except UserError as error:
        return error.what


def _unissued(directory: Path, numbers: set[int], claims: set[str]) -> list[str]:
    """Name plans and claims that the ledger does not know: a command was stopped, or they come from elsewhere."""
    problems = []
    for name in _names(directory, "plans"):
        if name.isdecimal() and int(name) not in numbers:
            problems.append(f"plans/{name} stands there and was never issued; `trialwright plan {directory}` takes up the plan of a "
                            "command that was stopped")
        elif name.endswith(".partial"):
            problems.append(f"plans/{name} is what a command left that was stopped while it wrote a plan; it counts for nothing")
    for name in _names(directory, "claims"):
        if name.endswith(".json") and not name.startswith(".") and f"claims/{name}" not in claims:
            problems.append(f"claims/{name} stands there and the ledger does not know it; `trialwright review {directory} --freeze` takes up "
                            "the claim of a command that was stopped")
    return problems


def _names(directory: Path, folder: str) -> list[str]:
    """List a folder of the campaign, which need not exist."""
    try:
        return sorted(os.listdir(directory / folder))
    except FileNotFoundError:
        return []
    except OSError as error:
        raise UserError(
            f"the folder {folder}/ cannot be read: {printable(error.strerror or str(error))}",
            where=printable(str(directory), limit=200), fix="check the disk and the permissions of the folder",
        ) from None  # fmt: skip


def _entries(ledger: Ledger) -> list[tuple[int, str, tuple[object, ...], str, str]]:
    """Return (sequence, table, entry, previous, chain) of all tables."""
    found = []
    for table, names in TABLES.items():
        query = f"SELECT sequence, {', '.join(names)}, previous, chain FROM {table}"
        found += [
            (row[0], table, tuple(row[1:-2]), row[-2], row[-1]) for row in ledger.store.rows(query)
        ]
    return found


def _label(table: str, entry: tuple[object, ...]) -> str:
    """Name an entry for people."""
    if table == "revisions":
        return f"{entry[1]} {entry[0]}"
    return f"{dict(files='file', plans='plan', documents='issued file')[table]} {entry[0]}"


def _differences(before: dict[str, dict[str, str]], now: dict[str, dict[str, str]]) -> list[str]:
    """Say which recorded cells a file now alters or drops."""
    texts = []
    for specimen, cells in sorted(before.items()):
        if specimen not in now:
            texts.append(f"the row of {specimen} is gone")
            continue
        for column, text in cells.items():
            found = now[specimen].get(column, "")
            if found != text:
                texts.append(f"{column} of {specimen} was {text}, now {found or 'blank'}")
    return texts
