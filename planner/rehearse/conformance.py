"""Conformance of the truth: the share of future components that really conform at a condition.

A second implementation beside the program's kernel, because the kernel knows only the model's own formulas, and because a
false claim must not be judged by the code that made it.  Scrambled Sobol nodes over actual settings, load, lot and
scatter; cracking, gap and film are integrated by their normal tails (gap and film that passed are drawn from inside the
tail), joints and leak by a table over the predictor.
"""

from __future__ import annotations

import numpy as np
from scipy.special import ndtr, ndtri
from scipy.stats import qmc

from models.handbook import liquid_fraction
from models.likelihood import beta_binomial_logpmf, logistic, normal_nodes
from models.responses import braze, film, formability, joints, recrystallisation, springback
from models.rows import MIN_STRAIN, Conditions, design
from planner.rehearse.row_values import RowValues
from planner.rehearse.world import World
from planner.window.conformance import Required

N_NODES, CHUNK = 1024, 400_000
N_DIMENSIONS = 8                  # forming temperature, strain, load temperature, load time, gap, film, state, clad
ETA = np.linspace(-40.0, 40.0, 8001)
TINY = 1e-12


def true_conformance(world: World, required: Required, conditions: Conditions, *, n_nodes: int = N_NODES, seed: int = 0) -> np.ndarray:
    """Return the probability that a new component from a new lot in a new load conforms, (n_conditions,).

    Parameters
    ----------
    n_nodes : nodes a condition, a power of two; 1024 give an error of about 0.002.
    seed : of the scrambling.
    """
    mechanism = world.mechanism
    extra = 0 if mechanism is None else mechanism.n_own + mechanism.n_load
    sobol = qmc.Sobol(N_DIMENSIONS + extra, scramble=True, rng=np.random.default_rng([seed, 8]))
    u = np.clip(sobol.random_base2(int(np.log2(n_nodes))), TINY, 1 - TINY)
    table = joints_table(world, required)
    step = max(1, CHUNK // len(u))
    parts = [_chunk(world, required, conditions.take(slice(i, i + step)), u, table) for i in range(0, len(conditions), step)]
    return np.concatenate(parts) if parts else np.zeros(0)


def joints_table(world: World, required: Required) -> np.ndarray:
    """Return P(joint count and leak test pass) on ETA, averaged over the component's and the load's effect."""
    p = world.params
    passed = np.ones_like(ETA)
    if required.sound_min is not None:
        counts = np.arange(required.sound_min, required.n_joints + 1, dtype=float)
        passed = np.minimum(sum(np.exp(beta_binomial_logpmf(k, float(required.n_joints), ETA, p.concentration[0, 0])) for k in counts), 1.0)
    if required.leaked:
        passed = passed * (1.0 - logistic(joints.leak_logit(p, ETA))[0])
    x, w = normal_nodes(41)
    sd = float(np.sqrt(p.component_sd ** 2 + p.load_joint_sd ** 2)[0, 0])
    return sum(weight * np.interp(ETA + sd * z, ETA, passed) for z, weight in zip(x, w))


def _actual(world: World, x: Conditions, u: np.ndarray) -> tuple[RowValues, Conditions]:
    """Return parameters and actual settings at every node of every condition, condition by condition."""
    n, m, sd = len(x), len(u), world.settings
    rep = lambda a: np.repeat(a, m)
    z = np.tile(ndtri(u[:, :4]), (n, 1))
    set_strain = np.maximum(rep(x.strain), MIN_STRAIN)
    strain = np.where(rep(x.strain) > 0, set_strain * np.exp(sd.strain / set_strain * z[:, 1]), 0.0)
    actual = Conditions(rep(x.temper), rep(x.forming_temperature) + sd.forming_temperature * z[:, 0], strain,
                        rep(x.braze_temperature) + sd.braze_temperature * z[:, 2],
                        braze.actual_minutes(rep(x.braze_time), sd.braze_time, z[:, 3]))
    n_own = 0 if world.mechanism is None else world.mechanism.n_own
    own, load = u[:, N_DIMENSIONS:N_DIMENSIONS + n_own], u[:, N_DIMENSIONS + n_own:]
    return world.changed(RowValues.of_one_draw(world.params, actual.temper), actual, np.tile(own, (n, 1)), np.tile(load, (n, 1)))


def _chunk(world: World, required: Required, x: Conditions, u: np.ndarray, table: np.ndarray) -> np.ndarray:
    p, actual = _actual(world, x, u)
    d = design(actual)
    v = np.tile(u[:, 4:N_DIMENSIONS], (len(x), 1)).T
    sheet = world.sheet
    chance = np.ones((1, len(actual)))
    if required.cracked:
        limit = formability.log_limit_strain(p, d, 0.0)
        safe = ndtr((limit - d.log_strain - np.log(sheet.share.max())) / np.sqrt(p.limit_sd ** 2 + p.lot_limit_sd ** 2))
        chance = np.where(actual.strain > 0, safe, 1.0)
    gap_mean = springback.log_gap(p, springback.log_angle(p, d, 0.0), d.tau)
    gap_sd = np.sqrt(p.gap_sd ** 2 + (p.gap_slope * p.lot_angle_sd) ** 2)
    passed, z = _inside(required.gap_max, gap_mean, gap_sd, v[0])
    chance, gap = chance * passed, np.exp(gap_mean + gap_sd * z)
    q = braze.heat(p, d.h, d.minutes)
    bases = []
    for share in sheet.share:
        log_strain = d.log_strain + np.log(share)
        excess, spread = recrystallisation.excess(p, d, log_strain=log_strain)
        new = v[2] < recrystallisation.probability(excess, spread, p.recrystallised_width)
        bases.append(np.where(new, p.film_recrystallised, film.base(p, d, log_strain=log_strain)))
    shift, film_sd = film.heat_shift(p, q, 0.0), np.sqrt(p.film_sd ** 2 + p.load_film_sd ** 2)
    passed, z = _inside(required.film_max, np.max(bases, axis=0) + shift, film_sd, v[1])
    chance = chance * passed
    depth = sum(w * np.exp(base + shift + film_sd * z) for base, w in zip(bases, sheet.weight))
    available = joints.filler(p, liquid_fraction(600.0 + 10.0 * d.h, sheet.silicon), p.lot_clad_sd * ndtri(v[3]), depth / sheet.clad_um)
    eta = joints.predictor(p, joints.heat_effect(p, d, q), available, gap)
    chance = chance * np.interp(eta, ETA, table)
    return chance.reshape(len(x), len(u)).mean(axis=1)


def _inside(limit: float | None, mean, sd, u):
    """Return P(exp(mean + sd z) <= limit) and z drawn from inside, at uniforms u."""
    if limit is None:
        return np.ones_like(mean), ndtri(u)
    passed = ndtr((np.log(limit) - mean) / sd)
    return passed, ndtri(np.clip(u * passed, 1e-300, None))
