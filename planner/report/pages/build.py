"""Fill the page templates.  Everything that came from a file is escaped; data go in as JSON, never as script."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from markupsafe import Markup

from planner.report.cautions import CAUTIONS, VERDICTS
from planner.report.pages.figures import library, map_figure, money_figure
from planner.report.pages.templates import Shown, own, templates


def review_page(record: Mapping[str, Any], data: Mapping[str, Any]) -> str:
    """Return the review as one HTML file.

    Parameters
    ----------
    record : the object of `review --json`.
    data : reliabilities, reliability, confidence, maps (cells per reliability) and curves.
    """
    ranges = lambda temper: [claim["ranges"] for claim in record["claims"] if claim["temper"] == temper]
    figures = [map_figure(one, i, ranges(one["temper"])) for i, one in enumerate(data["maps"])]
    flat = lambda rows: [value for row in rows for value in row]
    maps = [{"temper": m["temper"], "warm": m["forming_temperature_degC"], "strain": m["strain"], "c": m["c"], "c_least": m["c_least"], "c_order": m["c_order"], "mean": m["mean"],
             "far": flat(m["extrapolated"]), "reach": flat(m["reachable"])} for m in data["maps"]]
    page = {"reliabilities": data["reliabilities"], "curves": data["curves"], "maps": maps, "own": {"R": data["reliability"], "C": data["confidence"]}, "may_claim": record["window"]["verdict"] == "CONVERGED"}
    contributed = sorted(record["sensitivity"]["specimens"], key=lambda s: (not s["trusted"], -(s["contribution"] or 0.0)))
    return templates().get_template("review.html.j2").render(
        review=record, contributed=contributed, maps=data["maps"], page=page, figures=figures, style=own("style.css"), script=own("review.js"), library=Markup(library()),
        start={"R": data["reliability"], "C": data["confidence"]}, cautions=CAUTIONS)


def budget_page(record: Mapping[str, Any], *, title: str) -> str:
    """Return the budget as one HTML file.

    Parameters
    ----------
    record : the object of `budget --json`.
    title : of the campaign.
    """
    draw = lambda *what: money_figure(record["by_money"], *what, currency=record["currency"])
    awaited = record["goal"]["misclassification_awaited"]
    first = record["by_money"][0]
    then = [] if awaited is None else [first | {"weeks": "pending results in", "misclassification": awaited, "misclassification_band_80": [awaited] * 2}]
    figures = [money_figure([first, *then, *record["by_money"][1:]], "misclassification", "misclassification_band_80", "H [% of the box]", currency=record["currency"]), draw("undecided_share", "undecided_band_80", "undecided [% of the box]"),
               draw("claimed_share", "claimed_band_80", "claimed [% of the box]"), draw("probability_of_goal", None, "chance of the goal [%]")]
    if record["goal"]["target"]:
        figures.append(draw("probability_of_target", None, "chance of the target [%]"))
    due: dict[tuple[str, int], list[str]] = {}
    for one in sorted(record["pending"], key=lambda p: (p["due"], p["plan"])):
        due.setdefault((one["due"], one["plan"]), []).append(f"{one['specimen']} ({one['specimen_type'].replace('_', ' ')}{', its section' if one['awaited'] == 'section' else ''})")
    return templates().get_template("budget.html.j2").render(
        budget=record, of=Shown(record), title=title, figures=figures, due=due, style=own("style.css"), library=Markup(library()), cautions=CAUTIONS,
        verdict_words=f"{record['verdict']}: {VERDICTS[record['verdict']]}")
