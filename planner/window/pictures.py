"""Maps of the window for the eye: forming temperature against strain, one per temper.

Four factors do not fit on a screen, so each map is cut at one braze condition: the
middle of the temper's certified ranges, or, where nothing is certified, the condition
that is best on average. The maps support no number; the shares and the claims are
computed on uniform points.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from planner.window.box import FACTORS, FactorBox
from planner.window.decision import Conformance, Halves, Judged, judge, kinds
from planner.window.joint_claim import JointClaim
from planner.window.points import scaled, show_grid
from planner.window.ranges import OperatingRange
from planner.window.support import ComponentSupport, extrapolated

_BANDWIDTH = 0.12


@dataclass(frozen=True)
class TemperMap:
    """One map; arrays have shape (n_temperatures, n_strains)."""

    temper: str
    """Name of the temper."""
    braze_temperature_degC: float
    """Braze temperature at which the map is cut."""
    braze_time_min: float
    """Braze time at which the map is cut."""
    forming_temperature_degC: np.ndarray
    """Cell centres, rising."""
    strain: np.ndarray
    """Cell centres, rising."""
    c: np.ndarray
    """P(conformance >= R | data)."""
    kind: np.ndarray
    """1 claimed, 0 undecided, -1 excluded."""
    reachable: np.ndarray
    """False where the rig cannot go."""
    extrapolated: np.ndarray
    """True where components of this temper give no support."""

    def to_json(self) -> dict:
        """Return plain lists."""
        return {
            "temper": self.temper,
            "braze_temperature_degC": self.braze_temperature_degC,
            "braze_time_min": self.braze_time_min,
            "forming_temperature_degC": self.forming_temperature_degC.tolist(),
            "strain": self.strain.tolist(),
            "probability_conforming": self.c.tolist(),
            "kind": self.kind.tolist(),
            "reachable": self.reachable.tolist(),
            "extrapolated": self.extrapolated.tolist(),
        }


def best_braze(reference: Judged, temper: int, box: FactorBox) -> tuple[float, float]:
    """Find the braze condition at which c, averaged over forming settings, is highest.

    A kernel mean of c over the reference points of the temper (Gaussian, 0.12 of
    each range), compared at the braze conditions of those points.

    Returns
    -------
    braze_temperature : float, degC
    braze_time : float, min
    """
    mine = reference.take(reference.conditions.temper == temper)
    braze = scaled(box, mine.conditions)[:, 2:]
    weight = np.exp(-0.5 * ((braze[:, None, :] - braze[None, :, :]) ** 2).sum(axis=-1) / _BANDWIDTH**2)
    top = mine.conditions.factors()[int(np.argmax(weight @ mine.c / weight.sum(axis=1)))]
    tidy = np.clip(np.round(top * [1, 1, 2, 10]) / [1, 1, 2, 10], box.low, box.high)
    tidy[:2] = top[:2]
    chosen = tidy if box.reachable(tidy[None])[0] else top
    return float(chosen[2]), float(chosen[3])


def braze_cut(claims: Iterable[OperatingRange], reference: Judged, temper: int, box: FactorBox) -> tuple[float, float]:
    """Return the braze condition at which a temper's map is cut, the same on every screen and page.

    Returns
    -------
    braze_temperature : float, degC
    braze_time : float, min
        The middle of the temper's certified ranges, else `best_braze`.
    """
    for claim in claims:
        if claim.temper == box.tempers[temper]:
            hot, long = (sum(claim.ranges()[key]) / 2 for key in FACTORS[2:])
            return round(hot, 2), round(long, 2)
    return best_braze(reference, temper, box)


def temper_map(
    conformance: Conformance,
    *,
    temper: int,
    box: FactorBox,
    cut: tuple[float, float],
    support: ComponentSupport,
    joint: JointClaim | None,
    reliability: float,
    confidence: float,
    split: Halves,
    n_temperatures: int = 12,
    n_strains: int = 20,
) -> TemperMap:
    """Draw the map of one temper at the braze condition `cut`; without a joint claim nothing is shown as claimed."""
    hot, long = cut
    grid = show_grid(
        box, temper, braze_temperature=hot, braze_time=long, n_temperatures=n_temperatures, n_strains=n_strains
    )
    seen = judge(conformance, grid.conditions, reliability=reliability, split=split)
    shape = grid.reachable.shape
    member = np.zeros(len(seen.c), dtype=bool) if joint is None else joint.members(seen)
    return TemperMap(
        temper=box.tempers[temper],
        braze_temperature_degC=hot,
        braze_time_min=long,
        forming_temperature_degC=grid.forming_temperature,
        strain=grid.strain,
        c=seen.c.reshape(shape),
        kind=kinds(seen.c, member, confidence).reshape(shape),
        reachable=grid.reachable,
        extrapolated=extrapolated(grid.conditions, support, box).reshape(shape),
    )
