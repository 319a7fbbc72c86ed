"""Why this module exists: every rule about a definition says what is wrong in the same shape, and knows a near miss.

Rules of `campaign_rules.py` and `belief_rules.py` yield these; the reader turns them into one message.
"""

from __future__ import annotations

import difflib
from dataclasses import dataclass

Path = tuple[str | int, ...]


@dataclass(frozen=True)
class Fault:
    """One mistake in a definition."""

    path: Path  #: keys and zero-based positions from the top of the file
    what: str
    found: object = None
    allowed: str | None = None
    fix: str | None = None


def closest(name: str, known: list[str] | tuple[str, ...]) -> str | None:
    """Return the known word nearest to a misspelt one, or None."""
    near = difflib.get_close_matches(name[:100], known, n=1, cutoff=0.5)
    return near[0] if near else None
