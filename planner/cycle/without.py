"""`review --deep`: lots and furnace loads whose weight is too large for reweighting are left out by refits instead."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from models.verdict import CONVERGED
from planner.cycle.fitting import Fit
from planner.cycle.pace import Pace
from planner.cycle.refits import Refits
from planner.outlook.sensitivity import Map
from planner.window.window import Window


def refitted_without(campaign, fit: Fit, window: Window, rows: Sequence[Mapping[str, Any]], *, pace: Pace | None = None) -> list[dict[str, Any]]:
    """Return rows of `planner.outlook.sensitivity.left_out` with what reweighting could not tell filled in by refits.

    Parameters
    ----------
    campaign : Campaign
    fit, window : of today
    rows : one a lot (`lot NAME`) or load (`load NAME`).
    pace : of all refits of the command; default: of these.

    Returns
    -------
    list of dict
        In the same order; `by` says `reweighting` or `refit`; where the refit did not converge it is None, and `refit` holds the verdict.
    """
    blind = [row["what"] for row in rows if not row["trusted"]]
    claimed = hashlib.sha256(window.member.tobytes()).hexdigest()[:12]
    refit = Refits.of(campaign, fit, "left_out", f"{fit.key}-{fit.draws.n_draws}-{window.reliability:g}-{claimed}", pace=pace or Pace(len(blind), "refits"))
    told = []
    for row in rows:
        what = row["what"]
        if row["trusted"]:
            told.append(dict(row))
            continue
        left = [s for s in fit.specimens if what not in (f"lot {s.lot}", f"load {s.furnace_load}")]
        name = hashlib.sha256(what.encode()).hexdigest()[:16]
        found = refit(name, left, lambda conformance: _read(conformance, window), seed=campaign.definition.campaign.seed,
                      words=f"refit {blind.index(what) + 1} of {len(blind)}: without {what}")
        if found["verdict"] != CONVERGED:
            told.append(dict(row) | {"refit": found["verdict"]})
            continue
        told.append(dict(row) | found["map"] | {"trusted": True, "by": "refit", "contribution": found["map"]["misclassification"] - window.misclassification})
    return told


def _read(conformance, window: Window) -> dict[str, Any]:
    """Return H, mean c and the joint probability of today's claim on the reference points."""
    conforms = (conformance(window.reference.conditions) >= window.reliability).astype(np.float32)
    told = Map(conforms, window.member).read(np.full((1, len(conforms)), 1.0 / len(conforms)))
    return {"map": {key: None if np.isnan(value[0]) else float(value[0]) for key, value in told.items()}}
