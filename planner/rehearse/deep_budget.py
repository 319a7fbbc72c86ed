"""`budget --deep`: the outlook on money held against whole virtual campaigns with real refits.

The fast outlook lays weeks out on today's posterior without refitting.  Here truths are drawn from that posterior, the weekly cycle
runs on them - plans, results, refits - and what H became stands beside what was foreseen, with whether they agree.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from planner.cycle import outlook
from planner.rehearse.job import OURS
from planner.rehearse.rehearsal import rehearse

REPEATS = 4
Z_80 = 1.2816


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
    else:
        campaign.say(f"rehearsing {horizon} weeks on {repeats} truths drawn from the posterior; every week is refitted")
        done = rehearse(campaign, weeks=horizon, truth="posterior", repeats=repeats, **options)
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
        weeks (foreseen, band, mean of the refits with its standard error, whether the mean lies within the band widened by 1.28
        standard errors), agrees, words.
    """
    told = []
    for stage in by_money[1:]:
        values = np.array([r["misclassification"] for r in rows if r["strategy"] == OURS and r["week"] == stage["weeks"]])
        cost = [r["cost"] for r in rows if r["strategy"] == OURS and r["week"] == stage["weeks"]]
        if not values.size:
            continue
        error = float(values.std(ddof=1) / np.sqrt(values.size)) if values.size > 1 else 0.0
        low, high = stage["misclassification_band_80"]
        mean = float(values.mean())
        told.append({"week": stage["weeks"], "cost_foreseen": stage["cost"], "cost": float(np.mean(cost)), "campaigns": int(values.size),
                     "misclassification_foreseen": stage["misclassification"], "band_80": [low, high], "misclassification": mean, "error": error,
                     "agrees": bool(low - Z_80 * error <= mean <= high + Z_80 * error)})
    if not told:
        return {"weeks": [], "agrees": None, "words": "no virtual campaign came as far as its first week"}
    off = [str(t["week"]) for t in told if not t["agrees"]]
    words = ("the fast outlook agrees with the refits in every week looked at" if not off else
             f"the fast outlook and the refits differ by more than the band in week {', '.join(off)}: believe the refits")
    return {"weeks": told, "agrees": not off, "words": words}
