"""What would be claimed, and whether the target would be certified, once the draws have moved.

The rules are those of the window (`planner.window.joint_claim`): the largest region {c >= rho} of a nested family, ordered on half of the
chains and certified as a whole on the other half at C and its margin, on the reference points, on a second set, and on neighbours of every
point at the region's edge. The points are chosen beforehand, on today's posterior, where a claim is within reach; a point that is sure or
not at its own place is far from being part of a region that is sure as a whole, so nothing less tells the claimed share.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from planner.window.decision import Halves

HOPEFUL = 0.5
"""c, today, from which a point may belong to a claim in the weeks looked at."""
SURROUNDED, MOST_SURROUNDED = 0.7, 128
"""c, today, from which a reference point has neighbours ready for when it stands at the edge of a claim; how many such points at most."""
NEAREST = 8
"""Nearest reference points of which one outside makes a member a point of the edge, as in the window."""


@dataclass(frozen=True)
class Watched:
    """Points on which claims of the coming weeks are read."""

    z: np.ndarray
    """(n_draws, n) normal scores of conformance: reference points first, then others that a claim must hold on."""
    z0: np.ndarray
    """(n,) their thresholds; -inf where every draw conforms, inf where none does."""
    n_reference: int
    """Leading columns that are reference points."""
    n_points: int
    """Reference points in all, of which the claimed share is a share."""
    parent: np.ndarray
    """(n,) the reference column that a point is a neighbour of, which alone makes it count; -1 counts always."""
    near: np.ndarray
    """(n_reference, k) the nearest reference columns of each; -1 for a reference point that is no column."""
    level: float
    """Joint probability that certifies a region: C and the margin of the draws behind the window."""
    target: tuple[np.ndarray, np.ndarray] | None = None
    """z and z0 of points inside the target; None without one."""
    target_level: float = 1.0
    """Joint probability that certifies the target."""

    @classmethod
    def plain(cls, z: np.ndarray, z0: np.ndarray, *, level: float) -> Watched:
        """Watch reference points alone."""
        n = len(z0)
        return cls(z, z0, n, n, np.full(n, -1), np.zeros((n, 0), int), level)


def claimed_share(conforms: np.ndarray, watched: Watched, split: Halves, *, confidence: float) -> float:
    """Return the share of the reference points in the largest certified region.

    Parameters
    ----------
    conforms : bool array (n_draws, n)
        Whether each watched point conforms, by draw.
    watched : Watched
    split : Halves
    confidence : float
        C.
    """
    ordering = conforms[split.order].mean(axis=0)
    hopeful = np.flatnonzero(ordering >= confidence)
    if not hopeful.size:
        return 0.0
    hopeful = hopeful[np.argsort(-ordering[hopeful], kind="stable")]
    c_order, c = ordering[hopeful], conforms[:, hopeful].mean(axis=0)
    bits = np.packbits(conforms[np.ix_(split.certify, hopeful)].T, axis=1)
    parent, reference = watched.parent[hopeful], hopeful < watched.n_reference
    counts, surrounded = parent < 0, np.zeros(watched.n_reference, bool)
    while True:
        rho = _threshold(c_order[counts], bits[counts], watched.level, split.certify.size)
        member = np.zeros(watched.n_reference + 1, bool)          # the last stands for points that are no column
        member[hopeful[reference & (c_order >= rho) & (c >= confidence)]] = True
        inside = np.flatnonzero(member)
        edge = inside[~member[watched.near[inside]].all(axis=1)]
        if surrounded[edge].all():
            return inside.size / watched.n_points
        surrounded[edge] = True
        counts |= (parent >= 0) & surrounded[parent]


def _threshold(c: np.ndarray, bits: np.ndarray, level: float, n_draws: int) -> float:
    """Return the least rho whose region {c >= rho} is certified, inf where none is; `c` falls."""
    if not c.size:
        return np.inf
    joint = np.bitwise_count(np.bitwise_and.accumulate(bits, axis=0)).sum(axis=1) / n_draws
    whole = np.append(c[1:] != c[:-1], True)                      # a region takes all points of equal c
    good = np.flatnonzero(whole & (joint >= level))
    return float(c[good[-1]]) if good.size else np.inf
