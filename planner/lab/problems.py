"""Why this module exists: a file with several mistakes deserves one message, not one a try.

Intake and ledger collect `Problem`s and raise them together; the whole file is
refused, and the message says so.
"""

from __future__ import annotations

from dataclasses import dataclass

from planner.lab.errors import UserError, printable, show
from planner.lab.rules import RowFault
from planner.lab.specimen import COLUMN_BY_NAME, cell_text

#: Most problems that one message lists.
MAX_LISTED = 10


@dataclass(frozen=True)
class Problem:
    """One mistake in a result file."""

    where: str  #: file and row
    column: str | None  #: header of the column; None when the row itself is at fault
    what: str
    found: object = None
    allowed: str | None = None
    cause: str | None = None

    @classmethod
    def of(cls, fault: RowFault, name: str, row: int) -> Problem:
        """Place a row's fault in its file."""
        return cls.at(place(name, row), fault)

    @classmethod
    def at(cls, where: str, fault: RowFault) -> Problem:
        """Place a row's fault at an already worded place."""
        column = COLUMN_BY_NAME.get(fault.column)
        header = column.header if column else fault.column
        found = None if fault.found is None else cell_text(fault.found)
        return cls(where, header, fault.what, found, fault.allowed)

    @property
    def place(self) -> str:
        """File, row and column."""
        return self.where + (f", column {printable(self.column, limit=60)}" if self.column else "")

    def line(self) -> str:
        """The problem in one line."""
        text = f"{self.place}: {self.what}"
        text += f"; found {show(self.found)}" if self.found is not None else ""
        text += f"; allowed: {self.allowed}" if self.allowed else ""
        return text + (f"; {self.cause}" if self.cause else "")


def place(name: str, row: int) -> str:
    """Name a row of a file as a spreadsheet shows it."""
    return f"{name}, row {row}"


def refusal(problems: list[Problem], name: str, *, fix: str | None = None) -> UserError:
    """Make the one error of a refused file.

    Parameters
    ----------
    problems : list of Problem
        At least one.
    name : str
        File name.
    fix : str, optional
        Next step; default: mend the file and record again.
    """
    fix = fix or f"mend {name}, then `trialwright record DIR`; nothing of this file was recorded"
    if len(problems) == 1:
        (one,) = problems
        return UserError(
            one.what + (f" ({one.cause})" if one.cause else ""),
            found=one.found, where=one.place, allowed=one.allowed, fix=fix,
        )  # fmt: skip
    lines = [f"  {one.line()}" for one in problems[:MAX_LISTED]]
    if len(problems) > MAX_LISTED:
        lines.append(f"  and {len(problems) - MAX_LISTED} more")
    return UserError("\n".join([f"{len(problems)} problems", *lines]), where=name, fix=fix)
