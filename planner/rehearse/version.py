"""Which code a rehearsal's results depend on: results of other code are neither reused nor mixed in."""

from __future__ import annotations

from functools import cache
from pathlib import Path

from models.fit import code_digest

CODE = ("models/**/*.py", "planner/encode.py", "planner/window/*.py", "planner/acquisition/*.py", "planner/cycle/*.py", "planner/rehearse/*.py")


@cache
def code_key() -> str:
    """Return the digest of the code that a rehearsal's results depend on."""
    root = Path(__file__).resolve().parents[2]
    return code_digest(*(path for pattern in CODE for path in root.glob(pattern)))
