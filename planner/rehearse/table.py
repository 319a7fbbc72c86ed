"""A rehearsal on screen: one line a strategy and week."""

from __future__ import annotations

from rich.console import Group
from rich.table import Table
from rich.text import Text


def table(record: dict, *, currency: str) -> Group:
    """Return the picture of `Rehearsal.to_json()`."""
    grid = Table(title="virtual campaigns, means over truths", title_justify="left")
    grid.add_column("strategy")
    for name in ("week", "truths", f"cost {currency}", "H", "80 % of truths", "really misjudged", "80 % of truths", "claimed", "of the true window", "false claims"):
        grid.add_column(name, justify="right")
    previous = None
    for row in record["summary"]:
        share = row["median_claimed_share_of_conforming"]
        grid.add_row(row["strategy"] if row["strategy"] != previous else "", str(row["week"]), str(row["campaigns"]), f"{row['cost']:.0f}",
                     f"{row['misclassification']:.4f}", _band(row["misclassification_band_80"]), f"{row['actual_misclassification']:.4f}",
                     _band(row["actual_misclassification_band_80"]), f"{row['claimed_share']:.1%}",
                     "-" if share is None else f"{share:.0%}", str(row["false_claims"]))
        previous = row["strategy"]
    lines = [Text("H: what the program expects to misjudge of the box; really misjudged: against the truth. 'of the true window': median "
                  "share of the truly conforming set that is claimed.")]
    lines += [Text(text) for text in record["remarks"]]
    lines += [Text(f"! {x['strategy']}, truth {x['repeat'] + 1} ended early: {x['why']}") for x in record["ended_early"]]
    lines.append(Text(f"Kept in {record['folder']}: more --repeats or --against add to it."))
    return Group(grid, *lines)


def _band(ends: list[float]) -> str:
    return f"{ends[0]:.3f}..{ends[1]:.3f}"
