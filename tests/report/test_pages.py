"""The review page: escaping, no network, and in a real browser the values that the Python code gives. All numbers are invented."""

import json
import re
import shutil
import subprocess
from html import unescape

import numpy as np
import pytest

from planner.outlook.explore import GRID, cells, claimed_from, curves
from planner.report.cautions import CAUTIONS
from planner.report.pages.build import review_page
from planner.window.decision import halves
from planner.window.points import show_grid

BROWSER = shutil.which("chromium") or shutil.which("chromium-browser")
NASTY = "<script>alert(1)</script>"


@pytest.fixture(scope="module")
def data():
    from planner.window.box import FactorBox

    box = FactorBox(("O",), np.array([20, 0.01, 590, 1.0]), np.array([280, 0.25, 610, 8.0]))
    grid = show_grid(box, 0, braze_temperature=600.0, braze_time=3.0, n_temperatures=4, n_strains=6)
    rng = np.random.default_rng(3)
    values = np.clip(0.99 - 0.9 * grid.conditions.strain + 0.02 * rng.standard_normal((8000, 1)), 0, 1)
    split = halves(np.repeat(np.arange(4), 2000))
    one = {"temper": NASTY, "braze_temperature_degC": 600.0, "braze_time_min": 3.0, "strain": grid.strain.tolist(),
           "forming_temperature_degC": grid.forming_temperature.tolist(), "reachable": np.ones((4, 6), bool).tolist(),
           "extrapolated": np.zeros((4, 6), bool).tolist()}  # fmt: skip
    return {"reliabilities": list(GRID), "reliability": 0.9, "confidence": 0.95,
            "maps": [one | cells(grid.conditions, values, reliabilities=GRID, split=split)],
            "curves": curves([(grid.conditions, values)], reliabilities=GRID, split=split, longest=5000)}  # fmt: skip


RANGES = {"forming_temperature_degC": [150.0, 200.0], "strain": [0.05, 0.056], "braze_temperature_degC": [598.0, 602.0], "braze_time_min": [2.0, 4.0]}


@pytest.fixture(scope="module")
def record():
    shares = dict.fromkeys(("claimed_share", "undecided_share", "excluded_share", "pointwise_share"), 0.25)
    window = shares | {"verdict": "CONVERGED", "reliability": 0.9, "confidence": 0.95, "misclassification": 0.1, "monte_carlo_error": {},
                       "without_extrapolated": shares, "lots_seen": None, "joint_claim": None, "target": None}  # fmt: skip
    revision = {"specimen": NASTY, "kind": "corrected", "time": "2026-01-02T00:00", "reason": NASTY, "file": "a.csv"}
    return {"claims": [{"words": f"claim {NASTY}", "temper": NASTY, "ranges": RANGES}], "window": window, "first": [], "frozen": [], "bagged": None, "target": None, "checks": [], "transfer": [], "evidence": [],
            "forecasts": [], "verification": [], "sensitivity": {"priors": [], "lots_left_out": [], "loads_left_out": [], "specimens": [
                {"what": NASTY, "rows": 1, "k_hat": 0.1, "trusted": True, "by": "reweighting", "contribution": 0.001, "own": NASTY}]},
            "convergence": {"verdict": "CONVERGED", "words": "all well", "draws": 8000, "sampler": "invented"},
            "deviations": {"problems": [], "corrections_and_exclusions": [revision]},
            "campaign": {"title": f"Invented {NASTY}", "specimens": 3, "fit": "f", "model_digest": "m", "versions": {"numpy": "2"}}}  # fmt: skip


@pytest.fixture(scope="module")
def page(record, data):
    return review_page(record, data)


def test_what_came_from_a_file_is_escaped(page):
    assert NASTY not in page
    assert page.count("&lt;script&gt;alert(1)&lt;/script&gt;") >= 6


def test_it_warns_of_what_can_hurt(page):
    assert all(line in unescape(page) for line in CAUTIONS)


def test_without_a_reading_there_is_no_empty_table(page):
    assert "No reading is recorded yet" in page and "No component was made yet" in page and "mean rank" not in page


def test_the_page_is_whole_and_small(page):
    assert len(page.encode()) < 6e6
    assert not re.search(r"<(script|link|img)[^>]*(src|href)=", page)
    assert "default-src 'none'" in page


@pytest.mark.skipif(BROWSER is None, reason="needs Chromium: apt-get install chromium")
@pytest.mark.parametrize("reliability, confidence", [(0.9, 0.95), (0.85, 0.9), (0.95, 0.8)])
def test_typed_fields_give_the_values_of_the_api(page, data, reliability, confidence, tmp_path):
    probe = """<script>
    function answer() {
      if (!document.documentElement.dataset.drawn) { setTimeout(answer, 50); return; }
      for (const [id, value] of [["R", %s], ["C", %s]]) { document.getElementById(id).value = value; document.getElementById(id).dispatchEvent(new Event("input")); }
      document.body.dataset.answer = JSON.stringify({claim: shown.claim, cells: shown.cells[0], drawn: source(0).data.words});
    }
    answer();</script></body>""" % (reliability, confidence)
    path = tmp_path / "review.html"
    path.write_text(page.replace("</body>", probe), encoding="utf-8")
    flags = ["--headless", "--no-sandbox", "--disable-gpu", "--disable-background-networking", "--enable-logging=stderr", "--virtual-time-budget=20000"]
    done = subprocess.run([BROWSER, *flags, f"--user-data-dir={tmp_path / 'profile'}", "--dump-dom", path.as_uri()], capture_output=True, text=True,
                          timeout=120, check=True)  # fmt: skip
    assert not re.search(r"CONSOLE.*(Uncaught|Refused|Error)", done.stderr)
    told = json.loads(re.search(r'data-answer="([^"]*)"', done.stdout).group(1).replace("&quot;", '"'))
    at = data["reliabilities"].index(reliability)
    claim = claimed_from(data["curves"][at], confidence)
    assert (told["claim"] and (told["claim"]["rho"], told["claim"]["probability"])) == (None if claim is None else pytest.approx(claim))
    assert [x["c"] for x in told["cells"]] == pytest.approx(data["maps"][0]["c"][at])
    member = [claim is not None and first >= claim[0] and c >= confidence for first, c in zip(data["maps"][0]["c_order"][at], data["maps"][0]["c_least"][at])]
    assert [x["kind"] == "claimed" for x in told["cells"]] == member
    assert [w == "claimed" for w in told["drawn"]] == member
