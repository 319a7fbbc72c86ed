"""The window of a campaign, put together: what is claimed, how surely, and on what it rests.

This is the one record that screen, page, plan and Python API read; `build` makes it.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from planner.window.box import FactorBox
from planner.window.decision import Halves, Judged, Shares
from planner.window.joint_claim import JointClaim
from planner.window.pictures import TemperMap
from planner.window.ranges import OperatingRange
from planner.window.support import ComponentSupport

LEAST_GROUPS = 4
"""Lots, and loads, below which their spread rests on the prior."""


@dataclass(frozen=True)
class Window:
    """The window and everything said of it."""

    verdict: str
    """Verdict of the fit: CONVERGED, NOT_MIXED, DIVERGED, FEW_DRAWS or PRIOR_ONLY."""
    reliability: float
    """R."""
    confidence: float
    """C."""
    box: FactorBox
    """The region that shares speak of."""
    split: Halves
    """Which draws order and which certify."""
    support: ComponentSupport
    """Component trials behind the extrapolation flag."""
    reference: Judged
    """The reference points, judged."""
    reference_extrapolated: np.ndarray
    """bool (n_conditions,) on the reference points."""
    misclassification: float
    """H on the reference points."""
    joint: JointClaim | None
    """The joint claim; None when the fit does not allow claims."""
    shares: Shares | None
    """Shares of the box; None when the fit does not allow claims."""
    shares_supported: Shares | None
    """The same with claims counted only where they do not extrapolate."""
    shares_of_lots_seen: Shares | None
    """The same for lots and loads already seen, where their spread rests on the prior and this was asked for."""
    claims: tuple[OperatingRange, ...]
    """Certified operating ranges, each standing alone at C."""
    target: OperatingRange | None
    """The `[target]` and its joint probability."""
    maps: tuple[TemperMap, ...]
    """One picture per temper."""
    n_lots: int
    """Lots seen."""
    n_loads: int
    """Furnace loads seen."""
    notices: tuple[str, ...]
    """What a reader must know, in sentences."""
    conformance: np.ndarray | None = field(default=None, repr=False)
    """Conformance at the reference points, (n_draws, n_conditions), when asked for."""

    @property
    def lot_spread_rests_on_prior(self) -> bool:
        """Whether fewer than four lots or loads were seen."""
        return min(self.n_lots, self.n_loads) < LEAST_GROUPS

    @property
    def member(self) -> np.ndarray:
        """Which reference points belong to the joint claim, bool (n_conditions,)."""
        none = np.zeros(len(self.reference.c), dtype=bool)
        return none if self.joint is None else self.joint.members(self.reference)

    def to_json(self) -> dict[str, Any]:
        """Return the window as plain values, with the keys of the contract first; what is not claimed is None."""
        names = ("claimed", "excluded", "undecided", "pointwise")

        def of(found: Shares | None) -> dict[str, float | None]:
            return {f"{name}_share": None if found is None else getattr(found, name) for name in names}

        errors = {} if self.shares is None else self.shares.error
        return {
            "verdict": self.verdict,
            "misclassification": self.misclassification,
            **of(self.shares),
            "claims": [_range_json(one) for one in self.claims],
            "reliability": self.reliability,
            "confidence": self.confidence,
            "monte_carlo_error": {
                name if name == "misclassification" else f"{name}_share": value for name, value in errors.items()
            },
            "without_extrapolated": of(self.shares_supported),
            "lots_seen": None if self.shares_of_lots_seen is None else of(self.shares_of_lots_seen),
            "extrapolated_share": float(self.reference_extrapolated.mean()),
            "joint_claim": None if self.joint is None else _joint_json(self.joint),
            "target": None if self.target is None else _range_json(self.target),
            "n_lots": self.n_lots,
            "n_loads": self.n_loads,
            "lot_spread_rests_on_prior": self.lot_spread_rests_on_prior,
            "notices": list(self.notices),
        }


def _range_json(one: OperatingRange) -> dict[str, Any]:
    return {
        "temper": one.temper,
        "ranges": one.ranges(),
        "joint_probability": one.joint_probability,
        "error": one.error,
        "verdict": one.verdict,
        "share_of_temper": one.volume,
        "extrapolated": one.extrapolated,
    }


def _joint_json(joint: JointClaim) -> dict[str, Any]:
    claimed = joint.verdict == "CLAIMED"
    return {
        "verdict": joint.verdict,
        "words": joint.words,
        "rho": joint.rho if claimed else None,
        "joint_probability": joint.probability if claimed else None,
        "ess": None if np.isnan(joint.ess) else joint.ess,
        "draws_needed": joint.draws_needed,
        "points_checked": joint.n_checked,
    }
