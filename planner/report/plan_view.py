"""The week's plan on the screen: what to do in which order, why, and what it should bring.

A plan is read at the bench, so its table follows the forming order and gives each
trial its reason in words. Takes the object that `plan --json` prints.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from rich.console import Group, RenderableType
from rich.text import Text

from planner.report.screen import add_row, notices, number, percent, plain_table, verdict_line

FRESH = {False: ", on earlier code", None: ", whether on this code cannot be told here"}
"""What is said of when forecasts were measured."""
MOST_ARGUED = 3
"""Trials, and kinds left out, that the screen names; the page has them all."""
_TOTALS = (
    ("cost", "cost", "budget"),
    ("hours", "hours", "hours"),
    ("furnace_loads", "furnace loads", "furnace_loads"),
    ("tool_temperatures", "tool temperatures", "tool_temperatures"),
    ("sections", "sections", "sections"),
)


def plan(
    record: Mapping[str, Any],
    *,
    currency: str = "",
    limits: Mapping[str, float | None] | None = None,
    heading: bool = True,
) -> RenderableType:
    """Show a plan: verdict, totals against the week's limits, what it should bring, and its trials.

    Parameters
    ----------
    record : mapping
        The object of `plan --json` in the contract; `notices` (list of sentences) is optional, and so is `plan_notices`, those of
        them that speak of the plan and not of the window.
    currency : str, default ''
    limits : mapping, optional
        The week's limits by the keys of `[week]`; a missing or None limit is shown as none.
    heading : bool, default True
        Begin with verdict and notices (False where the window was shown just above: then with the plan's own notices).

    Returns
    -------
    rich renderable
    """
    parts: list[RenderableType] = [verdict_line(record["verdict"])] if heading else []
    if heading and record.get("notices"):
        parts.append(notices(record["notices"]))
    elif record.get("plan_notices"):
        parts.append(notices(record["plan_notices"]))
    parts += [trials(record["trials"]), totals(record, currency=currency, limits=limits), outlook(record), past(record), *argued(record)]
    if record.get("own_list"):
        parts.append(own_list(record["own_list"], currency=currency))
    if record.get("plan_file"):
        parts.append(Text(_written(record)))
    return Group(*parts)


def trials(rows: list[Mapping[str, Any]]) -> RenderableType:
    """Show the trials in forming order."""
    if not rows:
        return Text("The plan holds no trial.")
    table = plain_table("no", "specimen", "temper, lot", "set, and why", "load", "gain", title="Trials in forming order")
    table.columns[0].justify = table.columns[5].justify = "right"
    table.padding = (0, 1, 0, 0)
    for place in (0, 2, 5):
        table.columns[place].no_wrap = True
    table.columns[1].max_width = 22
    table.columns[4].max_width = 10
    for row in rows:
        what = str(row["specimen_type"]).replace("_", " ")
        if row.get("purpose") == "control":
            what += " (control)"
        if row.get("section_feature"):
            what += f", section at {row['section_feature']}"
        add_row(
            table,
            number(row.get("sequence")),
            f"{row['specimen']}\n{what}",
            f"{row['temper']}\n{row['lot']}",
            f"{_settings(row)}\n{row.get('reason') or '-'}",
            number(row.get("furnace_load")),
            _gain(row.get("expected_gain")),
        )
    return Group(table, Text("gain: expected fall of H, in percentage points of the factor box, when taken in this order"))


def totals(
    record: Mapping[str, Any], *, currency: str = "", limits: Mapping[str, float | None] | None = None
) -> RenderableType:
    """Show what the plan uses against what the week allows."""
    table = plain_table("the plan uses", "amount", "of")
    table.columns[1].justify = table.columns[2].justify = "right"
    add_row(table, "specimens, controls included", number(record["n_trials"]), "")
    for key, words, limit in _TOTALS:
        money = f" {currency}" if key == "cost" and currency else ""
        most = (limits or {}).get(limit)
        add_row(table, words, number(record.get(key)) + money, "no limit" if most is None else number(most) + money)
    return table


def outlook(record: Mapping[str, Any]) -> Text:
    """Say what the plan should change."""
    now, expected = record["now"], record["expected"]
    low, high = expected["gain_band_80"]
    text = Text("Expected: ", style="bold")
    share = now.get("undecided_share")
    beyond, also = (" beyond what the pending specimens bring", ", with their results in too,") if record.get("pending") else ("", "")
    text.append(
        f"misclassification H falls from {percent(now['misclassification'])} to "
        f"{percent(expected['misclassification'])} (a gain of {100 * expected['gain']:.1f} points{beyond}, "
        f"80 % band {100 * low:.1f} to {100 * high:.1f})"
        + ("" if share is None else f"; undecided share{also} from {percent(share)}")
        + ("" if share is None else f" to {percent(expected.get('undecided_share'))}{_goal(record)}")
        + ".",
        style="not bold",
    )
    return text


def argued(record: Mapping[str, Any]) -> list[Text]:
    """Say what a researcher may argue with: which trials matter most and what would take their place, what was left out, which limits bind."""
    parts = []
    weighed = [t for t in record["trials"] if t.get("loss_without")]
    if weighed:
        text = Text("What matters most: ", style="bold")
        text.append("; ".join(_matters(t) for t in sorted(weighed, key=lambda t: -t["loss_without"])[:MOST_ARGUED]) + ".", style="not bold")
        parts.append(text)
    if record.get("not_worth"):
        text = Text("Left out: ", style="bold")
        text.append("; ".join(f"{n['what'].replace('_', ' ')} {n['why']}" for n in record["not_worth"][:MOST_ARGUED]) + ".", style="not bold")
        parts.append(text)
    if record.get("binding_limits"):
        text = Text("Limits that turned specimens away, most often first: ", style="bold")
        text.append(", ".join(name.replace("_", " ") for name in record["binding_limits"]) + ".", style="not bold")
        parts.append(text)
    drop = record.get("optimism_drop")
    if drop is not None:
        text = Text("Optimism: ", style="bold")
        text.append(f"chosen on half of the draws and scored on the other half, the gain was {percent(drop) if drop else 'no'} smaller.", style="not bold")
        parts.append(text)
    return parts


def _matters(row: Mapping[str, Any]) -> str:
    """Say what the plan loses without a trial, and what comes next to it."""
    words = f"without {row['specimen']} H stays {100 * row['loss_without']:.2f} points higher"
    other, loss = row.get("alternative"), row.get("alternative_loss")
    return words if not other or loss is None or loss < 0 else f"{words} (next best: {other.replace('_', ' ')}, {100 * loss:.3f} points higher)"


def _goal(record: Mapping[str, Any]) -> str:
    """Return the band of the undecided share and the chance of the goal, where they are known."""
    band, chance = record.get("undecided_band_80"), record.get("probability_of_goal")
    if band is None or chance is None:
        return ""
    return f" (80 % band {percent(band[0])} to {percent(band[1])}; chance that the goal is then reached {chance:.2f})"


def past(record: Mapping[str, Any]) -> Text:
    """Say how such forecasts fared: in simulated weeks with refits, and in this campaign."""
    text = Text("Such forecasts: ", style="bold")
    told, own = record.get("forecast_record"), record.get("past_forecasts")
    if told:
        text.append(f"over {told['weeks']} simulated weeks, each refitted, the gain foreseen was {told['ratio_of_sums']:.2f} of the gain that came, rank "
                    f"correlation {told['rank_correlation']:.2f}; {percent(told['band_coverage_80'])} of the weeks fell inside the 80 % band "
                    f"(measured {told['made_on']}{FRESH.get(told.get('fresh'), '')}).", style="not bold")
    else:
        text.append("not yet held against refits in simulated weeks for this version.", style="not bold")
    if own:
        text.append(f" In this campaign, {own['plans']} reported {'plan' if own['plans'] == 1 else 'plans'}: {100 * own['gain_expected']:.1f} points foreseen, "
                    f"{100 * own['gain_came']:.1f} came; {own['inside_band']} of {own['plans']} inside the band.", style="not bold")
    return text


def own_list(scored: Mapping[str, Any], *, currency: str = "") -> Text:
    """Say what the researcher's own list would cost and bring."""
    text = Text("Your list: ", style="bold")
    broken = scored["broken_limits"]
    text.append(
        f"{scored['n_trials']} specimens for {number(scored['cost'])} {currency}, {number(scored['hours'])} hours; expected H "
        f"{percent(scored['misclassification'])} (a gain of {100 * scored['gain']:.1f} points, 80 % band {100 * scored['gain_band_80'][0]:.1f} to {100 * scored['gain_band_80'][1]:.1f}); "
        + ("it keeps every limit." if not broken else "it breaks: " + ", ".join(name.replace("_", " ") for name in broken) + "."),
        style="not bold",
    )
    return text


def _written(record: Mapping[str, Any]) -> str:
    """Say where the plan lies and what to do with it."""
    if not record.get("page"):
        return f"Written to {record['plan_file']}: fill it in and put it in results/ when the week is done."
    return (f"Written to {record['plan_file']} and, the same as a workbook, {record['workbook'].split('/')[-1]}: fill one in and put it in results/ when "
            f"the week is done. To read: {record['page']}; to print: {record['bench_sheet']}.")


def _value(row: Mapping[str, Any], name: str, unit: str) -> Any:
    """Read a setting by its key with a unit suffix or by the column heading of the plan file."""
    for key in (f"{name}_{unit}", f"{name} [{unit}]", name):
        if row.get(key) not in (None, ""):
            return row[key]
    return None


def _settings(row: Mapping[str, Any]) -> str:
    warm, strain = _value(row, "forming_temperature", "degC"), _value(row, "strain", "1")
    hot, long = _value(row, "braze_temperature", "degC"), _value(row, "braze_time", "min")
    pulled = row.get("specimen_type") == "tensile_coupon"
    first = f"{'pull' if pulled else 'form'} at {number(warm)} degC"
    if strain is not None:
        first += f" to strain {number(strain)}"
    elif pulled:
        first += " to necking"
    return first if hot is None else f"{first}; braze {number(hot)} degC, {number(long)} min"


def _gain(value: Any) -> str:
    return "-" if value in (None, "") else f"{100 * float(value):.2f}"
