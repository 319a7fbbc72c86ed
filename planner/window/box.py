"""The factor box: which conditions exist at all for this campaign.

Shares, claims and operating ranges are all statements about one region: the
product of the factor ranges, less the settings the rig cannot reach, the same
for every temper. This module is the only place of the window that knows that
region, so a share, a corner and a box of ranges can never disagree about it.

Arrays of settings have one column per factor, always in the order of
`FACTORS`: forming temperature, strain, braze temperature, braze time.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

FACTORS = ("forming_temperature_degC", "strain", "braze_temperature_degC", "braze_time_min")
"""Factor keys of a campaign definition, in the column order of every settings array."""

N_FACTORS = len(FACTORS)


@dataclass(frozen=True)
class FactorBox:
    """Ranges of the four factors, the tempers, and the rules of what is out of reach.

    Examples
    --------
    >>> box = FactorBox(("O",), np.array([20, 0.0, 592, 1]), np.array([280, 0.2, 612, 8]))
    >>> box.reachable(np.array([[100, 0.1, 600, 3.0], [100, 0.3, 600, 3.0]]))
    array([ True, False])
    """

    tempers: tuple[str, ...]
    """Names of the tempers; `Conditions.temper` is an index into them."""
    low: np.ndarray
    """Lower end of each factor's range, shape (4,)."""
    high: np.ndarray
    """Upper end of each factor's range, shape (4,)."""
    out_of_reach: tuple[np.ndarray, ...] = ()
    """Each rule as an array (4, 2) of ranges; a factor the rule leaves out has -inf, inf."""

    @property
    def span(self) -> np.ndarray:
        """Width of each factor's range, shape (4,); 1 where a range has no width."""
        width = self.high - self.low
        return np.where(width > 0, width, 1.0)

    def reachable(self, settings: np.ndarray) -> np.ndarray:
        """Tell which settings lie in the ranges and under no rule; shape (n_conditions,)."""
        slack = 1e-9 * self.span
        inside = np.all((settings >= self.low - slack) & (settings <= self.high + slack), axis=1)
        for rule in self.out_of_reach:
            inside &= ~np.all((settings >= rule[:, 0]) & (settings <= rule[:, 1]), axis=1)
        return inside

    def meets_a_rule(self, low: np.ndarray, high: np.ndarray) -> bool:
        """Tell whether a box of ranges (two arrays of shape (4,)) touches a setting out of reach."""
        return any(bool(np.all((low <= rule[:, 1]) & (high >= rule[:, 0]))) for rule in self.out_of_reach)


def factor_box(definition: Any) -> FactorBox:
    """Read the factor box from a campaign definition.

    Parameters
    ----------
    definition : planner.lab.campaign.Definition
        Its `factors`, `factor_ranges` and `out_of_reach` are read.

    Returns
    -------
    FactorBox
    """
    ranges = definition.factor_ranges
    rules = []
    for rule in definition.out_of_reach:
        rows = [getattr(rule, key, None) for key in FACTORS]
        rules.append(np.array([(-np.inf, np.inf) if row is None else (row[0], row[1]) for row in rows], dtype=float))
    return FactorBox(
        tempers=tuple(definition.factors.tempers),
        low=np.array([ranges[key][0] for key in FACTORS], dtype=float),
        high=np.array([ranges[key][1] for key in FACTORS], dtype=float),
        out_of_reach=tuple(rules),
    )
