"""What the priors say before any trial, in the trade's quantities.

A prior is easier to argue with as "limit strain of O at 20 degC: 0.10 to 0.32" than as a location and a scale.  Numpy only,
from the priors alone, so that `check` stays quick.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from models.priors import BY_TEMPER, UNIT_BY_TEMPER, Z90, PriorSet, sample_prior
from models.rows import BRAZE_T_REF, Conditions
from models.simulate import OneDrawPerRow, new_effects, simulate
from planner.encode import padded_layout, priors_of, settings_of, sheet_constants

N_DRAWS = 2000
_NAMES = {
    "limit_level": ("limit strain at 20 degC", "1", True),
    "limit_gain": ("limit strain ratio, 250 to 20 degC", "1", True),
    "angle_level": ("springback angle at 20 degC", "deg", True),
    "softening": ("softening of flow stress at 250 degC, ln ratio", "1", True),
    "prior_strain": ("stored strain that the temper brings", "1", True),
    "log_critical_strain": ("critical stored strain to recrystallise", "1", True),
}
_EXP, _LOGISTIC = np.exp, lambda x: 1.0 / (1.0 + np.exp(-x))
_SHOWN = {
    "limit_shift": ("limit strain of a component over a coupon's, at 20 degC", "ratio", _EXP),
    "limit_shift_tau": ("the same at 250 degC, over that at 20", "ratio", _EXP),
    "hardening": ("springback at 0.1 more strain, over that without", "ratio", _EXP),
    "gap_level": ("gap of a part whose coupon would open by 3 deg", "mm", _EXP),
    "gap_slope_tau": ("gap formed at 250 degC over that at 20, springback apart", "ratio", _EXP),
    "stored_shift": ("stored strain of a component over a coupon's", "ratio", _EXP),
    "film_level": ("film depth at strain 0.05, 600 degC, 3 min, formed at 20 degC", "um", _EXP),
    "film_tau": ("film depth formed at 250 degC over that at 20", "ratio", _EXP),
    "film_heat": ("film depth brazed 10 K hotter over that before", "ratio", _EXP),
    "film_recrystallised": ("film depth once recrystallised", "um", _EXP),
    "film_shift": ("film depth of a component over a coupon's", "ratio", _EXP),
    "best_heat": ("best braze temperature at 3 min, smooth departures of the joints over heat apart", "degC", lambda x: BRAZE_T_REF + 10.0 * x),
    "joint_level": ("sound joints at the best heat, full filler, no gap", "share", _LOGISTIC),
    "joint_tau": ("odds of a sound joint formed at 250 degC over those at 20", "ratio", _EXP),
    "leak_level": ("tight components where half of the joints are sound", "share", _LOGISTIC),
}
"""Shared priors whose own scale is a logarithm, a logit or a distance from 600 degC: words, unit and how to read them."""


def prior_rows(definition) -> list[dict[str, Any]]:
    """Return every prior in force in the trade's units: quantity, temper, 90 % range, unit, reason."""
    priors = priors_of(definition)
    rows = []
    for i, name in enumerate(BY_TEMPER):
        words, unit, _ = _NAMES[name]
        for j, temper in enumerate(priors.tempers):
            location, scale = priors.by_temper[i, j]
            rows.append({"quantity": words, "temper": temper, "low": float(np.exp(location - Z90 * scale)),
                         "high": float(np.exp(location + Z90 * scale)), "unit": unit, "reason": priors.reasons[name, temper]})
    for prior in priors.shared:
        words, unit, read = _SHOWN.get(prior.name, (prior.name.replace("_", " "), prior.unit, float))
        low, high = (float(read(x)) for x in prior.interval())
        rows.append({"quantity": words, "temper": None, "low": low, "high": high, "unit": unit, "reason": prior.reason})
    return rows


def predictive_rows(definition, *, seed: int) -> list[dict[str, Any]]:
    """Return 5 %, 50 % and 95 % points of new specimens under the priors alone (at most 2000 draws), by temper and setting.

    Parameters
    ----------
    definition : campaign definition.
    seed : of the draws.
    """
    rng = np.random.default_rng(seed)
    priors, sheet, settings = priors_of(definition), sheet_constants(definition), settings_of(definition)
    factors = definition.factors
    braze = (_middle(factors.braze_temperature_degC.range), _middle(factors.braze_time_min.range))
    rows = []
    for k, temper in enumerate(factors.tempers):
        for temperature in factors.forming_temperature_degC.range:
            strain = _middle(factors.strain.range)
            factor = (temperature, strain, *braze)
            seen = {part: _drawn(priors, k, factor, part, sheet, settings, definition.component.joints, rng) for part in (0.0, 1.0)}
            at = f"{temperature:g} degC, strain {strain:g}, {braze[0]:g} degC, {braze[1]:g} min"
            rows += _rows(temper, at, seen[0.0], seen[1.0], definition.component.joints)
    return rows


def _middle(pair) -> float:
    return 0.5 * (pair[0] + pair[1])


def _drawn(priors: PriorSet, k, factor, part, sheet, settings, n_joints, rng):
    """Draw one specimen per prior draw (a new lot and load each)."""
    p = new_effects(sample_prior(padded_layout(len(priors.tempers), 1, 1), priors, N_DRAWS, rng), 1, 1, rng)
    where = Conditions.from_factors(np.full(N_DRAWS, k), np.tile(factor, (N_DRAWS, 1)))
    return simulate(OneDrawPerRow(p), where, sheet, settings=settings, component=part, lot=0, load=0, n_joints=n_joints, rng=rng)


def _rows(temper, at, coupon, component, n_joints) -> list[dict[str, Any]]:
    def spread(quantity, values, unit):
        low, median, high = np.percentile(values, (5, 50, 95))
        return {"quantity": quantity, "temper": temper, "at": at, "low": float(low), "median": float(median), "high": float(high), "unit": unit}

    def share(quantity, flags):
        return {"quantity": quantity, "temper": temper, "at": at, "low": None, "median": float(np.mean(flags)), "high": None, "unit": "probability"}

    return [spread("limit strain, coupon", coupon.limit_strain, "1"), spread("springback angle", coupon.angle, "deg"),
            share("cracked, component", component.cracked), spread("gap", component.gap, "mm"),
            share("recrystallised, most strained feature", component.recrystallised[:, 0]),
            spread("film depth, worst feature", component.film.max(axis=1), "um"),
            spread("clad left", component.clad_left[:, 0], "um"), spread("sound joints", component.sound / n_joints, "share"),
            share("leaked", component.leaked)]
