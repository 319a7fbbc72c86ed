"""From conformance per draw to decisions: c(x), the shares, and H.

Conformance is known only as posterior draws. A decision asks one question of
them: how sure are we that conformance at this condition is at least the required
reliability R? That is c(x), the share of draws at or above R. Everything the
window says is said with c, so draws are reduced here, once and in slices, to what
later steps need: the mean, c, and one bit per draw and condition.

Draws are used in two halves. The first half of the chains *orders* conditions and
the second half *certifies* sets of them, so that no claim is certified on the
draws that chose it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from models.rows import Conditions

Conformance = Callable[[Conditions], np.ndarray]
"""conditions -> conformance, float array (n_draws, n_conditions)."""

UNDECIDED, CLAIMED, EXCLUDED = 0, 1, -1
"""The three kinds of condition."""

_SLICE = 512
_BLOCKS = 20


@dataclass(frozen=True)
class Halves:
    """Which draws order and which certify; each half lists whole chains one after another."""

    order: np.ndarray
    """Indices of the draws of the ordering chains, int (n_order,)."""
    certify: np.ndarray
    """Indices of the draws of the certifying chains, int (n_certify,)."""
    order_chains: int
    """Number of chains in `order`, all of one length."""
    certify_chains: int
    """Number of chains in `certify`, all of one length."""


def halves(chains: np.ndarray) -> Halves:
    """Split draws into the ordering and the certifying half.

    Parameters
    ----------
    chains : int array (n_draws,)
        Chain of each draw. The lower half of the labels orders, the rest
        certifies; a single chain is cut in the middle.

    Raises
    ------
    ValueError
        If chains differ in length or there are fewer than two draws.
    """
    chains = np.asarray(chains)
    labels, counts = np.unique(chains, return_counts=True)
    if chains.size < 2 or np.unique(counts).size != 1:
        raise ValueError(f"chains must be of one length and hold at least two draws; found lengths {counts.tolist()}")
    ordered = np.argsort(chains, kind="stable")
    if labels.size == 1:
        middle = chains.size // 2
        return Halves(ordered[:middle], ordered[middle:], 1, 1)
    first = labels.size // 2
    cut = first * int(counts[0])
    return Halves(ordered[:cut], ordered[cut:], first, int(labels.size - first))


@dataclass(frozen=True)
class Judged:
    """What draws say of conditions, reduced to what decisions need."""

    conditions: Conditions
    """n_conditions points."""
    mean: np.ndarray
    """Posterior mean of conformance, (n_conditions,)."""
    c: np.ndarray
    """P(conformance >= R | data) from all draws, (n_conditions,)."""
    c_order: np.ndarray
    """The same from the ordering draws only, (n_conditions,)."""
    order_bits: np.ndarray
    """Conforms or not on the ordering draws, packed, uint8 (n_conditions, ceil(n_order / 8)); pad bits are 0."""
    certify_bits: np.ndarray
    """The same on the certifying draws."""
    block_share: np.ndarray
    """c from each of consecutive blocks of draws, float (n_blocks, n_conditions), for jackknife errors."""

    def take(self, index: np.ndarray) -> Judged:
        """Return the conditions at an index or mask."""
        index = np.flatnonzero(index) if np.asarray(index).dtype == bool else np.asarray(index)
        parts = (self.mean, self.c, self.c_order, self.order_bits, self.certify_bits)
        return Judged(self.conditions.take(index), *(part[index] for part in parts), self.block_share[:, index])


def join(parts: list[Judged]) -> Judged:
    """Put judged conditions one after another."""
    names = ("mean", "c", "c_order", "order_bits", "certify_bits")
    return Judged(
        Conditions.concatenate([part.conditions for part in parts]),
        *(np.concatenate([getattr(part, name) for part in parts]) for name in names),
        np.concatenate([part.block_share for part in parts], axis=1),
    )


def probability_conforming(conformance: np.ndarray, reliability: float) -> np.ndarray:
    """Return c = share of draws whose conformance is at least R.

    Parameters
    ----------
    conformance : float array (n_draws, n_conditions)
    reliability : float
        R in (0, 1).

    Returns
    -------
    float array (n_conditions,)

    Examples
    --------
    >>> probability_conforming(np.array([[0.8, 0.95], [0.92, 0.97]]), 0.9)
    array([0.5, 1. ])
    """
    return np.mean(np.asarray(conformance) >= reliability, axis=0)


def judge(
    conformance: Conformance, conditions: Conditions, *, reliability: float, split: Halves, keep: list | None = None
) -> Judged:
    """Evaluate conformance in slices of conditions and reduce it.

    Parameters
    ----------
    conformance : callable
        Gives (n_draws, n_conditions) for conditions; called on at most 512 at a time.
    conditions : Conditions
    reliability : float
        R.
    split : Halves
    keep : list, optional
        Every slice of the full matrix is appended here (the caller then holds
        n_draws x n_conditions floats).

    Returns
    -------
    Judged

    Raises
    ------
    ValueError
        If conformance has another shape or holds values that are not finite.
    """
    n_draws = split.order.size + split.certify.size
    blocks = np.array_split(np.concatenate([split.order, split.certify]), min(_BLOCKS, n_draws))
    parts = []
    for start in range(0, max(len(conditions), 1), _SLICE):
        piece = conditions.take(np.arange(start, min(start + _SLICE, len(conditions))))
        values = np.asarray(conformance(piece)) if len(piece) else np.zeros((n_draws, 0))
        if values.shape != (n_draws, len(piece)) or not np.isfinite(values).all():
            raise ValueError(
                f"conformance must be finite and of shape {(n_draws, len(piece))}; found shape {values.shape}"
            )
        holds = values >= reliability
        parts.append(
            Judged(
                conditions=piece,
                mean=values.mean(axis=0),
                c=holds.mean(axis=0),
                c_order=holds[split.order].mean(axis=0),
                order_bits=np.packbits(holds[split.order].T, axis=1),
                certify_bits=np.packbits(holds[split.certify].T, axis=1),
                block_share=np.array([holds[block].mean(axis=0) for block in blocks]),
            )
        )
        if keep is not None:
            keep.append(values)
    return join(parts)


def misclassification(c: np.ndarray) -> float:
    """Return H = mean of min(c, 1 - c): the expected share of the box put on the wrong side."""
    return float(np.mean(np.minimum(c, 1.0 - c))) if len(c) else 0.0


def kinds(c: np.ndarray, member: np.ndarray, confidence: float) -> np.ndarray:
    """Sort conditions into `CLAIMED`, `EXCLUDED` (c <= 1 - C) and `UNDECIDED`; int8 (n_conditions,)."""
    kind = np.where(c <= 1.0 - confidence, EXCLUDED, UNDECIDED)
    return np.where(member, CLAIMED, kind).astype(np.int8)


@dataclass(frozen=True)
class Shares:
    """Shares of the factor box, each with its Monte Carlo standard error (draws and points together).

    The error of the points is the one independent points would have; quasi-random
    points have less, so the errors are on the safe side.
    """

    misclassification: float
    """H, mean of min(c, 1 - c)."""
    claimed: float
    """Share of the joint claim."""
    excluded: float
    """Share with c <= 1 - C."""
    undecided: float
    """The rest: 1 - claimed - excluded."""
    pointwise: float
    """Share with c >= C."""
    error: dict[str, float]
    """Monte Carlo standard error by field name."""


def shares(judged: Judged, member: np.ndarray, *, confidence: float, within: np.ndarray | None = None) -> Shares:
    """Average decisions over reference points.

    Parameters
    ----------
    judged : Judged
        Uniform reference points.
    member : bool array (n_conditions,)
        Points of the joint claim.
    confidence : float
        C.
    within : bool array (n_conditions,), optional
        Count claims only here (the part that is not extrapolated): a claimed or
        pointwise point elsewhere becomes undecided. H and the excluded share stay.

    Returns
    -------
    Shares
    """
    counted = np.ones(len(judged.c), dtype=bool) if within is None else np.asarray(within, dtype=bool)

    def of(c: np.ndarray) -> dict[str, np.ndarray]:
        kind = kinds(c, member & counted, confidence)
        return {
            "misclassification": np.minimum(c, 1 - c),
            "claimed": kind == CLAIMED,
            "excluded": kind == EXCLUDED,
            "undecided": kind == UNDECIDED,
            "pointwise": (c >= confidence) & counted,
        }

    per_point = of(judged.c)
    value = {name: float(np.mean(part)) for name, part in per_point.items()}
    n_blocks = len(judged.block_share)
    left_out = [of((n_blocks * judged.c - block) / (n_blocks - 1)) for block in judged.block_share]
    error = {}
    for name, part in per_point.items():
        jack = np.array([np.mean(one[name]) for one in left_out])
        of_draws = (n_blocks - 1) / n_blocks * np.sum((jack - jack.mean()) ** 2)
        error[name] = float(np.sqrt(of_draws + np.var(np.asarray(part, dtype=float)) / len(part)))
    return Shares(**value, error=error)
