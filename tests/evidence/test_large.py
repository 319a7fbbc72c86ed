"""The invented campaign of `large.py` is one that the lab would record whole; its arithmetic is right. All data are invented."""

import pytest

from planner.lab.campaign import read_definition
from planner.lab.ledger import open_ledger
from planner.lab.recording import record_results
from tests.evidence import large, large_campaign


def test_the_invented_campaign_is_recorded_whole(tmp_path):
    folder = tmp_path / "c"
    large_campaign.make(folder, 120)
    with open_ledger(folder) as ledger:
        outcome = record_results(folder, read_definition(folder), ledger)
        specimens = ledger.specimens()
    assert (outcome.recorded, len(specimens)) == (120, 120)
    loads = {}
    for one in specimens:
        if one.furnace_load:
            loads.setdefault(one.furnace_load, []).append(one)
    assert sorted(loads) == ["F001", "F002"] and (len(loads["F001"]), len(loads["F002"])) == (30, 30)
    control = {(s.temper, s.forming_temperature_degC, s.strain) for s in specimens if s.specimen in ("S-00021", "S-00071")}
    assert control == {("O", 20.0, 0.05)}
    large_campaign.make(tmp_path / "again", 120)           # seeded
    assert (tmp_path / "again/results/001.csv").read_bytes() == (folder / "results/001.csv").read_bytes()


def size(n, seconds, memory=1.0):
    return {"specimens": n} | {name: {"status": 0, "wall_s": seconds, "cpu_s": seconds, "peak_memory_gib": memory} for name in large.STEPS}


def test_growth_and_bars():
    linear = {"2500": size(2500, 50.0), "10000": size(10_000, 200.0)}
    said = large.judged(linear)
    assert list(said["growth_exponents"].values()) == pytest.approx([1.0] * 5) and said["within_bars"]
    assert not large.judged(linear | {"10000": size(10_000, 400.0)})["within_bars"]         # exponent 1.5
    assert not large.judged(linear | {"10000": size(10_000, 200.0, memory=6.5)})["within_bars"]
    assert not large.judged({"10000": size(10_000, 100.0)})["within_bars"]                   # growth not shown
    slow = {"2500": size(2500, 600.0), "10000": size(10_000, 1000.0)}
    assert not large.judged(slow)["within_bars"]                                             # a fit of more than 15 minutes
