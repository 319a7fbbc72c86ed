"""The referee of a rehearsal: holds what the program says against what is true, on points of its own.

4096 scrambled points and the corners of the box, not those of the program.  A joint claim is false when any of them that it
contains conforms less often than R; points within a hundredth of R are worked out once more with eight times the nodes.
"""

from __future__ import annotations

from functools import cached_property

import numpy as np

from models.rows import Conditions
from planner.cycle.fitting import Fit, conformance_of, required_of
from planner.rehearse.conformance import N_NODES, true_conformance
from planner.rehearse.world import World
from planner.window.box import factor_box
from planner.window.decision import judge
from planner.window.points import corners, reference_points
from planner.window.window import Window

N_POINTS = 4096
NEAR = 0.01                       # of R: looked at again
SCRAMBLE = 4096                   # the program uses small numbers


class Referee:
    """Knows the truth at the points where claims are held against it."""

    def __init__(self, definition, world: World, *, seed: int, n_points: int = N_POINTS, n_nodes: int = N_NODES):
        self.definition, self.world, self.seed, self.n_points, self.n_nodes = definition, world, seed, n_points, n_nodes
        box = factor_box(definition)
        spread = reference_points(box, n_points, seed=seed, scramble=SCRAMBLE)
        self.conditions = Conditions.concatenate([spread, corners(box)])
        self.spread = np.arange(len(self.conditions)) < len(spread)

    @cached_property
    def truth(self) -> np.ndarray:
        """True conformance at every point."""
        required, again = required_of(self.definition), 8 * self.n_nodes
        found = true_conformance(self.world, required, self.conditions, n_nodes=self.n_nodes, seed=self.seed)
        near = np.flatnonzero(np.abs(found - self.definition.goal.reliability) < NEAR)
        found[near] = true_conformance(self.world, required, self.conditions.take(near), n_nodes=again, seed=self.seed + 1)
        return found

    @cached_property
    def conforms(self) -> np.ndarray:
        """Which points truly conform."""
        return self.truth >= self.definition.goal.reliability

    @property
    def conforming_share(self) -> float:
        """Share of the box that truly conforms."""
        return float(self.conforms[self.spread].mean())

    def verdict(self, fit: Fit, window: Window) -> dict:
        """Return what the window is worth: actual misclassification, whether its claim is false, and its share of the true window."""
        judged = judge(conformance_of(self.definition, fit.encoded, fit.params), self.conditions, reliability=window.reliability, split=window.split)
        member = np.zeros(len(self.conditions), bool) if window.joint is None else window.joint.members(judged)
        wrong = (judged.c >= 0.5) != self.conforms
        inside = member & self.spread
        true_share = self.conforming_share
        return {
            "misclassification": float(window.misclassification),
            "actual_misclassification": float(wrong[self.spread].mean()),
            "claimed_share": 0.0 if window.shares is None else float(window.shares.claimed),
            "false_claim": bool((member & ~self.conforms).any()),
            "undecided_share": None if window.shares is None else float(window.shares.undecided),
            "conforming_share": true_share,
            "claimed_share_of_conforming": float((inside & self.conforms).sum() / self.spread.sum() / true_share) if true_share > 0 else None,
            "worst_claimed_conformance": float(self.truth[member].min()) if member.any() else None,
        }
