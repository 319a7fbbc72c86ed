"""A plan for people: the page to read and the sheets to take to the bench, each one file that needs no network.

Both are written with the plan and hold no clock time and nothing random: the same plan gives the same bytes.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from planner.lab.campaign import Definition
from planner.report.cautions import CAUTIONS, VERDICTS
from planner.report.pages.plan_drawing import LEFT, MAP_H, MAP_W, PLACE_H, TOP, blocks, loads, outlook, temper_drawing
from planner.report.pages.sheet_fields import fields_of
from planner.report.pages.templates import Shown, own, templates

LIMITS = (
    ("cost", "budget", "money"),
    ("hours", "hours", "hands-on hours"),
    ("furnace_loads", "furnace_loads", "furnace loads"),
    ("tool_temperatures", "tool_temperatures", "tool temperatures"),
    ("sections", "sections", "sections to cut"),
)
"""Total of the record, limit of the week, words."""
ROOMY, PER_SHEET = 7, 12
"""Specimens up to which a sheet is set roomily; the most that one takes."""
ROOM, ROW, HEAD = 195.0, 5.8, 10.0
"""Millimetres of the forming order's sheet, of one row and of the head of a block."""
DIGEST_DIGITS = 16


def plan_page(
    record: Mapping[str, Any], definition: Definition, *, window: Mapping[str, Any] | None, maps: Sequence[Mapping[str, Any]], budget: float | None = None
) -> str:
    """Return the plan as one HTML page without a script.

    Parameters
    ----------
    record : mapping
        What `plan.json` holds.
    definition : Definition
    window : mapping, optional
        `Window.to_json()` of the day of the plan.
    maps : sequence of mappings
        `TemperMap.to_json()` of each temper; empty where the fit allows none.
    budget : float, optional
        Money of this week in place of `week.budget`.
    """
    trials, week = record["trials"], definition.week
    places = {name: kind.places for name, kind in definition.specimens.items()}
    limits = {name: getattr(week, name) for _, name, _ in LIMITS} | ({} if budget is None else {"budget": budget})
    data = dict(record) | {"limits": limits, "maps": list(maps), "window": window, "places_per_load": week.places_per_load,
                           "control_places": places, "goal": definition.goal.model_dump()}
    return templates().get_template("plan.html.j2").render(
        plan=record, of=Shown(data), title=definition.campaign.title, currency=definition.campaign.currency, limits=limits, limit_rows=LIMITS, window=window,
        loads=loads(trials, places=places, capacity=week.places_per_load), blocks=blocks(trials), tall=PLACE_H, capacity=week.places_per_load,
        drawings=[temper_drawing(t, trials, ranges=definition.factor_ranges, maps=maps) for t in definition.factors.tempers],
        outlook=outlook(record), style=own("style.css"), plan_style=own("plan.css"), cautions=CAUTIONS, verdict_words=VERDICTS.get(record["verdict"], ""),
        frame={"left": LEFT, "top": TOP, "width": MAP_W, "height": MAP_H})


def bench_sheet(record: Mapping[str, Any], definition: Definition, *, seed: int, digest: str) -> str:
    """Return the sheets for the bench: the forming order, one sheet a furnace load, one for what is not brazed.

    Parameters
    ----------
    record : mapping
        What `plan.json` holds.
    definition : Definition
    seed : int
        Seed of the plan.
    digest : str
        SHA-256 of `plan.csv`.
    """
    trials = record["trials"]
    order = blocks(trials)
    block_of = {row: block.number for block in order for row in block.rows}
    places = {name: kind.places for name, kind in definition.specimens.items()}
    sheets: list[dict[str, Any]] = [{"kind": "order", "rows": rows, "part": part} for part, rows in enumerate(_pages_of(block_of))]
    for load in loads(trials, places=places, capacity=None):
        sheets += [{"kind": "load", "label": load.label, "rows": rows, "part": part} for part, rows in enumerate(_parts(list(load.rows), PER_SHEET))]
    loose = [i for i, trial in enumerate(trials) if not trial["furnace_load"]]
    sheets += [{"kind": "loose", "rows": rows, "part": part} for part, rows in enumerate(_parts(loose, PER_SHEET))]
    return templates().get_template("bench_sheet.html.j2").render(
        plan=record, trials=trials, of=Shown(record), sheets=sheets, block_of=block_of, blocks=order, fields=[fields_of(t, definition) for t in trials],
        title=definition.campaign.title, seed=seed, roomy=ROOMY, digest=digest[:DIGEST_DIGITS], style=own("bench.css"))


def _pages_of(block_of: Mapping[int, int]) -> list[list[int]]:
    """Split the forming order into sheets that are filled no further than their room."""
    pages: list[list[int]] = [[]]
    left = ROOM
    for row, block in block_of.items():
        fresh = not pages[-1] or block_of[pages[-1][-1]] != block
        need = ROW + HEAD * fresh
        if pages[-1] and need > left:
            pages.append([])
            left, need = ROOM, ROW + HEAD
        pages[-1].append(row)
        left -= need
    return pages


def _parts(rows: list[int], most: int) -> list[list[int]]:
    """Split rows into sheets of even length, at most `most` on each."""
    if not rows:
        return []
    count = -(-len(rows) // most)
    size = -(-len(rows) // count)
    return [rows[k : k + size] for k in range(0, len(rows), size)]
