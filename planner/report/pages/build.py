"""Fill the page templates.  Everything that came from a file is escaped; data go in as JSON, never as script."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from planner.report.cautions import CAUTIONS
from planner.report.pages.figures import library, map_figure, money_figure

HERE = Path(__file__).parent


@cache
def _templates() -> Environment:
    found = Environment(loader=FileSystemLoader(HERE), autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    found.policies["json.dumps_kwargs"] = {"sort_keys": False}      # a figure refers back to what was defined before it
    found.filters |= {"sentence": lambda text: text[:1].upper() + text[1:], "share": lambda v: "-" if v is None else f"{100 * v:.1f} %", "fixed": _fixed, "money": lambda v: f"{v:,.0f}".replace(",", " ")}
    return found


def _fixed(value: float | None, places: int = 3) -> str:
    return "-" if value is None else f"{value:.{places}f}"


def _own(name: str) -> Markup:
    return Markup((HERE / name).read_text(encoding="utf-8"))


def review_page(record: Mapping[str, Any], data: Mapping[str, Any]) -> str:
    """Return the review as one HTML file.

    Parameters
    ----------
    record : the object of `review --json`.
    data : reliabilities, reliability, confidence, maps (cells per reliability) and curves.
    """
    figures = [map_figure(one, i) for i, one in enumerate(data["maps"])]
    flat = lambda rows: [value for row in rows for value in row]
    maps = [{"temper": m["temper"], "warm": m["forming_temperature_degC"], "strain": m["strain"], "c": m["c"], "c_order": m["c_order"], "mean": m["mean"],
             "far": flat(m["extrapolated"]), "reach": flat(m["reachable"])} for m in data["maps"]]
    page = {"reliabilities": data["reliabilities"], "curves": data["curves"], "maps": maps, "may_claim": record["window"]["verdict"] == "CONVERGED"}
    return _templates().get_template("review.html.j2").render(
        review=record, maps=data["maps"], page=page, figures=figures, style=_own("style.css"), script=_own("review.js"), library=Markup(library()),
        start={"R": data["reliability"], "C": data["confidence"]}, cautions=CAUTIONS)


def budget_page(record: Mapping[str, Any], *, title: str) -> str:
    """Return the budget as one HTML file.

    Parameters
    ----------
    record : the object of `budget --json`.
    title : of the campaign.
    """
    rows, money = record["by_money"], record["currency"]
    figures = [money_figure(rows, "misclassification", "misclassification_band_80", "H, share of the box", money),
               money_figure(rows, "undecided_share", "undecided_band_80", "undecided share", money),
               money_figure(rows, "claimed_share", "claimed_band_80", "claimed share", money),
               money_figure(rows, "probability_of_goal", None, "probability of the goal", money)]
    return _templates().get_template("budget.html.j2").render(budget=record, title=title, figures=figures, style=_own("style.css"),
                                                              library=Markup(library()), cautions=CAUTIONS)
