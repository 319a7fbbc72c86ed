"""Where things lie in the drawings of a plan: plain geometry, in pixels, that the page's template turns into SVG.

The drawings of a plan are static, so they are written as SVG by the templates: no script, the same bytes for the same plan, sharp on
paper.  Nothing is worked out here but places on the paper; every number shown is a number of the record.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

PLACE_W, PLACE_H, PER_ROW = 90, 50, 8
MAP_W, MAP_H, LEFT, TOP = 360, 264, 46, 8
GUTTER, MARGIN = 46, 18
LANE = 19
SEAM = 0.5                          # rows overlap by this much, or their edges show
KINDS = {1: "claimed", 0: "undecided", -1: "excluded"}


@dataclass(frozen=True)
class Place:
    """One specimen, or nothing, in a furnace load."""

    x: float
    y: float
    width: float
    row: int | None
    """Number of the trial in the record; None: a free place."""


@dataclass(frozen=True)
class Load:
    """One furnace load as a row of places."""

    label: str
    first: int
    """A trial of it: its braze condition is the load's."""
    rows: tuple[int, ...]
    """Its trials, in forming order."""
    places: tuple[Place, ...]
    used: int
    """Places taken."""
    width: float
    height: float


def loads(trials: Sequence[Mapping[str, Any]], *, places: Mapping[str, int], capacity: int | None) -> list[Load]:
    """Lay the furnace loads out, by label.

    Parameters
    ----------
    trials : rows of the plan's record.
    places : places that one specimen takes, by type.
    capacity : places of a load; None: no limit, nothing is drawn as free.
    """
    inside: dict[str, list[int]] = {}
    for i, trial in enumerate(trials):
        if trial["furnace_load"]:
            inside.setdefault(trial["furnace_load"], []).append(i)
    found = []
    for label in sorted(inside, key=_natural):
        rows = inside[label]
        widths = [(i, places[trials[i]["specimen_type"]]) for i in rows]
        used = sum(w for _, w in widths)
        widths += [(None, 1)] * max((capacity or used) - used, 0)
        drawn, at, line = [], 0, 0
        for row, width in widths:
            width = min(width, PER_ROW)
            if at and at + width > PER_ROW:
                at, line = 0, line + 1
            drawn.append(Place(at * PLACE_W, line * (PLACE_H + 4), width * PLACE_W - 4, row))
            at += width
        found.append(Load(label, rows[0], tuple(rows), tuple(drawn), used, max(p.x + p.width for p in drawn) + 2, (line + 1) * (PLACE_H + 4)))
    return found


def _natural(label: str) -> tuple[int, str]:
    return (len(label), label)


@dataclass(frozen=True)
class Block:
    """Specimens formed one after the other at one tool temperature."""

    number: int
    rows: tuple[int, ...]
    """Trials in forming order."""


def blocks(trials: Sequence[Mapping[str, Any]]) -> list[Block]:
    """Split the forming order where the tool temperature changes."""
    found: list[list[int]] = []
    for i, trial in enumerate(trials):
        if i and trial["forming_temperature_degC"] == trials[i - 1]["forming_temperature_degC"]:
            found[-1].append(i)
        else:
            found.append([i])
    return [Block(n, tuple(rows)) for n, rows in enumerate(found, start=1)]


@dataclass(frozen=True)
class Cell:
    """Neighbouring cells of a map that are drawn alike."""

    x: float
    y: float
    width: float
    height: float
    kind: str


@dataclass(frozen=True)
class Tag:
    """Trials at one place of a map: a dot, and their numbers in a box beside it."""

    x: float
    y: float
    box_x: float
    box_y: float
    box_width: float
    words: str
    control: bool
    """Nothing but controls."""


@dataclass(frozen=True)
class Aim:
    """From a trial to the point whose doubt it settles."""

    x1: float
    y1: float
    x2: float
    y2: float
    row: int


@dataclass(frozen=True)
class MapDrawing:
    """The map of one temper with the trials in it."""

    temper: str
    index: int | None
    """Number of the map in the record's maps; None: the fit allows no map."""
    cells: tuple[Cell, ...]
    tags: tuple[Tag, ...]
    aims: tuple[Aim, ...]
    x_ticks: tuple[tuple[float, float], ...]
    """(pixel, strain)."""
    y_ticks: tuple[tuple[float, float], ...]
    """(pixel, degC)."""
    gutter: float | None
    """Left edge of the strip for specimens without a set strain."""
    width: float
    height: float


class _Scale:
    """From settings to pixels."""

    def __init__(self, ranges: Mapping[str, tuple[float, float]]):
        self.warm, self.strain = ranges["forming_temperature_degC"], ranges["strain"]

    def x(self, strain: float | None) -> float:
        low, high = self.strain
        if strain is None:
            return LEFT + MAP_W + GUTTER / 2
        return round(LEFT + MAP_W * min(max((strain - low) / (high - low), 0.0), 1.0), 1)

    def y(self, warm: float) -> float:
        low, high = self.warm
        return round(TOP + MAP_H * (1 - min(max((warm - low) / (high - low), 0.0), 1.0)), 1)


def temper_drawing(
    temper: str, trials: Sequence[Mapping[str, Any]], *, ranges: Mapping[str, tuple[float, float]], maps: Sequence[Mapping[str, Any]]
) -> MapDrawing:
    """Lay out the map of one temper.

    Parameters
    ----------
    temper : name.
    trials : every row of the plan's record.
    ranges : factor ranges of the campaign.
    maps : `TemperMap.to_json()` of each temper; may be empty.
    """
    scale = _Scale(ranges)
    index = next((i for i, one in enumerate(maps) if one["temper"] == temper), None)
    mine = [i for i, t in enumerate(trials) if t["temper"] == temper]
    aims = tuple(
        Aim(scale.x(trials[i]["strain"]), scale.y(trials[i]["forming_temperature_degC"]), scale.x(to["strain"]), scale.y(to["forming_temperature_degC"]), i)
        for i in mine if (to := trials[i].get("settles")) and to["temper"] == temper
    )  # fmt: skip
    gutter = any(trials[i]["strain"] is None for i in mine)
    width = LEFT + MAP_W + (GUTTER if gutter else MARGIN)
    return MapDrawing(
        temper, index, () if index is None else _cells(maps[index]), _tags([trials[i] for i in mine], aims, scale, right=width - 2), aims,
        tuple((scale.x(v), v) for v in _ticks(*scale.strain)), tuple((scale.y(v), v) for v in _ticks(*scale.warm)),
        LEFT + MAP_W if gutter else None, width, TOP + MAP_H + 40,
    )  # fmt: skip


def _ticks(low: float, high: float) -> list[float]:
    """Return four to eight round values from low to high."""
    from math import ceil, floor, log10

    raw = (high - low) / 6
    unit = 10.0 ** floor(log10(raw))
    step = next(unit * m for m in (1, 2, 2.5, 5, 10) if unit * m >= raw)
    return [round(step * k, 10) for k in range(ceil(low / step - 1e-9), floor(high / step + 1e-9) + 1)]


def _cells(one: Mapping[str, Any]) -> tuple[Cell, ...]:
    """Join neighbours in a row that are of one kind, edge to edge."""
    warm, strain = one["forming_temperature_degC"], one["strain"]
    tall, wide = MAP_H / len(warm), MAP_W / len(strain)
    cells = []
    for i in range(len(warm)):
        start = 0
        kinds = [_kind(one, i, j) for j in range(len(strain))]
        for j in range(1, len(strain) + 1):
            if j == len(strain) or kinds[j] != kinds[start]:
                cells.append(Cell(round(LEFT + start * wide, 1), round(TOP + (len(warm) - 1 - i) * tall, 1), round((j - start) * wide, 1), round(tall + SEAM, 1), kinds[start]))
                start = j
    return tuple(cells)


def _kind(one: Mapping[str, Any], i: int, j: int) -> str:
    if not one["reachable"][i][j]:
        return "unreachable"
    kind = KINDS[one["kind"][i][j]]
    return "leaning" if kind == "claimed" and one["extrapolated"][i][j] else kind


def _tags(mine: Sequence[Mapping[str, Any]], aims: Sequence[Aim], scale: _Scale, *, right: float) -> tuple[Tag, ...]:
    """Gather trials at one place and keep their boxes off each other, off the dots and off the diamonds."""
    at: dict[tuple[float, float], list[Mapping[str, Any]]] = {}
    for trial in mine:
        at.setdefault((scale.x(trial["strain"]), scale.y(trial["forming_temperature_degC"])), []).append(trial)
    taken = [(x - 6, x + 6, y - 6, y + 6) for x, y in at] + [(a.x2 - 6, a.x2 + 6, a.y2 - 6, a.y2 + 6) for a in aims]
    tags = []
    for (x, y), here in sorted(at.items(), key=lambda item: (-item[0][1], item[0][0])):
        words = runs([t["sequence"] for t in here])
        width = 8 + 6.6 * len(words)
        spots = [(x - width / 2 + dx * (width / 2 + 8), y + dy) for k in range(7) for dy in (-22 - LANE * k, 8 + LANE * k) for dx in (0, 1, -1)]
        spots = [(min(max(left, LEFT + 1), right - width), top) for left, top in spots if TOP <= top <= TOP + MAP_H - 16]
        left, top = next((s for s in spots if not any(_meet(s, width, one) for one in taken)), spots[0] if spots else (x, y - 22))
        taken.append((left - 1, left + width + 1, top - 1, top + 16))
        tags.append(Tag(x, y, round(left, 1), round(top, 1), round(width, 1), words, all(t["purpose"] == "control" for t in here)))
    return tuple(tags)


def runs(numbers: Sequence[int]) -> str:
    """Write rising numbers in short: three or more in a row as first-last."""
    groups: list[list[int]] = []
    for number in sorted(numbers):
        if groups and number == groups[-1][-1] + 1:
            groups[-1].append(number)
        else:
            groups.append([number])
    return ", ".join(f"{g[0]}-{g[-1]}" if len(g) > 2 else ", ".join(map(str, g)) for g in groups)


def _meet(spot: tuple[float, float], width: float, other: tuple[float, float, float, float]) -> bool:
    """Tell whether a box of numbers at a spot lies over something else."""
    left, top = spot
    return left < other[1] and left + width > other[0] and top < other[3] and top + 15 > other[2]


@dataclass(frozen=True)
class Outlook:
    """H now and after, on one line."""

    now: float
    expected: float
    low: float
    high: float
    """Pixels; the band's ends are what the gain band leaves of H."""
    ticks: tuple[tuple[float, float], ...]
    """(pixel, share)."""


def outlook(record: Mapping[str, Any], *, width: float = 520.0) -> Outlook:
    """Lay out the forecast: H now, expected and its band."""
    now, expected = record["now"]["misclassification"], record["expected"]
    less, more = expected["gain_band_80"]
    most = max(now, now - less, expected["misclassification"], 1e-6) * 1.06
    x = lambda v: round(10 + (width - 20) * min(max(v, 0.0), most) / most, 1)
    return Outlook(x(now), x(expected["misclassification"]), x(now - more), x(now - less), tuple((x(v), v) for v in _ticks(0.0, most)))
