"""A plan's page and bench sheets: numbers equal the record's to the printed digits, everything from files is escaped. All invented."""

import re
from html import unescape

import pytest
from page_numbers import Seen, hold

from planner.report.cautions import CAUTIONS
from planner.report.pages.plan_drawing import blocks, loads, runs, temper_drawing
from planner.report.pages.plan_page import bench_sheet, plan_page
from planner.report.pages.templates import fixed

NASTY = "<script>alert(1)</script>"


def whole(record, definition, window, maps):
    limits = {k: v for k, v in definition.week.model_dump().items() if k != "setup"}
    return record | {"limits": limits, "window": window, "maps": maps, "goal": definition.goal.model_dump()}


def test_every_number_on_the_page_is_the_records(pages, record, hostile, window, maps):
    told = Seen(pages["plan.html"]).numbers
    assert len(told) > 4 * len(record["trials"])
    hold(told, whole(record, hostile, window, maps))


def test_no_other_number_stands_on_the_page(pages, record, maps):
    """What does not say where it comes from is a label, a reason of the record, an axis or a place in the order."""
    seen = Seen(pages["plan.html"])
    words = [w for t in record["trials"] for w in (t["specimen"], t["reason"], t["lot"], t["temper"], t["furnace_load"], t["alternative"], t["section_feature"]) if w]
    words += [n["why"] for n in record["not_worth"]] + [n["what"] for n in record["not_worth"]] + record["notices"] + [record["own_list"]["file"]]
    known = set(re.findall(r"\d+(?:\.\d+)?", " ".join(words).replace("_", " ") + " 003 80 90 plan.csv 1 " + record["forecast_record"]["made_on"].replace("-", " ")))
    known |= {str(t["sequence"]) for t in record["trials"]}
    ticks = {"%g" % v for t in ("O", "H24") for d in [temper_drawing(t, record["trials"], ranges=RANGES, maps=maps)] for _, v in (*d.x_ticks, *d.y_ticks)}
    outlook = {"%g" % v for v in range(0, 101)} | {"2.5", "7.5", "12.5"}
    for text in seen.rest:
        for number in re.findall(r"\d+(?:\.\d+)?", text):
            assert number in known | ticks | outlook, text


RANGES = {"forming_temperature_degC": (20.0, 280.0), "strain": (0.01, 0.25)}


@pytest.mark.parametrize("name", ["plan.html", "bench_sheet.html"])
def test_what_came_from_files_is_escaped(pages, name):
    seen = Seen(pages[name])
    assert NASTY not in pages[name] and "&lt;script&gt;" in pages[name]
    assert {tag for tag, _ in seen.tags}.isdisjoint({"script", "img", "b", "link", "iframe", "object"})
    assert not any(key.startswith("on") or key in ("src", "href") for _, attrs in seen.tags for key in attrs)
    assert "default-src 'none'" in pages[name]
    assert '"><img src=x onerror=alert(2)>' in "".join(seen.rest)            # shown as what it is


def test_they_warn_of_what_can_hurt(pages):
    assert all(line in unescape(pages["plan.html"]) for line in CAUTIONS)
    assert all(words in unescape(pages["bench_sheet.html"]) for words in ("hot enough to burn", "Sheet edges cut", "suffocates without warning", "never stand in line"))


def test_loads_hold_their_trials_and_free_places(record, hostile):
    places = {name: kind.places for name, kind in hostile.specimens.items()}
    capacity = hostile.week.places_per_load
    for load in loads(record["trials"], places=places, capacity=capacity):
        inside = [i for i, t in enumerate(record["trials"]) if t["furnace_load"] == load.label]
        assert sorted(load.rows) == inside
        assert load.used == sum(places[record["trials"][i]["specimen_type"]] for i in inside)
        assert sum(p.row is None for p in load.places) == capacity - load.used


def test_a_furnace_place_is_as_wide_in_every_load(record, hostile):
    """A load of wide components and one of narrow coupons are drawn at one scale: no drawing is wider than its places."""
    part = next(t for t in record["trials"] if t["specimen_type"] == "component")
    trials = [part | {"sequence": i, "furnace_load": f"L{1 + i // 3}", "specimen_type": kind} for i, kind in enumerate(
        ["component", "component", "braze_coupon", "braze_coupon", "component", "component"])]  # fmt: skip
    first, second = loads(trials, places={"component": 2, "braze_coupon": 1}, capacity=5)
    assert first.width == second.width == max(p.x + p.width for p in second.places) + 2


def test_blocks_are_the_forming_order(record):
    order = blocks(record["trials"])
    assert [i for block in order for i in block.rows] == list(range(len(record["trials"])))
    assert len(order) == record["tool_temperatures"]


def test_boxes_of_numbers_do_not_lie_on_each_other(record, maps):
    for temper in ("O", "H24"):
        tags = temper_drawing(temper, record["trials"], ranges=RANGES, maps=maps).tags
        for i, a in enumerate(tags):
            for b in tags[:i]:
                assert a.box_x >= b.box_x + b.box_width or b.box_x >= a.box_x + a.box_width or abs(a.box_y - b.box_y) >= 15
        assert sorted(n for t in tags for n in numbers_in(t.words)) == [t["sequence"] for t in record["trials"] if t["temper"] == temper]


def numbers_in(words):
    """The numbers that `runs` wrote in short."""
    for part in words.split(", "):
        first, _, last = part.partition("-")
        yield from range(int(first), int(last or first) + 1)


@pytest.mark.parametrize("numbers, words", [([3], "3"), ([4, 3], "3, 4"), ([1, 2, 3, 7, 9, 10, 11, 12], "1-3, 7, 9-12"), ([], "")])
def test_runs_of_numbers(numbers, words):
    assert runs(numbers) == words


def test_the_sheets_hold_every_specimen_and_what_it_gives(pages, record, hostile):
    text = pages["bench_sheet.html"]
    sheets = text.split('<section class="sheet"')[1:]
    by_kind = {kind: [s for s in sheets if f'data-kind="{kind}"' in s] for kind in ("order", "load", "loose")}
    assert len(by_kind["order"]) >= 1 and len(by_kind["load"]) == record["furnace_loads"]
    loose = [t for t in record["trials"] if not t["furnace_load"]]
    assert bool(loose) == bool(by_kind["loose"])
    for trial in record["trials"]:
        mine = "load" if trial["furnace_load"] else "loose"
        assert sum(f'class="id">{trial["specimen"]}<' in s for s in by_kind[mine]) == 1
        assert sum(f"<td>{trial['specimen']}</td>" in s for s in by_kind["order"]) == 1
    assert all("seed 4117" in s and "plan digest" in s for s in sheets)


def test_the_same_plan_is_the_same_pages(pages, record, hostile, window, maps, proposal):
    from planner.acquisition.plan_file import plan_digest

    assert plan_page(record, hostile, window=window, maps=maps) == pages["plan.html"]
    assert bench_sheet(record, hostile, seed=4117, digest=plan_digest(proposal)) == pages["bench_sheet.html"]


def test_a_plan_without_a_map_or_shares(record, hostile):
    bare = record | {"now": record["now"] | {"undecided_share": None}, "optimism_drop": None, "verdict": "NOT_MIXED", "trials": []}
    page = plan_page(bare, hostile, window=None, maps=[])
    assert "fit allows no map" in page and "undecided share goes" not in page
    assert bench_sheet(bare, hostile, seed=1, digest="0" * 64)


@pytest.mark.parametrize("value, text", [(-0.0004, "0.00"), (0.0, "0.00"), (-0.006, "-0.01"), (1.005, "1.00"), (None, "-")])
def test_zero_has_no_sign(value, text):
    assert fixed(value, 2) == text
