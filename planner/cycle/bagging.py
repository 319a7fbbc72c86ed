"""`review --deep`: the claim under posteriors refitted on resampled lots and loads, kept one by one so that it can be broken off."""

from __future__ import annotations

import hashlib
import json
from typing import Any

import numpy as np

from models.rows import Conditions
from planner.cycle.fitting import Fit
from planner.cycle.pace import Pace
from planner.cycle.refits import Refits
from planner.outlook.bagging import bagged, resample
from planner.window.box import FACTORS
from planner.window.points import box_skeleton, uniform_in
from planner.window.window import Window

RESAMPLES, RANGE_POINTS = 8, 64


def bagged_claims(campaign, fit: Fit, window: Window, *, resamples: int = RESAMPLES, pace: Pace | None = None) -> dict[str, Any]:
    """Refit on resampled lots and loads and return what becomes of every claimed region.

    Parameters
    ----------
    campaign : Campaign
    fit, window : of today
    resamples : int, default 8
        Refits; each takes about as long as an update.  Those that are kept from before are not run again.
    pace : of all refits of the command; default: of these.

    Returns
    -------
    dict
        As `planner.outlook.bagging.bagged`; no region where nothing is claimed.
    """
    regions = _regions(window)
    if not regions:
        return bagged([], []) | {"words": "nothing is claimed, so there is nothing to refit for"}
    refit, seed = Refits.of(campaign, fit, "bagged", _key(fit, window), pace=pace or Pace(resamples, "refits")), campaign.definition.campaign.seed
    whole = lambda conformance: {"joint_probability": [float((conformance(where) >= window.reliability).all(axis=1).mean()) for _, where in regions]}
    results = []
    for number in range(resamples):
        drawn = resample(fit.specimens, rng=np.random.default_rng([seed, 31, number]))
        results.append(refit(f"{number:03d}", drawn, whole, seed=seed + number + 1, words=f"refit {number + 1} of {resamples} on resampled lots and loads"))
    return bagged([told for told, _ in regions], results)


def _regions(window: Window) -> list[tuple[dict[str, Any], Conditions]]:
    """Return what is claimed, with the points that stand for it: the joint claim, each operating range."""
    found = []
    if window.joint is not None and window.joint.verdict == "CLAIMED":
        pool = window.joint.pool
        member = np.flatnonzero(window.joint.members(pool))
        if member.size:
            found.append(({"what": "the claimed region, all tempers at once", "joint_probability": window.joint.probability}, pool.conditions.take(member)))
    for one in window.claims:
        low, high = np.array([one.ranges()[key] for key in FACTORS], float).T
        inside = np.concatenate([box_skeleton(low, high), uniform_in(window.box, low, high, RANGE_POINTS, seed=(len(found), 5))])
        temper = window.box.tempers.index(one.temper)
        found.append(({"what": f"the operating range of {one.temper}", "joint_probability": one.joint_probability},
                      Conditions.from_factors(temper, inside[window.box.reachable(inside)])))
    return found


def _key(fit: Fit, window: Window) -> str:
    """Return the digest of what the refits speak of: data, definition, model code, and the regions held to them."""
    said = window.to_json()
    parts = [fit.key, fit.draws.n_draws, window.reliability, said["joint_claim"], said["claims"]]
    return hashlib.sha256(json.dumps(parts, sort_keys=True, default=str).encode()).hexdigest()[:16]
