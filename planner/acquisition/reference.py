"""The map as the planner sees it: reference points and how the draws disagree about them.

Made once from the window's conformance matrix and handed to everything that chooses: targets of the gain, where the
boundary runs, which point a trial speaks of, and how sure one is there now.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Protocol

import numpy as np
from scipy.special import ndtri

from planner.acquisition.candidate import Candidate
from planner.acquisition.scores import normal_scores

FACTORS = ("forming_temperature_degC", "strain", "braze_temperature_degC", "braze_time_min")


class ConditionArrays(Protocol):
    """Set points as arrays of one length: temper number and the four factors in their units."""

    temper: np.ndarray
    forming_temperature: np.ndarray
    strain: np.ndarray
    braze_temperature: np.ndarray
    braze_time: np.ndarray


@dataclass(frozen=True)
class ReferenceMap:
    """Reference points with the posterior's disagreement about each."""

    tempers: tuple[str, ...]
    """Names by temper number."""
    ranges: dict[str, tuple[float, float]]
    """Range of each factor of the box, by factor key."""
    temper: np.ndarray
    """(n_points,) temper numbers."""
    settings: np.ndarray
    """(n_points, 4) set values in the order of ``FACTORS``."""
    z: np.ndarray
    """(n_draws, n_points) normal scores of conformance."""
    z0: np.ndarray
    """(n_points,) thresholds: a draw says that the point conforms where ``z > z0``."""
    c: np.ndarray
    """(n_points,) P(conformance >= R | data)."""
    chain: np.ndarray
    """(n_draws,) chain of each draw."""
    claimed: np.ndarray
    """(n_points,) true inside the joint claim."""

    @classmethod
    def of(
        cls,
        conditions: ConditionArrays,
        conformance: np.ndarray,
        *,
        tempers: Sequence[str],
        ranges: dict[str, tuple[float, float]],
        reliability: float,
        chain: np.ndarray,
        claimed: np.ndarray | None = None,
    ) -> ReferenceMap:
        """Build the map from conformance.

        Parameters
        ----------
        conditions : ConditionArrays
            (n_points,) arrays.
        conformance : (n_draws, n_points) array
        tempers : sequence of str
        ranges : dict
            Factor key to (low, high).
        reliability : float
            R.
        chain : (n_draws,) int array
        claimed : (n_points,) bool array, optional
            Default: nothing is claimed.
        """
        scores = normal_scores(conformance, reliability=reliability)
        columns = (conditions.forming_temperature, conditions.strain, conditions.braze_temperature, conditions.braze_time)
        return cls(
            tempers=tuple(tempers),
            ranges=dict(ranges),
            temper=np.asarray(conditions.temper, int),
            settings=np.column_stack([np.asarray(c, float) for c in columns]),
            z=scores.z,
            z0=scores.z0,
            c=scores.c,
            chain=np.asarray(chain, int),
            claimed=np.zeros(scores.c.size, bool) if claimed is None else np.asarray(claimed, bool),
        )

    def of_draws(self, rows: np.ndarray) -> ReferenceMap:
        """Return the map as only some of the draws would have it.

        Parameters
        ----------
        rows : (n_draws,) bool or (n,) int array
            Draws kept; shares and thresholds are made anew among them, scores are kept.
        """
        c = (self.z > self.z0)[rows].mean(axis=0)
        return replace(self, z=self.z[rows], z0=ndtri(1.0 - c), c=c, chain=self.chain[rows])

    @property
    def misclassification(self) -> float:
        """H: mean of min(c, 1 - c)."""
        return float(np.minimum(self.c, 1.0 - self.c).mean())

    @cached_property
    def scaled(self) -> np.ndarray:
        """(n_points, 4) settings with each factor's range as 0 to 1."""
        return self.scale(self.settings)

    def scale(self, settings: np.ndarray) -> np.ndarray:
        """Express settings (n, 4) in units of the box."""
        low = np.array([self.ranges[key][0] for key in FACTORS])
        high = np.array([self.ranges[key][1] for key in FACTORS])
        return (settings - low) / (high - low)

    def nearest(self, candidates: Sequence[Candidate]) -> np.ndarray:
        """Return the reference point nearest to each candidate, in its temper; what it lacks does not count."""
        found = np.zeros(len(candidates), int)
        for i, candidate in enumerate(candidates):
            members = np.flatnonzero(self.temper == self.tempers.index(candidate.temper))
            values = [getattr(candidate, key) for key in FACTORS]
            given = np.array([v is not None for v in values])
            at = self.scale(np.array([[np.nan if v is None else v for v in values]]))[0]
            apart = self.scaled[np.ix_(members, np.flatnonzero(given))] - at[given]
            found[i] = members[np.argmin((apart**2).sum(axis=1))] if members.size else 0
        return found
