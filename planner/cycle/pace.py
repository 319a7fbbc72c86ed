"""How far a long command has come, and how long it is likely to go on."""

from __future__ import annotations

import time
from collections.abc import Callable


class Pace:
    """Counts steps of about equal length.

    Parameters
    ----------
    total : steps ahead.
    what : a step in the plural, such as `refits`.
    beside : steps under way at a time; those not done yet count as half done.
    clock : seconds; for tests.
    """

    def __init__(self, total: int, what: str, *, beside: int = 1, clock: Callable[[], float] = time.monotonic):
        self.total, self.what, self.done, self._beside, self._clock, self._started = total, what, 0, beside, clock, clock()

    def step(self, n: int = 1) -> None:
        """Note steps that are done."""
        self.done = min(self.total, self.done + n)

    def skip(self) -> None:
        """Take a step off that need not be gone, its result being kept from before."""
        self.total = max(self.done, self.total - 1)

    def words(self) -> str:
        """Return `3 of 12 refits done, about 7 min to go`; without the time until one is done and once all are."""
        text = f"{self.done} of {self.total} {self.what} done"
        if not 0 < self.done < self.total:
            return text
        gone = self.done + 0.5 * (min(self._beside, self.total - self.done + 1) - 1)
        return f"{text}, about {duration((self._clock() - self._started) / gone * (self.total - gone))} to go"


def duration(seconds: float) -> str:
    """Return a time in words, rounded as an estimate is.

    Examples
    --------
    >>> [duration(x) for x in (3, 50, 100, 1500, 9000)]
    ['1 min', '1 min', '2 min', '25 min', '2.5 h']
    """
    minutes = max(1, round(seconds / 60))
    return f"{minutes} min" if minutes < 100 else f"{seconds / 3600:.1f} h"
