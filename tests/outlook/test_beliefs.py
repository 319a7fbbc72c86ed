"""Every belief becomes a prior whose central 90 % is the stated range, read off the response functions; `check` shows it so."""

import numpy as np
import pytest

from models.priors import prior_set, sample_prior
from models.responses import film, formability, joints, recrystallisation, springback
from models.rows import Conditions, design
from planner.encode import padded_layout, priors_of
from planner.lab.belief_rules import BRAZE_BELIEFS, TEMPER_BELIEFS
from planner.lab.campaign import definition_from
from planner.lab.errors import UserError
from planner.outlook.beliefs import predictive_rows, prior_rows

TREE = {"factors": {"tempers": ["O", "H24"]}, "sheet": {"thickness_um": 200.0}, "criteria": {"leaked": False}, "specimens": {"component": {}}}
STATED = {
    "limit_strain_at_20degC": (0.03, 0.08), "limit_strain_ratio_250_to_20degC": (1.7, 5.0), "springback_angle_deg_at_20degC": (3.0, 9.0),
    "critical_strain": (0.03, 0.07), "stored_strain_of_temper": (0.06, 0.30),
    "best_braze_temperature_degC": (597.0, 603.0), "film_depth_um_at_reference": (12.0, 60.0)}
SHOWN = {
    "limit_strain_at_20degC": "limit strain at 20 degC", "limit_strain_ratio_250_to_20degC": "limit strain ratio, 250 to 20 degC",
    "springback_angle_deg_at_20degC": "springback angle at 20 degC", "critical_strain": "critical stored strain to recrystallise",
    "stored_strain_of_temper": "stored strain that the temper brings", "best_braze_temperature_degC": "best braze temperature at 3 min, smooth departures of the joints over heat apart",
    "film_depth_um_at_reference": "film depth at strain 0.05, 600 degC, 3 min, formed at 20 degC"}
N = 100_000


def stated(key, pair=None):
    """Return a definition with one belief, about H24 or the braze."""
    owner = "braze" if key in BRAZE_BELIEFS else "H24"
    return definition_from(TREE | {"beliefs": {owner: {key: list(pair or STATED[key])}}})


def quantity(p, key, *, apart=True):
    """Return what a belief speaks of, under each draw: average lot, coupon; departures from the formulas count, but for that of the joints over heat."""
    p = p.with_values(joint_deviation=tuple(0.0 * x for x in p.joint_deviation)) if apart else p
    at = lambda warm, strain=0.0, hot=600.0: design(Conditions(*(np.array([x]) for x in (1, warm, strain, hot, 3.0))), component=0.0)
    if key == "limit_strain_at_20degC":
        return np.exp(formability.log_limit_strain(p, at(20.0), 0.0))
    if key == "limit_strain_ratio_250_to_20degC":
        return np.exp(formability.log_limit_strain(p, at(250.0), 0.0) - formability.log_limit_strain(p, at(20.0), 0.0))
    if key == "springback_angle_deg_at_20degC":
        return np.exp(springback.log_angle(p, at(20.0), 0.0))
    if key == "stored_strain_of_temper":
        return np.exp(recrystallisation.log_stored_strain(p, at(20.0), log_strain=np.array([-40.0]))[0])
    if key == "critical_strain":
        excess, _ = recrystallisation.excess(p, at(20.0, 0.05))
        return np.exp(recrystallisation.log_stored_strain(p, at(20.0, 0.05))[0] - excess)
    if key == "film_depth_um_at_reference":
        return np.exp(film.base(p, at(20.0, 0.05)) + film.heat_shift(p, 0.0, 0.0))
    few, hot = p.take(slice(0, 4000)), np.linspace(585.0, 615.0, 601)
    heat = np.concatenate([joints.heat_effect(few, at(20.0, 0.05), (h - 600.0) / 10.0) for h in hot], axis=1)
    return hot[heat.argmax(axis=1)]


@pytest.mark.parametrize("key", [*TEMPER_BELIEFS, *BRAZE_BELIEFS])
def test_the_central_90_percent_is_the_stated_range(key):
    definition = stated(key)
    p = sample_prior(padded_layout(2, 1, 1), priors_of(definition), N, np.random.default_rng(1))
    values = np.ravel(quantity(p, key))
    low, high = STATED[key]
    step = 0.05 if key == "best_braze_temperature_degC" else 0.0
    error = 4 * np.sqrt(0.05 * 0.95 / values.size)
    assert np.mean(values < low - step) <= 0.05 + error and np.mean(values < low + step) >= 0.05 - error
    assert np.mean(values > high + step) <= 0.05 + error and np.mean(values > high - step) >= 0.05 - error


@pytest.mark.parametrize(("low", "high", "least"), [(596.0, 604.0, 0.86), (594.0, 606.0, 0.86)])
def test_departures_over_heat_widen_the_belief_in_the_best_braze_temperature_little(low, high, least):
    """`check` says that it speaks of the formula, departures apart; with them the stated range holds less than 90 %, by how much is held here."""
    p = sample_prior(padded_layout(2, 1, 1), prior_set(("O", "H24"), (0, 2), braze={"best_braze_temperature_degC": (low, high)}), N, np.random.default_rng(1))
    values = np.ravel(quantity(p, "best_braze_temperature_degC", apart=False))
    assert least <= np.mean((values >= low) & (values <= high)) <= 0.9


def test_a_range_that_departures_alone_pass_is_refused():
    with pytest.raises(UserError, match="narrower than what the joints may depart"):
        stated("best_braze_temperature_degC", (599.0, 601.0))


@pytest.mark.parametrize("key", list(STATED))
def test_check_shows_the_stated_range_in_its_unit_as_the_labs_own(key):
    rows = [r for r in prior_rows(stated(key)) if r["quantity"] == SHOWN[key] and r["temper"] in (None, "H24")]
    assert len(rows) == 1 and (rows[0]["low"], rows[0]["high"]) == pytest.approx(STATED[key])
    assert rows[0]["reason"] == "the lab's belief"
    others = [r for r in prior_rows(stated(key)) if r is not rows[0] and r["quantity"] != SHOWN[key]]
    assert all(r["reason"] != "the lab's belief" for r in others)


def test_check_shows_no_prior_as_a_logarithm_of_a_quantity():
    """Scatter may be relative ("ln strain" is a share), levels may not."""
    levels = [r for r in prior_rows(definition_from(TREE)) if r["quantity"].split()[-1] not in ("sd",)]
    assert not [r["quantity"] for r in levels if r["unit"] in ("ln um", "ln mm", "logit") and r["low"] <= 0]


def test_what_the_beliefs_imply_for_new_parts_follows_them():
    """Stiffer springback believed: larger gaps are shown before any trial."""
    gap = lambda pair: {r["at"]: r["median"] for r in predictive_rows(stated("springback_angle_deg_at_20degC", pair), seed=3)
                        if r["quantity"] == "gap" and r["temper"] == "H24"}
    low, high = gap((1.0, 2.0)), gap((10.0, 20.0))
    assert low and all(high[at] > 3 * low[at] for at in low)
    units = {r["unit"] for r in predictive_rows(stated("critical_strain"), seed=3)}
    assert units <= {"1", "deg", "mm", "um", "share", "probability"}
