"""An invented plan with everything on it, its map and its window, for the pages that show them."""

import importlib.util
import sys
import tomllib
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))        # page_numbers
PLANNER = Path(__file__).parents[1] / "acquisition"
NASTY = "<script>alert(1)</script>"
HOSTILE = {"title": f"Invented {NASTY}", "lot": '"><img src=x onerror=alert(2)>', "feature": "rib' & <b>shoulder</b>"}
NOW = {"misclassification": 0.1432, "claimed_share": 0.0811, "excluded_share": 0.5007, "undecided_share": 0.4182, "pointwise_share": 0.1}


def _neighbour():
    spec = importlib.util.spec_from_file_location("invented_planner_for_pages", PLANNER / "conftest.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="session")
def hostile_text():
    """The invented campaign.toml with labels that would be markup if nobody escaped them."""
    text = (PLANNER / "data" / "campaign.toml").read_text(encoding="utf-8")
    for old, new in (('lot = "K1"', f"lot = '{HOSTILE['lot']}'"), ('name = "channel radius"', f'name = "{HOSTILE["feature"]}"'),
                     ("[campaign]", f"[campaign]\ntitle = '{HOSTILE['title']}'")):  # fmt: skip
        assert old in text
        text = "\n".join(line for line in text.replace(old, new, 1).split("\n") if not line.startswith('title = "'))
    return text


@pytest.fixture(scope="session")
def hostile(hostile_text):
    """The definition of that campaign."""
    from planner.lab.campaign import definition_from

    return definition_from(tomllib.loads(hostile_text))


@pytest.fixture(scope="session")
def proposal(hostile):
    """A plan of it."""
    from planner.acquisition.propose import propose

    invented = _neighbour()
    model = invented.Invented(hostile, n_draws=240)
    reference = invented.reference_map(hostile, model, log2_points=7)
    return propose(hostile, reference=reference, predictor=model, n_candidates=200, number=3, rng=np.random.default_rng(5))


@pytest.fixture(scope="session")
def record(proposal):
    """What plan.json holds of it, as read back by the Python API."""
    from planner.acquisition.plan_file import plan_record

    more = {"notices": [f"a notice {NASTY}"], "pending": 2, "supersedes": [], "own_list": {
        "n_trials": 3, "cost": 1260.0, "hours": 15.0, "misclassification": 0.131, "gain": 0.0122, "gain_band_80": [0.0021, 0.0254], "broken_limits": ["budget"], "file": f"{NASTY}.csv"},
        "past_forecasts": {"plans": 3, "gain_expected": 0.0713, "gain_came": 0.0622, "inside_band": 2}, "forecast_record": {
            "factor": 0.94, "stretch": 1.1, "weeks": 160, "ratio_of_sums": 1.03, "rank_correlation": 0.93, "band_coverage_80": 0.81, "made_on": "2026-11-20"}}  # fmt: skip
    return plan_record(proposal, number=3, verdict="CONVERGED", now=NOW, more=more)


@pytest.fixture(scope="session")
def maps(hostile):
    """Invented maps of every temper with every kind of cell."""
    found = []
    for k, temper in enumerate(hostile.factors.tempers):
        kind = np.clip(np.add.outer(np.arange(12) // 3, -np.arange(20) // 5 - k + 2), -1, 1)
        reach = np.ones((12, 20), bool)
        reach[:2, 17:] = False
        far = np.zeros((12, 20), bool)
        far[9:] = True
        low, high = hostile.factor_ranges["forming_temperature_degC"]
        found.append({"temper": temper, "braze_temperature_degC": 600.25 + k, "braze_time_min": 3.5, "kind": kind.tolist(), "reachable": reach.tolist(),
                      "forming_temperature_degC": (low + (high - low) * (np.arange(12) + 0.5) / 12).tolist(), "extrapolated": far.tolist(),
                      "strain": (0.01 + 0.24 * (np.arange(20) + 0.5) / 20).tolist(), "probability_conforming": np.full((12, 20), 0.5).tolist()})  # fmt: skip
    return found


@pytest.fixture(scope="session")
def window():
    """What Window.to_json says, as far as a plan's page shows it; invented."""
    ranges = {"forming_temperature_degC": [150.0, 231.5], "strain": [0.02, 0.055], "braze_temperature_degC": [598.0, 603.5], "braze_time_min": [2.1, 3.4]}
    return NOW | {"claims": [{"temper": "O", "ranges": ranges, "joint_probability": 0.9634}]}


@pytest.fixture(scope="session")
def pages(record, hostile, window, maps, proposal):
    """The three files for people, by name."""
    from planner.acquisition.plan_file import plan_digest
    from planner.report.pages.plan_page import bench_sheet, plan_page
    from planner.report.plan_workbook import plan_workbook

    return {"plan.html": plan_page(record, hostile, window=window, maps=maps), "plan.xlsx": plan_workbook(record, hostile),
            "bench_sheet.html": bench_sheet(record, hostile, seed=4117, digest=plan_digest(proposal))}  # fmt: skip
