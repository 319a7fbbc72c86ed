"""Predictive checks on data of a known truth, and on the same data with one response shifted. All invented."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from models.priors import sample_prior
from models.simulate import new_effects
from planner.encode import encode, padded_layout, priors_of
from planner.lab.campaign import read_definition
from planner.lab.specimen import Specimen
from planner.outlook.checks import predictive_checks
from planner.rehearse.bench import Bench
from planner.rehearse.world import Truth, World

LOTS, LOADS, PARTS = 4, 8, 120


@pytest.fixture(scope="module")
def known():
    """Definition, the truth as draws that all agree, and components made by it; 120 of them need more than one batch of redraws."""
    definition = read_definition(Path(__file__).parents[1] / "acquisition" / "data" / "campaign.toml")
    rng, tempers = np.random.default_rng(4), definition.factors.tempers
    planned = [Specimen(f"C{i}", "component", tempers[0], f"K{i % LOTS}", 150.0, 0.04, 600.0, 3.0, f"L{i % LOADS}") for i in range(PARTS)]
    layout = padded_layout(len(tempers), LOTS, LOADS)
    truth = new_effects(sample_prior(layout, priors_of(definition), 1, rng), LOTS, LOADS, rng)
    bench = Bench(definition, World.of(Truth("invented", truth, 7, lots=tuple(f"K{i}" for i in range(LOTS)), loads=tuple(f"L{i}" for i in range(LOADS))), definition))
    return definition, truth.take(np.zeros(200, int)), [bench.measured(s) for s in planned]


def told(known, specimens):
    definition, params, _ = known
    rows = predictive_checks(definition, encode(definition, specimens), params, specimens, rng=np.random.default_rng(1))
    return {row["response"]: row for row in rows}


def test_data_of_the_model_look_as_expected(known):
    rows = told(known, known[2])
    assert {"cracked", "gap", "sound joints", "leaked"} <= set(rows)
    assert all(row["p"] > 0.001 and sum(row["histogram"]) == row["n"] for row in rows.values())


def test_a_shifted_response_is_named_with_its_direction(known):
    wider = [s if s.gap_mm is None else replace(s, gap_mm=replace(s.gap_mm, value=2.0 * s.gap_mm.value)) for s in known[2]]
    rows = told(known, wider)
    assert rows["gap"]["departs"] and rows["gap"]["words"] == "readings lie higher than the model expects"
    assert not rows["sound joints"]["departs"]
