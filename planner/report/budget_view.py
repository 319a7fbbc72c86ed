"""Budget and review in the terminal: the short form of what their pages show."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from rich.console import Group, RenderableType
from rich.text import Text

from planner.report.screen import add_row, cautions, notices, number, percent, plain_table, verdict_line


BANDS = (("misclassification", "misclassification_band_80"), ("undecided_share", "undecided_band_80"), ("claimed_share", "claimed_band_80"))


def _banded(row: Mapping[str, Any], name: str, band: str) -> str:
    """Write a share in per cent, from the coming week on with its band."""
    low, high = row[band]
    return number(100 * row[name], 1) + (f" ({100 * low:.1f} to {100 * high:.1f})" if row["weeks"] else "")


def budget(record: Mapping[str, Any]) -> RenderableType:
    """Show the object of `budget --json`."""
    money, aimed = record["currency"], bool(record["goal"]["target"])
    table = plain_table("week", f"money [{money}]", "H [%]", "undecided [%]", "claimed [%]", "goal", *(["target"] if aimed else []),
                        title=f"What the coming weeks buy (80 % band in brackets; {'goal and target' if aimed else 'goal'}: the chance, ± {record['chance_error_most']:.2f} at most)")
    takes = plain_table("week", "specimens", "lots", "loads", "sections", "hours", title="What that takes, from today on")
    for column in (*table.columns, *takes.columns[2:]):
        column.justify = "right"
    for row in record["by_money"]:
        add_row(table, number(row["weeks"]), f"{row['cost']:.0f}", *(_banded(row, name, band) for name, band in BANDS), f"{row['probability_of_goal']:.2f}", *([number(row["probability_of_target"], 2)] if aimed else []))
        if not row["weeks"] and record["goal"]["misclassification_awaited"] is not None:
            add_row(table, "pending", "0", number(100 * record["goal"]["misclassification_awaited"], 1), *[""] * (4 if aimed else 3))
        if row["weeks"]:
            add_row(takes, number(row["weeks"]), ", ".join(f"{n} {kind.replace('_', ' ')}{'' if n == 1 else 's'}" for kind, n in row["specimens"].items()), number(row["lots"]),
                    number(row["furnace_loads"]), number(row["sections"]), number(row["hours"], 1))
    deep = [Text(f"Rehearsed: {record['deep']['words']}.")] if record.get("deep") else []
    return Group(verdict_line(record["verdict"]), notices(record["notices"]), _standing(record), table, takes, *deep, _stop(record), _next(record),
                 _cuts(record, money), _order(record), _pending(record), Text(f"Page: {record['page']}"))


def _dated(goal: Mapping[str, Any]) -> str:
    return f" (dated {goal['dates'][0]} to {goal['dates'][1]})" if goal["dates"] else ""


def _standing(record: Mapping[str, Any]) -> Text:
    goal, money = record["goal"], record["currency"]
    text = Text("Goal: ", style="bold")
    text.append(f"at most {percent(goal['undecided_share_max'])} undecided within {goal['weeks_max']} weeks"
                + (f", target certified ({goal['target']})" if goal["target"] else "")
                + f"; {goal['weeks_done']} {'week' if goal['weeks_done'] == 1 else 'weeks'} with results{_dated(goal)}, about {goal['spent_estimate']:.0f} {money} spent"
                + (f", {goal['bound_estimate']:.0f} {money} bound in what is pending" if record["pending"] else "")
                + ("" if goal["total_budget"] is None else f", {goal['money_left']:.0f} of {goal['total_budget']:.0f} {money} left") + "\n", style="not bold")
    return text


def _pending(record: Mapping[str, Any]) -> Text:
    days = [one["due"] for one in record["pending"]]
    sections = sum(one["awaited"] == "section" for one in record["pending"])
    only = f", of {sections} the section alone" if sections else ""
    return Text(f"\nPending: {len(days)} {'specimen' if len(days) == 1 else 'specimens'}{only}" + (f", results due {min(days)} to {max(days)}" if days else ""))


def _stop(record: Mapping[str, Any]) -> Text:
    stop = record["stop"]
    text = Text("Stop: ", style="bold")
    text.append(stop["why"] + ("" if stop["goal_week"] is None else "; the goal is reached already" if stop["goal_week"] == 0 else f"; the goal is likelier reached than not from week {stop['goal_week']}"), style="not bold")
    awaited = record["goal"]["misclassification_awaited"]
    if awaited is not None:
        text.append(f". Pending results are expected to bring H to {percent(awaited)}; the first week's gain counts from there", style="not bold")
    if stop["horizon_ended"]:
        text.append(f". The outlook ends early: {stop['horizon_ended']}", style="not bold")
    return text


def _next(record: Mapping[str, Any]) -> Text:
    worth = record["marginal"]
    text = Text("Next: ", style="bold")
    text.append(worth["why"], style="not bold")
    if worth["component"]:
        falls = (f"{words} {100 * one['gain']:.3f} ({100 * one['gain_band_80'][0]:.3f} to {100 * one['gain_band_80'][1]:.3f})"
                 for words, one in (("component", worth["component"]), ("coupons", worth["coupons"])))
        text.append(f": {', '.join(falls)} points of H, for {worth['component']['cost']:.0f} {record['currency']}, 80 % bands in brackets", style="not bold")
    return text


def _cuts(record: Mapping[str, Any], money: str) -> RenderableType:
    table = plain_table("cut", f"saved [{money}]", "H at the end", "points of H lost", title="What cuts cost (80 % band in brackets)")
    for row in record["cuts"]:
        add_row(table, percent(row["cut"]), f"{row['saved']:.0f}", _banded(row, *BANDS[0]), f"{100 * row['loss']:.2f}")
    return table


def _order(record: Mapping[str, Any]) -> RenderableType:
    table = plain_table("temper", "blanks to order", "further lot", "why", title="What to order")
    for row in record["order"]:
        add_row(table, row["temper"], number(row["blanks_to_order"]), "yes" if row["further_lot"] else "no", row["why"])
    return table


def review(record: Mapping[str, Any]) -> RenderableType:
    """Show the short form of the object of `review --json`."""
    parts: list[RenderableType] = [verdict_line(record["convergence"]["verdict"])]
    if record["first"]:
        parts.append(notices(record["first"]))
    joint = (record["window"]["joint_claim"] or {}).get("joint_probability")
    if joint is not None:
        parts.append(Text(f"Over all tempers at once {percent(record['window']['claimed_share'])} of the box is claimed, joint probability {joint:.3f}."))
    none = "Nothing is claimed yet." if joint is None else "No operating range is certified: no box of settings of its own fits into that region."
    parts += [Text(claim["words"]) for claim in record["claims"]] or [Text(none)]
    parts += [Text(record["target"])] if record["target"] else []
    if record.get("bagged"):
        parts.append(Text(f"{record['bagged']['words']}."))
        parts += [Text(f"{one['what']}: joint probability {one['joint_probability']:.3f} on the fit, {number(one['bagged_probability'], 3)} on average over "
                       "refits on resampled lots and loads") for one in record["bagged"]["regions"]]
    parts += [Text(f"{trial['words']}.") for trial in record["verification"]]
    parts += [Text(f"Frozen claim {one['number']:03d}: {one['words']}") for one in record["frozen"]]
    return Group(*parts, Text(f"\nThe page: {record['page']}"), Text(), cautions())
