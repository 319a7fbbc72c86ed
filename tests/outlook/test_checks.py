"""Predictive checks on data of a known truth, and on the same data with one response shifted. All invented."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from scipy.stats import norm

from models.priors import sample_prior
from models.simulate import new_effects
from planner.encode import encode, padded_layout, priors_of
from planner.lab.campaign import read_definition
from planner.lab.specimen import Specimen
from planner.outlook.checks import DOUBT, HANDFUL, _split, holm, predictive_checks
from planner.rehearse.bench import Bench
from planner.rehearse.world import Truth, World

LOTS, LOADS, PARTS, COUPONS = 4, 8, 120, 40


@pytest.fixture(scope="module")
def known():
    """Definition, the truth as draws that all agree, and components and coupons made by it; they need more than one batch of redraws."""
    definition = read_definition(Path(__file__).parents[1] / "acquisition" / "data" / "campaign.toml")
    rng, tempers = np.random.default_rng(4), definition.factors.tempers
    crest = definition.component.features[0].name
    planned = [Specimen(f"C{i}", "component", tempers[0], f"K{i % LOTS}", 150.0, 0.04, 600.0, 3.0, f"L{i % LOADS}", section_feature=crest) for i in range(PARTS)]
    planned += [Specimen(f"Z{i}", "braze_coupon", tempers[0], f"K{i % LOTS}", 150.0, 0.04, 600.0, 3.0, f"L{i % LOADS}") for i in range(COUPONS)]
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
    assert {"cracked, component", "gap, component", "sound joints, component", "leaked, component"} <= set(rows)
    assert all(row["p"] > 0.001 and sum(row["histogram"]) == row["n"] and not row["departs"] for row in rows.values())


def test_a_shifted_response_is_named_with_its_direction(known):
    wider = [s if s.gap_mm is None else replace(s, gap_mm=replace(s.gap_mm, value=2.0 * s.gap_mm.value)) for s in known[2]]
    rows = told(known, wider)
    assert rows["gap, component"]["departs"] and rows["gap, component"]["words"] == "readings lie higher than the model expects"
    assert not rows["sound joints, component"]["departs"]


def test_coupons_that_fit_do_not_hide_components_that_do_not(known):
    """Film depth: coupons as the model makes them, components twice as deep."""
    definition, params, specimens = known
    deeper = [replace(s, film_depth_um=replace(s.film_depth_um, value=2.0 * s.film_depth_um.value)) if s.film_depth_um and s.specimen_type == "component" else s
              for s in specimens]  # fmt: skip
    rows = told(known, deeper)
    assert {"film depth, component", "film depth, braze coupon"} <= set(rows)
    assert rows["film depth, component"]["departs"] and rows["film depth, component"]["words"] == "readings lie higher than the model expects"
    assert not rows["film depth, braze coupon"]["departs"]


def test_types_with_less_than_a_handful_are_checked_together():
    ranks = {"component": [0.5] * HANDFUL, "braze_coupon": [0.2] * 2, "bend_coupon": [0.1]}
    found = _split("film depth", ranks)
    assert {name: len(some) for name, some in found.items()} == {"film depth, component": HANDFUL, "film depth, bend coupon and braze coupon": 3}


def test_false_alarms_of_all_checks_together_are_as_rare_as_said():
    """Holm (1979): over twelve checks of a right model, correlated or not, the chance that any departs stays at or below the level."""
    assert holm([0.01, 0.04, 0.03, 0.005]) == pytest.approx([0.03, 0.06, 0.06, 0.02])
    rng, n = np.random.default_rng(2), 20_000
    for common in (0.0, 0.6):
        shared = np.sqrt(common) * rng.standard_normal((n, 1)) + np.sqrt(1 - common) * rng.standard_normal((n, 12))
        any_departs = np.array([min(holm(p)) < DOUBT for p in norm.sf(shared)])
        assert any_departs.mean() <= DOUBT + 3 * np.sqrt(DOUBT / n)
        assert (norm.sf(shared).min(axis=1) < DOUBT).mean() > 3 * DOUBT          # each held to the level by itself would be wrong more often
