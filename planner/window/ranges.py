"""Operating ranges: per temper one box of ranges that a shop floor can be given.

A region {c >= rho} cannot be written on a work instruction; a box of four ranges
can. The box is chosen on the ordering draws and a lattice of candidate edges, and
then certified on the certifying draws and on points that had no part in the
choice: fresh points inside, the corners and the edge midpoints. If it fails, the
next smaller box of a chain laid down beforehand is tried. Each box stands alone
at C: two boxes together are not claimed at C.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from models.rows import Conditions
from planner.window.box import FACTORS, N_FACTORS, FactorBox
from planner.window.box_search import Lattice, enlarge, largest_box, nested_boxes
from planner.window.decision import Conformance, Halves, Judged, join, judge
from planner.window.ess import indicator_ess
from planner.window.joint_claim import LEAST_ESS, certified_level, least_ess
from planner.window.points import box_skeleton, scaled, uniform_in

LEVELS = (8, 8, 6, 6)
"""Candidate edges per factor."""
_STEPS = (1.0, 0.001, 0.5, 0.1)
_DECIMALS = (0, 3, 1, 1)
_FRESH = 256
_MOST_SHRINKS = 24
_HOPELESS = 0.5
_MARGIN = 0.05

Unsupported = Callable[[Conditions], np.ndarray]
"""conditions -> bool array, True where a claim would extrapolate (`support.extrapolated`)."""


@dataclass(frozen=True)
class OperatingRange:
    """A box of ranges at one temper and what is known of it."""

    temper: str
    """Name of the temper."""
    low: np.ndarray
    """Lower ends, (4,), in the order of `box.FACTORS`."""
    high: np.ndarray
    """Upper ends, (4,)."""
    verdict: str
    """CERTIFIED, NOT_CERTIFIED, or MORE_DRAWS."""
    joint_probability: float
    """Estimated P(every checked point conforms | data)."""
    ess: float
    """Effective draws behind it."""
    volume: float
    """Share of the factor box at that temper."""
    n_checked: int
    """Points on which it was certified."""
    extrapolated: bool
    """Whether some checked point lacks support by components of its own kind."""

    @property
    def error(self) -> float:
        """Monte Carlo standard error of `joint_probability`."""
        p = min(max(self.joint_probability, 0.5 / self.ess), 1 - 0.5 / self.ess)
        return float(np.sqrt(p * (1 - p) / self.ess))

    def ranges(self) -> dict[str, list[float]]:
        """Return {factor key: [low, high]}."""
        return {key: [float(self.low[j]), float(self.high[j])] for j, key in enumerate(FACTORS)}


def operating_range(
    conformance: Conformance,
    reference: Judged,
    *,
    temper: int,
    box: FactorBox,
    reliability: float,
    confidence: float,
    split: Halves,
    seed: int,
    unsupported: Unsupported | None = None,
    allow_extrapolated: bool = False,
    levels: tuple[int, int, int, int] = LEVELS,
) -> OperatingRange | None:
    """Find and certify the largest box of ranges of one temper.

    Parameters
    ----------
    conformance : callable
        conditions -> (n_draws, n_conditions).
    reference : Judged
        The reference points; they tell where to look.
    temper : int
        Index into the tempers of `box`.
    box : FactorBox
    reliability, confidence : float
        R and C.
    split : Halves
    seed : int
    unsupported : callable, optional
        Tells where a claim would extrapolate. Default: nowhere.
    allow_extrapolated : bool, default False
        Let the box reach there; the result then carries the flag.
    levels : four ints, default (8, 8, 6, 6)
        Candidate edges per factor.

    Returns
    -------
    OperatingRange or None
        None when no box of this temper can be certified.
    """
    far = unsupported or _nowhere
    look = _Look(conformance, reference, temper, box, reliability, split, _nowhere if allow_extrapolated else far)
    checked: Judged | None = None
    for turn, (low, high) in enumerate(_chain_of_boxes(look, confidence, levels)[:_MOST_SHRINKS]):
        if box.meets_a_rule(low, high):
            continue
        points = Conditions.from_factors(temper, _box_points(box, low, high, seed=(seed, 3, temper, turn)))
        if look.avoid(points).any():
            continue
        new = look(points)
        checked = new if checked is None else join([checked, new])
        settings = checked.conditions.factors()
        checked = checked.take(np.all((settings >= low - 1e-9) & (settings <= high + 1e-9), axis=1))
        found = _verdict(checked.certify_bits, split, confidence)
        if found[0] == "CERTIFIED":
            return _record(box, temper, low, high, found, len(checked.c), bool(far(checked.conditions).any()))
    return None


def target_range(
    conformance: Conformance,
    *,
    temper: int,
    low: np.ndarray,
    high: np.ndarray,
    box: FactorBox,
    reliability: float,
    confidence: float,
    split: Halves,
    seed: int,
    unsupported: Unsupported | None = None,
    n_points: int = 1024,
) -> OperatingRange:
    """Return the joint probability of a box that the lab named beforehand.

    Nothing was chosen on the draws, so all of them count.

    Parameters
    ----------
    conformance, temper, box, reliability, confidence, split, seed, unsupported
        As for `operating_range`.
    low, high : float arrays (4,)
        The target's ranges in the order of `box.FACTORS`.
    n_points : int, default 1024
        Points inside, beside corners and edge midpoints.

    Returns
    -------
    OperatingRange
        Its verdict says whether the target is certified as a whole at C.
    """
    points = Conditions.from_factors(temper, _box_points(box, low, high, seed=(seed, 4, temper), n=n_points))
    seen = judge(conformance, points, reliability=reliability, split=split)
    bits = [np.bitwise_and.reduce(part, axis=0) for part in (seen.order_bits, seen.certify_bits)]
    alive = [np.unpackbits(part, count=half.size) for part, half in zip(bits, (split.order, split.certify))]
    chains = (split.order_chains, split.certify_chains)
    ess = sum(indicator_ess(part.reshape(n, -1)) for part, n in zip(alive, chains))
    found = _judge_share(float(np.concatenate(alive).mean()), ess, confidence)
    flag = bool((unsupported or _nowhere)(points).any())
    return _record(box, temper, np.asarray(low, float), np.asarray(high, float), found, len(points), flag)


def _nowhere(conditions: Conditions) -> np.ndarray:
    return np.zeros(len(conditions), dtype=bool)


def _record(box, temper, low, high, found, n_checked, flag) -> OperatingRange:
    verdict, probability, ess = found
    free = box.high > box.low
    volume = float(np.prod(np.where(free, (high - low) / box.span, 1.0)))
    return OperatingRange(
        box.tempers[temper], low, high, verdict, probability, ess, volume, n_checked, flag
    )


def _box_points(box: FactorBox, low: np.ndarray, high: np.ndarray, *, seed: tuple[int, ...], n: int = _FRESH):
    """Fresh points inside a box of ranges with its corners and edge midpoints, less what is out of reach."""
    skeleton = np.unique(box_skeleton(np.asarray(low, float), np.asarray(high, float)), axis=0)
    inside = uniform_in(box, np.asarray(low, float), np.asarray(high, float), n, seed=seed)
    return np.concatenate([skeleton[box.reachable(skeleton)], inside])


def _verdict(certify_bits: np.ndarray, split: Halves, confidence: float) -> tuple[str, float, float]:
    alive = np.unpackbits(np.bitwise_and.reduce(certify_bits, axis=0), count=split.certify.size)
    return _judge_share(float(alive.mean()), indicator_ess(alive.reshape(split.certify_chains, -1)), confidence)


def _judge_share(probability: float, ess: float, confidence: float) -> tuple[str, float, float]:
    """Say whether an estimated joint probability is a certificate at C."""
    needed = least_ess(confidence)
    if probability < min(1.0, certified_level(confidence, max(ess, needed))):
        return "NOT_CERTIFIED", probability, ess
    return ("CERTIFIED" if ess >= needed else "MORE_DRAWS"), probability, ess


@dataclass(frozen=True)
class _Look:
    """One temper seen through conformance, with the reference points that tell where looking pays."""

    conformance: Conformance
    reference: Judged
    temper: int
    box: FactorBox
    reliability: float
    split: Halves
    avoid: Unsupported

    def __call__(self, conditions: Conditions) -> Judged:
        return judge(self.conformance, conditions, reliability=self.reliability, split=self.split)

    def sure(self, confidence: float) -> np.ndarray:
        """Settings of the reference points of this temper that hold at C, (n_points, 4)."""
        mine = self.reference.take(self.reference.conditions.temper == self.temper)
        keep = mine.c_order >= confidence
        keep &= ~self.avoid(mine.conditions)
        return mine.conditions.factors()[keep]

    def lattice(self, edges: tuple[np.ndarray, ...]) -> Lattice:
        """Judge the crossings of candidate edges.

        A crossing counts as failing when all its nearest reference points are
        hopeless (not evaluated, to save time), when it is out of reach, or when it is
        to be avoided; all three can only make boxes smaller.
        """
        crossings = Conditions.from_factors(
            self.temper, np.stack(np.meshgrid(*edges, indexing="ij"), axis=-1).reshape(-1, N_FACTORS)
        )
        mine = self.reference.take(self.reference.conditions.temper == self.temper)
        near = min(8, len(mine.c))
        _, index = cKDTree(scaled(self.box, mine.conditions)).query(scaled(self.box, crossings), k=near)
        use = mine.c_order[index].reshape(len(crossings), -1).max(axis=1) >= _HOPELESS
        use &= self.box.reachable(crossings.factors())
        use &= ~self.avoid(crossings)
        seen = self(crossings.take(np.flatnonzero(use)))
        bits = np.zeros((len(crossings), -(-self.split.order.size // 8)), dtype=np.uint8)
        bits[use] = seen.order_bits
        return Lattice(edges, bits.reshape(*(len(e) for e in edges), -1), self.split.order.size, self.box.span)


def _chain_of_boxes(look: _Look, confidence: float, levels: tuple[int, ...]) -> list[tuple[np.ndarray, np.ndarray]]:
    """Choose a box on the ordering draws and list it with ever smaller boxes inside, as pairs of edges (4,).

    First on a coarse lattice over the sure region, then on a fine one around the
    coarse box; the chain runs down the fine lattice to the coarse box, and on from there.
    """
    sure, box = look.sure(confidence), look.box
    if not len(sure):
        return []
    low = np.maximum(box.low, sure.min(axis=0) - _MARGIN * box.span)
    high = np.minimum(box.high, sure.max(axis=0) + _MARGIN * box.span)
    coarse = look.lattice(tuple(_levels(j, low[j], high[j], box, levels[j]) for j in range(N_FACTORS)))
    level = certified_level(confidence, LEAST_ESS)
    chosen = largest_box(coarse, level=level)
    if chosen is None:
        return []
    smaller = [coarse.edges(*pair) for pair in nested_boxes(coarse, chosen)]
    edges, core = _zoom(coarse, chosen, box)
    fine = look.lattice(edges)
    start = enlarge(fine, core, level=level, core=core)
    larger = [fine.edges(*pair) for pair in nested_boxes(fine, start, core=core)]
    return larger[:-1] + smaller


def _zoom(coarse: Lattice, chosen, box: FactorBox):
    """Candidate edges at the chosen ones and at thirds of the coarse step outside them, and where the chosen box lies."""
    edges, first, last = [], [], []
    low, high = coarse.edges(*chosen)
    for j, levels in enumerate(coarse.levels):
        if len(levels) == 1:
            edges.append(levels)
            first.append(0)
            last.append(0)
            continue
        step = (levels[-1] - levels[0]) / (len(levels) - 1)
        outside = step * np.array([1, 2]) / 3
        values = np.concatenate([low[j] - outside, high[j] + outside])
        values = np.unique(np.concatenate([_tidy(j, values, step, box), [low[j], high[j]]]))
        edges.append(values)
        first.append(int(np.searchsorted(values, low[j])))
        last.append(int(np.searchsorted(values, high[j])))
    return tuple(edges), (np.array(first), np.array(last))


def _levels(j: int, low: float, high: float, box: FactorBox, n: int) -> np.ndarray:
    """Candidate edges of one factor."""
    if high <= low:
        return np.array([low])
    return np.unique(_tidy(j, np.linspace(low, high, n), (high - low) / (n - 1), box))


def _tidy(j: int, values: np.ndarray, step: float, box: FactorBox) -> np.ndarray:
    """Put edges on round numbers where these are fine against the step between edges; keep them in the range."""
    if step >= 3 * _STEPS[j]:
        values = np.round(np.round(values / _STEPS[j]) * _STEPS[j], _DECIMALS[j])
    return np.clip(values, box.low[j], box.high[j])
