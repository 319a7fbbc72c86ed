"""Lots and furnace loads left out by fitting again, where reweighting cannot tell.

A whole lot or load is often too much of the data for importance weights.  Then the model is fitted to the rest: one compilation
serves all, chains are shorter than a week's fit because only H and the claim's probability are read from them.  What was refitted
is kept in posterior/left_out/, so that work broken off goes on where it stopped, and a call ends after a stated time.
"""

from __future__ import annotations

import hashlib
import json
import os
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from models import fit as sampling
from models.verdict import diagnostics
from planner.cycle.fitting import Fit, conformance_of
from planner.encode import encode
from planner.lab.campaign import definition_digest
from planner.lab.errors import UserError
from planner.outlook import sensitivity
from planner.window.window import Window

DRAWS, TUNE = 600, 500            # in each chain
MOST_MINUTES = 20.0               # no refit is begun after this time; the rest is left for the next call
RHAT_MAX, ESS_MIN = 1.03, 200.0   # of H's chains and of every parameter: enough for a mean, not for a claim
BY_REFIT, BY_WEIGHTS, WAITING = "refitted", "reweighted", "waiting"


def group_of(what: str):
    """Return the function that tells whether a specimen belongs to a group named as in `sensitivity.left_out`: "lot X" or "load X"."""
    kind, label = what.split(" ", 1)
    return (lambda s: s.lot == label) if kind == "lot" else (lambda s: s.furnace_load == label)


def with_refits(campaign, fit: Fit, window: Window, rows: Sequence[dict[str, Any]], *, run: bool, minutes: float = MOST_MINUTES) -> list[dict[str, Any]]:
    """Put the results of refits where reweighting is not trusted.

    Parameters
    ----------
    campaign : Campaign
    fit, window : of today's data.
    rows : from `sensitivity.left_out`, one a lot or load.
    run : fit what is not kept yet; otherwise only kept results are put in.
    minutes : time after which no further refit is begun.

    Returns
    -------
    list of dict
        The rows with `how` ("reweighted", "refitted", or "waiting" where neither could tell yet), and for refits their `rhat` and
        `effective_draws`.
    """
    folder = campaign.directory / "posterior" / "left_out" / _key(campaign, fit, window)
    kept = {row["what"]: _read(folder / _name(row["what"])) for row in rows if not row["trusted"]}
    missing = [what for what, found in kept.items() if found is None]
    if run and missing:
        kept |= _refits(campaign, fit, window, missing, folder, minutes)
    base = window.misclassification
    return [_told(row, kept.get(row["what"]), base) for row in rows]


def _told(row: dict[str, Any], found: dict[str, Any] | None, base: float) -> dict[str, Any]:
    if row["trusted"]:
        return row | {"how": BY_WEIGHTS}
    if found is None:
        return row | {"how": WAITING}
    sure = found["rhat"] <= RHAT_MAX and found["effective_draws"] >= ESS_MIN
    values = {k: found[k] if sure else None for k in ("misclassification", "conforming_share", "joint_probability")}
    return row | values | {"how": BY_REFIT, "trusted": sure, "rhat": found["rhat"], "effective_draws": found["effective_draws"],
                           "contribution": found["misclassification"] - base if sure else None}


def _refits(campaign, fit: Fit, window: Window, missing: list[str], folder: Path, minutes: float) -> dict[str, dict[str, Any]]:
    """Fit without each group in turn; returns what was done in time."""
    say, end, found = campaign.say, time.monotonic() + 60.0 * minutes, {}
    each = fit.draws.seconds.get("sampling", 30.0) * (DRAWS + TUNE) / (fit.draws.z.shape[1] + sampling.TUNE)
    say(f"{len(missing)} refits without a lot or load, about {each:.0f} s each, {min(len(missing) * each / 60 + 0.5, minutes):.0f} minutes in all, "
        f"at most {minutes:g}; each is kept, so breaking off loses none")
    sampler = None
    for i, what in enumerate(missing):
        if time.monotonic() >= end:
            say(f"{len(missing) - i} refits are left for the next `trialwright check {campaign.directory} --deep`")
            break
        rest = [s for s in fit.specimens if not group_of(what)(s)]
        encoded = encode(campaign.definition, rest, lots=fit.encoded.lots, loads=fit.encoded.loads)
        if encoded.observations.n_rows and sampler is None:
            pool = getattr(campaign, "samplers", None)
            sampler = pool.sampler(fit.encoded, say=say) if pool else sampling.Sampler(fit.encoded.observations, fit.encoded.sheet, fit.draws.layout,
                                                                                      fit.encoded.priors, say=say)
        say(f"refit {i + 1} of {len(missing)}: without {what}")
        found[what] = _refit(campaign, fit, window, encoded, sampler)
        _write(folder / _name(what), found[what] | {"what": what})
    return found


def _refit(campaign, fit: Fit, window: Window, encoded, sampler) -> dict[str, Any]:
    """Return H, mean c and the probability of today's joint claim without a group."""
    seed = campaign.definition.campaign.seed
    if encoded.observations.n_rows:
        draws = sampler.sample(seed=seed, obs=encoded.observations, draws=DRAWS, tune=TUNE)
    else:
        draws = sampling.prior_draws(fit.draws.layout, fit.encoded.priors, draws=DRAWS, rng=np.random.default_rng(seed))
    conforms = (conformance_of(campaign.definition, fit.encoded, draws.params())(window.reference.conditions) >= window.reliability).astype(np.float32)
    told = sensitivity.Map(conforms, window.member).read(np.full((1, draws.n_draws), 1.0 / draws.n_draws))
    mixing = diagnostics(np.concatenate([draws.z, conforms.mean(axis=1).reshape(*draws.z.shape[:2], 1)], axis=-1))
    return {"misclassification": float(told["misclassification"][0]), "conforming_share": float(told["conforming_share"][0]),
            "joint_probability": None if np.isnan(told["joint_probability"][0]) else float(told["joint_probability"][0]),
            "rhat": float(mixing[0].max()), "effective_draws": float(mixing[1].min())}


def _key(campaign, fit: Fit, window: Window) -> str:
    """Return the digest of all that a kept refit depends on besides the group."""
    parts = [fit.key, definition_digest(campaign.definition), str((DRAWS, TUNE, len(window.member)))]
    return hashlib.sha256("\n".join(parts).encode() + np.packbits(window.member).tobytes()).hexdigest()[:24]


def _name(what: str) -> str:
    return hashlib.sha256(what.encode()).hexdigest()[:16] + ".json"


def _read(path: Path) -> dict[str, Any] | None:
    """Return a kept refit, or None where there is none that can be read."""
    try:
        found = json.loads(path.read_text(encoding="utf-8"))
        numbers = {k: float(found[k]) for k in ("misclassification", "conforming_share", "rhat", "effective_draws")}
        return numbers | {"joint_probability": None if found["joint_probability"] is None else float(found["joint_probability"])}
    except (OSError, ValueError, KeyError, TypeError):
        return None


def _write(path: Path, found: dict[str, Any]) -> None:
    """Write a refit beside its place and rename it into it."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        aside = path.with_name(f".{path.name}.{os.getpid()}")
        aside.write_text(json.dumps(found, allow_nan=False) + "\n", encoding="utf-8")
        os.replace(aside, path)
    except OSError as error:
        raise UserError(f"a refit cannot be kept: {error.strerror or error}", where=str(path.parent), fix="make room or permit writing there, then run it again") from None
