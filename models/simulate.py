"""Specimens drawn from the model: what a lab would see if one draw of the parameters were the truth.

The same response functions as the likelihood, at actual settings drawn about the set values.  Serves brute-force
checks of conformance, predictive checks and the virtual lab.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from models.handbook import liquid_fraction
from models.likelihood import logistic
from models.priors import Params
from models.responses import braze, film, formability, joints, recrystallisation, springback
from models.rows import MIN_STRAIN, Conditions, Settings, Sheet, design


@dataclass(frozen=True)
class Outcomes:
    """Everything about n specimens, as if all of it were measured without gauge limits."""

    limit_strain: np.ndarray      # (n,) true strain at necking
    cracked: np.ndarray           # (n,) bool, strained beyond the limit at the most strained feature
    angle: np.ndarray             # (n,) deg, coupons; nan for components
    gap: np.ndarray               # (n,) mm, components; nan for coupons
    recrystallised: np.ndarray    # (n, n_features) bool
    film: np.ndarray              # (n, n_features) um
    clad_left: np.ndarray         # (n, n_features) um
    sound: np.ndarray             # (n,) joints sound
    leaked: np.ndarray            # (n,) bool


class OneDrawPerRow:
    """Parameters in which row i belongs to draw i: every scalar has shape (1, n_draws), so that n draws serve n specimens.

    Each draw has one lot and one load of its own (`new_effects` of a layout with one of each, padded or not).
    """

    def __init__(self, p: Params):
        self._p = p

    def __getattr__(self, name):
        return getattr(self._p, name).T

    def _rows(self, prefix, index):
        rows = np.arange(self._p.n_draws)
        pick = lambda v: tuple(pick(x) for x in v) if isinstance(v, tuple) else v[rows, index][None, :]
        return _Picked(lambda name: pick(getattr(self._p, prefix + name)))

    def of(self, temper):
        """Return each row's temper coefficients."""
        return self._rows("", temper)

    def lot_of(self, lot):
        """Return each row's lot effects."""
        return self._rows("lot_", lot)

    def load_of(self, load):
        """Return each row's load effects."""
        return self._rows("load_", load)


class _Picked:
    def __init__(self, get):
        self._get = get

    def __getattr__(self, name):
        return self._get(name)


def new_effects(p: Params, n_lots: int, n_loads: int, rng: np.random.Generator) -> Params:
    """Return parameters with fresh lot and load effects in place of the fitted ones."""
    z = lambda n: rng.standard_normal((p.n_draws, n))
    return p.with_values(
        lot_limit=p.lot_limit_sd * z(n_lots), lot_angle=p.lot_angle_sd * z(n_lots), lot_clad=p.lot_clad_sd * z(n_lots),
        load_joint=p.load_joint_sd * z(n_loads), load_film=p.load_film_sd * z(n_loads), load_temperature=z(n_loads),
        load_time=z(n_loads))


def simulate(p: Params, conditions: Conditions, sheet: Sheet, *, settings: Settings, component, lot, load,
             n_joints: int, rng: np.random.Generator) -> Outcomes:
    """Draw one specimen at each set point.

    Parameters
    ----------
    p : one draw (leading axis 1), holding the effects that `lot` and `load` index; or `OneDrawPerRow`.
    conditions : set points (n,); settings : scatter of actual about set values.
    component : 1.0 or (n,); lot, load : effect indices (n,); n_joints : joints inspected on each component.
    """
    n = len(conditions)
    temperature = conditions.forming_temperature + settings.forming_temperature * rng.standard_normal(n)
    set_strain = np.maximum(conditions.strain, MIN_STRAIN)
    strain = np.where(conditions.strain > 0, set_strain * np.exp(settings.strain / set_strain * rng.standard_normal(n)), 0.0)
    actual = Conditions(conditions.temper, temperature, strain, conditions.braze_temperature, conditions.braze_time)
    braze_only = Settings(0.0, 0.0, settings.braze_temperature, settings.braze_time)
    d = design(actual, settings=braze_only, component=component, lot=lot, load=load)
    q, h = braze.load_heat(p, d)

    log_limit = formability.log_limit_strain(p, d, p.lot_of(d.lot).limit) + p.limit_sd * rng.standard_normal(n)
    angle = springback.log_angle(p, d, p.lot_of(d.lot).angle)
    scatter = rng.standard_normal(n)
    gap = np.exp(springback.log_gap(p, angle, d.tau) + p.gap_sd * scatter)[0]
    shift = film.heat_shift(p, q, p.load_of(d.load).film) + p.film_sd * rng.standard_normal(n)
    uniform = rng.uniform(size=n)
    states, films = [], []
    for share in sheet.share:
        log_strain = d.log_strain + np.log(share)
        excess, spread = recrystallisation.excess(p, d, log_strain=log_strain)
        new = uniform < recrystallisation.probability(excess, spread, p.recrystallised_width)[0]
        base = np.where(new, p.film_recrystallised, film.base(p, d, log_strain=log_strain))
        states.append(new)
        films.append(np.exp(base + shift)[0])
    states, films = np.stack(states, -1), np.stack(films, -1)
    depth = films @ sheet.weight
    lot_clad = p.lot_of(d.lot).clad
    noise = p.clad_sd * rng.standard_normal(n)
    clad = np.stack([(film.clad_left(p, d, q, lot_clad, films[:, i] / sheet.clad_um) + noise)[0]
                     for i in range(len(sheet.share))], -1) * sheet.clad_um
    available = joints.filler(p, liquid_fraction(600 + 10 * h, sheet.silicon), lot_clad, depth / sheet.clad_um)
    heat = joints.heat_effect(p, d, q)
    eta = (joints.predictor(p, heat, available, gap) + p.load_of(d.load).joint + p.component_sd * rng.standard_normal(n))[0]
    chance = np.clip(logistic(eta), 1e-9, 1 - 1e-9)
    c = p.concentration[0]
    sound = rng.binomial(n_joints, np.clip(rng.beta(chance * c, (1 - chance) * c), 0, 1))
    leaked = rng.uniform(size=n) < logistic(joints.leak_logit(p, eta))[0]
    part = np.broadcast_to(np.asarray(component, float), (n,)) > 0
    return Outcomes(np.exp(log_limit)[0], (d.log_strain + np.log(sheet.share.max()) > log_limit[0]) & (conditions.strain > 0),
                    np.where(part, np.nan, np.exp(angle + p.angle_sd * scatter)[0]), np.where(part, gap, np.nan),
                    states, films, np.maximum(clad, 0.0), sound, leaked)
