"""What a reader's own R and C would make of the window, stored so that a page without a program behind it can tell.

For each reliability on a grid the conformance draws give c at every cell of the maps, and the curve from the threshold rho
to the joint probability of {c >= rho}. A page picks the largest certified set from the curve for whatever C is typed, and
interpolates between grid values of R.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from models.rows import Conditions
from planner.window.decision import Halves, Judged
from planner.window.ess import indicator_ess
from planner.window.joint_claim import certified_level, joint_curve, least_ess

GRID = tuple(round(0.80 + 0.01 * i, 2) for i in range(20))
LEAST_PROBABILITY = 0.5
LONGEST_CURVE = 200
DIGITS = 4


def curves(asked: Sequence[tuple[Conditions, np.ndarray]], *, reliabilities: Sequence[float], split: Halves,
           longest: int = LONGEST_CURVE) -> list[dict[str, Any]]:  # fmt: skip
    """Return, per reliability, thresholds rho with the joint probability of {c >= rho} and its effective draws, rho falling.

    Parameters
    ----------
    asked : conditions with their conformance (n_draws, n_conditions).
    reliabilities : R.
    split : Halves
    longest : int, default 200
        Most steps kept of one curve.

    Notes
    -----
    Only the lowest rho of each probability is kept (the largest set that has it), probabilities below one half are left out, and at
    most `longest` steps are stored, evenly spread.
    """
    x = np.concatenate([one for _, one in asked], axis=1)
    first, last = np.ascontiguousarray(x[split.order].T), np.ascontiguousarray(x[split.certify].T)
    return [curve(_Counted.at(reliability, first, last), reliability=reliability, split=split, longest=longest) for reliability in reliabilities]


@dataclass(frozen=True)
class _Counted:
    """Of `Judged`, what a curve needs, by whole rows of bits: a review counts twenty reliabilities."""

    c_order: np.ndarray
    certify_bits: np.ndarray

    @classmethod
    def at(cls, reliability: float, first: np.ndarray, last: np.ndarray) -> "_Counted":
        """Count conformance of the ordering and the certifying draws, (n_conditions, n_draws) each."""
        held = np.packbits(first >= reliability, axis=1)
        return cls(np.bitwise_count(held).sum(axis=1) / first.shape[1], np.packbits(last >= reliability, axis=1))


def curve(pool: Judged | _Counted, *, reliability: float, split: Halves, longest: int = LONGEST_CURVE) -> dict[str, Any]:
    """Return the curve of one reliability over points that were judged by it, as `curves` does."""
    rho, probability, survivors = joint_curve(pool, split)
    last = np.append(probability[1:] != probability[:-1], True) & (probability >= LEAST_PROBABILITY)
    at = np.flatnonzero(last)
    at = at[np.unique(np.linspace(0, len(at) - 1, min(len(at), longest)).round().astype(int))] if len(at) else at
    ess = [indicator_ess(np.unpackbits(survivors[i], count=split.certify.size).reshape(split.certify_chains, -1)) for i in at]
    return {"reliability": reliability, "rho": rho[at].tolist(), "probability": probability[at].tolist(), "ess": [float(e) for e in ess]}


def claimed_from(curve: dict[str, Any], confidence: float) -> tuple[float, float] | None:
    """Return (rho, joint probability) of the largest certified set on a stored curve, or None where nothing is certified.

    The rule of `planner.window.joint_claim`, which pages repeat in their own script.
    """
    best = None
    for rho, probability, ess in zip(curve["rho"], curve["probability"], curve["ess"], strict=True):
        if rho >= confidence and ess >= least_ess(confidence) and probability >= min(1.0, certified_level(confidence, ess)):
            best = (rho, probability)
    return best


def cells(conditions: Conditions, conformance: np.ndarray, *, reliabilities: Sequence[float], split: Halves, edges: Sequence[np.ndarray] = ()) -> dict[str, Any]:
    """Return what a map's cells need, (n_reliabilities, n_conditions) each, rounded to 4 digits.

    Parameters
    ----------
    conditions, conformance : of the cells' centres, (n_draws, n_conditions).
    reliabilities : R.
    split : Halves
    edges : of each further place of the cells, such as one of their corners, the conformance (n_draws, n_conditions).

    Returns
    -------
    dict
        `c` and mean conformance at the centre; `c_least` and `c_order` (by the ordering draws), the least over centre and edges: a cell is
        claimed where all of it is.
    """
    places = [conformance, *edges]
    rounded = lambda rows: [np.round(row, DIGITS).tolist() for row in rows]
    least = lambda draws: rounded(np.min([(x[draws] >= r).mean(axis=0) for x in places], axis=0) for r in reliabilities)
    return {"n": len(conditions), "c": rounded((conformance >= r).mean(axis=0) for r in reliabilities), "c_least": least(slice(None)),
            "c_order": least(split.order), "mean": np.round(conformance.mean(axis=0), DIGITS).tolist()}
