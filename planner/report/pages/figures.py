"""Figures of the pages: the one place where the plotting library is met.

Bokeh draws them: it is the library that hatches cells by itself, reads values on pointing and lets a page's own fields redraw a
figure, all inlined; a picture and its data are passed as JSON, never as script.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from bokeh.embed import json_item
from bokeh.models import ColumnDataSource, HoverTool
from bokeh.plotting import figure
from bokeh.resources import Resources

HUE, INK = "#24557a", "#1c2733"
SEAM = 1.02                       # cells overlap by this much, or their edges show


def library() -> str:
    """Return the drawing library's script, to be inlined."""
    return "\n".join(Resources(mode="inline", components=["bokeh"]).js_raw)


def _plain_figure(**options: Any):
    drawn = figure(tools="", toolbar_location=None, background_fill_color="#ffffff", border_fill_color="#ffffff", **options)
    drawn.grid.grid_line_color = None
    for axis in drawn.axis:
        axis.axis_label_text_font_style = "normal"
        axis.axis_line_color = axis.major_tick_line_color = INK
        axis.minor_tick_line_color = None
    return drawn


def map_figure(one: Mapping[str, Any], place: int, ranges: Sequence[Mapping[str, Any]] = ()) -> dict[str, Any]:
    """Draw one temper's map: forming temperature upward, strain to the right; the page's script fills the cells.

    Parameters
    ----------
    one : mapping
        strain, forming_temperature_degC (cell centres), mean (n_cells,).
    place : number of the map on the page.
    ranges : certified operating ranges of the temper, to be outlined.
    """
    warm, strain = one["forming_temperature_degC"], one["strain"]
    n = len(warm) * len(strain)
    step = lambda x: (x[1] - x[0]) if len(x) > 1 else 1.0
    data = {"x": [e for _ in warm for e in strain], "y": [t for t in warm for _ in strain], "c": [0.0] * n, "mean": one["mean"],
            "words": [""] * n, "fill": ["#ffffff"] * n, "ink": [HUE] * n, "hatch": [" "] * n}
    source = ColumnDataSource(data, name=f"cells-{place}")
    drawn = _plain_figure(width=440, height=330, x_axis_label="strain at the most strained feature [1]", y_axis_label="forming temperature [degC]")
    cells = drawn.rect("x", "y", width=SEAM * step(strain), height=SEAM * step(warm), source=source, fill_color="fill", line_color=None,
                       hatch_pattern="hatch", hatch_color="ink", hatch_scale=9, hatch_weight=0.6, hatch_alpha=0.55)
    sides = {side: [r[key][end] for r in ranges] for side, key, end in (("left", "strain", 0), ("right", "strain", 1), ("bottom", "forming_temperature_degC", 0), ("top", "forming_temperature_degC", 1))}
    drawn.quad(**sides, fill_color=None, line_color=INK, line_width=2.5, name=f"ranges-{place}")
    drawn.add_tools(HoverTool(renderers=[cells], tooltips=[("forming", "@y{0} degC"), ("strain", "@x{0.000}"), ("c", "@c{0.000}"),
                                        ("share conforming", "@mean{0.000}"), ("", "@words")]))
    return json_item(drawn)


def money_figure(rows: list[Mapping[str, Any]], value: str, band: str | None, label: str, *, currency: str) -> dict[str, Any]:
    """Draw a share or a chance, in percent, against money from now on, with its 80 % band."""
    percent = lambda values: [100 * v for v in values]
    cost = [r["cost"] for r in rows]
    drawn = _plain_figure(width=300, height=230, x_axis_label=f"money from now on [{currency}]", y_axis_label=label)
    drawn.xaxis.ticker.desired_num_ticks = 4                    # room for six digits each
    if band:
        drawn.varea(cost, percent(r[band][0] for r in rows), percent(r[band][1] for r in rows), fill_color="#c3d5e3", hatch_pattern="/", hatch_color=HUE,
                    hatch_alpha=0.4)
    source = ColumnDataSource({"x": cost, "y": percent(r[value] for r in rows), "week": [r["weeks"] for r in rows]}, name=value)
    drawn.line("x", "y", source=source, line_color=HUE, line_width=2)
    drawn.scatter("x", "y", source=source, size=8, fill_color="#ffffff", line_color=HUE, line_width=2)
    drawn.add_tools(HoverTool(tooltips=[("week", "@week"), ("money", "@x{0}"), (label, "@y{0.00}")]))
    most = 100.0 if band is None else max(percent(r[band][1] for r in rows) + percent(r[value] for r in rows))
    drawn.y_range.start, drawn.y_range.end = -0.05 * (most or 1.0), 1.06 * (most or 1.0)        # marks on the edge are whole
    return json_item(drawn)
