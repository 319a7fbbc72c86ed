"""`review --deep` with a mocked sampler: what is refitted, what is kept, what is said. The campaign is invented."""

import json
from types import SimpleNamespace

import numpy as np
import pytest

from models import fit as sampling
from planner.cycle import bagging, fitting, open_campaign, without
from planner.lab.specimen import Specimen
from planner.window.box import factor_box
from planner.window.points import reference_points

RANGES = {"forming_temperature_degC": (150.0, 200.0), "strain": (0.03, 0.06), "braze_temperature_degC": (598.0, 602.0), "braze_time_min": (2.0, 3.0)}
DRAWS = 60


@pytest.fixture
def calls(monkeypatch):
    """Prior draws in place of fits; the data of every refit."""
    seen = []

    class Mocked:
        def __init__(self, encoded):
            self.encoded = encoded

        def sample(self, *, seed, obs, cores, draws=None, target_accept=None):
            seen.append((seed, self.encoded.lots, self.encoded.loads, obs.n_rows))
            return sampling.prior_draws(self.encoded.layout, self.encoded.priors, draws=DRAWS, rng=np.random.default_rng(seed))

    monkeypatch.setattr(fitting, "judge_draws", lambda *words: SimpleNamespace(name="CONVERGED", words="invented"))
    monkeypatch.setattr(fitting.SamplerPool, "sampler", lambda pool, encoded, *, say: Mocked(encoded))
    return seen


@pytest.fixture
def claimed(folder):
    """Campaign, fit and a window with one operating range."""
    campaign = open_campaign(folder)
    specimens = tuple(Specimen(f"T{i}", "tensile_coupon", "O" if i % 2 else "H24", f"K{i}", 20.0) for i in range(6))
    specimens += tuple(Specimen(f"C{i}", "component", "O", "K1", 200.0, 0.06, 601.0, 3.0, f"L{i}", cracked=False) for i in range(4))
    fit = SimpleNamespace(specimens=specimens, encoded=fitting.encode(campaign.definition, specimens), key="invented", draws=SimpleNamespace(n_draws=DRAWS))
    one = SimpleNamespace(temper="O", joint_probability=0.96, ranges=lambda: RANGES)
    window = SimpleNamespace(joint=None, claims=(one,), box=factor_box(campaign.definition), reliability=0.5,
                             to_json=lambda: {"joint_claim": None, "claims": [{"ranges": RANGES}]})  # fmt: skip
    return campaign, fit, window


def test_refits_are_kept_and_added_to(claimed, calls):
    campaign, fit, window = claimed
    first = bagging.bagged_claims(campaign, fit, window, resamples=2)
    assert len(calls) == 2 and first["resamples"] == 2
    assert [r["what"] for r in first["regions"]] == ["the operating range of O"] and first["regions"][0]["joint_probability"] == 0.96
    assert bagging.bagged_claims(campaign, fit, window, resamples=2) == first and len(calls) == 2
    more = bagging.bagged_claims(campaign, fit, window, resamples=3)
    assert len(calls) == 3 and more["resamples"] == 3 and len({seed for seed, *_ in calls}) == 3


def test_other_draws_are_other_refits(claimed, calls):
    campaign, fit, window = claimed
    bagging.bagged_claims(campaign, fit, window, resamples=1)
    fit.key = "other data"
    bagging.bagged_claims(campaign, fit, window, resamples=1)
    assert len(calls) == 2


def test_a_kept_refit_holds_a_probability_a_region(claimed, calls):
    campaign, fit, window = claimed
    bagging.bagged_claims(campaign, fit, window, resamples=1)
    (path,) = (campaign.directory / "reports" / "bagged").glob("*/*.json")
    kept = json.loads(path.read_text(encoding="utf-8"))
    assert 0.0 <= kept["joint_probability"][0] <= 1.0 and kept["verdict"] != "" and kept["lots"] >= 2


def test_without_a_claim_nothing_is_refitted(claimed, calls):
    campaign, fit, window = claimed
    window.claims = ()
    assert "nothing is claimed" in bagging.bagged_claims(campaign, fit, window)["words"] and calls == []


def rows(**trusted):
    return [{"what": what, "rows": 3, "k_hat": 0.9, "trusted": sure, "by": "reweighting" if sure else None, "misclassification": 0.1 if sure else None,
             "joint_probability": None, "contribution": None} for what, sure in trusted.items()]  # fmt: skip


@pytest.fixture
def mapped(claimed):
    """The same with a map: 32 reference points, the first two claimed."""
    campaign, fit, window = claimed
    window.reference = SimpleNamespace(conditions=reference_points(window.box, 32, seed=1))
    window.member, window.misclassification = np.arange(32) < 2, 0.2
    return campaign, fit, window


def test_only_what_reweighting_cannot_leave_out_is_refitted(mapped, calls, monkeypatch):
    campaign, fit, window = mapped
    monkeypatch.setattr(fitting, "judge_draws", lambda *words: SimpleNamespace(name="CONVERGED", words="invented"))
    asked = rows(**{"lot K0": True, "lot K1": False, "load L2": False})
    told = without.refitted_without(campaign, fit, window, asked)
    assert told[0] == asked[0] and [t["by"] for t in told] == ["reweighting", "refit", "refit"]
    (_, lots, loads, _), (_, more_lots, fewer, _) = calls
    assert "K1" not in lots and "K1" in more_lots and "L2" not in fewer and len(loads) == 0        # every load held K1 alone
    for t in told[1:]:
        assert t["contribution"] == pytest.approx(t["misclassification"] - 0.2) and 0 <= t["joint_probability"] <= 1
    assert without.refitted_without(campaign, fit, window, asked) == told and len(calls) == 2


def test_a_refit_that_fails_tells_nothing(mapped, calls, monkeypatch):
    campaign, fit, window = mapped
    monkeypatch.setattr(fitting, "judge_draws", lambda *words: SimpleNamespace(name="NOT_MIXED", words="invented"))
    asked = rows(**{"lot K1": False})
    assert without.refitted_without(campaign, fit, window, asked) == [asked[0] | {"refit": "NOT_MIXED"}]


def test_a_refit_that_fails_is_repeated_once_with_smaller_steps(claimed, calls, monkeypatch):
    """The first try diverges, the repeat converges and counts; it is kept, and what was kept of a failure without a repeat is tried again."""
    campaign, fit, window = claimed
    verdicts = iter(["DIVERGED", "CONVERGED", "CONVERGED"])
    monkeypatch.setattr(fitting, "judge_draws", lambda *words: SimpleNamespace(name=next(verdicts), words="invented"))
    assert bagging.bagged_claims(campaign, fit, window, resamples=1)["converged"] == 1 and len(calls) == 2
    assert bagging.bagged_claims(campaign, fit, window, resamples=1)["converged"] == 1 and len(calls) == 2
    (path,) = (campaign.directory / "reports" / "bagged").glob("*/*.json")
    kept = json.loads(path.read_text(encoding="utf-8"))
    assert kept["repeated"]
    path.write_text(json.dumps(kept | {"verdict": "DIVERGED", "repeated": False}), encoding="utf-8")
    assert bagging.bagged_claims(campaign, fit, window, resamples=1)["converged"] == 1 and len(calls) == 3
