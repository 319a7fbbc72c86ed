"""`review --deep`: the claim under posteriors refitted on resampled lots and loads, kept one by one so that it can be broken off."""

from __future__ import annotations

import hashlib
import json
from typing import Any

import numpy as np

from models.rows import Conditions
from planner.cycle.fitting import Fit, SamplerPool, conformance_of, judge_draws
from planner.encode import encode
from planner.outlook.bagging import bagged, resample
from planner.window.box import FACTORS
from planner.window.points import box_skeleton, uniform_in
from planner.window.window import Window

RESAMPLES, RANGE_POINTS = 8, 64


def bagged_claims(campaign, fit: Fit, window: Window, *, resamples: int = RESAMPLES) -> dict[str, Any]:
    """Refit on resampled lots and loads and return what becomes of every claimed region.

    Parameters
    ----------
    campaign : Campaign
    fit, window : of today
    resamples : int, default 8
        Refits; each takes about as long as an update.  Those that are kept from before are not run again.

    Returns
    -------
    dict
        As `planner.outlook.bagging.bagged`; no region where nothing is claimed.
    """
    regions = _regions(window)
    if not regions:
        return bagged([], []) | {"words": "nothing is claimed, so there is nothing to refit for"}
    folder = campaign.directory / "reports" / "bagged" / _key(fit, window)
    pool = SamplerPool(n_lots=len(fit.encoded.lots), n_loads=len(fit.encoded.loads))
    results = []
    for number in range(resamples):
        path = folder / f"{number:03d}.json"
        if path.exists():
            results.append(json.loads(path.read_text(encoding="utf-8")))
            continue
        campaign.say(f"refit {number + 1} of {resamples} on resampled lots and loads")
        results.append(_refit(campaign, fit, window, pool, [points for _, points in regions], number))
        folder.mkdir(parents=True, exist_ok=True)
        aside = path.with_suffix(".part")
        aside.write_text(json.dumps(results[-1]), encoding="utf-8")
        aside.replace(path)
    return bagged([told for told, _ in regions], results)


def _refit(campaign, fit: Fit, window: Window, pool: SamplerPool, points: list[Conditions], number: int) -> dict[str, Any]:
    """Fit one resample and hold the regions to it."""
    seed = campaign.definition.campaign.seed
    drawn = resample(fit.specimens, rng=np.random.default_rng([seed, 31, number]))
    encoded = pool.widened(encode(campaign.definition, drawn))
    draws = pool.sampler(encoded, say=campaign.say).sample(seed=seed + number + 1, obs=encoded.observations, cores=pool.cores)
    verdict = judge_draws(campaign.definition, encoded, draws)
    conformance = conformance_of(campaign.definition, encoded, draws.params())
    whole = [float((conformance(where) >= window.reliability).all(axis=1).mean()) for where in points]
    return {"verdict": verdict.name, "joint_probability": whole, "specimens": len(drawn), "lots": len(encoded.lots), "loads": len(encoded.loads)}


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
