"""Why this module exists: what a row means depends on what the ledger already holds.

A row may be new, repeat what is known, fill blanks (a completion) or contradict a
recorded cell. `compare` decides, from cells alone; the ledger only writes down what
it says. A row is read against what *its own file* said before, where it did: cells
that the file leaves as they were say nothing new, even if another file has since
completed or corrected them.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import cached_property
from typing import Literal

from planner.lab.errors import UserError, printable
from planner.lab.specimen import COLUMN_BY_NAME, Specimen, specimen_of

Cells = dict[str, str]
Kind = Literal["recorded", "completed", "corrected", "unchanged"]


@contextmanager
def legible(what: str) -> Iterator[None]:
    """Turn what reading an altered entry raises into a message."""
    try:
        yield
    except (ValueError, TypeError, KeyError, AttributeError) as error:
        raise UserError(
            f"{what} can no longer be read", found=str(error), where="ledger.sqlite",
            fix="it was altered by another program; restore ledger.sqlite from a backup",
        ) from None  # fmt: skip


@dataclass
class Holding:
    """What the ledger holds of one specimen."""

    cells: Cells  #: current state
    place: str  #: file and row of the latest revision
    submitted: list[Cells] = field(default_factory=list)  #: every version a file gave
    by_file: dict[str, Cells] = field(default_factory=dict)  #: latest version by file name
    excluded: bool = False
    reason: str = ""  #: of the exclusion

    @cached_property
    def specimen(self) -> Specimen:
        """The current state as a specimen.

        Raises
        ------
        UserError
            When the entry was altered behind the program's back and can no longer be read.
        """
        with legible(f"what is held of {printable(self.cells.get('specimen', 'a specimen'))} ({self.place})"):
            return specimen_of(self.cells)

    def becomes(self, cells: Cells) -> None:
        """Take a new state."""
        self.cells = cells
        self.__dict__.pop("specimen", None)


@dataclass(frozen=True)
class Comparison:
    """What a row does to the ledger."""

    kind: Kind
    cells: Cells  #: state after it
    conflicts: tuple[tuple[str, str, str], ...] = ()  #: (column, recorded, found); found may be ""


def compare(
    held: Holding | None,
    cells: Mapping[str, str],
    *,
    file: str,
    columns: Iterable[str] | None = None,
    correct: bool = False,
) -> Comparison:
    """Decide what a row's cells do to what is held.

    Parameters
    ----------
    held : Holding or None
        None for a specimen not yet recorded.
    cells : mapping of str to str
        Canonical cells of the row.
    file : str
        Name of the file it comes from.
    columns : iterable of str, optional
        Columns the file speaks of; other cells are left as held. Default: all.
    correct : bool, default False
        A changed cell is a correction instead of a conflict.

    Returns
    -------
    Comparison
        With `conflicts` where a filled cell changes or goes blank and `correct` is
        not given.
    """
    new = dict(cells)
    if held is None:
        return Comparison("recorded", new)
    spoken = None if columns is None else set(columns)
    said = {name: text for name, text in new.items() if spoken is None or name in spoken}
    edited = file in held.by_file and held.by_file[file] != said      # back to what it said earlier, perhaps: an edit all the same
    if new == held.cells or (not correct and not edited and said in held.submitted):
        return Comparison("unchanged", held.cells)
    base = held.by_file.get(file, {})
    state = dict(held.cells)
    changed, filled = [], False
    for name in dict.fromkeys([*held.cells, *new]):
        before, after = held.cells.get(name, ""), new.get(name, "")
        silent = after == base.get(name, "") and file in held.by_file
        if before == after or silent or (spoken is not None and name not in spoken):
            continue
        if before:
            changed.append((name, before, after))
        else:
            filled = True
        if after:
            state[name] = after
        else:
            del state[name]
    if changed and not correct:
        return Comparison("unchanged", held.cells, tuple(changed))
    if changed:
        return Comparison("corrected", _in_order(state))
    return Comparison("completed" if filled else "unchanged", _in_order(state))


def _in_order(cells: Cells) -> Cells:
    """Put cells in the order of the contract's columns, own columns last."""
    order = {name: i for i, name in enumerate(COLUMN_BY_NAME)}
    return dict(sorted(cells.items(), key=lambda item: (order.get(item[0], len(order)), item[0])))
