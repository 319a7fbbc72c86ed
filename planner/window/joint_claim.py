"""The joint claim: one region of which every point conforms, with one probability.

Colouring each point where c(x) >= C claims too much: each point may be wrong with
probability 1 - C, and over a region those risks add up. The claim here is about
the region as a whole. Regions {c >= rho} are nested, so one cumulative AND along
the conditions sorted by c gives the joint probability of all of them at once, and
the largest that is certified becomes the claim.

Ordering is done by c from the ordering chains and certifying by the other chains
(`decision.halves`), so a region is never certified on the draws that picked its
points. Because the family is nested, walking from large regions to small and
stopping at the first that passes is a fixed-sequence test: no further correction.

Membership of any point, on the reference set or off it, is

    c_order(x) >= rho   and   c(x) >= C,

with c_order from the ordering chains and c from all. The second part never binds
on a certified point (there both halves of the draws are at or above C); it keeps
claimed inside pointwise everywhere else.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from planner.window.box import FactorBox
from planner.window.decision import Conformance, Halves, Judged, join, judge
from planner.window.ess import indicator_ess
from planner.window.points import boundary_points, corners, jittered, reference_points

Z_95 = 1.6448536269514722
"""One-sided 95 % point of the standard normal: the margin of a certificate in standard errors."""

LEAST_ESS = 1000.0
"""Effective draws behind a certified probability, at least."""

_NOTHING = (
    "no region conforms as a whole with probability {:.3g}: "
    "more trials near the best conditions are needed before anything can be claimed"
)
_WAIT = (
    "a region is within reach of a claim, but only {:.0f} effective draws stand behind it; "
    "{:.0f} are required: about {} kept draws in all"
)
_CLAIMED = "every point of the claimed region conforms with probability at least {:.3g}"


def least_ess(confidence: float) -> float:
    """Return the effective draws a certificate at C needs: 1000, or more when C is so high that the margin passes 1."""
    return max(LEAST_ESS, Z_95**2 * confidence / (1.0 - confidence))


def certified_level(confidence: float, ess: float) -> float:
    """Return C + 1.645 sqrt(C (1 - C) / ESS): the estimated probability a certificate at C must reach.

    Examples
    --------
    >>> round(certified_level(0.95, 1000.0), 4)
    0.9613
    """
    return confidence + Z_95 * float(np.sqrt(confidence * (1.0 - confidence) / ess))


@dataclass(frozen=True)
class JointClaim:
    """The largest certified region {c >= rho}, over all tempers at once."""

    verdict: str
    """CLAIMED, NO_WINDOW (nothing can be claimed), or MORE_DRAWS (too few effective draws to tell)."""
    words: str
    """The verdict as a sentence with its remedy."""
    confidence: float
    """C."""
    rho: float
    """Threshold on c from the ordering chains; inf when nothing is claimed."""
    probability: float
    """Estimated P(every checked point of the region conforms | data); nan when nothing is claimed."""
    ess: float
    """Effective draws of that indicator; nan when there is no candidate region."""
    draws_needed: int | None
    """Kept draws, all chains together, that would be enough; None unless MORE_DRAWS."""
    n_checked: int
    """Points of the region on which it was certified."""
    curve_rho: np.ndarray
    """Thresholds, falling, (n_thresholds,)."""
    curve_probability: np.ndarray
    """Joint probability of {c >= rho} at each threshold, not rising as rho falls, (n_thresholds,)."""
    pool: Judged | None = field(default=None, repr=False, compare=False)
    """Every point that was looked at."""

    def members(self, judged: Judged) -> np.ndarray:
        """Tell which judged conditions belong to the claim, bool (n_conditions,)."""
        return (judged.c_order >= self.rho) & (judged.c >= self.confidence)


def joint_claim(
    conformance: Conformance,
    reference: Judged,
    *,
    box: FactorBox,
    reliability: float,
    confidence: float,
    split: Halves,
    seed: int,
    n_second: int | None = None,
) -> JointClaim:
    """Find the largest region that conforms as a whole with probability at least C.

    Certified on the reference points, a second scrambled set, the corners, and 8
    jittered neighbours of every boundary point of the claimed reference points.

    Parameters
    ----------
    conformance : callable
        conditions -> (n_draws, n_conditions).
    reference : Judged
        The reference points, judged with the same `split`.
    box : FactorBox
    reliability, confidence : float
        R and C.
    split : Halves
    seed : int
    n_second : int, optional
        Points of the second set; default: as many as the reference set.

    Returns
    -------
    JointClaim

    References
    ----------
    Bolin & Lindgren (2015), JRSS B 77, 85-106 (joint excursion sets);
    Azzimonti, Ginsbourger, Chevalier, Bect & Richet (2021), Technometrics 63
    (conservative sets of a nested family).
    """

    def look(conditions):
        return judge(conformance, conditions, reliability=reliability, split=split)

    n_reference = len(reference.c)
    second = look(reference_points(box, n_second or n_reference, seed=seed, scramble=1))
    pool = join([reference, second, look(corners(box))])
    surrounded = np.zeros(n_reference, dtype=bool)
    rng = np.random.default_rng([seed, 2])
    while True:
        claim = largest_certified(pool, confidence=confidence, split=split)
        if claim.verdict != "CLAIMED":
            return replace(claim, pool=pool)
        edge = boundary_points(box, reference.conditions, claim.members(reference))
        edge = edge[~surrounded[edge]]
        if edge.size == 0:
            return replace(claim, pool=pool)
        surrounded[edge] = True
        pool = join([pool, look(jittered(box, reference.conditions.take(edge), rng=rng))])


def joint_curve(judged: Judged, split: Halves) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Follow the joint probability of {c >= rho} as rho falls.

    Returns
    -------
    rho : float array (n_thresholds,)
        The distinct values of c on the ordering draws, falling.
    probability : float array (n_thresholds,)
        Share of certifying draws on which every condition with c >= rho conforms.
    survivors : uint8 array (n_thresholds, n_bytes)
        Those draws, packed.
    """
    order = np.argsort(-judged.c_order, kind="stable")
    c = judged.c_order[order]
    last = np.flatnonzero(np.append(c[1:] != c[:-1], True)) if len(c) else np.zeros(0, dtype=np.int64)
    survivors = np.bitwise_and.accumulate(judged.certify_bits[order], axis=0)[last]
    return c[last], np.bitwise_count(survivors).sum(axis=1) / split.certify.size, survivors


def largest_certified(judged: Judged, *, confidence: float, split: Halves) -> JointClaim:
    """Pick the largest certified region of the nested family on given points only.

    Parameters
    ----------
    judged : Judged
        All points on which regions are to hold.
    confidence : float
        C.
    split : Halves

    Returns
    -------
    JointClaim
    """
    rho, probability, survivors = joint_curve(judged, split)
    nothing = JointClaim(
        verdict="NO_WINDOW",
        words=_NOTHING.format(confidence),
        confidence=confidence,
        rho=np.inf,
        probability=np.nan,
        ess=np.nan,
        draws_needed=None,
        n_checked=0,
        curve_rho=rho,
        curve_probability=probability,
    )
    n_certify = split.certify.size
    needed = least_ess(confidence)
    hopeful = min(1.0, certified_level(confidence, max(n_certify, needed)))
    seen: dict[float, float] = {}
    for i in np.flatnonzero((rho >= confidence) & (probability >= hopeful))[::-1]:
        p = float(probability[i])
        if p not in seen:
            alive = np.unpackbits(survivors[i], count=n_certify)
            seen[p] = indicator_ess(alive.reshape(split.certify_chains, -1))
        ess = seen[p]
        if ess < needed:
            total = int(np.ceil((n_certify + split.order.size) * needed / ess / 100.0) * 100)
            words = _WAIT.format(ess, needed, total)
            return replace(nothing, verdict="MORE_DRAWS", words=words, ess=ess, draws_needed=total)
        if p >= min(1.0, certified_level(confidence, ess)):
            inside = int(np.sum(judged.c_order >= rho[i]))
            found = {"rho": float(rho[i]), "probability": p, "ess": ess, "n_checked": inside}
            return replace(nothing, verdict="CLAIMED", words=_CLAIMED.format(confidence), **found)
    return nothing
