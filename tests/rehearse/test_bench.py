"""The bench writes what a lab would: gauges, stopped pulls, cracked parts, sections, and only what a type gives."""

from dataclasses import replace

import numpy as np
import pytest

from planner.lab.intake import read_results
from planner.lab.specimen import Specimen
from planner.rehearse.bench import Bench, write_results

BRAZED = {"braze_temperature_degC": 602.0, "braze_time_min": 3.0, "furnace_load": "L1"}


@pytest.fixture
def bench(definition, world):
    return Bench(definition, world())


def test_pulls_stop_where_they_are_told(bench):
    pull = Specimen("T1", "tensile_coupon", "O", "A1", 20.0)
    necked = bench.measured(pull).limit_strain
    assert necked.censor == 0
    stopped = bench.measured(replace(pull, strain=0.05)).limit_strain
    assert (stopped.value, stopped.censor) == (0.05, 1)
    assert bench.measured(replace(pull, strain=1.5)).limit_strain == necked


def test_gauges_hide_small_values(definition, world):
    coarse = definition.model_copy(update={"gauges": definition.gauges.model_copy(update={"springback_angle_deg": 50.0, "film_depth_um": 250.0})})
    bench = Bench(coarse, world())
    angle = bench.measured(Specimen("B1", "bend_coupon", "O", "A1", 200.0)).springback_angle_deg
    assert (angle.value, angle.censor) == (50.0, -1)
    coupon = bench.measured(Specimen("Z1", "braze_coupon", "O", "A1", 20.0, 0.04, **BRAZED))
    assert coupon.film_depth_um.censor in (-1, 1) and coupon.recrystallised is not None and coupon.clad_left_um.value > 0


def test_a_cracked_part_says_nothing_more(bench):
    part = bench.measured(Specimen("C1", "component", "H24", "B1", 20.0, 0.6, **BRAZED, section_feature="crest"))
    assert part.cracked is True
    assert {part.gap_mm, part.joints_sound, part.leaked, part.film_depth_um} == {None}
    coupon = bench.measured(Specimen("Z2", "braze_coupon", "H24", "B1", 20.0, 0.6, **BRAZED))
    assert coupon.cracked is True and coupon.film_depth_um is None


def test_sections_come_only_where_planned(bench):
    part = Specimen("C2", "component", "O", "A1", 200.0, 0.05, **BRAZED)
    whole, cut = bench.measured(part), bench.measured(replace(part, section_feature="land"))
    assert whole.film_depth_um is None and cut.film_depth_um is not None and cut.recrystallised is not None
    assert whole.gap_mm == cut.gap_mm and whole.joints_inspected == 24


def test_every_row_is_accepted_by_the_intake(definition, world, tmp_path):
    rng, rows = np.random.default_rng(5), []
    for name in (None, "heavy_tails", "thermocouple_offset"):
        bench = Bench(definition, world(name))
        for i in range(30):
            kind, lot = list(definition.specimens)[i % 4], ("A1", "O") if i % 3 else ("B1", "H24")
            brazed = {**BRAZED, "strain": float(rng.uniform(0, 0.3))} if kind in ("component", "braze_coupon") else {}
            rows.append(bench.measured(Specimen(f"{name}{i}", kind, lot[1], lot[0], float(rng.uniform(20, 250)), date="2026-02-03", **brazed)))
    write_results(tmp_path / "rows.csv", rows)
    parsed = read_results(tmp_path / "rows.csv", definition)
    assert [s for _, s, _ in parsed.specimens] == rows
