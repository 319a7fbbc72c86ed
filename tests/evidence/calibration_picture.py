"""The calibration for the eye: distribution functions of ranks less the uniform one, in their simultaneous band.

Drawn as the pages' figures are, one HTML file with all it needs inlined.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
from bokeh.embed import file_html
from bokeh.layouts import gridplot
from bokeh.models import HoverTool
from bokeh.plotting import figure
from bokeh.resources import INLINE

from planner.report.pages.figures import HUE, INK
from tests.evidence import uniformity

GROUPS = {"conformance and data": ("conformance", "mean conformance", "log-likelihood"), "a lot's, a load's effects": ("a lot", "a load"),
          "deviations": ("limit deviation", "angle deviation", "joint deviation"), "of a temper, and between": (" of ", "between tempers")}


def draw(counts: dict[str, str], path: Path) -> None:
    """Draw bin counts (quantity -> counts as text) to an HTML file."""
    table = {name: np.array(row.split(), int) for name, row in counts.items()}
    n, bins = int(next(iter(table.values())).sum()), uniformity.BINS
    low, high = uniformity.band(n, len(table))
    edges = np.arange(1, bins) / bins
    panels = []
    for title, names in grouped(list(table)).items():
        drawn = figure(width=520, height=320, toolbar_location=None, tools="", title=f"{title} ({len(names)} quantities, {n} replicates)",
                       x_axis_label="rank of the truth among draws, as a share", y_axis_label="share of truths below, less uniform")
        drawn.varea(edges, low / n - edges, high / n - edges, fill_color="#dbe6ee")
        drawn.line([0, 1], [0, 0], line_color=INK, line_dash="dashed")
        for name in names:
            y = np.cumsum(table[name])[:-1] / n - edges
            outside = bool(uniformity.p_value(table[name]) < uniformity.least_p(len(table)))
            drawn.line(edges, y, line_color="#a3321f" if outside else INK, line_width=2 if outside else 0.7, line_alpha=1.0 if outside else 0.5, name=name)
        drawn.add_tools(HoverTool(tooltips=[("", "$name")]))
        panels.append(drawn)
    page = file_html(gridplot(panels, ncols=2, toolbar_location=None), INLINE, "Simulation-based calibration of the joint model")
    path.write_text(page, encoding="utf-8")


def grouped(names: list[str]) -> dict[str, list[str]]:
    """Sort quantities into panels, what fits no group being a shared parameter."""
    out: dict[str, list[str]] = {"shared parameters": []} | {title: [] for title in GROUPS}
    for name in names:
        title = next((t for t, starts in GROUPS.items() if any(name.startswith(s) or (s == " of " and s in name) for s in starts)), "shared parameters")
        out[title].append(name)
    return {title: found for title, found in out.items() if found}
