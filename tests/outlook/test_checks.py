"""Predictive checks on data of a known truth, and on the same data with one response shifted. All invented."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from scipy.stats import kstest, norm

from models.priors import sample_prior
from models.responses import formability
from models.rows import Conditions, design
from models.simulate import new_effects
from planner.encode import encode, padded_layout, priors_of
from planner.lab.campaign import read_definition
from planner.lab.specimen import Measured, Specimen
from planner.outlook.checks import DOUBT, HANDFUL, by_kind, holm, predictive_checks, redrawn_readings
from planner.outlook.prior_checks import prior_checks
from planner.outlook.sensitivity import in_words
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
    found = by_kind("film depth", ranks)
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


def test_coupons_that_came_through_count_as_not_cracked(known):
    """A braze coupon that survives forming has a blank `cracked` cell: counting the cracked ones alone would accuse a right model."""
    definition, params, _ = known
    limit = float(np.exp(formability.log_limit_strain(params.take([0]), design(Conditions.from_factors(np.zeros(1, int), np.array([[20.0, 0.1, 600.0, 3.0]]))), 0.0))[0, 0])
    strain = round(0.85 * limit, 4)                      # some of them crack
    planned = [Specimen(f"Y{i}", "braze_coupon", definition.factors.tempers[0], f"K{i % LOTS}", 20.0, strain, 600.0, 3.0, f"L{i % LOADS}") for i in range(80)]
    truth = Truth("invented", params.take([0]), 9, lots=tuple(f"K{i}" for i in range(LOTS)), loads=tuple(f"L{i}" for i in range(LOADS)))
    made = [Bench(definition, World.of(truth, definition)).measured(s) for s in planned]
    assert 5 <= sum(bool(s.cracked) for s in made) <= 60 and any(s.cracked is None for s in made)
    row = told(known, made)["cracked, braze coupon"]
    assert row["n"] == 80 and not row["departs"] and 0.35 < row["mean_rank"] < 0.65


def test_what_was_measured_of_the_settings_does_not_scatter_again(known):
    """Springback at a forming temperature that was read: redraws scatter by specimen alone, not by the rig's scatter of the temperature too."""
    definition, params, _ = known
    wide = replace(encode(definition, []).settings, forming_temperature=60.0)
    bent = Specimen("B1", "bend_coupon", definition.factors.tempers[0], "K0", 150.0, springback_angle_deg=Measured(3.0))
    read = replace(bent, forming_temperature_measured_degC=150.0)
    encoded = replace(encode(definition, [bent]), settings=wide)
    spread = {}
    for name, one in (("set", bent), ("read", read)):
        ((*_, draws),) = redrawn_readings(definition, encoded, params.take(np.zeros(20_000, int)), [one], rng=np.random.default_rng(3))
        spread[name] = np.log(draws).std()
    assert spread["read"] == pytest.approx(float(params.angle_sd[0, 0]), rel=0.05) and spread["set"] > 1.03 * spread["read"]


def test_coupons_are_redrawn_at_their_own_strain_where_every_feature_is_strained_less(known):
    """A component whose most strained feature sees half of the nominal strain: its coupons see all of it."""
    definition, params, _ = known
    features = tuple(f.model_copy(update={"strain_share": 0.5 * f.strain_share}) for f in definition.component.features)
    gentle = definition.model_copy(update={"component": definition.component.model_copy(update={"features": features})})
    coupon = Specimen("Y", "braze_coupon", definition.factors.tempers[0], "K0", 20.0, 0.1, 600.0, 3.0, "L0", cracked=True)
    chance = {}
    for name, d in (("usual", definition), ("gentle", gentle)):
        ((*_, draws),) = redrawn_readings(d, encode(d, [coupon]), params.take(np.zeros(4000, int)), [coupon], rng=np.random.default_rng(4))
        chance[name] = draws.mean()
    assert chance["gentle"] == pytest.approx(chance["usual"], abs=0.03)


def test_priors_that_expect_the_data_are_told_apart_from_those_that_do_not(known):
    """The truth was drawn from these priors; gaps a hundred times as wide were not."""
    definition, _, specimens = known
    rows = {r["response"]: r for r in prior_checks(definition, encode(definition, specimens), specimens, rng=np.random.default_rng(2))}
    assert {"gap, component", "film depth, braze coupon", "sound joints, component"} <= set(rows)
    assert all(r["p_adjusted"] > 0.01 for r in rows.values())
    assert all(r["low"] <= r["median"] <= r["high"] and 0 < r["p"] <= 1 for r in rows.values())
    assert rows["sound joints, component"]["high"] <= 1.0 and rows["gap, component"]["unit"] == "mm"
    wide = [s if s.gap_mm is None else replace(s, gap_mm=replace(s.gap_mm, value=100.0 * s.gap_mm.value)) for s in specimens]
    rows = {r["response"]: r for r in prior_checks(definition, encode(definition, wide), wide, rng=np.random.default_rng(2))}
    assert rows["gap, component"]["departs"] and rows["gap, component"]["words"].startswith("higher than the priors expect")
    assert not rows["film depth, component"]["departs"] and not rows["sound joints, component"]["departs"]


def test_prior_ranks_of_whole_data_sets_are_even():
    """Over truths drawn from the priors the p of one response is uniform, for one number a set is ranked and not its readings."""
    definition = read_definition(Path(__file__).parents[1] / "acquisition" / "data" / "campaign.toml")
    temper, priors, layout = definition.factors.tempers[0], priors_of(definition), padded_layout(len(definition.factors.tempers), 1, 1)
    planned = [Specimen(f"B{i}", "bend_coupon", temper, "K0", 20.0 + 30 * (i % 8)) for i in range(8)]
    p = []
    for seed in range(60):
        rng = np.random.default_rng([7, seed])
        truth = Truth("prior", new_effects(sample_prior(layout, priors, 1, rng), 1, 1, rng), seed, lots=("K0",), loads=())
        made = [Bench(definition, World.of(truth, definition)).measured(s) for s in planned]
        (row,) = prior_checks(definition, encode(definition, made), made, rng=rng)
        p.append(row["p"])
    assert kstest(p, "uniform").pvalue > 0.01


@pytest.mark.parametrize(("part", "words"), [(0.02, "surer for it"), (-0.02, "less sure for it"), (0.0001, "as good without it")])
def test_what_leaving_out_does_is_said_in_words(part, words):
    row = {"trusted": True, "contribution": part, "misclassification": 0.12, "joint_probability": 0.971}
    assert words in in_words(row) and "0.971" in in_words(row)
    assert "refit ended with NOT_MIXED" in in_words({"trusted": False, "refit": "NOT_MIXED"}) and "look at it first" in in_words({"trusted": False})


def test_what_is_kept_and_no_part_of_the_model_is_not_checked(known):
    """Springback read on a component, or a gap on a coupon, is recorded with a note: there is nothing that the model expects of it."""
    definition, params, specimens = known
    odd = [replace(s, springback_angle_deg=Measured(3.0)) if s.specimen_type == "component" else replace(s, gap_mm=Measured(0.1)) for s in specimens]
    rows = prior_checks(definition, encode(definition, odd), odd, rng=np.random.default_rng(2)) + predictive_checks(definition, encode(definition, odd), params, odd, rng=np.random.default_rng(1))
    assert not {"springback angle, component", "gap, braze coupon"} & {r["response"] for r in rows}
    assert all(np.isfinite(v) for r in rows for v in r.values() if isinstance(v, float))
