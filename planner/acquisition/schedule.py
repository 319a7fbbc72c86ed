"""In which order the week's specimens are formed, and what they are called.

Tool temperatures are hard to change, so specimens run in blocks of one temperature: rising in odd weeks, falling in even
ones, so that whatever drifts over a week is not confounded with temperature.  Inside a block the order is random, and furnace
loads are numbered at random.  All of it follows from the generator.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class Slot:
    """Place of one specimen in the week."""

    index: int
    """Position of the specimen in the list given."""
    sequence: int
    """Order of forming, from 1."""
    specimen: str
    """Fresh specimen id."""
    furnace_load: str | None
    """Fresh load label, ``None`` where it is not brazed."""


def schedule(
    temperatures: Sequence[float],
    loads: Sequence[int | None],
    *,
    week: int,
    number: int,
    known_specimens: Collection[str] = (),
    known_loads: Collection[str] = (),
    rng: np.random.Generator,
) -> list[Slot]:
    """Put specimens in order and name them.

    Parameters
    ----------
    temperatures : sequence of float
        Forming temperature of each specimen, degC.
    loads : sequence of int or None
        Furnace load of each specimen.
    week : int
        Week of the campaign, from 1: blocks rise in odd weeks and fall in even ones.
    number : int
        Number of the plan, which the new names carry.
    known_specimens, known_loads : collections of str
        Names in use.
    rng : numpy.random.Generator

    Returns
    -------
    list of Slot
        In forming order.
    """
    shuffled = rng.permutation(len(temperatures))
    direction = 1.0 if week % 2 else -1.0
    order = sorted(shuffled.tolist(), key=lambda i: direction * temperatures[i])
    distinct = list(dict.fromkeys(load for load in loads if load is not None))
    drawn = rng.permutation(len(distinct)).tolist()
    specimen, load = (_prefix(number, kind, names) for kind, names in (("-", known_specimens), ("-L", known_loads)))
    label = {key: f"{load}{drawn[i] + 1}" for i, key in enumerate(distinct)}
    return [
        Slot(i, at, f"{specimen}{at:02d}", None if loads[i] is None else label[loads[i]])
        for at, i in enumerate(order, start=1)
    ]


def _prefix(number: int, separator: str, known: Collection[str]) -> str:
    """Return a prefix such as ``P003-`` that no known name begins with, letter case aside."""
    taken = [name.casefold() for name in known]
    letters = ["", *"bcdefghijklmnopqrstuvwxyz"]
    tries = (f"P{number:03d}{a}{b}{separator}" for a in letters for b in letters)
    return next(p for p in tries if not any(name.startswith(p.casefold()) for name in taken))
