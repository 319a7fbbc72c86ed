"""The fast outlook held against rehearsals: the rule of agreement, on invented rows."""

from importlib import import_module
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from planner.rehearse.deep_budget import Z_80, agreement, deep_budget

MONEY = [{"weeks": 0, "cost": 0.0, "misclassification": 0.12, "misclassification_band_80": [0.12, 0.12]},
         {"weeks": 1, "cost": 6000.0, "misclassification": 0.10, "misclassification_band_80": [0.09, 0.11]},
         {"weeks": 2, "cost": 12000.0, "misclassification": 0.08, "misclassification_band_80": [0.07, 0.09]}]  # fmt: skip


def rows(week, values, strategy="ours"):
    return [{"strategy": strategy, "week": week, "misclassification": v, "cost": 5900.0 * week} for v in values]


def test_the_mean_of_the_refits_is_set_beside_the_band():
    told = agreement(MONEY, rows(0, [0.12]) + rows(1, [0.095, 0.115]) + rows(2, [0.08, 0.08]) + rows(1, [0.5], "factorial"))
    first = told["weeks"][0]
    assert first["misclassification"] == pytest.approx(0.105) and first["campaigns"] == 2 and first["cost"] == 5900.0
    assert first["error"] == pytest.approx(np.std([0.095, 0.115], ddof=1) / np.sqrt(2))
    assert told["agrees"] and [w["week"] for w in told["weeks"]] == [1, 2]


def test_a_week_beyond_band_and_error_is_named():
    told = agreement(MONEY, rows(1, [0.10, 0.10]) + rows(2, [0.10, 0.102]))
    assert not told["agrees"] and "week 2" in told["words"] and "believe the refits" in told["words"]
    edge = 0.09 + Z_80 * np.std([0.10, 0.102], ddof=1) / np.sqrt(2)
    assert told["weeks"][1]["misclassification"] > edge


def test_nothing_rehearsed_is_said():
    assert agreement(MONEY, [])["agrees"] is None and "as far as" in agreement(MONEY, [])["words"]


module = import_module("planner.rehearse.deep_budget")      # the package hands on the function of the same name


def shared(rows, claimed, undecided):
    return [r | {"claimed_share": claimed, "undecided_share": undecided} for r in rows]


def test_shares_are_held_to_their_bands_too():
    money = [m | {"claimed_share": 0.01, "claimed_band_80": [0.005, 0.02], "undecided_share": 0.4, "undecided_band_80": [0.3, 0.5]} for m in MONEY]
    told = agreement(money, shared(rows(1, [0.10, 0.10]), 0.0024, 0.4) + shared(rows(2, [0.08, 0.08]), 0.0051, 0.4))
    first, second = told["weeks"]
    assert first["misclassification_agrees"] and not first["claimed_share_agrees"] and first["undecided_share_agrees"] and not first["agrees"]
    assert first["claimed_share"] == pytest.approx(0.0024) and first["claimed_share_foreseen"] == 0.01 and first["claimed_band_80"] == [0.005, 0.02]
    assert second["agrees"] and "week 1 (claimed share)" in told["words"] and "week 2" not in told["words"]
    none = agreement(money, shared(rows(1, [0.10]), 0.01, None))["weeks"][0]       # a fit that may state no share
    assert "undecided_share" not in none and none["agrees"]


def test_on_the_prior_alone_nothing_is_rehearsed(monkeypatch):
    """The outlook stands, and what can be done instead is said."""
    monkeypatch.setattr(module.outlook, "budget", lambda campaign, weeks: {"by_money": MONEY, "verdict": "PRIOR_ONLY", "pending": []})
    monkeypatch.setattr(module.outlook, "publish", lambda campaign, record: record)
    monkeypatch.setattr(module, "rehearse", None)
    told = deep_budget(SimpleNamespace(directory=Path("lab"), say=None))["deep"]
    assert told["agrees"] is None and told["weeks"] == [] and "trialwright rehearse lab --truth prior" in told["words"]
