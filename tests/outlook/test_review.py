"""The reviewer's records and sentences, counted by hand. All invented."""

import json
from types import SimpleNamespace

import numpy as np
import pytest

from models.fit import code_digest
from models.priors import SHARED
from planner.lab.specimen import Specimen
from planner.outlook import review

RANGES = {"forming_temperature_degC": [150.0, 200.0], "strain": [0.02, 0.06], "braze_temperature_degC": [598.0, 602.0], "braze_time_min": [2.0, 3.0]}
WINDOW = {"reliability": 0.9, "confidence": 0.95, "lot_spread_rests_on_prior": True, "notices": ["a notice"], "extrapolated_share": 0.314, "target": None,
          "claims": [{"temper": "O", "ranges": RANGES, "joint_probability": 0.9634, "extrapolated": True}]}  # fmt: skip


def part(label, temper="O", warm=180.0, lot="K1", load="L1"):
    return Specimen(label, "component", temper, lot, warm, 0.05, 600.0, 2.5, load)


def test_a_claim_says_its_probability_its_conditions_and_what_it_rests_on():
    made = [part("a"), part("b", lot="K2", load="L2"), part("c", warm=240.0), part("d", temper="H14"), Specimen("e", "bend_coupon", "O", "K3", 20.0, 0.1)]
    (one,) = review.claims(WINDOW, made)
    rests = one["rests_on"]
    assert (rests["components_of_temper"], rests["components_inside"], rests["coupons_of_temper"], rests["lots"], rests["loads"]) == (3, 2, 1, 3, 2)
    for words in ("O, forming 150 to 200 degC, strain 0.02 to 0.06, brazed at 598 to 602 degC, for 2 to 3 min", "with probability 0.963", "at least 90 %",
                  "3 components of this temper (2 made inside the ranges) and 1 coupons", "rests on the prior", "extrapolates"):  # fmt: skip
        assert words in one["words"]


@pytest.mark.parametrize("verdict, said", [("CERTIFIED", "; certified as a whole at confidence 0.95"), ("NOT_CERTIFIED", "; not certified as a whole")])
def test_the_target_is_a_sentence(verdict, said):
    target = {"temper": "H14", "ranges": RANGES, "joint_probability": 0.8061, "verdict": verdict}
    words = review.target_words(WINDOW | {"target": target})
    assert said in words and "0.806" in words
    assert review.target_words(WINDOW) is None


def test_forecasts_wait_for_results_and_are_held_to_what_came():
    plan = lambda h, gain, band: {"plan_file": "plans/x", "n_trials": 20, "cost": 5000.0, "now": {"misclassification": h}, "expected": {"gain": gain, "gain_band_80": band}}
    plans = [plan(0.20, 0.04, [0.02, 0.06]), plan(0.17, 0.05, [0.04, 0.06]), plan(0.16, 0.03, [0.01, 0.05])]
    rows = review.forecasts(plans, now={"misclassification": 0.10}, reported=[True, True, False])
    assert [r["gain_came"] for r in rows] == [pytest.approx(0.03), pytest.approx(0.01), None]
    assert [r["inside_band"] for r in rows] == [True, False, None]


def test_a_withdrawn_plan_and_plans_that_ran_together_are_not_held_to_what_came():
    """Plan 2 took the place of plan 1; plan 4 was made while all 20 results of plan 3 were awaited; plan 5 while one of plan 4's was."""
    plan = lambda h, pending: {"plan_file": "plans/x", "n_trials": 20, "cost": 5000.0, "pending": pending, "now": {"misclassification": h},
                               "expected": {"gain": 0.04, "gain_band_80": [0.0, 0.1]}}  # fmt: skip
    plans = [plan(0.30, 0), plan(0.30, 0), plan(0.25, 0), plan(0.25, 20), plan(0.16, 1)]
    rows = review.forecasts(plans, now={"misclassification": 0.10}, reported=[True] * 5, withdrawn=[True, False, False, False, False])
    assert [r["state"] for r in rows] == ["withdrawn", "told", "not told apart", "not told apart", "told"]
    assert [r["gain_came"] for r in rows] == [None, pytest.approx(0.05), None, None, pytest.approx(0.06)]
    assert [r["inside_band"] for r in rows] == [None, True, None, None, True]


def test_probabilities_carry_their_monte_carlo_error():
    one = WINDOW["claims"][0] | {"error": 0.0041, "verdict": "CERTIFIED"}
    assert "with probability 0.963 ± 0.004, at every" in review.claims(WINDOW | {"claims": [one]}, [part("a")])[0]["words"]
    assert "with probability 0.963 ± 0.004, at every" in review.target_words(WINDOW | {"target": one})


def test_corrections_exclusions_and_problems_are_listed():
    entry = lambda kind, name: SimpleNamespace(specimen=name, kind=kind, time="2026-03-02T08:00", reason="wrong coil", file="week1.csv")
    told = review.changes([entry("recorded", "a"), entry("corrected", "b"), entry("excluded", "c")], {"c": "wrong coil"}, ["week1.csv was edited"])
    assert [(r["specimen"], r["kind"]) for r in told["corrections_and_exclusions"]] == [("b", "corrected"), ("c", "excluded")]
    assert told["problems"] == ["week1.csv was edited"] and told["excluded"] == {"c": "wrong coil"}


def test_what_components_taught_is_the_fall_of_the_variance():
    prior = {p.name: p for p in SHARED}
    rng = np.random.default_rng(2)
    params = SimpleNamespace(**{name: prior[name].scale * 0.5 * rng.standard_normal((4000, 1)) for name, _ in review.TRANSFER})
    for row in review.transfer(params, [part("a"), part("b")]):
        assert row["learnt_share"] == pytest.approx(0.75, abs=0.03) and row["components"] == 2
        assert row["posterior_90"][0] < row["mean"] < row["posterior_90"][1]
    assert {row["learnt_share"] for row in review.transfer(params, [])} == {0.0}          # nothing was made that could have taught it


def test_evidence_says_whether_it_speaks_of_this_code(tmp_path):
    (tmp_path / "models").mkdir()
    (tmp_path / "models" / "a.py").write_text("x = 1\n", encoding="utf-8")
    folder = tmp_path / "tests" / "evidence"
    folder.mkdir(parents=True)
    digest = code_digest(tmp_path / "models" / "a.py")
    for name, known in (("fresh", digest), ("stale", "0" * 16)):
        (folder / f"{name}.json").write_text(json.dumps({"made_on": "2026-01-02", "modules": ["models/*.py"], "code_digest": known, "all_inside": True}), encoding="utf-8")
    (folder / "broken.json").write_text("{", encoding="utf-8")
    assert [(e["name"], e["fresh"], e["says"]) for e in review.evidence(tmp_path)] == [("fresh", True, {"all_inside": True}), ("stale", False, {"all_inside": True})]


def test_what_to_look_at_first():
    left = lambda what, p, sure=True: {"what": what, "trusted": sure, "joint_probability": p if sure else None}
    frozen = [{"number": 1, "state": "refuted", "highest": 24.2, "intact": True}, {"number": 2, "state": "stands", "highest": 1.0, "intact": False}]
    checks = [{"response": "gap", "words": "readings lie higher", "p": 0.001, "n": 40, "departs": True}]
    said = review.summary(WINDOW, checks, [{"what": "film shift", "loud": True}], [left("lot K1", 0.91), left("lot K2", 0.97), left("load L1", None, False),
                          left("lot K3", None, False) | {"refit": "NOT_MIXED"}], frozen)
    text = " ".join(said)
    for words in ("claim 001 is refuted: the evidence against it reached 24.2", "002 was altered", "a notice", "gap: readings lie higher", "leans on: film shift",
                  "Without lot K1 the claim would hold as a whole with probability 0.910, below 0.95", "Leaving out load L1", "review DIR --deep", "Without lot K3 the refit ended with NOT_MIXED", "31 % of the box"):  # fmt: skip
        assert words in text
    assert "lot K2" not in text and said[0].startswith("Frozen claim 001")
