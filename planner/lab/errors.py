"""Why this module exists: a lab should never see a traceback for its own slip.

Every mistake that a person can mend is raised as `UserError`. It carries one
message that says what is wrong, what was found, where, what is allowed and what
to do next; the command line prints it and ends with exit status 2. Any other
exception is a bug of the program. This is the bottom of the house: it imports
nothing of our own.
"""

from __future__ import annotations

import unicodedata

#: Longest piece of a user's own text that a message repeats.
SHOWN_CHARACTERS = 80


class TrialwrightError(Exception):
    """Base of every error that the program raises on purpose."""


class UserError(TrialwrightError):
    """A mistake that the user can mend; its text is the one message shown.

    Parameters
    ----------
    what : str
        What is wrong, in one sentence.
    found : object, optional
        The value found (shortened and made safe to print).
    where : str, optional
        File, row and column, or file and key.
    allowed : str, optional
        What would have been accepted.
    fix : str, optional
        The next step, with the command to run.

    Examples
    --------
    >>> print(UserError("strain is too large", found="12", where="week1.csv, row 3, column strain"))
    week1.csv, row 3, column strain: strain is too large
      found: '12'
    """

    def __init__(
        self,
        what: str,
        *,
        found: object = None,
        where: str | None = None,
        allowed: str | None = None,
        fix: str | None = None,
    ) -> None:
        self.what = what
        self.found = found
        self.where = where
        self.allowed = allowed
        self.fix = fix
        lines = [f"{where}: {what}" if where else what]
        if found is not None:
            lines.append(f"  found: {show(found)}")
        if allowed:
            lines.append(f"  allowed: {allowed}")
        if fix:
            lines.append(f"  next: {fix}")
        super().__init__("\n".join(lines))


def show(value: object, *, limit: int = SHOWN_CHARACTERS) -> str:
    """Return a short, printable form of any value found in a user's file.

    Parameters
    ----------
    value : object
        Text is quoted; control and direction characters are escaped.
    limit : int, default 80
        Longest text returned, in characters.

    Returns
    -------
    str
        Never raises, whatever the value holds.
    """
    if isinstance(value, str):
        return f"'{printable(value[: limit + 1], limit=limit)}'"
    try:
        text = str(value)
    except (RecursionError, ValueError):
        text = f"a {type(value).__name__} too large to show"
    return printable(text, limit=limit)


def printable(text: str, *, limit: int = 500) -> str:
    """Escape what a terminal could misread and cut the text at `limit` characters."""
    shown = "".join(
        character if unicodedata.category(character)[0] != "C" else f"\\u{ord(character):04x}"
        for character in text[:limit]
    )
    return shown + ("..." if len(text) > limit else "")
