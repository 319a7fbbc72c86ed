"""`budget --deep`: the outlook on money held against whole virtual campaigns with real refits.

The fast outlook lays weeks out on today's posterior without refitting.  Here truths are drawn from that posterior, the weekly cycle
runs on them - plans, results, refits, with the same money and with blanks ordered in time - and what H, the claimed and the undecided share became stands beside what was foreseen, with whether they agree.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from models.verdict import CONVERGED
from planner.cycle import outlook
from planner.outlook.words import counted
from planner.rehearse.job import OURS
from planner.rehearse.rehearsal import rehearse

REPEATS = 4
Z_80 = 1.2816
SHARES = {"claimed_share": ("claimed share", "claimed_band_80"), "undecided_share": ("undecided share", "undecided_band_80")}
LEAST = 0.5 / 2048
"""Half a reference point: shares are counted in whole ones."""


def deep_budget(campaign, *, weeks: int | None = None, repeats: int = REPEATS, **options) -> dict[str, Any]:
    """Work the budget out, rehearse it, write both to reports/, and return the record with `deep`.

    Parameters
    ----------
    campaign : Campaign
    weeks : int, optional
        As in `planner.cycle.outlook.budget`.
    repeats : int, default 4
        Virtual campaigns; finished ones are kept, so a command that was broken off goes on where it stopped.
    options : further ones of `planner.rehearse.rehearse`.
    """
    record = outlook.budget(campaign, weeks=weeks)
    horizon = len(record["by_money"]) - 1
    if horizon < 1:
        record["deep"] = {"weeks": [], "agrees": None, "words": "no week could be laid out, so there is nothing to rehearse"}
    elif record["verdict"] != CONVERGED:
        record["deep"] = {"weeks": [], "agrees": None, "words": "no result is recorded yet, so no truth can be drawn from what they teach; on the prior alone "
                          f"weeks are rehearsed by: trialwright rehearse {campaign.directory} --truth prior"}
    else:
        awaited = f"; the results of {counted(len(record['pending']), 'pending specimen')} are drawn first" if record["pending"] else ""
        campaign.say(f"rehearsing {counted(horizon, 'week')} on {repeats} truths drawn from the posterior; every week is refitted{awaited}")
        done = rehearse(campaign, weeks=horizon, truth="posterior", repeats=repeats,
                        money=record["goal"]["money_left"], restock=True, **options)
        record["deep"] = agreement(record["by_money"], done.weeks) | {"campaigns": len(done.campaigns), "folder": str(done.folder.relative_to(campaign.directory))}
    return outlook.publish(campaign, record)


def agreement(by_money: Sequence[Mapping[str, Any]], rows: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    """Set what was foreseen beside what rehearsals with refits gave, week by week.

    Parameters
    ----------
    by_money : rows of the fast outlook, today first.
    rows : rows of the rehearsals, our strategy.

    Returns
    -------
    dict
        weeks (for H, claimed and undecided share: foreseen, band, mean of the refits with its standard error, whether the mean lies within
        the band widened by 1.28 standard errors, for shares also by half a reference point; `agrees`: all of them), agrees, words.
    """
    told = []
    for stage in by_money[1:]:
        mine = [r for r in rows if r["strategy"] == OURS and r["week"] == stage["weeks"]]
        if not mine:
            continue
        h = _beside(stage, mine, "misclassification", "misclassification_band_80")
        week = {"week": stage["weeks"], "cost_foreseen": stage["cost"], "cost": float(np.mean([r["cost"] for r in mine])), "campaigns": len(mine),
                "misclassification_foreseen": h["foreseen"], "band_80": h["band_80"], "misclassification": h["mean"], "error": h["error"]}
        agrees = {"H": h["agrees"]}
        for name, (words, band) in SHARES.items():
            found = _beside(stage, mine, name, band)
            if found is not None:
                week |= {f"{name}_foreseen": found["foreseen"], band: found["band_80"], name: found["mean"], f"{name}_error": found["error"],
                         f"{name}_agrees": found["agrees"]}
                agrees[words] = found["agrees"]
        told.append(week | {"misclassification_agrees": h["agrees"], "agrees": all(agrees.values()), "differs": [k for k, good in agrees.items() if not good]})
    if not told:
        return {"weeks": [], "agrees": None, "words": "no virtual campaign came as far as its first week"}
    off = [f"week {t['week']} ({', '.join(t['differs'])})" for t in told if not t["agrees"]]
    words = ("the fast outlook agrees with the refits in every week looked at" if not off else
             f"the fast outlook and the refits differ by more than the band in {', '.join(off)}: believe the refits")
    return {"weeks": told, "agrees": not off, "words": words}


def _beside(stage: Mapping[str, Any], rows: Sequence[Mapping[str, Any]], name: str, band: str) -> dict[str, Any] | None:
    """Set one figure of a stage beside its mean over refits; None where either does not give it."""
    values = np.array([r[name] for r in rows if r.get(name) is not None], float)
    if not values.size or stage.get(band) is None:
        return None
    error = float(values.std(ddof=1) / np.sqrt(values.size)) if values.size > 1 else 0.0
    (low, high), mean = stage[band], float(values.mean())
    slack = Z_80 * error + (LEAST if name in SHARES else 0.0)
    return {"foreseen": stage[name], "band_80": [low, high], "mean": mean, "error": error, "agrees": bool(low - slack <= mean <= high + slack)}
