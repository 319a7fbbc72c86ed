"""Bookkeeping of the calibration and of its virtual lab; no fit is made here."""

import os
import time
from collections import Counter

import distributed
import numpy as np
import pytest

from models.priors import unpack
from planner.encode import encode, padded_layout, priors_of
from planner.lab.errors import UserError
from planner.rehearse.bench import Bench
from tests.evidence import calibration, virtual_lab

NONE = {"timed": 0, "seconds_a_replicate": 0.0, "compiled_again": 0, "divergent": 0, "with_divergences": 0, "least_ess": 1e9, "worst_rhat": 0.0,
        "fewest_rows": 10**9, "most_rows": 0}


def filled(n, rank_of, *, record=None, turn=0):
    record = record or {"fits": dict(NONE), "counts": {}}
    rng = np.random.default_rng(turn + 1)
    for _ in range(n):
        ranks = {f"q{i}": int(rng.integers(100)) for i in range(30)} | {"odd": rank_of(rng)}
        calibration.merged(record, turn, {"ranks": ranks, "seconds": 2.0, "built": False, "compiled_again": 0, "divergent": 0, "ess": 300.0, "rhat": 1.01,
                                          "rows": 80})
    return record


def test_a_quantity_outside_is_judged_once_more_on_fresh_seeds():
    narrow = lambda rng: int(rng.choice([0, 99, 50]))
    record = filled(200, narrow)
    first = calibration.judged(record)
    assert calibration.done(record, 0) == 200 and not first["all_inside"] and first["outside_first"] == ["odd"]
    by_chance = calibration.judged(filled(200, lambda rng: int(rng.integers(100)), record=filled(200, narrow), turn=1))
    assert by_chance["all_inside"] and by_chance["quantities"]["odd"]["p_again"] > 0.05 and by_chance["outside_first"] == ["odd"]
    fault = calibration.judged(filled(200, narrow, record=record, turn=1))
    assert not fault["all_inside"] and not fault["quantities"]["odd"]["inside_band"] and fault["replicates_again"] == 200
    assert record["fits"]["timed"] == 400 and record["fits"]["seconds_a_replicate"] == pytest.approx(2.0)


def test_half_a_second_round_clears_nothing():
    """A slice that ends within it has no power: the first round's verdict stands until as many replicates have been made again."""
    narrow, even = lambda rng: int(rng.choice([0, 99, 50])), lambda rng: int(rng.integers(100))
    record = filled(10, even, record=filled(200, narrow), turn=1)
    found = calibration.judged(record)
    assert not found["all_inside"] and "p_again" not in found["quantities"]["odd"] and found["replicates_again"] == 10
    assert calibration.judged(filled(190, even, record=record, turn=1))["all_inside"]


def test_replicates_come_from_a_cluster_in_the_order_of_the_jobs():
    """A real scheduler and worker; what a replicate is, stands in for by what can be told apart."""
    with distributed.LocalCluster(n_workers=1, threads_per_worker=2, processes=True, dashboard_address=None, protocol="tcp", silence_logs=50) as cluster:
        jobs = [(number, 0) for number in range(9)]
        found = list(calibration.run(jobs, 2, time.monotonic() + 60, scheduler=cluster.scheduler_address, work=lambda job: {"number": job[0], "process": os.getpid()}))
        assert [one["number"] for one in found] == list(range(9)) and {one["process"] for one in found} != {os.getpid()}
        assert list(calibration.run(jobs, 2, time.monotonic() - 1, scheduler=cluster.scheduler_address, work=lambda job: {})) == []
    with pytest.raises(UserError, match="cannot be reached"):
        list(calibration.run(jobs, 2, time.monotonic() + 60, scheduler="tcp://127.0.0.1:9"))


@pytest.fixture(scope="module")
def lab_work():
    d = virtual_lab.definition()
    blanks = virtual_lab.stock(np.random.default_rng(3))
    planned = virtual_lab.designed(weeks=2, blanks=blanks, seed=5)
    layout = padded_layout(2, 8, 8)
    truth = unpack(np.random.default_rng(4).standard_normal((1, layout.size)), layout, priors_of(d))
    bench = Bench(d, virtual_lab.world(truth, seed=6, specimens=planned))
    return d, blanks, planned, [bench.measured(s) for s in planned]


def test_the_design_keeps_to_stock_and_loads(lab_work):
    d, blanks, planned, _ = lab_work
    used = Counter()
    for s in planned:
        used[s.lot] += d.specimens[s.specimen_type].blanks
    assert all(used[lot] <= blanks[lot] for lot in used) and len(set(used.values())) > 1
    lots, loads = virtual_lab.labels(planned)
    assert len(loads) <= 2 * d.week.furnace_loads <= 8 and len({s.specimen for s in planned}) == len(planned)


def test_the_data_have_what_real_ones_have(lab_work):
    d, _, planned, measured = lab_work
    seen = virtual_lab.with_gaps(measured, np.random.default_rng(1), share=0.4)
    lots, loads = virtual_lab.labels(planned)
    e = encode(d, seen, lots=lots, loads=loads)
    assert e.layout == padded_layout(2, 8, 8) and (e.lots, e.loads) == (lots, loads)
    assert {-1, 1} <= set(e.observations.formability.censor.astype(int))
    assert 0.0 in e.observations.section.state_known and 0.0 in e.observations.counts.gap_known
    assert (e.observations.counts.inspected == 0).any()


def test_the_same_number_is_the_same_replicate_of_data():
    lab = calibration.Laboratory()
    truth = unpack(np.zeros((1, lab.layout.size)), lab.layout, lab.priors)
    first, again = (lab._data(truth, np.random.default_rng([1, 2])) for _ in range(2))
    assert np.array_equal(first.observations.formability.y, again.observations.formability.y)
    names = lab.quantities(truth, first, 0, 0)
    assert len(names) == 113 and all(np.shape(v) == (1,) for v in names.values())


def test_the_picture_is_drawn_with_its_band_and_every_quantity(tmp_path):
    from tests.evidence import uniformity
    from tests.evidence.calibration_picture import draw

    rng = np.random.default_rng(4)
    counts = {name: " ".join(map(str, rng.multinomial(200, np.full(uniformity.BINS, 1 / uniformity.BINS))))
              for name in ("conformance at probe 1", "limit sd", "softening of A")}
    draw(counts, tmp_path / "picture.html")
    page = (tmp_path / "picture.html").read_text(encoding="utf-8")
    assert all(name in page for name in counts) and "VArea" in page and "rank of the truth among draws" in page
