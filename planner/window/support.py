"""Where a claim rests on components of its own kind, and where it extrapolates.

The model will put a number on any condition, but coupons do not carry straight
over to components, and a smooth model is most wrong far from its data. A
condition is therefore flagged as extrapolated when too few uncracked components
of its temper lie near it, or when it lies well outside what that temper's
components have covered. The flag changes no probability: it is shown, shares are
given with and without that part, and operating ranges stay out of it unless asked.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.spatial import cKDTree

from models.rows import Conditions
from planner.window.box import FACTORS, FactorBox
from planner.window.points import scaled

NEAR = 0.5
"""Distance within which a component supports a condition, each factor divided by its range."""
LEAST_NEAR = 2
"""Uncracked components needed within `NEAR`."""
OVERHANG = 0.10
"""How far beyond a temper's components a condition may lie, as a share of each factor's range."""


@dataclass(frozen=True)
class ComponentSupport:
    """Component trials of each temper, in set points."""

    uncracked: tuple[np.ndarray, ...]
    """Per temper: settings of uncracked components with all four factors known, (n_trials, 4)."""
    low: np.ndarray
    """Per temper: smallest set value of any component, (n_tempers, 4); inf where there is none."""
    high: np.ndarray
    """Per temper: largest, -inf where there is none."""


def component_support(specimens: Iterable[Any], box: FactorBox) -> ComponentSupport:
    """Collect the component trials that support claims.

    Parameters
    ----------
    specimens : iterable of planner.lab.specimen.Specimen
        Recorded specimens that are not excluded; only components of the box's tempers count.
    box : FactorBox

    Returns
    -------
    ComponentSupport
        The range of a temper counts cracked components too (their forming
        settings were tried); a missing braze setting leaves its factor out.
    """
    uncracked: list[list[list[float]]] = [[] for _ in box.tempers]
    low = np.full((len(box.tempers), len(FACTORS)), np.inf)
    high = np.full_like(low, -np.inf)
    for one in specimens:
        if one.specimen_type != "component" or one.temper not in box.tempers:
            continue
        k = box.tempers.index(one.temper)
        found = [getattr(one, key) for key in FACTORS]
        settings = np.array([np.nan if value is None else value for value in found], dtype=float)
        low[k], high[k] = np.fmin(low[k], settings), np.fmax(high[k], settings)
        if one.cracked is not True and np.isfinite(settings).all():
            uncracked[k].append(settings.tolist())
    points = tuple(np.array(rows, dtype=float).reshape(-1, len(FACTORS)) for rows in uncracked)
    return ComponentSupport(points, low, high)


def extrapolated(conditions: Conditions, support: ComponentSupport, box: FactorBox) -> np.ndarray:
    """Flag conditions without support of their own kind.

    Parameters
    ----------
    conditions : Conditions
    support : ComponentSupport
    box : FactorBox

    Returns
    -------
    bool array (n_conditions,)
        True: fewer than 2 uncracked components of that temper within 0.5, or more
        than 10 % of a factor's range outside that temper's components.
    """
    flag = np.ones(len(conditions), dtype=bool)
    settings = conditions.factors()
    where = scaled(box, conditions)
    slack = (OVERHANG + 1e-9) * box.span
    for k, points in enumerate(support.uncracked):
        mine = np.flatnonzero(conditions.temper == k)
        if len(points) < LEAST_NEAR or mine.size == 0:
            continue
        distance, _ = cKDTree((points - box.low) / box.span).query(where[mine], k=LEAST_NEAR)
        outside = (settings[mine] < support.low[k] - slack) | (settings[mine] > support.high[k] + slack)
        flag[mine] = (distance[:, -1] > NEAR + 1e-9) | outside.any(axis=1)
    return flag


def supported_range(temper: int, support: ComponentSupport, box: FactorBox) -> tuple[np.ndarray, np.ndarray]:
    """Return the ranges (two arrays of shape (4,)) outside which a temper certainly extrapolates."""
    slack = OVERHANG * box.span
    return np.maximum(box.low, support.low[temper] - slack), np.minimum(box.high, support.high[temper] + slack)
