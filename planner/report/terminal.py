"""Standard output and standard error: JSON for programs, pictures for people, lines of progress while long work runs.

Light by itself: the library that draws is brought in when something is drawn.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Callable
from typing import Any


def never_refuse_a_character() -> None:
    """Let a terminal that lacks a character show its code instead of ending the program."""
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="backslashreplace")


LASTING = "! "
"""Begins a line that stays to be read; the next one takes the place of any other where someone is looking."""


class Progress:
    """Lines of progress on standard error, with a spinner where someone is looking; what was said to stay is not said twice."""

    def __init__(self):
        from rich.console import Console

        self.console = Console(stderr=True)
        self.status = self.console.status("starting") if self.console.is_terminal else None
        self.stayed: set[str] = set()

    def __enter__(self):
        if self.status:
            self.status.start()
        return self

    def __exit__(self, *_):
        if self.status:
            self.status.stop()

    def __call__(self, text: str) -> None:
        from rich.markup import escape
        from rich.text import Text

        if text.removeprefix(LASTING) in self.stayed:
            return
        if text.startswith(LASTING):
            self.stayed.add(text.removeprefix(LASTING))
            self.console.print(Text(text), soft_wrap=True)
        elif self.status:
            self.status.update(escape(text))
        else:
            print(text, file=sys.stderr)


def show(arguments, record: dict[str, Any], picture: Callable) -> None:
    """Print a record as JSON where `arguments.json` asks for it, else the picture: console -> something that rich prints."""
    if arguments.json:
        print(json.dumps(record, ensure_ascii=not _takes_everything(sys.stdout), allow_nan=False, default=_plain))
    else:
        console = _console()
        console.print(picture(console))


def _console():
    from rich.console import Console

    return Console(soft_wrap=False, width=None if sys.stdout.isatty() else 100)


def _takes_everything(stream) -> bool:
    """Tell whether a stream takes every character."""
    return (getattr(stream, "encoding", None) or "utf-8").lower().replace("-", "") in ("utf8", "utf8sig")


def _plain(value):
    if hasattr(value, "isoformat"):
        return value.isoformat()
    if hasattr(value, "tolist"):
        return value.tolist()
    if isinstance(value, (set, tuple)):
        return list(value)
    raise TypeError(f"no plain form of {type(value).__name__}")
