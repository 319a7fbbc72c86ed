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


def own_score(common, score, spread, *, xp=np):
    """Return the own standard normal behind a mixed score: the inverse of `mixed_score`."""
    return (xp.sqrt(1.0 + spread * spread) * score - common) / spread


def log_score_ratio(common, score, spread, *, xp=np):
    """Return ln p(score | common, spread) - ln N(score; 0, 1).

    With it the score itself can be sampled in place of the own part.  Where a group's data fix its score, common, own and
    spread would otherwise be confined to a thin curved sheet, which stops a sampler (Papaspiliopoulos, Roberts & Skold,
    Statistical Science 22 (2007) 59: centre where the data are informative).
    """
    own = own_score(common, score, spread, xp=xp)
    return 0.5 * (score * score - own * own) + 0.5 * xp.log(1.0 + spread * spread) - xp.log(spread)
