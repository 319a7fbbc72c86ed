"""Partial pooling, written once for every hierarchical level.

Two forms: the plain one (group = mean + spread x standard normal), which lots, loads and the textbook checks use, and
the one for tempers, where each temper has its own believed range: a common and an own standard normal are mixed so
that the marginal prior of every temper stays exactly its belief whatever the between-temper spread r turns out to be.
"""

from __future__ import annotations

import numpy as np


def pooled(mean, spread, z):
    """Return mean + spread z: the non-centred form of group effects (z standard normal)."""
    return mean + spread * z


def mixed_score(common, own, spread, *, xp=np):
    """Return (common + spread own)/sqrt(1 + spread^2): unit normal for any spread, correlated between groups by 1/(1 + spread^2).

    Parameters
    ----------
    common : (...,) or (..., 1) standard normal shared by the groups.
    own : (..., n_groups) standard normal of each group.
    spread : between-group spread relative to the common part, > 0.
    """
    return (common + spread * own) / xp.sqrt(1.0 + spread * spread)
