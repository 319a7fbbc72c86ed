"""The criticism of a fit on the screen: does it expect its own data, what do its answers lean on, what moves them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from rich.console import Group, RenderableType
from rich.text import Text

from planner.report.screen import add_row, number, percent, plain_table


def criticism(record: Mapping[str, Any]) -> RenderableType:
    """Show `prior_checks` and `predictive` (one row a response and specimen type) and `sensitivity` (priors, lots_left_out, loads_left_out, specimens) of `check --deep`."""
    leaning = record["sensitivity"]
    before = [_before(record["prior_checks"]), Text()] if record.get("prior_checks") else []
    return Group(*before, _predictive(record["predictive"]), Text(), _scaled(leaning["priors"]), Text(), _left_out("lot", leaning["lots_left_out"]), Text(),
                 _left_out("furnace load", leaning["loads_left_out"]), Text(), _specimens(leaning["specimens"]))


def _predictive(rows: Sequence[Mapping[str, Any]]) -> RenderableType:
    table = plain_table("response, specimens", "readings", "inside the 80 % band", "p", "in words", title=f"Does the fit expect its own data? (judged over all {len(rows)} checks at once)")
    for row in rows:
        add_row(table, row["response"], number(row["n"]), percent(row["inside_80"]), number(row["p"], 3), row["words"])
    return table


def _before(rows: Sequence[Mapping[str, Any]]) -> RenderableType:
    table = plain_table("response, specimens", "readings", "read", "priors, 90 %", "p", "in words",
                        title=f"Did the priors expect such data? (medians and shares among whole sets drawn from them; judged over all {len(rows)} at once)")
    for row in rows:
        unit = "" if row["unit"] == "1" else f" {row['unit']}"
        add_row(table, row["response"], number(row["n"]), f"{number(row['observed'], 2)}{unit}", f"{number(row['low'], 2)} to {number(row['high'], 2)}{unit}",
                number(row["p"], 3), row["words"])
    return table


def _scaled(rows: Sequence[Mapping[str, Any]]) -> RenderableType:
    table = plain_table("group of priors", "H changes by", "k-hat", "in words", title="What if a prior weighed a little less or more?")
    for row in rows:
        words = f"{_untold(row)}; refit to know" if not row["trusted"] else "matters: look at it" if row["loud"] else "matters little"
        add_row(table, row["what"] + (" (rests on the prior)" if row.get("rests_on_prior") else ""), percent(row["change"]) if row["trusted"] else "-", number(row["k_hat"], 2), words)
    return table


def _untold(row: Mapping[str, Any]) -> str:
    """Say why reweighting cannot tell: the tail of the weights, or how few draws they leave."""
    few = row["k_hat"] <= 0.7 and row["effective_draws"] < 400
    return f"reweighting leaves {number(row['effective_draws'], 0)} effective draws" if few else "weighs too much for reweighting"


SHOWN = 10
TOLD_BY = {"reweighting": "reweighting", "refit": "a fit without it"}


def _left_out(what: str, rows: Sequence[Mapping[str, Any]]) -> RenderableType:
    table = plain_table(f"without {what}", "rows", "H", "k-hat", "in words", title=f"What if one {what} were left out?")
    for row in rows:
        words = f"{row['words']} (told by {TOLD_BY[row['by']]})" if row["trusted"] else f"{_untold(row)}, and its refit did not converge"
        add_row(table, row["what"], number(row["rows"]), percent(row.get("misclassification")) if row["trusted"] else "-", number(row["k_hat"], 2), words)
    return table


def _specimens(rows: Sequence[Mapping[str, Any]]) -> RenderableType:
    told = sorted((r for r in rows if r["trusted"]), key=lambda r: -abs(r["contribution"]))[:SHOWN]
    blind = sorted((r for r in rows if not r["trusted"]), key=lambda r: -r["k_hat"])
    table = plain_table("specimen", "H without it", "its part", "in words", title=f"The {SHOWN} specimens that move H most, of those that reweighting can leave out")
    for row in told:
        add_row(table, row["what"], percent(row["misclassification"]), f"{100 * row['contribution']:+.2f} points", row["words"])
    if not blind:
        return table
    names = ", ".join(f"{r['what']} (k-hat {number(r['k_hat'], 2)})" for r in blind[:SHOWN]) + (" and others" if len(blind) > SHOWN else "")
    return Group(table, Text(f"Weigh too much for reweighting, so look at these first: {names}. What they change is not told here."))
