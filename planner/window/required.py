"""The criteria as numbers: what a good component is, for the code that computes probabilities of it."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Required:
    """The criteria as numbers; None where a criterion is not required."""

    cracked: bool                 # True: must not crack
    gap_max: float | None         # mm
    sound_min: int | None         # joints of `n_joints`
    film_max: float | None        # um
    leaked: bool                  # True: must not leak
    n_joints: int
