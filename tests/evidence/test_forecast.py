"""The forecast evidence on invented batches: factors are learnt on some truths and judged on others, and it goes on where it stopped."""

import json

import numpy as np
import pytest

from models import fit as sampling
from models.verdict import FEW_DRAWS, Verdict
from planner.acquisition.forecast_record import measured
from planner.cycle import fitting
from tests.evidence import common, forecast


def row(gain, came, band=0.02):
    return {"simulated_gain": gain, "linear_gain": 0.9 * gain, "linear_band_80": [gain - band, gain + band], "came": list(came), "verdict": "CONVERGED", "verdicts": ["CONVERGED"] * len(came), "seconds": 1.0}


def test_factors_by_hand():
    factor, stretch = forecast.learnt([row(0.10, [0.08, 0.10, 0.06]), row(0.05, [0.04, 0.02, 0.06])])
    assert factor == pytest.approx(0.36 / 0.45)
    off = np.abs([0.08 - 0.08, 0.10 - 0.08, 0.06 - 0.08, 0.04 - 0.04, 0.02 - 0.04, 0.06 - 0.04]) / 0.02
    assert stretch == pytest.approx(np.quantile(off, 0.8))


def test_fits_that_did_not_converge_are_left_out_and_counted():
    good, bad = row(0.10, [0.08, 0.10]), row(0.10, [0.5, 0.10]) | {"verdicts": ["NOT_MIXED", "CONVERGED"]}
    unplanned = row(0.10, [0.9]) | {"verdict": "NOT_MIXED"}
    found = forecast.summary({"000 02": good, "001 02": bad, "002 01": unplanned, "004 02": good})
    assert (found["weeks"], found["batches"], found["batches_left_out"], found["weeks_left_out"]) == (3, 2, 1, 1)
    assert found["ratio_of_sums"] == pytest.approx((0.09 + 2 * 0.09) / (0.10 + 0.18))


def invented(n, *, bias=0.8, sd=0.01, seed=0):
    rng, kept = np.random.default_rng(seed), {}
    for i in range(n):
        gain = rng.uniform(0.01, 0.1)
        kept[f"{i:03d} 08"] = row(gain, bias * gain + sd * rng.standard_normal(8), band=0.005)
    return kept


def test_a_biased_forecast_with_a_narrow_band_is_put_right():
    found = forecast.summary(invented(90))
    assert list(found)[:4] == ["weeks", "ratio_of_sums", "rank_correlation", "band_coverage_80"]
    assert found["weeks"] == 480 and found["batches"] == 60 and found["batches_that_taught"] == 30
    assert found["factor"] == pytest.approx(0.8, abs=0.02) and found["ratio_of_sums_unscaled"] == pytest.approx(1.25, abs=0.04)
    assert found["ratio_of_sums"] == pytest.approx(1.0, abs=0.04) and found["rank_correlation"] > 0.95
    assert 0.74 < found["band_coverage_80"] < 0.86 and found["stretch"] == pytest.approx(1.2816 * 0.01 / 0.005, rel=0.2)
    assert forecast.summary({"000 08": row(0.1, [0.1])}) == {"weeks": 0, "batches": 0}


def test_batches_are_of_mixed_size_quality_and_standing():
    tasks = [forecast.Task(n, 8) for n in range(30)]
    judged = [t for t in tasks if t.number % forecast.TEACHES]
    assert len(judged) >= 20 and {t.kind for t in judged} == set(forecast.KINDS) and {t.weeks for t in judged} == {0, 1, 2}
    assert sum(t.outcomes for t in judged) >= 60


def test_a_slice_is_resumed_and_leaves_the_record_that_plans_print(tmp_path, monkeypatch, capsys):
    monkeypatch.setattr(common, "HERE", tmp_path)
    monkeypatch.setattr(forecast, "MODULES", ["tests/evidence/forecast.py"])
    monkeypatch.setattr(forecast, "FILE", tmp_path / "record.json")
    rows, done = invented(6), []

    def work(task):
        done.append(task.number)
        return rows[task.name]

    forecast.main(["--batches", "2", "--processes", "1"], work=work)
    assert not (tmp_path / "record.json").exists()                    # one batch has no rank
    forecast.main(["--batches", "6", "--processes", "1"], work=work)
    assert done == list(range(6)) and "expected: about" in capsys.readouterr().out
    record = json.loads((tmp_path / "forecast.json").read_text(encoding="utf-8"))
    assert list(record)[:10] == ["command", "made_on", "seed", "versions", "modules", "code_digest", "weeks", "ratio_of_sums", "rank_correlation", "band_coverage_80"]
    told = measured(tmp_path / "record.json")
    assert told.weeks == record["weeks"] == 32 and told.factor == pytest.approx(record["factor"], abs=1e-4)


def test_what_plans_print_is_what_the_evidence_says():
    path = common.HERE / "forecast.json"
    if not path.exists():
        assert measured() is None
        pytest.skip("forecast.json has not been made")
    record, told = json.loads(path.read_text(encoding="utf-8")), measured().to_json()
    assert {k: told[k] for k in told if k != "made_on"} == pytest.approx({k: record[k] for k in told if k != "made_on"}, abs=1e-4)


def test_a_batch_is_forecast_and_answered(monkeypatch):
    """The whole way of one batch, with prior draws in place of every fit."""

    def few(campaign, encoded, specimens, key, draws):
        rng = np.random.default_rng([campaign.definition.campaign.seed, len(specimens)])
        drawn = sampling.prior_draws(encoded.layout, encoded.priors, draws=40, rng=rng)
        return fitting.Fit(drawn, encoded, Verdict(FEW_DRAWS, "mocked", 1.0, 100.0, 1.0, 0), specimens, key, "full", {})

    monkeypatch.setattr(fitting, "_full", few)
    task = forecast.Task(1, 2)
    assert task.kind[0] == "space_filling"
    found = forecast.run(task)
    assert len(found["came"]) == len(found["verdicts"]) == 2 and found["specimens"] > 10
    low, high = found["linear_band_80"]
    assert low <= found["linear_gain"] <= high and found["linear_gain"] > 0
    json.dumps(found, allow_nan=False)


def test_truths_of_a_batch_are_spread_over_the_draws_by_what_conforms_in_them():
    rng = np.random.default_rng(5)
    conformance = rng.beta(8, 2, (100, 30))
    parts = forecast.strata(conformance, 0.9, 8)
    share = (conformance >= 0.9).mean(axis=1)
    assert sorted(np.concatenate(parts)) == list(range(100)) and max(map(len, parts)) - min(map(len, parts)) <= 1
    assert all(share[low].max() <= share[high].min() for low, high in zip(parts, parts[1:]))
