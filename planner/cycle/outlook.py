"""The two outlooks on a campaign: what certainty money buys (`budget`) and whether to believe the window (`review`).

Gathers fit, window, ledger and plans, and hands plain records to the rooms that answer.
"""

from __future__ import annotations

import datetime
import json
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import numpy as np
from scipy.spatial import cKDTree

from models.rows import Conditions
from models.verdict import PRIOR_ONLY
from planner.acquisition.candidate import Candidate
from planner.acquisition.limits import Limits
from planner.acquisition.predictor import FittedPredictor
from planner.acquisition.reference import ReferenceMap
from planner.acquisition.scores import normal_scores
from planner.acquisition.threads import one_blas_thread
from planner.cycle.fitting import Fit, conformance_of, current_fit
from planner.cycle.reports import write_report
from planner.cycle.standing import uncut
from planner.cycle.window import drawn_with, window_of
from planner.lab.specimen import Specimen
from planner.lab.stock import stock_on_hand
from planner.outlook import budget as worth
from planner.outlook.forward import PLENTY, foresee, look_ahead, set_out
from planner.outlook.spent import spent_so_far
from planner.outlook.watched import HOPEFUL, MOST_SURROUNDED, NEAREST, SURROUNDED, Watched
from planner.outlook.words import counted, ranges_words
from planner.window.box import FACTORS, factor_box
from planner.window.joint_claim import certified_level, least_ess
from planner.window.points import box_skeleton, corners, jittered, scaled, uniform_in
from planner.window.window import Window

BUDGET_DRAWS, BUDGET_POINTS = 1000, 1024
LONGEST = 12
"""Weeks looked at when nobody says how many."""
TARGET_POINTS = 208
PRIOR_WORDS = "the whole outlook rests on the prior: the first week's results will move it, so weigh stopping once they are in"
PRIOR_NEXT = "plan the first week (trialwright plan {0}), record its results, then ask again (trialwright budget {0})"
THREADS = 2
"""Parts of the outlook that are worked out beside each other."""


def write_budget(campaign, *, weeks: int | None = None) -> dict[str, Any]:
    """Work the budget out, write reports/budget.html and reports/budget.json, and return the record.

    Parameters
    ----------
    campaign : Campaign
    weeks : int, optional
        As in `budget`.
    """
    return publish(campaign, budget(campaign, weeks=weeks))


def publish(campaign, record: dict[str, Any]) -> dict[str, Any]:
    """Write a budget to reports/ as page and JSON, and return it with `page`, where it is."""
    from planner.report.pages.build import budget_page      # brings the drawing library in

    record = record | {"page": "reports/budget.html"}
    write_report(campaign.directory, "budget.html", budget_page(record, title=campaign.definition.campaign.title))
    write_report(campaign.directory, "budget.json", json.dumps(record, ensure_ascii=False, indent=1))
    return record


def budget(campaign, *, weeks: int | None = None) -> dict[str, Any]:
    """Return what certainty the coming weeks buy, on today's posterior.

    Parameters
    ----------
    campaign : Campaign
    weeks : int, optional
        Weeks to lay out; default those left of `weeks_max`, at most 12.

    Returns
    -------
    dict
        Plain values: the keys of the contract (`by_money, marginal, stop, order`), `pending`, `cuts` and what they rest on.
    """
    definition = campaign.definition
    fit = current_fit(campaign)
    window = window_of(campaign, fit, ranges=False, maps=False, keep=True)
    fit = drawn_with(campaign, fit, window)
    with campaign.ledger(read_only=True) as ledger:
        everything, pending, plans = ledger.specimens(with_excluded=True), ledger.pending(), ledger.plans()
    spent = spent_so_far(definition, everything, {p.number: [s.specimen for s in p.specimens] for p in plans}, pending=pending)
    left = None if definition.goal.total_budget is None else max(definition.goal.total_budget - spent.money - spent.bound, 0.0)
    horizon = weeks or int(np.clip(definition.goal.weeks_max - spent.weeks - spent.weeks_bound, 1, LONGEST))
    blanks = stock_on_hand(definition, everything, pending)
    campaign.say(f"laying out {counted(horizon, 'week')}")
    with one_blas_thread():              # factors of a few hundred rows, hundreds of times: shared between threads they wait for each other
        outset = _outset(campaign, fit, window, pending)
        ahead = look_ahead(outset, weeks=horizon, money=left, blanks=blanks)
        campaign.say("drawing what they may show; weighing cuts and the next component")
        with ThreadPoolExecutor(THREADS) as beside:
            drawn = beside.submit(foresee, ahead, confidence=definition.goal.confidence, rng=np.random.default_rng([definition.campaign.seed, 11]))
            cuts = worth.cuts(outset, ahead, weeks=horizon, money=left, blanks=blanks, now=window.misclassification, each=beside.map)
            marginal = worth.marginal(ahead, worth.Scale.of(outset, window.misclassification), rng=np.random.default_rng([definition.campaign.seed, 17]))
            seen = drawn.result()
    found = window.to_json()
    now = {name: found[name] for name in ("misclassification", "claimed_share", "undecided_share")}
    rows = worth.by_money(ahead, seen, goal=definition.goal, now=now, spent=spent.money + spent.bound, claims_today=window.joint is not None)
    comparable = now["claimed_share"] if window.joint is not None else None
    awaited = worth.awaited(ahead, now=window.misclassification)
    blind = fit.verdict.name == PRIOR_ONLY
    return {
        "by_money": rows, "marginal": marginal,
        "stop": worth.stop(rows, goal=definition.goal, currency=definition.campaign.currency, ended=ahead.ended, start=awaited,
                           prior_only=PRIOR_NEXT.format(campaign.directory) if blind else None),
        "order": worth.order(ahead, blanks=blanks, lot_temper={s.lot: s.temper for s in definition.stock}, lots_seen=_lots_seen(campaign, fit)),
        "cuts": worth.with_bands(cuts, rows), "claimed_reading": None if comparable is None else {"today": float(seen.claimed[0].mean()), "stated": comparable,
                                                                               "factor": worth.claim_factor(ahead, seen, comparable)},
        "outcomes": seen.claimed.shape[1], "chance_error_most": 0.5 / seen.claimed.shape[1] ** 0.5,
        "pending": _due(definition, pending, plans, everything),
        "goal": {"target": _target_words(definition), "undecided_share_max": definition.goal.undecided_share_max, "weeks_max": definition.goal.weeks_max,
                 "total_budget": definition.goal.total_budget, "spent_estimate": spent.money, "money_left": left, "weeks_done": spent.weeks, "dates": spent.dates and list(spent.dates),
                 "bound_estimate": spent.bound, "weeks_bound": spent.weeks_bound, "misclassification_awaited": awaited,
                 "furnace_loads_done": spent.furnace_loads, "tool_setups_done": spent.tool_setups},
        "verdict": fit.verdict.name, "currency": definition.campaign.currency, "notices": [*window.notices, *([PRIOR_WORDS] if blind else [])],
        "method": "weeks laid out beforehand on today's posterior by the linear batch update, the falls of H scaled by what such forecasts were worth against "
                  "refits; a lab that looks each week does at least as well on average"}


def _outset(campaign, fit: Fit, window: Window, pending):
    """Thin draws and points, add the points on which claims are read, and set up the choice."""
    definition = campaign.definition
    keep = _even(fit.draws.n_draws, BUDGET_DRAWS)
    n = len(window.reference.conditions)
    some = np.sort(np.random.default_rng(definition.campaign.seed).choice(n, min(n, BUDGET_POINTS), replace=False))
    member = window.member[some]
    reference = ReferenceMap.of(window.reference.conditions.take(some), window.conformance[np.ix_(keep, some)], tempers=definition.factors.tempers,
                                ranges=definition.factor_ranges, reliability=definition.goal.reliability, chain=fit.draws.chain[keep],
                                claimed=member)
    params = fit.params.take(keep)
    limits = Limits.of(definition)
    limits = Limits(**{**limits.__dict__, "blanks": {lot: PLENTY for lot in limits.blanks}})
    return set_out(reference, FittedPredictor(definition, fit.encoded, params), limits, history=fit.specimens,
                   pending=[(_candidate(s), s.furnace_load) for s in pending], watched=_watched(campaign, fit, window, keep),
                   rng=np.random.default_rng([definition.campaign.seed, 7]))


def _watched(campaign, fit: Fit, window: Window, keep: np.ndarray) -> Watched:
    """Return the points on which claims of the coming weeks are read: those where one is within reach today, and those of the target."""
    definition, box, reference = campaign.definition, window.box, window.reference
    seed, n = definition.campaign.seed, len(reference.c)
    columns = np.flatnonzero(reference.c >= HOPEFUL)
    edge = columns[reference.c[columns] >= SURROUNDED]
    edge = edge[np.argsort(-reference.c[edge], kind="stable")][_even(edge.size, MOST_SURROUNDED)] if edge.size else edge
    beside = [jittered(box, reference.conditions.take([one]), rng=np.random.default_rng([seed, 13, int(one)])) for one in edge]
    again = []
    if window.joint is not None:                       # the second set and the corners, as far as they matter
        more = np.arange(n, 2 * n + len(corners(box)))
        again = [window.joint.pool.conditions.take(more[window.joint.pool.c[more] >= HOPEFUL])]
    wish = _target_points(definition)
    others = Conditions.concatenate([*again, *beside, *([] if wish is None else [wish])]) if again or beside or wish is not None else None
    found = window.conformance[np.ix_(keep, columns)]
    if others is not None:
        found = np.concatenate([found, conformance_of(definition, fit.encoded, fit.params.take(keep))(others)], axis=1)
    scores = normal_scores(found, reliability=definition.goal.reliability)
    number = np.full(n, -1)
    number[columns] = np.arange(columns.size)
    n_watched = found.shape[1] - (0 if wish is None else len(wish))
    parent = np.concatenate([np.full(n_watched - sum(map(len, beside)), -1), np.repeat(number[edge], [len(one) for one in beside])]).astype(int)
    ess = np.nan if window.joint is None else window.joint.ess
    confidence = definition.goal.confidence
    level, whole = (min(1.0, certified_level(confidence, np.nanmax([size, least_ess(confidence)]))) for size in (ess, fit.verdict.ess))
    return Watched(scores.z[:, :n_watched], scores.z0[:n_watched], columns.size, n, parent, number[_nearest(window)[columns]], level,
                   None if wish is None else (scores.z[:, n_watched:], scores.z0[n_watched:]), whole)


def _nearest(window: Window) -> np.ndarray:
    """Return the nearest reference points of each reference point, in its temper, itself among them."""
    where, temper = scaled(window.box, window.reference.conditions), window.reference.conditions.temper
    found = np.zeros((len(where), NEAREST + 1), int)
    for k in range(len(window.box.tempers)):
        mine = np.flatnonzero(temper == k)
        found[mine] = mine[cKDTree(where[mine]).query(where[mine], k=np.minimum(np.arange(1, NEAREST + 2), mine.size))[1]]
    return found


def _target_points(definition) -> Conditions | None:
    """Return points of [target]: its corners, edge midpoints and points inside; None without one."""
    if definition.target is None:
        return None
    box = factor_box(definition)
    low, high = np.array([getattr(definition.target, key) for key in FACTORS], float).T
    settings = np.concatenate([box_skeleton(low, high), uniform_in(box, low, high, TARGET_POINTS, seed=(definition.campaign.seed, 5))])
    return Conditions.from_factors(box.tempers.index(definition.target.temper), settings[box.reachable(settings)])


def _target_words(definition) -> str | None:
    """Return [target] as a phrase, None without one."""
    if definition.target is None:
        return None
    return f"{definition.target.temper}, {ranges_words({key: getattr(definition.target, key) for key in FACTORS})}"


def _even(n: int, most: int) -> np.ndarray:
    """Return at most `most` of n positions, evenly spread."""
    return np.unique(np.linspace(0, n - 1, min(n, most)).round().astype(int))


def _candidate(s: Specimen) -> Candidate:
    return Candidate(s.specimen_type, s.temper, s.lot, s.forming_temperature_degC, s.strain, s.braze_temperature_degC, s.braze_time_min,
                     s.section_feature)


def _lots_seen(campaign, fit: Fit) -> dict[str, int]:
    return {t: len({s.lot for s in fit.specimens if s.temper == t}) for t in campaign.definition.factors.tempers}


def _due(definition, pending, plans, everything) -> list[dict[str, Any]]:
    """Return planned specimens not reported yet, and components whose planned section is not, with the day on which the last result is due."""
    of = {s.specimen: plan for plan in plans for s in plan.specimens}
    held = {s.specimen: s for s in everything}
    gone = {number for plan in plans for number in plan.supersedes}
    sections = [s for plan in plans if plan.number not in gone for s in plan.specimens if s.section_feature and uncut(held.get(s.specimen))]
    rows = []
    for one, awaited in [*((s, "results") for s in pending), *((s, "section") for s in sections)]:
        kind, plan = definition.specimens[one.specimen_type], of[one.specimen]
        days = max(kind.days_to_result, kind.section.days_to_result if kind.section is not None and one.section_feature else 0)
        due = datetime.date.fromisoformat(plan.time[:10]) + datetime.timedelta(days=days)
        rows.append({"specimen": one.specimen, "specimen_type": one.specimen_type, "plan": plan.number, "due": due.isoformat(), "awaited": awaited})
    return rows
