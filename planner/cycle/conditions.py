"""Conformance at conditions that someone asks about."""

from __future__ import annotations

import numpy as np

from models.rows import Conditions
from planner.cycle.fitting import conformance_of
from planner.lab.asked import HEADERS
from planner.window.build import judge_conditions
from planner.window.window import Window

VERDICTS = ("conformance_mean", "probability_conforming", "pointwise_claim", "joint_claim", "extrapolated")


def judged(campaign, fit, window: Window, table):
    """Return a table of conditions (`planner.lab.asked.checked`) with the window's five columns appended, and what must be said of it.

    Returns
    -------
    table : pandas.DataFrame
    notices : tuple of str
        Names the rows outside the factor box or out of reach: nothing is claimed there.
    """
    tempers = campaign.definition.factors.tempers
    factors = table[list(HEADERS[1:])].to_numpy(float)
    conditions = Conditions.from_factors([tempers.index(t) for t in table["temper"]], factors)
    verdicts = judge_conditions(window, conformance_of(campaign.definition, fit.encoded, fit.params), conditions)
    out = table.copy()
    for name in VERDICTS:
        out[name] = getattr(verdicts, name)
    outside = np.flatnonzero(~window.box.reachable(factors))
    said = () if outside.size == 0 else (
        f"{outside.size} of {len(out)} conditions lie outside the ranges of [factors] or out of reach, and nothing is claimed there: "
        f"condition{'s' * (outside.size > 1)} " + ", ".join(str(i + 1) for i in outside[:20]) + (" and more" if outside.size > 20 else ""),)
    return out, said
