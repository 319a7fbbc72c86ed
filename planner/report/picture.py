"""The window as a picture in the terminal.

One small map a temper, forming temperature upward and strain to the right. The
cells differ in density, not in colour, so that the map survives a black-and-white
printout, a log file and a colour-blind reader; one hue is added where there is colour.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from rich.columns import Columns
from rich.console import Group, RenderableType
from rich.text import Text

HUE = "cyan"
"""The one hue."""


@dataclass(frozen=True)
class Hatch:
    """Two characters a cell, for each kind of cell."""

    claimed: str
    """Part of the joint claim."""
    leaning: str
    """Part of the joint claim, but extrapolated."""
    undecided: str
    """Neither claimed nor excluded."""
    excluded: str
    """Surely not conforming."""
    unreachable: str
    """Out of the rig's reach."""


BLOCKS = Hatch("██", "█ ", "░░", " ·", "××")
LETTERS = Hatch("##", "# ", "::", " .", "xx")
"""The same for terminals without Unicode."""


def hatch_for(ascii_only: bool) -> Hatch:
    """Return the hatches a terminal can show."""
    return LETTERS if ascii_only else BLOCKS


def window_maps(maps: Sequence[Mapping[str, Any]], *, ascii_only: bool = False) -> RenderableType:
    """Draw the maps of all tempers side by side where they fit, with one legend.

    Parameters
    ----------
    maps : sequence of mappings
        `TemperMap.to_json()` of each temper.
    ascii_only : bool, default False
        Use letters instead of blocks.

    Returns
    -------
    rich renderable
    """
    hatch = hatch_for(ascii_only)
    drawn = [temper_map(one, ascii_only=ascii_only) for one in maps]
    leaning = any(
        kind == 1 and far
        for one in maps
        for kinds, fars in zip(one["kind"], one["extrapolated"])
        for kind, far in zip(kinds, fars)
    )
    blocked = any(not cell for one in maps for row in one["reachable"] for cell in row)
    return Group(Columns(drawn, padding=(0, 3)), legend(hatch, leaning=leaning, blocked=blocked))


def legend(hatch: Hatch, *, leaning: bool, blocked: bool) -> Text:
    """Explain the cells in words; kinds that do not occur and need no mention are left out."""
    lines = [
        (hatch.claimed, "claimed: part of the region of which every point conforms"),
        (hatch.undecided, "undecided: more trials are needed to tell"),
        (hatch.excluded, "excluded: surely short of the required reliability"),
    ]
    if leaning:
        lines.insert(1, (hatch.leaning, "claimed by extrapolation: few components of this temper nearby"))
    if blocked:
        lines.append((hatch.unreachable, "out of reach of the rig"))
    text = Text()
    for mark, words in lines:
        text.append(f"  {mark}", style=HUE)
        text.append(f"  {words}\n")
    text.rstrip()
    return text


def temper_map(one: Mapping[str, Any], *, ascii_only: bool = False) -> Text:
    """Draw one map as text of fixed width.

    Parameters
    ----------
    one : mapping
        Keys as in `TemperMap.to_json()`.
    ascii_only : bool, default False

    Returns
    -------
    rich.text.Text
    """
    hatch = hatch_for(ascii_only)
    bar, corner, dash = ("|", "+", "-") if ascii_only else ("│", "└", "─")
    strains, temperatures = one["strain"], one["forming_temperature_degC"]
    n_rows, width = len(temperatures), 2 * len(strains)
    text = Text(no_wrap=True)
    text.append(f"{one['temper']}", style="bold")
    text.append(f"  brazed at {one['braze_temperature_degC']:.4g} degC for {one['braze_time_min']:.3g} min\n")
    text.append("forming temperature [degC]\n", style="dim")
    for i in reversed(range(n_rows)):
        labelled = i in (0, n_rows - 1) or (n_rows - 1 - i) % 3 == 0 and i > 1
        text.append(f"{temperatures[i]:5.0f} " if labelled else " " * 6)
        text.append(bar)
        for kind, far, reach in zip(one["kind"][i], one["extrapolated"][i], one["reachable"][i]):
            text.append(_mark(hatch, kind, far, reach), style=HUE)
        text.append("\n")
    text.append(" " * 6 + corner + dash * width + "\n")
    left, middle, right = f"{strains[0]:.3g}", f"{strains[len(strains) // 2]:.3g}", f"{strains[-1]:.3g}"
    axis = left.ljust(width // 2) + middle.ljust(width - width // 2 - len(right)) + right
    text.append(" " * 7 + axis + "\n")
    text.append(" " * 7 + "strain [1]".center(width).rstrip(), style="dim")
    return text


def _mark(hatch: Hatch, kind: int, extrapolated: bool, reachable: bool) -> str:
    if not reachable:
        return hatch.unreachable
    if kind == 1:
        return hatch.leaning if extrapolated else hatch.claimed
    return hatch.excluded if kind == -1 else hatch.undecided


def share_bar(
    claimed: float, undecided: float, excluded: float, *, width: int = 60, ascii_only: bool = False
) -> Text:
    """Draw the three shares of the box as one bar in the hatches of the maps."""
    hatch = hatch_for(ascii_only)
    first = round(width * claimed)
    second = max(first, round(width * (claimed + undecided)))
    text = Text("  ", no_wrap=True)
    text.append(hatch.claimed[0] * first, style=HUE)
    text.append(hatch.undecided[0] * (second - first), style=HUE)
    text.append(hatch.excluded[1] * (width - second), style=HUE)
    return text
