"""Build the window from conformance per draw.

The builder knows the definition, the trials and a callable that gives conformance;
it knows no model, so toys with exact answers go through the same code as a
campaign. What may be said depends on the fit: one that did not converge yields no
share and no claim; no data yields shares of the prior and no claim.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np

from models.rows import Conditions
from planner.window.box import FACTORS, FactorBox, factor_box
from planner.window.decision import Conformance, Halves, Judged, Shares, halves, judge, misclassification, shares
from planner.window.joint_claim import JointClaim, joint_claim
from planner.window.pictures import braze_cut, temper_map
from planner.window.points import reference_points
from planner.window.ranges import OperatingRange, operating_range, target_range
from planner.window.support import ComponentSupport, component_support, extrapolated
from planner.window.window import LEAST_GROUPS, Window

SECOND_OF_LOTS_SEEN = 4
"""The claim for the lots seen, which only explains the claim, is certified on one fourth as many points of the second set."""


@dataclass(frozen=True)
class Asked:
    """What of the window is wanted beside the map and H."""

    claims: bool = True
    """Shares and the joint claim; False after a quick update with few effective draws."""
    ranges: bool = True
    """Operating ranges and the target."""
    maps: bool = True
    """One picture per temper."""
    extrapolated_ranges: bool = False
    """Let operating ranges extrapolate."""
    conformance: bool = False
    """Keep the matrix at the reference points, n_draws x n_points floats."""


def build_window(
    definition: Any,
    conformance: Conformance,
    *,
    chains: np.ndarray,
    specimens: Iterable[Any],
    verdict: str,
    seed: int,
    n_points: int = 2048,
    asked: Asked = Asked(),
    conformance_of_lots_seen: Conformance | None = None,
) -> Window:
    """Build the window from conformance per draw.

    Parameters
    ----------
    definition : planner.lab.definition.Definition
    conformance : callable
        conditions -> float array (n_draws, n_conditions): probability per draw that a
        new component from a new lot in a new load conforms.
    chains : int array (n_draws,)
        Chain of each draw, chains of one length.
    specimens : iterable of planner.lab.specimen.Specimen
        Recorded specimens that are not excluded.
    verdict : str
        The fit's verdict. Only CONVERGED allows claims; PRIOR_ONLY gives shares of
        the prior and claims nothing; any other gives no shares.
    seed : int
        The campaign's seed.
    n_points : int, default 2048
        Reference points.
    asked : Asked
    conformance_of_lots_seen : callable, optional
        The same as `conformance` for a lot and load already seen; used only where
        the lot spread rests on the prior.

    Returns
    -------
    Window
    """
    specimens = tuple(specimens)
    box = factor_box(definition)
    work = _Work(
        definition, conformance, box, halves(chains), component_support(specimens, box), seed,
        claiming=asked.claims and verdict == "CONVERGED",
        sharing=asked.claims and verdict in ("CONVERGED", "PRIOR_ONLY"),
    )  # fmt: skip
    kept: list[np.ndarray] | None = [] if asked.conformance else None
    reference = judge(conformance, reference_points(box, n_points, seed=seed), keep=kept, **work.rules)
    return work.window(
        reference,
        asked=asked,
        verdict=verdict,
        groups=groups_seen(specimens),
        lots_seen=conformance_of_lots_seen,
        kept=None if kept is None else np.concatenate(kept, axis=1),
    )


@dataclass(frozen=True)
class _Work:
    """What every step of the builder needs."""

    definition: Any
    conformance: Conformance
    box: FactorBox
    split: Halves
    support: ComponentSupport
    seed: int
    claiming: bool
    sharing: bool

    @property
    def rules(self) -> dict[str, Any]:
        return {"reliability": self.definition.goal.reliability, "split": self.split}

    @property
    def sure(self) -> dict[str, Any]:
        return {**self.rules, "confidence": self.definition.goal.confidence, "box": self.box}

    def window(self, reference: Judged, *, asked: Asked, verdict: str, groups, lots_seen, kept) -> Window:
        """Fill in the record."""
        goal = self.definition.goal
        far = self.unsupported(reference.conditions)
        joint = joint_claim(self.conformance, reference, seed=self.seed, **self.sure) if self.claiming else None
        found, supported = self.shares(reference, joint), self.shares(reference, joint, within=~far)
        few = min(groups) < LEAST_GROUPS
        claims = self.ranges(reference, asked) if self.claiming and asked.ranges else ()
        return Window(
            verdict=verdict,
            reliability=goal.reliability,
            confidence=goal.confidence,
            box=self.box,
            split=self.split,
            support=self.support,
            reference=reference,
            reference_extrapolated=far,
            misclassification=misclassification(reference.c),
            joint=joint,
            shares=found,
            shares_supported=supported,
            shares_of_lots_seen=self.of_lots_seen(reference, lots_seen) if few else None,
            claims=claims,
            target=self.target() if self.claiming and asked.ranges else None,
            maps=self.maps(reference, joint, claims) if self.sharing and asked.maps else (),
            n_lots=groups[0],
            n_loads=groups[1],
            notices=_notices(verdict, joint, found, supported, *groups),
            conformance=kept,
        )

    def unsupported(self, conditions: Conditions) -> np.ndarray:
        return extrapolated(conditions, self.support, self.box)

    def shares(self, judged: Judged, joint: JointClaim | None, *, within: np.ndarray | None = None) -> Shares | None:
        if not self.sharing:
            return None
        member = np.zeros(len(judged.c), dtype=bool) if joint is None else joint.members(judged)
        return shares(judged, member, confidence=self.definition.goal.confidence, within=within)

    def of_lots_seen(self, reference: Judged, conformance: Conformance | None) -> Shares | None:
        if not self.claiming or conformance is None:
            return None
        again = judge(conformance, reference.conditions, **self.rules)
        return self.shares(again, joint_claim(conformance, again, seed=self.seed, n_second=len(again.c) // SECOND_OF_LOTS_SEEN, **self.sure))

    def ranges(self, reference: Judged, asked: Asked) -> tuple[OperatingRange, ...]:
        more = {"unsupported": self.unsupported, "allow_extrapolated": asked.extrapolated_ranges}
        found = []
        for k in range(len(self.box.tempers)):
            one = operating_range(self.conformance, reference, temper=k, seed=self.seed, **more, **self.sure)
            found += [] if one is None else [one]
        return tuple(found)

    def target(self) -> OperatingRange | None:
        wish = self.definition.target
        if wish is None:
            return None
        low, high = np.array([getattr(wish, key) for key in FACTORS], dtype=float).T
        temper = self.box.tempers.index(wish.temper)
        where = {"temper": temper, "low": low, "high": high, "seed": self.seed}
        return target_range(self.conformance, unsupported=self.unsupported, **where, **self.sure)

    def maps(self, reference: Judged, joint: JointClaim | None, claims: tuple[OperatingRange, ...]):
        return tuple(
            temper_map(self.conformance, temper=k, cut=braze_cut(claims, reference, k, self.box), support=self.support, joint=joint, **self.sure)
            for k in range(len(self.box.tempers))
        )


@dataclass(frozen=True)
class ConditionVerdicts:
    """What the window says of given conditions; arrays (n_conditions,)."""

    conformance_mean: np.ndarray
    """Posterior mean of the share of future components that conform."""
    probability_conforming: np.ndarray
    """c."""
    pointwise_claim: np.ndarray
    """c >= C; all False where the fit allows no claim."""
    joint_claim: np.ndarray
    """Member of the joint claim; False outside the factor box."""
    extrapolated: np.ndarray
    """Without support by components of the temper, or outside the factor box."""


def judge_conditions(window: Window, conformance: Conformance, conditions: Conditions) -> ConditionVerdicts:
    """Say of each condition whether it is claimed."""
    seen = judge(conformance, conditions, reliability=window.reliability, split=window.split)
    inside = window.box.reachable(conditions.factors())
    nothing = np.zeros(len(conditions), dtype=bool)
    return ConditionVerdicts(
        conformance_mean=seen.mean,
        probability_conforming=seen.c,
        pointwise_claim=nothing if window.joint is None else seen.c >= window.confidence,
        joint_claim=nothing if window.joint is None else window.joint.members(seen) & inside,
        extrapolated=extrapolated(conditions, window.support, window.box) | ~inside,
    )


def groups_seen(specimens: Iterable[Any]) -> tuple[int, int]:
    """Count the lots and the furnace loads behind the data; a part cracked in forming was not brazed."""
    specimens = tuple(specimens)
    lots = {one.lot for one in specimens}
    loads = {one.furnace_load for one in specimens if one.furnace_load is not None and one.cracked is not True}
    return len(lots), len(loads)


def _notices(verdict, joint, found, supported, n_lots, n_loads) -> tuple[str, ...]:
    """Write down what a reader must know before believing the window."""
    said = []
    if verdict == "PRIOR_ONLY":
        said.append("no data yet: the map shows the prior alone, and nothing is claimed")
    elif verdict != "CONVERGED":
        said.append(f"the fit ended with {verdict}: no share and no claim can be given")
    if min(n_lots, n_loads) < LEAST_GROUPS and verdict != "PRIOR_ONLY":
        said.append(
            f"lot spread rests on the prior: {n_lots} lot{'s' * (n_lots != 1)} and {n_loads} furnace "
            f"load{'s' * (n_loads != 1)} seen, fewer than {LEAST_GROUPS} of one or both"
        )
    if joint is not None and joint.verdict != "CLAIMED":
        said.append(joint.words)
    if found is not None and supported is not None and found.claimed > supported.claimed:
        said.append(
            f"{found.claimed - supported.claimed:.1%} of the box is claimed by extrapolation only: "
            "fewer than two uncracked components of that temper lie near"
        )
    return tuple(said)
