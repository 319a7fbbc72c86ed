"""A plan's forecast is scaled by what forecasts were worth, and says so; without a record it says that too. Records invented."""

import json

import numpy as np
import pytest

from planner.acquisition import forecast_record
from planner.acquisition.forecast_record import ForecastRecord, measured
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
