"""The variants evidence on invented labs: what a part of the choice is worth, by hand, and parts that really go and come back."""

import json

import numpy as np
import pytest

from planner.acquisition import batch, propose
from planner.acquisition.limits import Limits
from tests.acquisition.conftest import Invented, reference_map
from tests.evidence import common, variants


def lab(h, falls, seconds=1.0):
    """A lab in which every variant brings our fall, but for those named."""
    return {"weeks_before": 0, "H": h, "verdict": "CONVERGED", "batches": 2, "seconds": seconds,
            "variants": {v: {"cost": 100.0 if v == variants.OURS else 90.0, "specimens": 5, "H": [h - f for f in falls.get(v, falls[variants.OURS])], "verdicts": ["CONVERGED"]}
                         for v in variants.CHANGES}}


def test_what_a_part_is_worth_by_hand():
    worse, same = "greedy, no exchange", "no representative share"
    found = variants.summary({"1000 02": lab(0.2, {variants.OURS: [0.05, 0.03], worse: [0.03, 0.01]}), "1001 02": lab(0.1, {variants.OURS: [0.02, 0.02], worse: [0.01, 0.03]})})
    assert found["labs"] == 2 and found["fall_of_H_ours"] == pytest.approx(0.03)
    assert found["lost"][worse] == pytest.approx(1 - 0.02 / 0.03) and found["lost"][same] == 0
    low, high = found["bands_95"][worse]
    assert low <= 0.0 + 1e-9 and high == pytest.approx(0.5)         # the second lab alone loses nothing, the first alone half
    assert found["cost_relative_to_ours"][worse] == pytest.approx(0.9) and found["labs_where_it_chose_otherwise"] == {v: 2 if v == worse else 0 for v in found["lost"]}
    assert variants.summary({}) == {"labs": 0}


@pytest.mark.parametrize("variant", variants.CHANGES)
def test_a_part_is_taken_out_and_put_back(variant):
    places = [(propose, "choose"), (propose, "LinearGain"), (propose, "single_yes_no_correction"), (batch, "settle"), (batch, "represent"), (batch, "keep_representative_share")]
    before = [getattr(*place) for place in places] + [Limits.of]
    with variants.changed(variant):
        during = [getattr(*place) for place in places] + [Limits.of]
        assert sum(a != b for a, b in zip(before, during, strict=True)) == len(variants.CHANGES[variant])
    assert [getattr(*place) for place in places] + [Limits.of] == before


def test_without_sections_no_component_is_cut_open_and_the_furnace_still_runs(request):
    from planner.lab.campaign import read_definition

    definition = read_definition(request.config.rootpath / "campaigns_demo" / "cold_plate_start")
    with variants.changed("sections of no specimen"):
        limits = Limits.of(definition, budget=1234.0)
    assert limits.allowed == Limits.of(definition, budget=1234.0).allowed and limits.uses["component"].section_sections == 0
    model = Invented(definition, n_draws=60)
    reference, predictor = reference_map(definition, model, log2_points=5), model
    with variants.changed("sections of no specimen"):
        plan = propose.propose(definition, reference=reference, predictor=predictor, n_candidates=120, with_optimism=False, rng=np.random.default_rng(1))
    assert plan.furnace_loads >= 1 and not any(row.candidate.specimen_type == "component" and row.candidate.section_feature for row in plan.rows)


def test_a_slice_is_resumed(tmp_path, monkeypatch, capsys):
    monkeypatch.setattr(common, "HERE", tmp_path)
    monkeypatch.setattr(variants, "MODULES", ["tests/evidence/variants.py"])
    done = []

    def work(task):
        done.append(task.number)
        return lab(0.2, {variants.OURS: [0.05, 0.03]})

    for labs in ("2", "3"):
        variants.main(["--labs", labs, "--processes", "1"], work=work)
    assert done == [1000, 1001, 1002]
    assert json.loads((tmp_path / "variants.json").read_text(encoding="utf-8"))["labs"] == 3
