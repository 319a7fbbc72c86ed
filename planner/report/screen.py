"""What people see in the terminal: window, claims, check and notices.

Takes plain mappings (the same objects that `--json` prints) and returns rich
renderables; computes nothing, so a number on the screen is always a number of the
record. Readable on 100 columns, in black and white, and in a log file.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from rich import box as frames
from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from planner.report.cautions import CAUTIONS, VERDICTS
from planner.report.picture import share_bar, window_maps

RANGES = (
    ("forming_temperature_degC", "forming temperature [degC]"),
    ("strain", "strain [1]"),
    ("braze_temperature_degC", "braze temperature [degC]"),
    ("braze_time_min", "braze time [min]"),
)
"""Factor keys and the headings they are shown under."""


def plain_table(*headings: str, title: str | None = None) -> Table:
    """Make an empty table in the one style of the program; numbers are right-aligned by the caller."""
    table = Table(box=frames.SIMPLE_HEAD, title=title, title_justify="left", title_style="bold", pad_edge=False)
    for heading in headings:
        table.add_column(Text(heading), overflow="fold")
    return table


def add_row(table: Table, *cells: str) -> None:
    """Add a row of literal text: a lot named `[K1]` is a label, not markup."""
    table.add_row(*(Text(cell) for cell in cells))


def number(value: Any, places: int | None = None) -> str:
    """Write a number, or `-` for what is not known."""
    if value is None or value == "":
        return "-"
    if isinstance(value, (int, float)) and not isinstance(value, bool):
        return f"{value:.5g}" if places is None else f"{value:.{places}f}"
    return str(value)


def percent(value: float | None, error: float | None = None) -> str:
    """Write a share as a percentage with its Monte Carlo error."""
    if value is None:
        return "not given"
    return f"{100 * value:.1f} %" + ("" if error is None else f" ± {100 * error:.1f}")


def verdict_line(verdict: str) -> Text:
    """Say a verdict and what it asks of the reader."""
    text = Text()
    text.append(verdict, style="bold")
    text.append(f": {VERDICTS[verdict]}" if verdict in VERDICTS else "")
    return text


def notices(lines: Iterable[str]) -> Text:
    """Write what a reader must know, one mark a line."""
    text = Text()
    for line in lines:
        text.append("! ", style="bold")
        text.append(f"{line}\n")
    text.rstrip()
    return text


def cautions() -> Group:
    """Write the cautions for work that can hurt someone."""
    lines = [Text("Cautions", style="bold")]
    return Group(*lines, *(Text(f"- {line}") for line in CAUTIONS))


def shares(window: Mapping[str, Any], *, ascii_only: bool = False) -> RenderableType:
    """Show the shares of the factor box with their errors, with and without the extrapolated part.

    Parameters
    ----------
    window : mapping
        `Window.to_json()`.
    ascii_only : bool, default False

    Returns
    -------
    rich renderable
    """
    error = window.get("monte_carlo_error") or {}
    without = window.get("without_extrapolated") or {}
    seen = window.get("lots_seen")
    headings = ["share of the factor box", "all", "without extrapolation"]
    table = plain_table(*headings, *(["for lots seen"] if seen else []))
    for column in table.columns[1:]:
        column.justify = "right"
    rows = (
        ("claimed_share", "claimed as a whole"),
        ("undecided_share", "undecided"),
        ("excluded_share", "excluded"),
        ("pointwise_share", "pointwise (each point on its own; not a claim)"),
    )
    for key, words in rows:
        cells = [percent(window.get(key), error.get(key)), percent(without.get(key))]
        add_row(table, words, *cells, *([percent(seen.get(key))] if seen else []))
    h = window["misclassification"]
    add_row(table, "expected misclassification H", percent(h, error.get("misclassification")), *[""] * (2 if seen else 1))
    parts: list[RenderableType] = [table]
    if window.get("claimed_share") is not None:
        bar = [window[f"{name}_share"] for name in ("claimed", "undecided", "excluded")]
        parts.insert(0, share_bar(*bar, ascii_only=ascii_only))
    return Group(*parts)


def claim_sentence(claim: Mapping[str, Any], *, reliability: float | None = None) -> str:
    """Say one operating range as a sentence.

    Parameters
    ----------
    claim : mapping
        `temper`, `ranges`, `joint_probability`, as in the contract.
    reliability : float, optional
        R; named in the sentence when given.
    """
    (t0, t1), (e0, e1), (b0, b1), (m0, m1) = (claim["ranges"][key] for key, _ in RANGES)
    good = "the required share" if reliability is None else f"at least {100 * reliability:g} %"
    return (
        f"{claim['temper']}: formed at {number(t0)} to {number(t1)} degC to a strain of {number(e0)} to {number(e1)}, "
        f"brazed at {number(b0)} to {number(b1)} degC for {number(m0)} to {number(m1)} min: at every setting in these "
        f"ranges {good} of new components conform, with probability {number(claim['joint_probability'], 3)}."
    )


def operating_ranges(claims: Sequence[Mapping[str, Any]]) -> RenderableType:
    """Show operating ranges as a table with units; each stands alone at the required confidence."""
    if not claims:
        return Text("No operating range can be certified yet.")
    table = plain_table("temper", *(words for _, words in RANGES), "joint probability", title="Operating ranges")
    for column in table.columns[1:]:
        column.justify = "right"
    for claim in claims:
        cells = [f"{number(low)} .. {number(high)}" for low, high in (claim["ranges"][key] for key, _ in RANGES)]
        probability = number(claim["joint_probability"], 3)
        if claim.get("error") is not None:
            probability += f" ± {claim['error']:.3f}"
        add_row(table, claim["temper"], *cells, probability + (" *" if claim.get("extrapolated") else ""))
    parts: list[RenderableType] = [table, Text("Each box stands alone; two boxes together are not claimed.")]
    if any(claim.get("extrapolated") for claim in claims):
        parts.append(Text("* extrapolates: fewer than two uncracked components of that temper lie near some of it"))
    return Group(*parts)


def target_line(target: Mapping[str, Any], *, reliability: float | None = None) -> Text:
    """Say how sure the lab may be of its own target box."""
    text = Text("Target: ", style="bold")
    text.append(claim_sentence(target, reliability=reliability), style="not bold")
    if target.get("verdict"):
        text.append(f" ({VERDICTS.get(target['verdict'], target['verdict'])})", style="not bold")
    return text


def window(
    record: Mapping[str, Any], maps: Sequence[Mapping[str, Any]] = (), *, ascii_only: bool = False
) -> RenderableType:
    """Show the whole window: verdict, notices, maps, shares, claims, target.

    Parameters
    ----------
    record : mapping
        `Window.to_json()`.
    maps : sequence of mappings
        `TemperMap.to_json()` of each temper; none draws no picture.
    ascii_only : bool, default False
        For terminals without Unicode (`console.options.ascii_only`).

    Returns
    -------
    rich renderable
    """
    reliability = record.get("reliability")
    parts: list[RenderableType] = [verdict_line(record["verdict"])]
    if record.get("notices"):
        parts.append(notices(record["notices"]))
    if maps:
        parts += [Text(), window_maps(maps, ascii_only=ascii_only)]
    parts += [Text(), shares(record, ascii_only=ascii_only)]
    joint = record.get("joint_claim")
    if joint and joint.get("joint_probability") is not None:
        parts.append(
            Text(
                f"Joint claim: {joint['words']} (estimated {joint['joint_probability']:.3f} on "
                f"{joint['points_checked']} points, {joint['ess']:.0f} effective draws)."
            )
        )
    if record["claims"]:
        parts += [Text(), operating_ranges(record["claims"])]
        parts += [Text(claim_sentence(one, reliability=reliability)) for one in record["claims"]]
    elif record["verdict"] == "CONVERGED":
        parts.append(operating_ranges([]))
    if record.get("target"):
        parts.append(target_line(record["target"], reliability=reliability))
    return Group(*parts)
