"""The report of `check`: what the program will work with, before any trial is spent.

Shows every value of the definition with where it came from, every prior with its
numbers and reason, and what the data hold, so that a wrong belief or a mistyped
range is seen on Friday and not after a furnace load.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from rich.console import Group, RenderableType
from rich.text import Text

from planner.report.screen import add_row, notices, number, plain_table


def check(record: Mapping[str, Any]) -> RenderableType:
    """Show a check report.

    Parameters
    ----------
    record : mapping
        `rows, specimens, files, excluded, pending, warnings, priors` of the contract, and optionally
        `definition` (rows of `definition_table`) and `prior_predictive` (rows of `predictive_table`).
        Counts may be numbers, lists (shown by their length) or mappings name -> number.

    Returns
    -------
    rich renderable
    """
    parts: list[RenderableType] = [data_summary(record)]
    if record.get("definition"):
        parts.append(definition_table(record["definition"]))
    if record.get("priors"):
        parts.append(priors_table(record["priors"]))
    if record.get("prior_predictive"):
        parts.append(predictive_table(record["prior_predictive"]))
    warnings = record.get("warnings") or []
    parts.append(notices(warnings) if warnings else Text("No warnings."))
    return Group(*parts)


def data_summary(record: Mapping[str, Any]) -> RenderableType:
    """Show what the ledger holds."""
    table = plain_table("data", "count", title="What was recorded")
    table.columns[1].justify = "right"
    for key, words in (
        ("rows", "rows in the ledger"),
        ("specimens", "specimens"),
        ("files", "result files"),
        ("excluded", "excluded"),
        ("pending", "planned, not yet reported"),
    ):
        value = record.get(key)
        if isinstance(value, Mapping):
            add_row(table, words, number(sum(value.values())))
            for name, count in value.items():
                add_row(table, f"  {str(name).replace('_', ' ')}", number(count))
        else:
            add_row(table, words, number(value if value is None or isinstance(value, (int, float)) else len(value)))
    for name, count in (record.get("own_columns") or {}).items():
        add_row(table, f"cells in {name}, a column of your own: kept and shown, not used by the models", number(count))
    return table


def definition_table(rows: Sequence[Mapping[str, Any]]) -> RenderableType:
    """Show the definition in force: rows with `key`, `value` and `origin` (campaign.toml or default)."""
    table = plain_table("key", "value", "from", title="Definition in force")
    for row in rows:
        value = row["value"]
        words = ", ".join(number(v) for v in value) if isinstance(value, (list, tuple)) else number(value)
        add_row(table, str(row["key"]), words, str(row.get("origin", "")))
    return table


def priors_table(rows: Sequence[Mapping[str, Any]]) -> RenderableType:
    """Show priors: rows with `quantity`, `low`, `high` (90 % range), `unit`, `reason`, optional `temper` and `origin`."""
    table = plain_table("quantity", "temper", "90 % range", "unit", "reason", title="Priors")
    table.columns[2].justify = "right"
    for row in rows:
        reason = str(row.get("reason", ""))
        origin = row.get("origin")
        add_row(
            table,
            str(row["quantity"]).replace("_", " "),
            str(row.get("temper") or ""),
            f"{number(row.get('low'))} .. {number(row.get('high'))}",
            str(row.get("unit", "")),
            f"{reason} ({origin})" if origin else reason,
        )
    return table


def predictive_table(rows: Sequence[Mapping[str, Any]]) -> RenderableType:
    """Show the prior predictive: rows with `quantity`, `low`, `median`, `high`, `unit`, optional `temper` and `at`."""
    table = plain_table("before any trial", "temper", "at", "5 %", "median", "95 %", "unit", title="Prior predictive")
    for column in table.columns[3:6]:
        column.justify = "right"
    for row in rows:
        add_row(
            table,
            str(row["quantity"]).replace("_", " "),
            str(row.get("temper") or ""),
            str(row.get("at") or ""),
            number(row.get("low")),
            number(row.get("median")),
            number(row.get("high")),
            str(row.get("unit", "")),
        )
    return table
