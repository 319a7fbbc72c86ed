"""Points at which the window is looked at.

A window in four factors and several tempers cannot be drawn, only sampled, and
every number the window prints is a mean or a minimum over points. Which points
is therefore part of the meaning of the numbers: uniform quasi-random points for
shares and claims, corners because the worst place of a monotone response is a
corner, jittered neighbours because a claim is most likely to be wrong at its
edge, and grids only for the eye.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product

import numpy as np
from scipy.spatial import cKDTree
from scipy.stats import qmc

from models.rows import Conditions
from planner.window.box import N_FACTORS, FactorBox

_MOST_TRIES = 1 << 22


def reference_points(box: FactorBox, n: int = 2048, *, seed: int, scramble: int = 0) -> Conditions:
    """Spread points uniformly over the factor box less what is out of reach.

    Scrambled Sobol points, the same number for every temper, so that plain means
    over them are the shares of the contract.

    Parameters
    ----------
    box : FactorBox
    n : int, default 2048
        Least number of points; rounded up to a multiple of the number of tempers.
    seed : int
        The campaign's seed.
    scramble : int, default 0
        Another value gives an independent set; 0 is the reference set.

    Returns
    -------
    Conditions
        n_conditions points, ordered by temper.

    Raises
    ------
    ValueError
        If the rules leave (almost) nothing of the box within reach.
    """
    each = -(-n // len(box.tempers))
    return Conditions.concatenate(
        [
            Conditions.from_factors(k, uniform_in(box, box.low, box.high, each, seed=(seed, scramble, k)))
            for k in range(len(box.tempers))
        ]
    )


def uniform_in(
    box: FactorBox, low: np.ndarray, high: np.ndarray, n: int, *, seed: int | tuple[int, ...]
) -> np.ndarray:
    """Spread n reachable settings, shape (n, 4), uniformly over a box of ranges inside the factor box."""
    sobol = qmc.Sobol(N_FACTORS, scramble=True, rng=np.random.default_rng(np.random.SeedSequence(seed)))
    drawn = max(1, int(np.ceil(np.log2(max(n, 1)))))
    settings = low + sobol.random_base2(drawn) * (high - low)
    kept = settings[box.reachable(settings)]
    total = len(settings)
    while len(kept) < n:
        if total >= _MOST_TRIES or (total >= 1 << 16 and len(kept) * 1000 < total):
            raise ValueError(
                "less than 0.1 % of the factor box is within reach; "
                "allowed: [[out_of_reach]] rules that leave part of the box; mend campaign.toml"
            )
        settings = low + sobol.random(total) * (high - low)
        total *= 2
        kept = np.concatenate([kept, settings[box.reachable(settings)]])
    return kept[:n]


def corners(box: FactorBox) -> Conditions:
    """Return every corner of the reachable region, for all tempers.

    Corners cut off by a rule are replaced by points just beside the rule's edges.
    """
    step = 1e-6 * box.span
    levels_of = [[np.array([box.low[j], box.high[j]]) for j in range(N_FACTORS)]]
    for rule in box.out_of_reach:
        levels = []
        for j in range(N_FACTORS):
            edges = [e + s * step[j] for e in rule[j] if np.isfinite(e) for s in (-1, 1)]
            edges = [e for e in edges if box.low[j] < e < box.high[j]]
            levels.append(np.array([box.low[j], box.high[j], *edges]))
        levels_of.append(levels)
    settings = np.unique(np.array([s for levels in levels_of for s in product(*levels)]), axis=0)
    settings = settings[box.reachable(settings)]
    return Conditions.concatenate([Conditions.from_factors(k, settings) for k in range(len(box.tempers))])


def box_skeleton(low: np.ndarray, high: np.ndarray) -> np.ndarray:
    """Return the 16 corners and 32 edge midpoints of a box of ranges, shape (48, 4)."""
    middle = (low + high) / 2
    unit = np.array(list(product((0, 1, 2), repeat=N_FACTORS)))
    unit = unit[(unit == 1).sum(axis=1) <= 1]
    return np.choose(unit, [low, middle, high])


def scaled(box: FactorBox, conditions: Conditions) -> np.ndarray:
    """Scale factors by their ranges, shape (n_conditions, 4): 0 and 1 are the ends of the range."""
    return (conditions.factors() - box.low) / box.span


def boundary_points(box: FactorBox, conditions: Conditions, member: np.ndarray, *, neighbours: int = 8) -> np.ndarray:
    """Find the members of a set that have a non-member, or the edge of the box, close by.

    Parameters
    ----------
    box : FactorBox
    conditions : Conditions
        The points on which the set is known.
    member : bool array (n_conditions,)
    neighbours : int, default 8
        A member is a boundary point when one of this many nearest points of its
        temper is not a member.

    Returns
    -------
    int array (n_boundary,)
        Indices into `conditions`.
    """
    found = []
    where = scaled(box, conditions)
    for k in range(len(box.tempers)):
        mine = np.flatnonzero(conditions.temper == k)
        if mine.size == 0 or not member[mine].any() or member[mine].all():
            continue
        reach = min(neighbours + 1, mine.size)
        inside = mine[member[mine]]
        _, near = cKDTree(where[mine]).query(where[inside], k=reach)
        found.append(inside[~member[mine][near].reshape(len(inside), -1).all(axis=1)])
    return np.concatenate(found) if found else np.zeros(0, dtype=np.int64)


def jittered(
    box: FactorBox, conditions: Conditions, *, each: int = 8, width: float | None = None, rng: np.random.Generator
) -> Conditions:
    """Scatter points around given ones.

    Parameters
    ----------
    box : FactorBox
    conditions : Conditions
        Points to surround.
    each : int, default 8
        Neighbours of each.
    width : float, optional
        Half-width of the scatter in units of each factor's range. Default: half
        the typical spacing of 1024 uniform points in four factors, 0.088.
    rng : numpy.random.Generator

    Returns
    -------
    Conditions
        At most `each` reachable neighbours a point, pulled back into the box.
    """
    half = 0.5 * 1024.0 ** (-1 / N_FACTORS) if width is None else width
    settings = np.repeat(conditions.factors(), each, axis=0)
    temper = np.repeat(conditions.temper, each)
    settings = np.clip(settings + rng.uniform(-half, half, settings.shape) * box.span, box.low, box.high)
    keep = box.reachable(settings)
    return Conditions.from_factors(temper[keep], settings[keep])


@dataclass(frozen=True)
class ShowGrid:
    """A grid of forming temperature against strain at one temper and braze condition, for the eye only."""

    temper: int
    """Index of the temper."""
    forming_temperature: np.ndarray
    """Grid values (n_temperatures,), degC, rising."""
    strain: np.ndarray
    """Grid values (n_strains,), rising."""
    braze_temperature: float
    """degC."""
    braze_time: float
    """min."""
    conditions: Conditions
    """n_temperatures x n_strains points; the strain runs fastest."""
    reachable: np.ndarray
    """bool (n_temperatures, n_strains): False where the rig cannot go."""


def show_grid(
    box: FactorBox,
    temper: int,
    *,
    braze_temperature: float,
    braze_time: float,
    n_temperatures: int = 14,
    n_strains: int = 24,
) -> ShowGrid:
    """Lay a grid of cell centres over forming temperature and strain at one braze condition."""

    def centres(j: int, n: int) -> np.ndarray:
        return box.low[j] + (np.arange(n) + 0.5) / n * (box.high[j] - box.low[j])

    warm, strain = centres(0, n_temperatures), centres(1, n_strains)
    settings = np.array([(t, e, braze_temperature, braze_time) for t in warm for e in strain])
    reachable = box.reachable(settings).reshape(n_temperatures, n_strains)
    return ShowGrid(temper, warm, strain, braze_temperature, braze_time, Conditions.from_factors(temper, settings), reachable)
