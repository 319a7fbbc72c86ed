"""Resampling lots and loads: multiplicities, independence of copies, and the sums made of refits. All invented."""

import numpy as np
import pytest

from planner.lab.specimen import Specimen
from planner.outlook.bagging import bagged, resample

TREE = [("O", "K1"), ("O", "K2"), ("O", "K3"), ("H24", "K4"), ("H24", "K5")]


def specimens():
    found = []
    for temper, lot in TREE:
        found.append(Specimen(f"t-{lot}", "tensile_coupon", temper, lot, 20.0, 0.1))
        found += [Specimen(f"c-{lot}-{load}", "component", temper, lot, 20.0, 0.1, 600.0, 3.0, load) for load in ("L1", "L2", "L3")]
    found.append(Specimen("cracked", "component", "O", "K1", 20.0, 0.1, 600.0, 3.0, "L1", cracked=True))
    return found


def draws(n=400):
    rng = np.random.default_rng(1)
    return [resample(specimens(), rng=rng) for _ in range(n)]


def test_every_temper_keeps_its_number_of_lots_and_labels_are_unique():
    for drawn in draws(50):
        coupons = [s for s in drawn if s.specimen_type == "tensile_coupon"]
        assert sum(s.temper == "O" for s in coupons) == 3 and sum(s.temper == "H24" for s in coupons) == 2
        assert len({s.specimen for s in drawn}) == len(drawn)
        assert all(len({s.temper for s in drawn if s.lot == lot}) == 1 for lot in {s.lot for s in drawn})


def test_a_specimen_comes_once_a_time_on_average_and_as_often_as_lot_times_load():
    count = np.zeros(len(specimens()))
    place = {s.specimen: i for i, s in enumerate(specimens())}
    for drawn in draws():
        lots = {lot: sum(s.specimen.startswith(f"t-{lot}~") for s in drawn) for _, lot in TREE}
        loads = {}
        for s in drawn:
            name = s.specimen.split("~")[0]
            count[place[name]] += 1
            loads.setdefault(name, 0)
            loads[name] += 1
        for _, lot in TREE:
            if lots[lot]:
                times = {load: loads.get(f"c-{lot}-{load}", 0) / lots[lot] for load in ("L1", "L2", "L3")}
                assert sum(times.values()) == 3 and all(float(t).is_integer() for t in times.values())
        assert loads.get("cracked", 0) == lots["K1"]                # was not brazed: follows its lot alone
    assert count / 400 == pytest.approx(np.ones(len(count)), abs=0.25)


def test_copies_are_lots_and_loads_of_their_own():
    for drawn in draws(50):
        seen = {}
        for s in drawn:
            if s.specimen_type == "component" and s.cracked is None:
                seen.setdefault(s.specimen.split("~")[0], set()).add((s.lot, s.furnace_load))
        for name, places in seen.items():
            assert len(places) == sum(s.specimen.split("~")[0] == name for s in drawn)


def test_the_mean_counts_only_refits_that_converged():
    regions = [{"what": "a", "joint_probability": 0.96}]
    results = [{"verdict": "CONVERGED", "joint_probability": [p]} for p in (0.9, 0.94, 0.98)] + [{"verdict": "NOT_MIXED", "joint_probability": [0.0]}]
    told = bagged(regions, results)
    assert told["regions"][0]["bagged_probability"] == pytest.approx(0.94)
    assert told["regions"][0]["error"] == pytest.approx(0.04 / np.sqrt(3))
    assert told["regions"][0]["lowest"] == 0.9 and told["converged"] == 3 and "not counted" in told["words"]
    nothing = bagged(regions, [])["regions"][0]
    assert nothing["bagged_probability"] is None and nothing["error"] is None
