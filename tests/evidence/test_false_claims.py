"""Bookkeeping of the false claims; campaigns are stood in for."""

import json
from argparse import Namespace
from collections import Counter
from math import comb

import pytest

from planner.rehearse.mechanisms import MECHANISMS
from tests.evidence import common, false_claims as fc


def row(**changes):
    return {"how": "designed", "truth": "prior", "false": False, "false_any_week": False, "claims": True, "conforming": 0.3, "claimed_of_conforming": 0.4,
            "worst": 0.95, "H": 0.05, "H_true": 0.04, "weeks": 4, "specimens": 200, "verdict": "CONVERGED", "seconds": 60.0} | changes


def test_three_in_ten_run_week_by_week_and_every_mechanism_comes_as_often():
    tasks = [fc.Task("foreign", i) for i in range(200)]
    assert sum(t.how == "weekly" for t in tasks) == 60
    assert set(Counter(t.truth.mechanism for t in tasks).values()) == {20} and len(MECHANISMS) == 10
    assert set(Counter(t.truth.mechanism for t in tasks if t.how == "weekly").values()) == {6}


def test_a_truth_follows_from_its_form_and_number():
    first, again, other = (fc.Task("own", n).truth for n in (3, 3, 4))
    assert first.params.limit_sd == again.params.limit_sd != other.params.limit_sd
    assert fc.Task("foreign", 3).truth.params.limit_sd != first.params.limit_sd and first.mechanism is None


def test_the_tally_has_exact_bounds_and_counts_no_claim_as_nothing():
    rows = [row(false=True, false_any_week=True)] + [row(false_any_week=i == 0) for i in range(8)] \
        + [row(claims=False, claimed_of_conforming=0.0, conforming=0.02), row(claims=False, claimed_of_conforming=None, conforming=0.0)]
    told = fc.tally(rows)
    assert (told["campaigns"], told["false_joint_claims"], told["false_any_week"], told["with_a_claim"], told["with_a_window"]) == (11, 1, 2, 9, 10)
    upper = told["false_share_at_most_95"]              # P(at most one of 11 | upper) = 5 %
    assert sum(comb(11, k) * upper**k * (1 - upper) ** (11 - k) for k in (0, 1)) == pytest.approx(0.05, abs=1e-9)
    assert told["median_claimed_share"] == pytest.approx(0.4)
    assert fc.tally([row(claimed_of_conforming=0.0)] * 3)["median_claimed_share"] == 0.0


def test_what_is_kept_is_not_run_again_and_nothing_is_begun_too_late():
    given = Namespace(campaigns=10, only=None, processes=1)
    kept = {"own 0001": row(), "foreign 0000": row(how="weekly", truth="heavy_tails")}
    names = [t.name for t in fc.todo(kept, given)]
    assert len(names) == 18 and not set(names) & set(kept) and names[:2] == ["own 0000", "foreign 0001"]
    assert {t.how for t in fc.todo(kept, Namespace(campaigns=10, only="designed", processes=1))} == {"designed"}
    assert list(common.spread(fc.todo(kept, given), fc.run, processes=1, end=0.0, seconds=lambda task: fc.EXPECTED_S[task.how])) == []
    told = fc.summary(kept)
    assert told["own"]["by_how"]["designed"]["campaigns"] == told["own"]["campaigns"] == 1 and "weekly" not in told["own"]["by_how"]
    assert told["own"]["median_claimed_share_weekly"] is None and told["foreign"]["median_claimed_share_weekly"] == told["foreign"]["median_claimed_share"]
    assert told["foreign"]["by_truth"]["heavy_tails"]["campaigns"] == 1


def test_a_weekly_campaign_is_our_own_plans_under_its_truth(monkeypatch):
    seen = []
    week = {"week": 4, "claimed_share": 0.1, "conforming_share": 0.2, "claimed_share_of_conforming": 0.5, "worst_claimed_conformance": 0.91,
            "misclassification": 0.05, "actual_misclassification": 0.04, "specimens": 200, "verdict": "CONVERGED"}
    monkeypatch.setattr(fc, "run_job", lambda job: seen.append(job) or {"weeks": [week | {"week": 3, "false_claim": True}, week | {"false_claim": False}]})
    task = fc.Task("foreign", 10)
    found = fc.run(task)
    assert (found["false"], found["false_any_week"], found["how"], found["claimed_of_conforming"]) == (False, True, "weekly", 0.5)
    (job,) = seen
    assert job.strategy == "ours" and job.weeks == fc.WEEKS and job.truth.mechanism == task.truth.mechanism and set(job.stock.values()) == {fc.BLANKS}
    assert "worth_per_percent" not in job.definition and "budget = 6000.0" in job.definition


def test_a_campaign_is_kept_as_long_as_its_own_code_stays():
    rows = {"own 0001": json.dumps(row(code="a")), "own 0000": json.dumps(row(how="weekly", code="b")), "own 0002": json.dumps(row())}
    assert set(fc.still_true(rows, {"designed": "a", "weekly": "b"})) == {"own 0000", "own 0001"}
    assert set(fc.still_true(rows, {"designed": "a", "weekly": "c"})) == {"own 0001"}      # only how trials are chosen was changed
    assert set(fc.DESIGNED) < set(fc.MODULES)
