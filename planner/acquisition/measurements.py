"""What the models must tell the planner about specimens not yet made.

The planner never sees a model.  It sees arrays: for each measurement that a candidate specimen would yield, the expected
outcome under every posterior draw, the scatter about it, and how a lot or furnace load not yet seen would move
it.  Everything the linear-Gaussian batch update needs is in :class:`Measurements`; whoever holds the models supplies
an object with the one method of :class:`Predictor`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import Protocol

import numpy as np

from planner.acquisition.candidate import Candidate

KINDS = (
    "limit_strain",
    "springback_angle",
    "gap",
    "film_depth",
    "clad_left",
    "recrystallised",
    "cracked",
    "joints_sound",
    "leaked",
)


@dataclass(frozen=True)
class Measurements:
    """Second-moment description of the measurements of a list of candidates, one row a measurement.

    ``noise`` is the *whole* scatter of a measurement about its draw's expectation, the share of new lots and loads
    included; the loadings and ``within`` only add what two measurements have in common, off the diagonal:
    ``E[Cov(y_i, y_j | draw)] = lot_i . lot_j [same lot] + load_i . load_j [same load] + within_ij [same specimen]``.
    """

    F: np.ndarray
    """(n_draws, n_measurements) expected outcome per draw: log scale for log responses, probability for yes/no."""
    noise: np.ndarray
    """(n_measurements,) mean over draws of the outcome's variance given the draw."""
    candidate: np.ndarray
    """(n_measurements,) index of the candidate that yields it, not decreasing."""
    kind: np.ndarray
    """(n_measurements,) one of ``KINDS``."""
    is_binary: np.ndarray
    """(n_measurements,) true for a single yes/no outcome, whose F is its probability."""
    lot_loading: np.ndarray
    """(n_measurements, 3) response to one standard deviation of each effect of a new lot; 0 where the lot is known."""
    load_loading: np.ndarray
    """(n_measurements, 4) response to one standard deviation of each effect of a new furnace load."""
    typical: np.ndarray | None = None
    """(n_measurements,) what is taken off a reading that a crack may prevent, which then counts as 0; default 0."""
    within: np.ndarray | None = None
    """(n_measurements, len(KINDS)) mean over draws of the covariance, given the draw, lot and load, with the reading of each kind
    of the same specimen; default 0. What stands under a reading's own kind is not read: its variance is in ``noise``."""

    def __post_init__(self) -> None:
        n = self.noise.shape[0]
        if self.typical is None:
            object.__setattr__(self, "typical", np.zeros(n))
        if self.within is None:
            object.__setattr__(self, "within", np.zeros((n, len(KINDS))))
        if self.F.ndim != 2 or self.F.shape[1] != n:
            raise ValueError(f"F must be (n_draws, {n}), got {self.F.shape}")
        for name in ("candidate", "kind", "is_binary", "lot_loading", "load_loading", "typical", "within"):
            if getattr(self, name).shape[0] != n:
                raise ValueError(f"{name} must have {n} rows, got {getattr(self, name).shape}")
        if n and np.any(np.diff(self.candidate) < 0):
            raise ValueError("measurements must be ordered by candidate")
        if self.within.any() and len(np.unique(self.candidate * len(KINDS) + self.kind_number)) < n:
            raise ValueError("a specimen whose readings go together must yield each kind once")

    @property
    def kind_number(self) -> np.ndarray:
        """(n_measurements,) place of each measurement's kind in ``KINDS``."""
        names, place = np.unique(self.kind, return_inverse=True)
        return np.array([KINDS.index(name) for name in names], int)[place]

    def specimen(self, rows: np.ndarray) -> np.ndarray:
        """Return which specimen of a batch each measurement is of, from 0, for whole candidates' rows one behind the other.

        A candidate that comes twice is two specimens.
        """
        starts = np.searchsorted(self.candidate, self.candidate[rows]) == rows
        return np.cumsum(starts) - 1

    def joined(self, other: Measurements, *, shift: int) -> Measurements:
        """Append another list of measurements whose candidates are numbered from ``shift``."""
        parts = {f.name: (getattr(self, f.name), getattr(other, f.name)) for f in fields(self)}
        parts["candidate"] = (self.candidate, other.candidate + shift)
        joined = {name: np.concatenate(pair, axis=1 if name == "F" else 0) for name, pair in parts.items()}
        return Measurements(**joined)

    def of_draws(self, rows: np.ndarray) -> Measurements:
        """Keep the given draws only."""
        kept = {f.name: getattr(self, f.name) for f in fields(self)}
        return Measurements(**{**kept, "F": self.F[rows]})


class Predictor(Protocol):
    """Supplies the measurements of candidates; implemented where the models are known."""

    def measurements(self, candidates: Sequence[Candidate]) -> Measurements:
        """Return the measurements that these candidates would yield, ordered by candidate."""
        ...
