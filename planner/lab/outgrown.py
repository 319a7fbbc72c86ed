"""Why this module exists: a definition may be edited after rows were recorded, and then the two disagree.

A temper taken out, a feature renamed, a specimen type dropped while some are still awaited: the
rows were good when they came in, and the models would now misread them. Every command that
records passes here first. What is merely kept with a note is none of this.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from planner.lab.definition import Definition
from planner.lab.errors import UserError, printable, show
from planner.lab.ledger import Ledger
from planner.lab.rules import RowFault, definition_faults, lot_tempers
from planner.lab.specimen import MEASUREMENTS, TYPES, Specimen, specimen_of

#: Columns that the rules of the definition read: rows alike in them share one verdict, so that thousands are quick.
READ = (
    "specimen_type", "temper", "lot", "section_feature", "recrystallised", "film_depth", "clad_left",
    "cracked", "joints_inspected",
)  # fmt: skip
#: Most specimens that a message names, and most kinds of disagreement.
MAX_NAMED, MAX_KINDS = 4, 6


@dataclass(frozen=True)
class Outgrown:
    """One thing that rows rest on and the definition no longer has."""

    key: str  #: of campaign.toml
    words: str  #: what is wrong, as a clause
    allowed: str
    specimens: tuple[str, ...]

    def line(self) -> str:
        """The clause with the first few specimens."""
        named = ", ".join(printable(one, limit=60) for one in self.specimens[:MAX_NAMED])
        more = len(self.specimens) - MAX_NAMED
        return f"{self.words} ({named}{f' and {more} more' if more > 0 else ''})"


def outgrown(
    definition: Definition, recorded: Mapping[str, Mapping[str, str]], pending: Iterable[Specimen] = ()
) -> list[Outgrown]:
    """Find what recorded and awaited specimens rest on and the definition no longer has.

    Parameters
    ----------
    definition : Definition
        In force today.
    recorded : mapping of specimen to cells
        Not excluded; those without a measurement are passed over, for nothing models them.
    pending : iterable of Specimen
        Planned, still to come.

    Returns
    -------
    list of Outgrown
        One a cause, in the order in which they were met.
    """
    stocked = lot_tempers(definition)
    alike: dict[tuple[str | None, ...], list[str]] = {}
    for label, cells in recorded.items():
        if not cells.keys().isdisjoint(MEASUREMENTS):
            alike.setdefault(tuple(map(cells.get, READ)), []).append(label)
    found: dict[tuple[str, str, str], list[str]] = {}
    for texts, labels in alike.items():
        filled = {name: text for name, text in zip(READ, texts, strict=True) if text is not None}
        for fault in _recorded_faults(specimen_of({"specimen": labels[0], **filled}), definition, stocked):
            found.setdefault(_cause(fault), []).extend(labels)
    for one in pending:
        for fault in _pending_faults(one, definition, stocked):
            found.setdefault(_cause(fault), []).append(one.specimen)
    return [Outgrown(*cause, tuple(sorted(labels))) for cause, labels in found.items()]


def _cause(fault: RowFault) -> tuple[str, str, str]:
    """Return key, words and what is allowed: what rows at the same fault have in common."""
    value = f" {show(fault.found)}" if isinstance(fault.found, str) else ""
    return (fault.key or "", f"{fault.column}{value} {fault.what}", fault.allowed or "")


def disagreement(
    directory: str | Path, definition: Definition, ledger: Ledger, *, recorded: bool = True,
    awaited: bool = True,
) -> UserError | None:
    """Word what the ledger holds and the definition no longer has; None where they agree.

    Parameters
    ----------
    directory : path
        Campaign folder, named in the next step.
    definition : Definition
    ledger : Ledger
    recorded, awaited : bool, default True
        Look at recorded specimens, and at pending ones.
    """
    gone = ledger.excluded() if recorded else ()
    held = {label: cells for label, cells in ledger.known().items() if label not in gone} if recorded else {}
    found = outgrown(definition, held, ledger.pending() if awaited else ())
    if not found:
        return None
    labels = {label for one in found for label in one.specimens}
    many = len(labels) != 1
    what = (f"{len(labels)} {'specimens' if many else 'specimen'} of the ledger no longer "
            f"{'fit' if many else 'fits'} the definition")  # fmt: skip
    fix = (
        "put it back in campaign.toml; or, where the rows are what is wrong, mend their result file and "
        f"`trialwright record {printable(str(directory), limit=200)} FILE --correct --why \"...\"`; or leave each out: "
        f"`trialwright record {printable(str(directory), limit=200)} --exclude ID --why \"...\"`"
    )
    if len(found) == 1:
        (one,) = found
        return UserError(f"{what}: {one.line()}", where=f"campaign.toml, key {one.key}", allowed=one.allowed, fix=fix)
    lines = [f"  key {one.key}: {one.line()}; allowed: {one.allowed}" for one in found[:MAX_KINDS]]
    lines += [f"  and {len(found) - MAX_KINDS} more"] if len(found) > MAX_KINDS else []
    return UserError("\n".join([what, *lines]), where="campaign.toml", fix=fix)


def require_agreement(directory: str | Path, definition: Definition, ledger: Ledger, **which: bool) -> None:
    """Raise where the ledger and the definition disagree; parameters as `disagreement`.

    Raises
    ------
    UserError
    """
    fault = disagreement(directory, definition, ledger, **which)
    if fault is not None:
        raise fault


def sentence(error: UserError) -> str:
    """Return a disagreement in one line, for a list of warnings."""
    return "; ".join(line.strip() for line in str(error).splitlines())


def _recorded_faults(
    specimen: Specimen, definition: Definition, stocked: Mapping[str, str]
) -> Iterator[RowFault]:
    """Rules that a measured specimen breaks; a feature counts once something was seen of its section."""
    seen = (specimen.recrystallised, specimen.film_depth_um, specimen.clad_left_um)
    for fault in definition_faults(specimen, definition, stocked):
        if fault.column != "section_feature" or any(one is not None for one in seen):
            yield fault


def _pending_faults(
    specimen: Specimen, definition: Definition, stocked: Mapping[str, str]
) -> Iterator[RowFault]:
    """Rules that an awaited specimen breaks; its type must be one that the lab can make."""
    if specimen.specimen_type not in definition.specimens:
        known = ", ".join(one for one in TYPES if one in definition.specimens)
        yield RowFault("specimen_type", "is awaited, but is no type of [specimens]",
                       specimen.specimen_type, known, "specimens")  # fmt: skip
    yield from definition_faults(specimen, definition, stocked)
