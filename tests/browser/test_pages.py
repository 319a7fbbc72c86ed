"""Every page in a real browser: quiet, alone, on paper, and its fields say what the Python code says.  All numbers are invented."""

import re
import time

import pytest
from devtools import A4, LETTER

from planner.outlook.explore import claimed_from
from planner.report.pages.plan_page import bench_sheet

NAMES = ("plan.html", "bench_sheet.html", "review.html", "budget.html")
DRAWN = "document.documentElement.dataset.drawn || document.querySelectorAll('.bk-Figure, .bk-CanvasPanel').length > 0"


def until(browser, condition, *, seconds=30.0):
    """Wait until an expression holds in the page; returns the seconds it took."""
    started = time.monotonic()
    while not browser.run(f"!!({condition})"):
        assert time.monotonic() - started < seconds, f"not within {seconds} s: {condition}"
        time.sleep(0.02)
    return time.monotonic() - started


@pytest.mark.parametrize("name", NAMES)
def test_it_opens_without_a_complaint_and_without_a_network(browser, folder, name):
    browser.open(folder / name)
    if name in ("review.html", "budget.html"):
        until(browser, DRAWN)
    assert browser.complaints() == []
    assert browser.requests() == []
    assert len(browser.run("document.body.innerText")) > 500


def test_a_complaint_and_a_request_would_be_seen(browser, tmp_path):
    """The ears of the tests above work."""
    (tmp_path / "bad.html").write_text("<!DOCTYPE html><title>x</title><img src='http://127.0.0.1:9/x.png'><script>nowhere()</script>", encoding="utf-8")
    browser.open(tmp_path / "bad.html")
    assert any("nowhere" in line for line in browser.complaints())
    assert browser.requests() == ["http://127.0.0.1:9/x.png"]


def test_a_review_of_300_specimens_is_small_and_quick(browser, folder):
    assert (folder / "review.html").stat().st_size <= 6e6
    took = browser.open(folder / "review.html") + until(browser, "document.documentElement.dataset.drawn")
    assert took <= 2.0


@pytest.mark.parametrize("field, after", [("R", "0.91 0.95"), ("C", "0.9 0.96")])
def test_a_step_is_painted_at_once(browser, folder, field, after):
    """From the click until the figures are painted anew: they are drawn in the next frame, and the frame behind it comes when that is done."""
    browser.open(folder / "review.html")
    until(browser, "document.documentElement.dataset.drawn")
    before = browser.picture(width=1040, height=900)
    took = browser.run(f"""(async () => {{ const frame = () => new Promise(requestAnimationFrame), t = performance.now();
        document.querySelector('button[data-field={field}][data-step^="0"]').click();
        await frame(); await frame(); await frame(); return performance.now() - t; }})()""")
    assert browser.run("document.documentElement.dataset.drawn") == after
    assert took <= 2000
    assert browser.picture(width=1040, height=900) != before


def test_certified_ranges_are_outlined_where_they_speak(browser, folder, review_record):
    """At the campaign's own R and C only, on the map of their temper."""
    browser.open(folder / "review.html")
    until(browser, "document.documentElement.dataset.drawn")
    outlined = lambda place: browser.run(f"""(() => {{ const r = model('ranges-{place}'), d = r.data_source.data;
        return [r.visible, ...['left', 'right', 'bottom', 'top'].map((side) => Array.from(d[side]))]; }})()""")
    ranges = review_record["claims"][0]["ranges"]
    sides = [[end] for key in ("strain", "forming_temperature_degC") for end in ranges[key]]
    assert outlined(0) == [True, *sides] and outlined(1) == [True, [], [], [], []]
    click(browser, "R", 1)
    assert outlined(0)[0] is False
    click(browser, "R", -1)
    assert outlined(0)[0] is True


def type_in(browser, name, value):
    """Type into a field, key by key, as a hand does."""
    browser.run(f"document.getElementById('{name}').focus(); document.getElementById('{name}').select()")
    for key in str(value):
        browser.send("Input.dispatchKeyEvent", type="keyDown", text=key, key=key)
        browser.send("Input.dispatchKeyEvent", type="keyUp", key=key)


def click(browser, field, sign):
    """Click a step button at its middle with the mouse."""
    x, y = browser.run(f"""(() => {{ const b = [...document.querySelectorAll('button[data-field={field}]')].find(b => b.dataset.step.startsWith('-') === {str(sign < 0).lower()});
        b.scrollIntoView({{block: 'center'}}); const r = b.getBoundingClientRect(); return [r.x + r.width / 2, r.y + r.height / 2]; }})()""")
    for kind in ("mousePressed", "mouseReleased"):
        browser.send("Input.dispatchMouseEvent", type=kind, x=x, y=y, button="left", clickCount=1)


def expected(data, at, confidence):
    """Return claim and kinds of cell of both maps, by the Python code."""
    claim = claimed_from(data["curves"][at], confidence)
    kinds = []
    for m in data["maps"]:
        flat = lambda rows: [v for row in rows for v in row]
        row = []
        for c, least, first, far, reach in zip(m["c"][at], m["c_least"][at], m["c_order"][at], flat(m["extrapolated"]), flat(m["reachable"]), strict=True):
            if not reach:
                row.append("out of reach")
            elif claim is not None and first >= claim[0] and least >= confidence:
                row.append("claimed, extrapolated" if far else "claimed")
            else:
                row.append("excluded" if c <= 1 - confidence else "undecided")
        kinds.append(row)
    return claim, kinds


@pytest.mark.parametrize("reliability, confidence", [(0.9, 0.95), (0.85, 0.9), (0.97, 0.8), (0.99, 0.5)])
def test_typed_fields_change_the_claim_as_the_api_says(browser, folder, review_data, reliability, confidence):
    browser.open(folder / "review.html")
    until(browser, "document.documentElement.dataset.drawn")
    type_in(browser, "R", reliability)
    type_in(browser, "C", confidence)
    assert browser.run("document.documentElement.dataset.drawn") == f"{reliability} {confidence}"
    claim, kinds = expected(review_data, review_data["reliabilities"].index(reliability), confidence)
    told = browser.run("({words: [source(0).data.words, source(1).data.words].map((w) => [...w]), c: [...source(1).data.c], claim: shown.claim})")
    assert told["words"] == kinds
    assert told["c"] == pytest.approx(review_data["maps"][1]["c"][review_data["reliabilities"].index(reliability)])
    assert (told["claim"] and (told["claim"]["rho"], told["claim"]["probability"])) == (None if claim is None else pytest.approx(claim))
    says = browser.run("document.getElementById('says').textContent")
    if claim is None:
        assert "nothing is claimed" in says
    else:
        assert f"at least {claim[0]:.4f} " in says and f"joint probability {claim[1]:.3f}" in says


def test_step_buttons_step_and_stop_at_the_ends(browser, folder):
    browser.open(folder / "review.html")
    until(browser, "document.documentElement.dataset.drawn")
    value = lambda name: float(browser.run(f"document.getElementById('{name}').value"))
    click(browser, "R", +1)
    assert value("R") == pytest.approx(0.91)
    click(browser, "R", -1)
    click(browser, "R", -1)
    assert value("R") == pytest.approx(0.89)
    click(browser, "C", -1)
    assert value("C") == pytest.approx(0.94)
    assert browser.run("document.documentElement.dataset.drawn") == "0.89 0.94"
    type_in(browser, "R", 0.98)
    for _ in range(3):
        click(browser, "R", +1)
    assert value("R") == pytest.approx(0.99)


def test_a_typed_value_out_of_range_is_named_and_changes_nothing(browser, folder):
    browser.open(folder / "review.html")
    until(browser, "document.documentElement.dataset.drawn")
    type_in(browser, "R", "0.5")
    assert "from 0.80 to 0.99" in browser.run("document.getElementById('says').textContent")
    assert browser.run("document.documentElement.dataset.drawn").startswith("0.9 ")


def test_pointing_by_fields_reads_the_cell(browser, folder, review_data):
    browser.open(folder / "review.html")
    until(browser, "document.documentElement.dataset.drawn")
    m = review_data["maps"][0]
    type_in(browser, "T0", round(m["forming_temperature_degC"][7]))
    type_in(browser, "e0", round(m["strain"][4], 3))
    c = m["c"][review_data["reliabilities"].index(0.9)][7 * len(m["strain"]) + 4]
    assert f"c = {c:.3f}" in browser.run("document.getElementById('value0').textContent")
    type_in(browser, "R", "0.85")                          # the readout follows R without being typed anew
    c = m["c"][review_data["reliabilities"].index(0.85)][7 * len(m["strain"]) + 4]
    assert f"c = {c:.3f}" in browser.run("document.getElementById('value0').textContent")


@pytest.mark.parametrize("paper", [A4, LETTER], ids=["A4", "Letter"])
def test_bench_sheets_take_a_page_each(browser, folder, paper):
    browser.open(folder / "bench_sheet.html")
    sheets = browser.run("document.querySelectorAll('.sheet').length")
    assert sheets >= 3
    assert browser.pages_printed(paper) == sheets


@pytest.mark.parametrize("paper", [A4, LETTER], ids=["A4", "Letter"])
@pytest.mark.parametrize("count", [8, 12])
def test_a_full_load_takes_one_page(browser, hostile, record, tmp_path, paper, count):
    """Sectioned components, as many as a furnace may hold, in one load (invented)."""
    part = next(t for t in record["trials"] if t["specimen_type"] == "component") | {"section_feature": hostile.component.features[0].name, "furnace_load": "P003-L1"}
    trials = [part | {"sequence": i + 1, "specimen": f"P003-{i + 1:02d}"} for i in range(count)]
    (tmp_path / "full.html").write_text(bench_sheet(record | {"trials": trials}, hostile, seed=1, digest="0" * 64), encoding="utf-8")
    browser.open(tmp_path / "full.html")
    assert browser.run("[...document.querySelectorAll('.sheet')].map((s) => s.dataset.kind)") == ["order", "load"]
    assert browser.pages_printed(paper) == 2


@pytest.mark.parametrize("paper", [A4, LETTER], ids=["A4", "Letter"])
def test_a_crowded_week_still_takes_a_page_a_sheet(browser, hostile, record, tmp_path, paper):
    """Thirty sectioned components in one load, every one at a tool temperature of its own (invented)."""
    part = next(t for t in record["trials"] if t["specimen_type"] == "component") | {"section_feature": hostile.component.features[0].name, "furnace_load": "P003-L1"}
    trials = [part | {"sequence": i + 1, "specimen": f"P003-{i + 1:02d}", "forming_temperature_degC": 20.0 + 5 * i} for i in range(30)]
    (tmp_path / "crowded.html").write_text(bench_sheet(record | {"trials": trials}, hostile, seed=1, digest="0" * 64), encoding="utf-8")
    browser.open(tmp_path / "crowded.html")
    assert browser.pages_printed(paper) == browser.run("document.querySelectorAll('.sheet').length") >= 6


@pytest.mark.parametrize("name", ["plan.html", "review.html", "bench_sheet.html", "budget.html"])
def test_nothing_hangs_over_the_edge_of_a_printed_page(browser, folder, name):
    """A4 less margins of 14 mm is 688 CSS pixels wide."""
    browser.open(folder / name)
    if name in ("review.html", "budget.html"):
        until(browser, DRAWN)
    browser.as_media("print", width=688, height=1000)
    wide = browser.run("document.documentElement.scrollWidth")
    browser.as_media("", width=1040, height=900)
    assert wide <= 688


def test_the_plan_prints_on_a_handful_of_pages(browser, folder, record):
    browser.open(folder / "plan.html")
    assert browser.pages_printed(A4) <= 4 + -(-len(record["trials"]) // 8)


def test_what_is_on_the_page_is_text(browser, folder):
    """No label of a file became an element or ran."""
    browser.open(folder / "plan.html")
    assert browser.run("document.querySelectorAll('script, img, iframe').length") == 0
    assert re.search(r"<script>alert\(1\)</script>", browser.run("document.body.innerText"))
