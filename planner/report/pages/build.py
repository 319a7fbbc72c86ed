"""Fill the page templates.  Everything that came from a file is escaped; data go in as JSON, never as script."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from markupsafe import Markup

from planner.report.cautions import CAUTIONS
from planner.report.pages.figures import library, map_figure, money_figure
from planner.report.pages.templates import own, templates


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
    return templates().get_template("review.html.j2").render(
        review=record, maps=data["maps"], page=page, figures=figures, style=own("style.css"), script=own("review.js"), library=Markup(library()),
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
    return templates().get_template("budget.html.j2").render(budget=record, title=title, figures=figures, style=own("style.css"),
                                                              library=Markup(library()), cautions=CAUTIONS)
