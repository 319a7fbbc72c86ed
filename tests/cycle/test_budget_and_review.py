"""`budget` and `review` of a whole campaign folder, sampling alone replaced: what they return, what they write, and what their pages print.

The data are those of the six-week demo (invented); the draws are invented too, drawn closely around the prior's middle, and
the reliability asked for is low, so that something can be claimed.
"""

import importlib.util
import json
import re
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import planner
from models import fit as sampling
from models.verdict import CONVERGED, Verdict
from planner.cycle import fitting
from planner.window.build import build_window

ROOT = Path(__file__).resolve().parents[2]
DEMO = ROOT / "campaigns_demo" / "cold_plate_week6"
DRAWS, POINTS, NARROW = 600, 512, 0.05


class Sampler:
    """Stands in for the compiled model."""

    def __init__(self, obs, sheet, layout, priors, **_):
        self.layout, self.priors = layout, priors

    def sample(self, *, seed, draws, **_):
        """Return draws close to the middle of every prior."""
        found = sampling.prior_draws(self.layout, self.priors, draws=draws, rng=np.random.default_rng(seed))
        return replace(found, z=NARROW * found.z)


@pytest.fixture(scope="module")
def campaign(tmp_path_factory):
    """The folder with draws at hand; opened, with results recorded."""
    folder = tmp_path_factory.mktemp("whole") / "campaign"
    shutil.copytree(DEMO, folder, ignore=shutil.ignore_patterns("ledger.sqlite*", "posterior", "plans", "claims", "reports"))
    text = (folder / "campaign.toml").read_text(encoding="utf-8")
    (folder / "campaign.toml").write_text(re.sub(r"(?m)^reliability = [0-9.]+", "reliability = 0.6", text), encoding="utf-8")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(sampling, "Sampler", Sampler)
        patch.setattr(fitting, "judge_draws", lambda *_: Verdict(CONVERGED, "invented: all well.", 1.0, 4000.0, 1.0, 0))
        patch.setitem(fitting.current_fit.__kwdefaults__, "draws", DRAWS)
        patch.setitem(build_window.__kwdefaults__, "n_points", POINTS)
        opened = planner.open_campaign(folder)
        opened.update()
        yield opened


@pytest.fixture(scope="module")
def budget(campaign):
    return campaign.budget(weeks=1)


@pytest.fixture(scope="module")
def review(campaign):
    return campaign.review(freeze=True)


def neighbour(name):
    spec = importlib.util.spec_from_file_location(f"of_pages_{name}", ROOT / "tests" / "report" / f"{name}.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def read(campaign, name):
    return (campaign.directory / "reports" / name).read_text(encoding="utf-8")


def test_the_budget_has_the_keys_that_programs_rely_on(campaign, budget):
    assert {"by_money", "marginal", "stop", "order"} <= set(budget) and [row["weeks"] for row in budget["by_money"]] == [0, 1]
    for row in budget["by_money"]:
        assert {"cost", "weeks", "misclassification", "undecided_share", "claimed_share", "probability_of_goal", "specimens"} <= set(row)
        low, high = row["misclassification_band_80"]
        assert low <= row["misclassification"] <= high
    assert json.loads(read(campaign, "budget.json")) == json.loads(json.dumps(budget))


def test_today_is_what_the_window_says(budget, review):
    now, today = review["window"], budget["by_money"][0]
    for name in ("misclassification", "undecided_share", "claimed_share"):
        assert today[name] == now[name]
    assert today["undecided_band_80"] == [now["undecided_share"]] * 2


def test_the_budget_page_prints_its_numbers(campaign, budget):
    printed = neighbour("page_numbers")
    printed.hold(printed.Seen(read(campaign, "budget.html")).numbers, budget)


def test_the_review_has_the_keys_that_programs_rely_on(campaign, review):
    assert {"claims", "convergence", "checks", "sensitivity", "forecasts", "verification", "cautions"} <= set(review)
    assert review["claims"] and len(review["verification"]) == len(review["claims"]) and review["evidence"] is not None
    assert set(json.loads(read(campaign, "review.json"))) == set(review)
    assert {row["what"] for row in review["sensitivity"]["lots_left_out"]} == {f"lot {s.lot}" for s in campaign.specimens()}


def test_the_review_says_what_the_window_says(campaign, review):
    window = campaign.window().to_json()
    assert json.loads(json.dumps(review["window"])) == json.loads(json.dumps(window))
    page = read(campaign, "review.html")
    for claim in review["claims"]:
        assert claim["words"] in page and f"{claim['joint_probability']:.3f}" in claim["words"]
    data = json.loads(re.search(r'id="page-data">(.*?)</script>', page, re.DOTALL).group(1))
    own = data["reliabilities"].index(window["reliability"])                 # below the page's own grid, and still offered
    assert own == 0 and window["reliability"] == 0.6 and 'min="0.6"' in page
    assert [m["temper"] for m in data["maps"]] == list(campaign.definition.factors.tempers)
    assert max(data["curves"][own]["probability"]) >= window["joint_claim"]["joint_probability"] - 1e-12


def test_a_frozen_claim_stands_on_the_page(campaign, review):
    (one,) = review["frozen"]
    assert (one["number"], one["state"], one["intact"], one["e_value"]) == (1, "stands", True, 1.0)
    assert one["claims"][0] in read(campaign, "review.html") and one["words"] in read(campaign, "review.html") and (campaign.directory / "claims" / "001.json").exists()
