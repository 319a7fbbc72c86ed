"""A plan's forecast is scaled by what forecasts were worth, and says so; without a record it says that too. Records invented."""

import json
from dataclasses import replace

import numpy as np
import pytest

from planner.acquisition import forecast_record
from planner.acquisition import propose as proposing
from planner.acquisition.forecast_record import ForecastRecord, measured
from planner.acquisition.limits import Limits
from planner.acquisition.own_list import score_list
from planner.acquisition.plan_file import planned_specimen
from planner.acquisition.propose import propose
from planner.report.plan_view import past

RECORD = ForecastRecord(0.8, 1.5, 160, 1.02, 0.93, 0.79, "2026-11-20")


def test_scaling_keeps_the_band_about_the_gain():
    gain, band = RECORD.scaled(0.1, (0.04, 0.15))
    assert (gain, *band) == pytest.approx((0.08, 0.08 - 1.5 * 0.06, 0.08 + 1.5 * 0.05))
    one = ForecastRecord(1.0, 1.0, 1, 1.0, 1.0, 0.8, "")
    gain, band = one.scaled(0.1, (0.04, 0.15))
    assert (gain, *band) == pytest.approx((0.1, 0.04, 0.15))
    assert forecast_record.scaled(-0.001, (-0.002, 0.003)) == (0.0, (-0.002, 0.003))        # outcomes scatter: no trial teaches less than none
    assert forecast_record.scaled(0.1, (0.11, 0.15)) == (0.1, (0.1, 0.15))


def test_it_is_read_from_the_file_beside_the_module(tmp_path):
    assert measured(tmp_path / "none.json") is None
    path = tmp_path / "record.json"
    path.write_text(json.dumps(RECORD.to_json() | {"more": 1}), encoding="utf-8")
    assert measured(path) == RECORD


def test_a_plan_is_scaled_throughout(definition, world, monkeypatch):
    reference, predictor = world(definition, n_draws=120)

    def plan():
        return propose(definition, reference=reference, predictor=predictor, n_candidates=120, with_optimism=False, rng=np.random.default_rng(5))

    monkeypatch.setattr(forecast_record, "measured", lambda: None)
    plain = plan()
    monkeypatch.setattr(forecast_record, "measured", lambda: RECORD)
    scaled = plan()
    f = scaled.forecast
    assert [r.candidate for r in scaled.rows] == [r.candidate for r in plain.rows]
    assert f.simulated_gain == plain.forecast.gain and f.linear_gain != f.simulated_gain
    assert f.gain == pytest.approx(0.8 * plain.forecast.gain)
    assert f.misclassification == pytest.approx(f.misclassification_now - f.gain)
    assert sum(r.expected_gain for r in scaled.rows) == pytest.approx(f.gain, abs=1e-6)
    assert plain.forecast.undecided_share <= f.undecided_share <= f.undecided_share_now


def test_the_screen_says_how_forecasts_fared():
    assert "not yet held against refits" in past({}).plain
    own = {"plans": 2, "gain_expected": 0.05, "gain_came": 0.04, "inside_band": 1}
    text = past({"forecast_record": RECORD.to_json(), "past_forecasts": own}).plain
    assert "160 simulated weeks" in text and "1.02" in text and "79" in text
    assert "2 reported plans: 5.0 points foreseen, 4.0 came; 1 of 2" in text


def test_nothing_that_cannot_come_is_foreseen(definition, world, monkeypatch):
    """However far the record stretches a band, H falls by no more than itself, and shares stay between 0 and 1."""
    reference, predictor = world(definition, n_draws=120)
    wide = ForecastRecord(40.0, 60.0, 160, 1.0, 0.9, 0.8, "2026-11-20")
    monkeypatch.setattr(forecast_record, "measured", lambda: wide)
    for stated in (None, 0.9 * reference.misclassification):
        f = propose(definition, reference=reference, predictor=predictor, n_candidates=120, stated=stated, with_optimism=False, rng=np.random.default_rng(5)).forecast
        now = reference.misclassification if stated is None else stated
        assert f.misclassification_now == now and 0.0 <= f.misclassification <= now
        assert f.gain_band_80[0] <= f.gain <= f.gain_band_80[1] <= now
        assert f.linear_band_80[1] < f.gain_band_80[1]                 # what the record learns from is left as it was


def test_the_undecided_band_is_a_band_of_shares(definition, world, monkeypatch):
    """Outcomes that leave either nothing or everything undecided: scaled to the expected share, they must not pass the whole box."""
    reference, predictor = world(definition, n_draws=120)
    real = proposing.simulated_gain

    def either(*given, **options):
        found = real(*given, **options)
        return replace(found, c=np.where(np.arange(len(found.c))[:, None] % 4 == 0, 0.5, 0.999) * np.ones_like(found.c))

    monkeypatch.setattr(proposing, "simulated_gain", either)
    f = propose(definition, reference=reference, predictor=predictor, n_candidates=120, with_optimism=False, rng=np.random.default_rng(5)).forecast
    assert f.undecided_share > 0.3                         # a quarter of the outcomes, so that each would count more than one whole box
    assert f.undecided_band_80 == (0.0, 1.0)


def test_a_list_is_scored_beyond_what_is_pending(definition, world, monkeypatch):
    """The plan itself as a list is worth its gain; with the same plan pending it is worth less, but not nothing and not less than nothing."""
    reference, predictor = world(definition, n_draws=240)
    plan = propose(definition, reference=reference, predictor=predictor, n_candidates=120, with_optimism=False, rng=np.random.default_rng(5))
    rows = [planned_specimen(row) for row in plan.rows]
    score = lambda pending: score_list(rows, reference=reference, predictor=predictor, limits=Limits.of(definition), pending=pending)
    alone, beyond = score(()), score([(row.candidate, f"earlier {row.furnace_load}" if row.furnace_load else None) for row in plan.rows])
    assert alone.simulated_gain == pytest.approx(alone.linear_gain, rel=0.5)
    assert 0.0 < beyond.simulated_gain < alone.simulated_gain
    assert beyond.simulated_gain == pytest.approx(beyond.linear_gain, rel=0.5)
    monkeypatch.setattr(forecast_record, "measured", lambda: ForecastRecord(40.0, 60.0, 160, 1.0, 0.9, 0.8, "2026-11-20"))
    wide = score(())
    assert wide.gain <= wide.gain_band_80[1] <= reference.misclassification and wide.misclassification >= 0.0


def test_a_list_is_scored_as_our_plan_is(definition, world):
    """Our own plan given as somebody's list, in forming order and with the shrinkage that chose it, is worth what the plan says."""
    reference, predictor = world(definition, n_draws=240)
    plan = propose(definition, reference=reference, predictor=predictor, n_candidates=120, with_optimism=False, rng=np.random.default_rng(5))
    found = score_list([planned_specimen(row) for row in plan.rows], reference=reference, predictor=predictor, limits=Limits.of(definition), shrinkage=plan.shrinkage)
    assert found.linear_gain == pytest.approx(plan.forecast.linear_gain, rel=1e-4)
    assert found.gain == pytest.approx(plan.forecast.gain, rel=0.1)
    assert (found.n_trials, found.furnace_loads, found.tool_temperatures, found.sections) == (plan.n_trials, plan.furnace_loads, plan.tool_temperatures, plan.sections)
    assert found.cost == pytest.approx(plan.cost) and found.hours == pytest.approx(plan.hours) and found.broken_limits == ()


def test_a_list_is_told_which_limits_it_breaks(definition, varied, world):
    reference, predictor = world(definition, n_draws=60)
    plan = propose(definition, reference=reference, predictor=predictor, n_candidates=120, with_optimism=False, rng=np.random.default_rng(5))
    rows = [planned_specimen(row) for row in plan.rows]
    small = varied(week={"budget": 500.0, "hours": 5.0, "furnace_loads": 1, "places_per_load": 2, "tool_temperatures": 1, "sections": 1})
    found = score_list(rows, reference=reference, predictor=predictor, limits=Limits.of(small, blanks=dict.fromkeys((s.lot for s in small.stock), 1)))
    assert found.broken_limits == ("stock", "furnace_loads", "places_per_load", "tool_temperatures", "sections", "hours", "budget")
    bare = [s for s, row in zip(rows, plan.rows, strict=True) if row.role != "control"]
    assert score_list(bare, reference=reference, predictor=predictor, limits=Limits.of(definition)).broken_limits == ("control",)


def test_a_trial_is_told_on_the_scale_of_the_plans_gain(definition, world, monkeypatch):
    """What is lost without a trial, and with the next best in its place, is scaled like the gain that is printed."""
    reference, predictor = world(definition, n_draws=120)
    make = lambda: propose(definition, reference=reference, predictor=predictor, n_candidates=120, with_optimism=False, rng=np.random.default_rng(5))
    monkeypatch.setattr(forecast_record, "measured", lambda: None)
    plain = make()
    monkeypatch.setattr(forecast_record, "measured", lambda: ForecastRecord(0.5, 1.0, 160, 1.0, 0.9, 0.8, "2026-11-20"))
    half = make()
    assert half.forecast.gain == pytest.approx(0.5 * plain.forecast.gain)
    for a, b in zip(plain.rows, half.rows, strict=True):
        assert b.loss_without == pytest.approx(0.5 * a.loss_without) and b.expected_gain == pytest.approx(0.5 * a.expected_gain)
        assert a.alternative_loss is None or b.alternative_loss == pytest.approx(0.5 * a.alternative_loss)
