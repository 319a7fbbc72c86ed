"""What certainty a budget buys: the lab manager's questions, answered from the weeks to come.

`forward` lays out weeks and draws what they may show; here that becomes money against certainty, the worth of one more
component, what cuts cost, when to stop and what to order. Plain records in, one plain record out.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from planner.acquisition.draft import Draft
from planner.acquisition.forecast_record import measured
from planner.acquisition.gain import NO_LOAD
from planner.outlook.forward import Ahead, Foreseen, Outset, further_falls, look_ahead
from planner.outlook.words import counted

CUTS = (0.10, 0.25, 0.50)
BAND = (0.10, 0.90)
LEAST_GROUPS = 4
MOST_FACTOR = 2.0
"""By how much a share read here is raised at most to meet the one that the window states."""
TODAY = {"misclassification_band_80": "misclassification", "undecided_band_80": "undecided_share", "claimed_band_80": "claimed_share"}
"""Bands that shrink, today, to what the window states."""


def by_money(ahead: Ahead, seen: Foreseen, *, goal, now: dict[str, float], spent: float, claims_today: bool = True) -> list[dict[str, Any]]:
    """Return one row a stage, today first: cost and weeks from now on, certainty with 80 % bands, specimens so far.

    Parameters
    ----------
    ahead : Ahead
    seen : Foreseen
    goal : table [goal] of the definition
    now : today's misclassification, claimed_share and undecided_share, as the window states them (None where it may not)
    spent : money spent before today, from the cost of what is recorded
    claims_today : whether the window may claim anything today, so that its share and the one read here can be compared
    """
    scale = Scale.of(ahead.outset, now["misclassification"])
    factor = claim_factor(ahead, seen, now.get("claimed_share") if claims_today else None)
    read = seen.claimed * min(1.0, factor)
    left_open = seen.undecided + seen.claimed - read
    open_level = _level(float(left_open[0].mean()), now.get("undecided_share"))
    rows, cost, hours, count = [], 0.0, 0.0, Counter()
    loads, sections, lots = 0, 0, set()
    for stage, week in enumerate((None, *ahead.weeks)):
        if week is not None:
            cost, hours, loads, sections = cost + week.cost, hours + week.hours, loads + week.loads, sections + week.sections
            count.update(week.specimens)
            lots |= {lot for _, lot in week.blanks}
        claimed = read[stage]
        undecided = np.clip(left_open[stage] * open_level, 0.0, 1.0 - claimed)
        expected = now["misclassification"] if week is None else float(scale.h(week.misclassification))
        reached = float(np.mean(undecided <= goal.undecided_share_max))
        row = {"cost": cost, "cost_with_spent": spent + cost, "weeks": stage,
               "misclassification": expected,
               "undecided_share": float(undecided.mean()), "claimed_share": float(claimed.mean()), "probability_of_goal": reached,
               "probability_of_target": None if seen.target is None else float(np.mean(seen.target[stage] >= seen.target_level)),
               "misclassification_band_80": scale.band(seen.misclassification[stage], of=expected),
               "undecided_band_80": _band(undecided), "claimed_band_80": _band(claimed, most=max(factor, 1.0 / factor)),
               "specimens": dict(count), "lots": len(lots), "furnace_loads": loads, "sections": sections, "hours": hours}
        if week is None and now.get("undecided_share") is not None:
            row |= {name: now[name] for name in ("undecided_share", "claimed_share")}
            row |= {name: [now[share]] * 2 for name, share in TODAY.items()}
            row["probability_of_goal"] = float(now["undecided_share"] <= goal.undecided_share_max)
        rows.append(row)
    return rows


@dataclass(frozen=True)
class Scale:
    """From H as the linear update foresees it to H as the window states it, with what such forecasts were worth against refits."""

    start: float
    """H before the outlook, on the draws and points of the linear update."""
    now: float
    """The same H as the window states it."""
    factor: float
    """On a small gain; a larger one counts as many small ones, so that H never falls below nothing."""
    stretch: float
    """On the distance of either end of a band."""

    @classmethod
    def of(cls, outset: Outset, now: float) -> "Scale":
        """Return the scale of an outlook; forecasts are taken as they are where none was ever held against refits."""
        record = measured()
        return cls(outset.problem.gain.now, now, *((1.0, 1.0) if record is None else (record.factor, record.stretch)))

    def h(self, foreseen):
        """Return H as it is told."""
        return self.now * (np.asarray(foreseen, float) / self.start) ** self.factor if self.start > 0 else np.full_like(foreseen, self.now, float)

    def band(self, foreseen: np.ndarray, *, of: float) -> list[float]:
        """Return the 80 % band of H around its expectation."""
        low, high = np.quantile(self.h(foreseen), BAND)
        return [float(max(of - self.stretch * max(of - low, 0.0), 0.0)), float(min(of + self.stretch * max(high - of, 0.0), 0.5))]


def claim_factor(ahead: Ahead, seen: Foreseen, stated: float | None) -> float:
    """Return today's claimed share as the window states it, over the one read here on fewer draws and points; 1 where nothing is stated.

    Expectations are brought down by it and never up; a band covers both readings. One reference point is added to either share: less than
    that is not told apart.
    """
    if stated is None:
        return 1.0
    watched = ahead.outset.watched
    least = 1.0 / (ahead.outset.z0.size if watched is None else watched.n_points)
    return min(MOST_FACTOR, (stated + least) / (float(seen.claimed[0].mean()) + least))


def _level(raw: float, stated: float | None) -> float:
    """Return the factor that brings an undecided share read on fewer points and draws to the one the window states today."""
    return min(MOST_FACTOR, stated / raw) if stated is not None and raw > 0.01 else 1.0


def _band(values: np.ndarray, *, most: float = 1.0) -> list[float]:
    """Return the 80 % band; its upper end is widened by the factor `most`."""
    low, high = (float(x) for x in np.quantile(values, BAND))
    return [low, min(1.0, high * most)]


def awaited(ahead: Ahead, *, now: float) -> float | None:
    """Return H expected once the pending results are in, on the scale of the window's H (`now`); None where nothing is pending."""
    if not ahead.pending_rows:
        return None
    return float(Scale.of(ahead.outset, now).h(ahead.pending_misclassification))


def stop(rows: Sequence[dict[str, Any]], *, goal, currency: str, ended: str, start: float | None = None, prior_only: str | None = None) -> dict[str, Any]:
    """Say when stopping is rational: the first week whose expected gain is worth less than it costs.

    Parameters
    ----------
    rows : of `by_money`.
    goal : table [goal] of the definition.
    currency : str
    ended : why the outlook ends early.
    start : float, optional
        H expected once pending results are in: they are paid for, so the first week gains from there. Default: today's H.
    prior_only : str, optional
        What to do instead, where no result is recorded: the prior alone is no ground for stopping.

    Returns
    -------
    dict
        `week` (the first week not to run; None: none within the horizon, or no worth stated), `goal_week` (first week after
        which the goal is reached more likely than not), `weeks` (gain, worth and cost of each) and `why`.
    """
    worth, weeks = goal.worth_per_percent, []
    for before, after in zip(rows[:-1], rows[1:], strict=True):
        outset = start if start is not None and not weeks else before["misclassification"]
        gain = outset - after["misclassification"]
        weeks.append({"week": after["weeks"], "cost": after["cost"] - before["cost"], "gain": gain,
                      "worth": None if worth is None else 100 * gain * worth})
    likely = next((r["weeks"] for r in rows if r["probability_of_goal"] >= 0.5), None)
    if not weeks:
        why, week = "no further week can be laid out, so there is nothing to weigh", None
    elif prior_only is not None:
        why, week = f"no result is recorded yet, and the prior alone cannot judge whether stopping is worth it: {prior_only}", None
    elif worth is None:
        why, week = "no worth_per_percent is stated in [goal], so gain and money cannot be weighed against each other", None
    else:
        short = next((w for w in weeks if w["worth"] < w["cost"]), None)
        week = short and short["week"]
        why = (f"stop before week {week}: it would cost {short['cost']:.0f} {currency} and is expected to bring {short['worth']:.0f} {currency} worth of certainty "
               f"({100 * short['gain']:.2f} points of H at {worth:g} a point); {_left(rows, week, start)}" if short else
               f"every week looked at ({len(weeks)}) is expected to bring more than it costs")
    return {"week": week, "goal_week": likely, "why": why, "horizon_ended": ended, "weeks": weeks}


def _left(rows: Sequence[Mapping[str, Any]], week: int, start: float | None) -> str:
    """Say what stopping before a week leaves."""
    if week == 1 and start is not None:
        return f"the pending results alone leave H at {100 * start:.1f} %"
    last = next(r for r in rows if r["weeks"] == week - 1)
    return f"that leaves {100 * last['undecided_share']:.1f} % of the box undecided and {100 * last['claimed_share']:.1f} % claimed"


def cuts(outset: Outset, ahead: Ahead, *, weeks: int, money: float | None, blanks, now: float, each: Callable = map) -> list[dict[str, Any]]:
    """Return what cutting every week's money by 10, 25 and 50 % costs in certainty: each cut is planned anew.

    `each` goes through the cuts as `map` does; that of a pool of threads plans them beside each other.
    """
    last = ahead.weeks[-1].misclassification if ahead.weeks else ahead.pending_misclassification
    full = sum(w.cost for w in ahead.weeks)
    planned = max((w.cost for w in ahead.weeks), default=0.0)
    allowed = outset.problem.limits.allowed["budget"]
    bound = planned if not np.isfinite(allowed) else min(allowed, planned)
    scale = Scale.of(outset, now)

    def planned_with(cut: float) -> dict[str, Any]:
        less = look_ahead(outset, weeks=weeks, money=None if money is None else money * (1 - cut), weekly=(1 - cut) * bound, blanks=blanks)
        end = less.weeks[-1].misclassification if less.weeks else less.pending_misclassification
        spent = sum(w.cost for w in less.weeks)
        return {"cut": cut, "cost": spent, "saved": full - spent, "misclassification": float(scale.h(end)), "loss": float(scale.h(end) - scale.h(last)),
                "weeks": len(less.weeks)}

    return list(each(planned_with, CUTS))


def with_bands(cuts: list[dict[str, Any]], rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Return the cuts with an 80 % band of H: that of the uncut plan's end, its falls of H in the proportion of the cut plan's fall.

    Parameters
    ----------
    cuts : of `cuts`
    rows : of `by_money`
    """
    start, end = rows[0]["misclassification"], rows[-1]
    whole = start - end["misclassification"]

    def banded(row: dict[str, Any]) -> dict[str, Any]:
        part = (start - row["misclassification"]) / whole if whole > 0 else 0.0
        low, high = (row["misclassification"] + part * (edge - end["misclassification"]) for edge in end["misclassification_band_80"])
        return row | {"misclassification_band_80": [max(low, 0.0), min(max(high, 0.0), 0.5)]}

    return [banded(row) for row in cuts]


def marginal(ahead: Ahead, scale: Scale, *, rng: np.random.Generator) -> dict[str, Any]:
    """Compare one more component beside the coming week's plan with the same money in coupons (the week's limits set aside).

    Gains are told on the scale of the window's H, each with the 80 % band of the fall that a single outcome brings.
    """
    draft = ahead.first
    if draft is None:
        return {"component": None, "coupons": None, "why": "no week could be laid out"}
    kinds = np.array([c.specimen_type for c in draft.pool.candidates])
    free = ~draft.pool.is_control
    found = _best(draft, np.flatnonzero((kinds == "component") & free), draft.conditioned)
    if found is None:
        return {"component": None, "coupons": None, "why": "no component can be made from the stock and settings given"}
    _, pick, price = found
    picks, used = _coupons(draft, np.flatnonzero((kinds != "component") & free), money=price)
    component = {"what": _words(draft, pick), **_worth(ahead, scale, [pick], price, rng=rng)}
    bundle = {"specimens": dict(Counter(str(kinds[c]) for c, _ in picks)), **_worth(ahead, scale, picks, used, rng=rng)}
    better = "the component lowers" if component["gain"] >= bundle["gain"] else "coupons lower"
    return {"component": component, "coupons": bundle,
            "why": f"for the price of one more component, {better} H more (expected falls; a single outcome may raise H, as the bands show)"}


def _coupons(draft: Draft, rows: np.ndarray, *, money: float) -> tuple[list[tuple[int, int]], float]:
    """Return the coupons that lower H most for their price, one after another as long as the money lasts, and what they cost."""
    left, state, setups, picks = money, draft.conditioned, _SetUps.of(draft), []
    while (found := _best(draft, rows, state, most=left, setups=setups)) is not None and found[0] > 0:
        _, pick, cost = found
        state = draft.gain.with_pick(state, pick)
        setups.take(draft, pick)
        left -= cost
        picks.append(pick)
    return picks, money - left


def _worth(ahead: Ahead, scale: Scale, more: Sequence[tuple[int, int]], cost: float, *, rng: np.random.Generator) -> dict[str, Any]:
    """Return the fall of H that further specimens bring beside the coming week's plan, its band and its price."""
    batch = ahead.first.batch()
    before, after = (ahead.outset.problem.gain.condition(picks).misclassification for picks in (batch, [*batch, *more]))
    gain = float(scale.h(before) - scale.h(after))
    h_before, h_after = further_falls(ahead.outset, batch, more, rng=rng) if more else (np.zeros(1), np.zeros(1))
    low, high = np.quantile(scale.h(h_before) - scale.h(h_after), BAND)
    band = [gain - scale.stretch * max(gain - float(low), 0.0), gain + scale.stretch * max(float(high) - gain, 0.0)]
    return {"gain": gain, "gain_band_80": band, "cost": cost, "gain_per_1000": 1000 * gain / cost if cost else 0.0}


@dataclass
class _SetUps:
    """Tool temperatures and furnace loads that are paid for."""

    warm: set[float]
    loads: dict[int, int]
    """Number of the load, by braze."""

    @classmethod
    def of(cls, draft: Draft) -> "_SetUps":
        return cls(set(draft.tally.temperatures), {draft.braze_of(number): number for number in draft.tally.loads})

    def take(self, draft: Draft, pick: tuple[int, int]) -> None:
        """Note what a pick set up."""
        self.warm.add(float(draft.needs.temperature[pick[0]]))
        if draft.needs.furnace[pick[0]]:
            self.loads[int(draft.pool.braze[pick[0]])] = pick[1]


def _opening(draft: Draft, braze: int) -> float:
    """Return what opening a load costs, its control included; infinite where it can have none."""
    possible, control = draft.control_for(braze)
    return draft.limits.setup_load + (0.0 if control is None else float(draft.needs.cost[control])) if possible else np.inf


def _best(draft: Draft, rows: np.ndarray, state, *, most: float = np.inf, setups: _SetUps | None = None):
    """Return (fall of H, pick, price) of the specimen with the largest fall for its price, or None."""
    if not rows.size:
        return None
    setups = _SetUps.of(draft) if setups is None else setups
    brazed = draft.needs.furnace[rows]
    load = np.array([setups.loads.get(int(draft.pool.braze[r]), NO_LOAD) if f else NO_LOAD for r, f in zip(rows, brazed)])
    opens = brazed & (load == NO_LOAD)
    load = np.where(opens, max(draft.free_load(), *(number + 1 for number in setups.loads.values()), 0), load)
    costs = {braze: _opening(draft, braze) for braze in {int(b) for b in draft.pool.braze[rows[opens]]}}
    opening = np.array([costs[int(draft.pool.braze[r])] if o else 0.0 for r, o in zip(rows, opens)])
    price = draft.needs.cost[rows] + draft.limits.setup_tool * ~np.isin(draft.needs.temperature[rows], sorted(setups.warm)) + opening
    fits = price <= most + 1e-9
    if not fits.any():
        return None
    fall = state.misclassification - draft.gain.score(state, rows[fits], load[fits])
    best = int(np.argmax(fall / price[fits]))
    return float(fall[best]), (int(rows[fits][best]), int(load[fits][best])), float(price[fits][best])


def _words(draft: Draft, pick: tuple[int, int]) -> str:
    c = draft.pool.candidates[pick[0]]
    braze = "" if c.braze is None else f", brazed at {c.braze[0]:g} degC for {c.braze[1]:g} min"
    return f"{c.specimen_type.replace('_', ' ')} of {c.temper} at {c.forming_temperature_degC:g} degC, strain {c.strain or 0:g}{braze}"


def order(ahead: Ahead, *, blanks: dict[str, int], lot_temper: dict[str, str], lots_seen: dict[str, int]) -> list[dict[str, Any]]:
    """Say what to order: blanks by temper for the weeks laid out, and further lots where their spread rests on the prior.

    Parameters
    ----------
    ahead : Ahead
    blanks : blanks on hand by lot.
    lot_temper : temper of each lot in stock.
    lots_seen : number of lots with results, by temper.
    """
    need = Counter()
    for week in ahead.weeks:
        for (temper, _), count in week.blanks.items():
            need[temper] += count
    total, rows = sum(lots_seen.values()), []
    for temper in lots_seen:
        have = sum(count for lot, count in blanks.items() if lot_temper[lot] == temper)
        fresh = sum(lot_temper[lot] == temper for lot in blanks)
        short = max(need[temper] - have, 0)
        lot = total < LEAST_GROUPS
        why = [f"{need[temper]} blanks are used in the {counted(len(ahead.weeks), 'week')} laid out, {have} are on hand"]
        if lot:
            why.append((f"only {counted(total, 'lot')} {'has' if total == 1 else 'have'} results" if total else "no lot has results yet") + ", so the spread between lots rests on the prior: "
                       "take the blanks from a lot not used yet")
        if not fresh and not have:
            why.append("no lot of this temper is in [[stock]], so nothing of it can be planned")
        rows.append({"temper": temper, "blanks_needed": need[temper], "blanks_on_hand": have, "blanks_to_order": short, "further_lot": lot,
                     "why": "; ".join(why)})
    return rows
