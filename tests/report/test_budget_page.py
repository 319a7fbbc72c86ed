"""The budget's page and screen against its record, to the printed digits; nothing from a file becomes markup. All invented."""

import io
import json
import re
from html import unescape

import pytest
from invented_budget import NASTY, budget_record
from page_numbers import Seen, hold
from rich.console import Console

from planner.report.budget_view import budget as on_screen
from planner.report.cautions import CAUTIONS
from planner.report.pages.build import budget_page


@pytest.fixture(scope="module")
def record():
    return budget_record()


@pytest.fixture(scope="module")
def page(record):
    return budget_page(record, title=f"Invented {NASTY}")


def test_every_number_on_the_page_is_the_records(page, record):
    told = Seen(page).numbers
    hold(told, record)
    places = {path for path, _, _ in told}
    for n in range(1, 5):
        of_week = ("cost", "misclassification", "misclassification_band_80.1", "undecided_share", "undecided_band_80.0", "claimed_share", "claimed_band_80.1",
                   "probability_of_goal", "probability_of_target", "specimens.component", "lots", "furnace_loads", "sections", "hours")  # fmt: skip
        assert {f"by_money.{n}.{name}" for name in of_week} <= places
    assert {"goal.money_left", "goal.weeks_done", "stop.goal_week", "stop.weeks.1.worth", "cuts.2.loss", "order.0.blanks_to_order", "marginal.component.gain", "marginal.component.gain_band_80.0",
            "marginal.coupons.specimens.bend_coupon", "deep.weeks.1.misclassification", "deep.weeks.1.error", "deep.weeks.0.claimed_share", "deep.weeks.1.claimed_share_foreseen", "deep.weeks.1.undecided_share_error", "goal.bound_estimate", "goal.misclassification_awaited",
            "outcomes", "chance_error_most", "claimed_reading.today", "claimed_reading.stated"} <= places  # fmt: skip


def test_no_other_number_stands_on_the_page(page, record):
    """What does not say where it comes from is a sentence of the record or a word of the page."""
    words = [record["stop"]["why"], record["stop"]["horizon_ended"], record["deep"]["words"], *record["notices"], *record["goal"]["dates"], record["goal"]["target"], "80 % and 1.28 standard errors", "2026-12-01 P-1 P-2",
             record["marginal"]["component"]["what"], NASTY]  # fmt: skip
    known = set(re.findall(r"\d+(?:\.\d+)?", " ".join(words)))
    for text in Seen(page).rest:
        assert set(re.findall(r"\d+(?:\.\d+)?", text)) <= known, text


def figures(page):
    return json.loads(re.search(r'<script type="application/json" id="figures">(.*?)</script>', page, re.DOTALL).group(1))


def lists_in(thing):
    """Every list of numbers inside a figure."""
    if isinstance(thing, list) and thing and all(isinstance(v, (int, float)) and not isinstance(v, bool) for v in thing):
        yield [float(v) for v in thing]
    for inner in thing.values() if isinstance(thing, dict) else thing if isinstance(thing, list) else ():
        yield from lists_in(inner)


@pytest.mark.parametrize("number, value, band", [(0, "misclassification", "misclassification_band_80"), (1, "undecided_share", "undecided_band_80"),
                                                 (2, "claimed_share", "claimed_band_80"), (3, "probability_of_goal", None), (4, "probability_of_target", None)])  # fmt: skip
def test_figures_draw_the_record(page, record, number, value, band):
    """The first figure has one point more: what is expected of results that are paid for."""
    drawn, rows = list(lists_in(figures(page)[number])), list(record["by_money"])
    if number == 0:
        waited = record["goal"]["misclassification_awaited"]
        rows.insert(1, {"cost": 0.0, value: waited, band: [waited, waited]})
    wanted = [[r["cost"] for r in rows], [100 * r[value] for r in rows]]
    wanted += [[100 * r[band][side] for r in rows] for side in (0, 1)] if band else []
    for one in wanted:
        assert any(got == pytest.approx(one) for got in drawn if len(got) == len(one)), (value, one)


def test_what_came_from_files_is_escaped(page):
    seen = Seen(page)
    assert NASTY not in page and "&lt;script&gt;" in page and "[&lt;b&gt;]" in page
    assert {tag for tag, _ in seen.tags}.isdisjoint({"b", "img", "link", "iframe", "object"})
    assert not any(key.startswith("on") or key in ("src", "href") for _, attrs in seen.tags for key in attrs)


def test_it_warns_of_what_can_hurt(page):
    assert all(line in unescape(page) for line in CAUTIONS)


def test_a_campaign_without_target_money_or_worth(record):
    plain = record | {"goal": record["goal"] | {"target": None, "total_budget": None, "money_left": None, "weeks_done": 0, "dates": None, "misclassification_awaited": None}, "deep": None, "pending": [], "marginal":
                      {"component": None, "coupons": None, "why": "no week could be laid out"}, "stop": record["stop"] | {"goal_week": None, "weeks": [
                          {"week": 1, "cost": 5210.0, "gain": 0.01, "worth": None}]}}  # fmt: skip
    page = budget_page(plain, title="Invented")
    assert "no result is recorded yet" in page and "bound in what" not in page and "Once the pending" not in page
    assert "chance of the target" not in page and "Nothing is pending" in page and "not stated" in page and len(figures(page)) == 4
    hold(Seen(page).numbers, plain)


def test_a_campaign_whose_money_is_spent(record):
    spent = record | {"by_money": record["by_money"][:1], "stop": {"week": None, "goal_week": None, "why": "no further week can be laid out", "horizon_ended": "week 1: no money",
                                                                  "weeks": []}, "cuts": [], "deep": None}  # fmt: skip
    page = budget_page(spent, title="Invented")
    hold(Seen(page).numbers, spent)
    assert "No further week can be laid out" in page and "week 1: no money" in page


def test_the_screen_says_the_same(record):
    held = io.StringIO()
    Console(file=held, width=100, color_system=None).print(on_screen(record))
    shown = " ".join(held.getvalue().split())
    for row in record["by_money"]:
        assert f"{100 * row['misclassification']:.1f}" in shown and f"{row['probability_of_target']:.2f}" in shown
    assert "4321 <b> bound in what is pending" in shown and "bring H to 9.9 %" in shown and "11 components, 7 braze coupons" in shown
    assert "15090" in shown and "2026-12-01" in shown
