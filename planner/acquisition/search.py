"""The one search that every design here goes through: build up greedily, then improve by exchange.

A week's batch under a dozen limits and a textbook D-optimal design differ in what a step is and in what it is worth, not
in how the search runs.  Both offer the same few calls, so checks against published optimal designs exercise the code that
chooses specimens.

References
----------
Fedorov, V. V. (1972), Theory of Optimal Experiments, ch. 3 (exchange).
Jones, B. & Goos, P. (2007), Applied Statistics 56, 347-364 (coordinate exchange of split-plot designs).
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterable
from typing import Any, Protocol


class Searchable(Protocol):
    """A design under construction whose value is to be raised."""

    def value(self) -> float:
        """Return what the design is worth now."""
        ...

    def next_step(self) -> Any | None:
        """Return the best admissible addition, or ``None`` when there is none worth making."""
        ...

    def take(self, step: Any) -> None:
        """Make a step returned by :meth:`next_step` or a change returned by :meth:`propose`."""
        ...

    def moves(self) -> Iterable[Hashable]:
        """Return the kinds of exchange to try, in the order in which to try them."""
        ...

    def propose(self, move: Hashable) -> tuple[float, Any] | None:
        """Return the value that the best admissible form of a move would give, and the change that gives it."""
        ...


def greedy(design: Searchable, *, most: int = 10_000) -> int:
    """Add the best step until none is left.

    Parameters
    ----------
    design : Searchable
    most : int, default 10 000
        Largest number of steps.

    Returns
    -------
    int
        Steps made.
    """
    for made in range(most):
        step = design.next_step()
        if step is None:
            return made
        design.take(step)
    return most


def exchange(
    design: Searchable, *, passes: int = 4, tolerance: float = 1e-9, before: Callable[[], None] = lambda: None
) -> list[float]:
    """Try every move in turn and keep those that raise the value, until a whole pass changes nothing.

    Parameters
    ----------
    design : Searchable
    passes : int, default 4
    tolerance : float, default 1e-9
        Least rise of the value that counts.
    before : callable, optional
        Called before each accepted move.

    Returns
    -------
    list of float
        The value at the start and after each accepted move: never falling.
    """
    trace = [design.value()]
    for _ in range(passes):
        start = trace[-1]
        for move in list(design.moves()):
            offer = design.propose(move)
            if offer is not None and offer[0] > trace[-1] + tolerance:
                before()
                design.take(offer[1])
                trace.append(design.value())
        if trace[-1] <= start + tolerance:
            break
    return trace
