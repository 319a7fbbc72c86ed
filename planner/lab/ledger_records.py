"""Why this module exists: what the ledger says, as small frozen records.

Kept apart from the ledger itself so that rooms which only read its answers need not
know how they are kept.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from planner.lab.specimen import Specimen


@dataclass(frozen=True)
class RecordOutcome:
    """What recording did, in specimens."""

    recorded: int = 0  #: new
    completed: int = 0  #: blanks filled
    corrected: int = 0  #: filled cells changed, with a reason
    unchanged: int = 0  #: already known
    warnings: tuple[str, ...] = ()

    @property
    def words(self) -> str:
        """The counts that are not 0, as a clause."""
        counts = {name: getattr(self, name) for name in ("recorded", "completed", "corrected", "unchanged")}
        return ", ".join(f"{n} {name}" for name, n in counts.items() if n) or "no row"

    def __add__(self, other: RecordOutcome) -> RecordOutcome:
        return RecordOutcome(
            self.recorded + other.recorded, self.completed + other.completed,
            self.corrected + other.corrected, self.unchanged + other.unchanged,
            self.warnings + other.warnings,
        )  # fmt: skip


@dataclass(frozen=True)
class Revision:
    """One entry about one specimen."""

    sequence: int  #: position in the whole ledger, from 1
    specimen: str
    kind: str  #: recorded | completed | corrected | excluded | included
    cells: Mapping[str, str]  #: state after it
    time: str  #: UTC, ISO
    reason: str
    file: str
    row: int | None
    digest: str  #: chain digest


@dataclass(frozen=True)
class FileEntry:
    """One recorded version of a result file."""

    name: str
    digest: str
    rows: int  #: specimens in it
    time: str


@dataclass(frozen=True)
class PlanEntry:
    """One issued plan."""

    number: int
    digest: str  #: SHA-256 of its plan.csv
    specimens: tuple[Specimen, ...]
    supersedes: tuple[int, ...]
    time: str
