"""The acquisition evidence on invented campaigns: what is counted, what is paired, and that it goes on where it stopped."""

import json

import numpy as np
import pytest

from planner.rehearse.clairvoyant import CLAIRVOYANT
from planner.rehearse.rivals import FACTORIAL, ONE_TEMPER, SPACE_FILLING
from tests.evidence import acquisition, common, virtual_lab


@pytest.mark.parametrize(("h", "expected"), [
    ([0.2, 0.15, 0.05], 150.0), ([0.2, 0.1], 100.0), ([0.2, 0.05], 100.0 * 2 / 3), ([0.2, 0.3, 0.12], 350.0), ([0.2], 350.0), ([0.2, 0.3, 0.0], 100 + 100 * 2 / 3)])
def test_cost_to_halve_is_linear_between_refits_and_censored(h, expected):
    assert acquisition.cost_to_halve([100.0 * i for i in range(len(h))], h, 350.0) == pytest.approx(expected)


def row(*h, truth="prior", false=False):
    return {"truth": truth, "cost": [100.0 * i for i in range(len(h))], "H": list(h), "H_true": [2 * x for x in h], "claimed": [0.0] * len(h), "false": false, "seconds": 1.0}


ROWS = {"ours": row(0.2, 0.1, 0.1, 0.1, 0.05), SPACE_FILLING: row(0.2, 0.15, 0.1, 0.1, 0.1), FACTORIAL: row(0.2, 0.2, 0.2, 0.2, 0.2, false=True),
        ONE_TEMPER: row(0.2, 0.19, 0.18, 0.17, 0.16), CLAIRVOYANT: row(0.2, 0.05, 0.05, 0.05, 0.06)}


def test_summary_of_one_truth_in_full():
    found = acquisition.summary({f"00 0 04 {x}": r for x, r in ROWS.items()} | {"01 0 04 ours": ROWS["ours"]}, weeks=4, budget=120.0)
    assert found["truths"] == 1 and found["campaigns"] == 5 and found["streams_at_least"] == 1      # truth 01 has not met every strategy
    assert found["cost_to_halve_relative_to_ours"] == pytest.approx({SPACE_FILLING: 2.0, FACTORIAL: 4.8, ONE_TEMPER: 4.8, CLAIRVOYANT: 2 / 3})
    assert found["bands"][FACTORIAL] == pytest.approx([4.8, 4.8])
    assert found["share_of_truths_lowest_H"] == 1.0 and found["truths_where_ours_beat_the_clairvoyant"] == [0]
    assert found["truths_dearer_than_space_filling"] == [] and found["false_claims"][FACTORIAL] == 1
    assert found["H_and_H_true_fall_together"] == 1.0


def test_streams_are_averaged_within_a_truth_and_bands_pair_truths():
    rng = np.random.default_rng(0)
    kept = {}
    for n in range(8):
        for s in range(3):
            for x, factor in zip(acquisition.STRATEGIES, (1.0, 2.0, 4.0, 4.0, 1.0), strict=True):
                t = factor * 100.0 * (1 + n % 3) + 5.0 * rng.random()
                kept[f"{n:02d} {s} 04 {x}"] = row(0.2, 0.1) | {"cost": [0.0, t]}
    found = acquisition.summary(kept, weeks=4, budget=1e6)
    assert found["truths"] == 8 and found["foreign_truths"] == 4 and found["streams_at_least"] == 3
    low, high = found["bands"][SPACE_FILLING]
    assert low <= found["cost_to_halve_relative_to_ours"][SPACE_FILLING] <= high and high - low < 0.1     # truths differ threefold, pairs do not


def test_truths_are_paired_and_half_foreign():
    one, two = acquisition.Task(3, 0, "ours", 4).truth, acquisition.Task(3, 0, FACTORIAL, 4).truth
    other = acquisition.Task(3, 1, "ours", 4).truth
    assert one.seed == two.seed != other.seed and one.mechanism == other.mechanism is not None
    assert np.array_equal(one.params.limit_sd, other.params.limit_sd)
    assert acquisition.Task(2, 0, "ours", 4).truth.mechanism is None
    assert len(virtual_lab.legacy()) == 44


def test_a_slice_is_resumed(tmp_path, monkeypatch, capsys):
    monkeypatch.setattr(common, "HERE", tmp_path)
    monkeypatch.setattr(acquisition, "MODULES", ["tests/evidence/acquisition.py"])
    done = []

    def work(task):
        done.append(task.name)
        return ROWS[task.strategy]

    words = ["--truths", "2", "--streams", "1", "--processes", "1"]
    acquisition.main([*words[:1], "1", *words[2:]], work=work)
    assert len(done) == 5 and "expected: about" in capsys.readouterr().out
    acquisition.main(words, work=work)
    assert len(done) == 10 and all(name.startswith("01") for name in done[5:])
    record = json.loads((tmp_path / "acquisition.json").read_text(encoding="utf-8"))
    assert list(record)[:10] == ["command", "made_on", "seed", "versions", "modules", "code_digest", "truths", "cost_to_halve_relative_to_ours", "bands",
                                 "share_of_truths_lowest_H"]
    assert record["truths"] == 2 and set(record["cost_to_halve_relative_to_ours"]) == {SPACE_FILLING, FACTORIAL, ONE_TEMPER, CLAIRVOYANT}
    acquisition.main([*words, "--weeks", "5"], work=work)
    assert len(done) == 20                                   # another horizon is another set of campaigns
