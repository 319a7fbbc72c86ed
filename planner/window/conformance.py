"""Conformance: the probability, per posterior draw, that one new component meets every criterion.

One component draws once: lot, load, actual settings and one scatter a response.  Given the draw and the condition,

  P = P(no crack) P(gap passes) sum over actual braze heat, sum over numbers of recrystallised features of
      P(that many) P(film passes at every feature) E[joints and leak pass | gap and film passed].

The settings of forming, crack and film share are handled in the tables; load effects reach joints, leak and film
together; gap and film that passed set the mean and variance of the joint predictor.  Checked against brute-force
simulation by the simulator (tests/window).
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numba import njit, prange, uint64
from scipy.special import ndtr

from models.handbook import liquid_fraction, modulus_factor
from models.likelihood import normal_nodes
from models.priors import Params
from models.responses.braze import LOG_TIME_REF, MIN_MINUTES
from models.responses.joints import FILLER_REFERENCE
from models.rows import MIN_STRAIN, Conditions, Settings, Sheet, warmth
from planner.window.tables import ETA_LOW, ETA_STEP, EXTRA_VARIANCE, N_ETA, Grid, Required, Tables, build_tables

PHI_LOW, PHI_STEP = -9.0, 1.0 / 256
_PHI = ndtr(PHI_LOW + PHI_STEP * np.arange(int(-2 * PHI_LOW / PHI_STEP) + 2)).astype(np.float32)
_FEW, _MANY = (np.array(normal_nodes(n), np.float32) for n in (3, 5))
_POWER = (2.0 ** np.arange(-120, 121)).astype(np.float32)
WIDE_HEAT = 0.25                  # sd of a load's braze heat above which five nodes are used instead of three
_EXTRA = EXTRA_VARIANCE.astype(np.float32)
_EXTRA_INVERSE = (1.0 / np.diff(EXTRA_VARIANCE)).astype(np.float32)
NONE = 1e30                       # "no limit"


class Conformance:
    """Conformance of conditions under every draw; call it with conditions.

    Parameters
    ----------
    params : draws of the parameters.
    sheet, settings : constants of the campaign.
    required : the criteria.
    box : conditions that the tables should span from the start (corners of the factor box).
    clad_offset : (n_draws, n_tempers) known lot effect on clad (0 for a new lot).
    """

    def __init__(self, params: Params, *, sheet: Sheet, settings: Settings, required: Required, box: Conditions,
                 clad_offset: np.ndarray | None = None):
        self.params, self.sheet, self.settings, self.required, self.box = params, sheet, settings, required, box
        shape = (params.n_draws, params.limit_level.shape[-1])
        self.clad_offset = (np.zeros(shape) if clad_offset is None else clad_offset).astype(np.float32)
        self._tables: Tables | None = None

    def tables(self, conditions: Conditions) -> Tables:
        """Return tables that span the conditions, built anew only when they reach outside."""
        grid = Grid.covering(Conditions.concatenate([self.box, conditions]), self.settings)
        if self._tables is None or not self._tables.grid.holds(grid):
            self._tables = build_tables(self.params, grid, self.sheet, self.settings, self.required)
        return self._tables

    def __call__(self, conditions: Conditions) -> np.ndarray:
        """Return conformance, float32 (n_draws, n_conditions)."""
        if not len(conditions):
            return np.zeros((self.params.n_draws, 0), np.float32)
        t = self.tables(conditions)
        iu, wu = t.grid.warm.weights(np.sqrt(warmth(conditions.forming_temperature)))
        iv, wv = t.grid.strain.weights(np.log(np.maximum(conditions.strain, MIN_STRAIN)))
        cross = (wu[:, :, None] * wv[:, None, :]).reshape(-1, 16).astype(np.float32)
        braze = braze_moments(conditions, self.settings, self.sheet.silicon)
        log_modulus = np.log(modulus_factor(conditions.forming_temperature, clamp=True)).astype(np.float32)
        r = self.required
        limits = np.array([NONE if r.gap_max is None else r.gap_max, NONE if r.film_max is None else math.log(r.film_max)], np.float32)
        # conditions in order of their place in the tables: neighbours share cache lines
        order = np.lexsort((iv, iu, conditions.temper))
        out = np.empty((self.params.n_draws, len(conditions)), np.float32)
        _conform(t.forming.reshape(len(out), -1), t.heat, t.heat_low.astype(np.float32), t.heat_step.astype(np.float32), t.outcome, t.scalars, t.feature, self.clad_offset,
                 np.array(conditions.temper, np.int64), iu, iv, wu.astype(np.float32), cross, braze, log_modulus, limits, order,
                 self.params.film_recrystallised[:, 0].astype(np.float32), _FEW, _MANY,
                 t.forming.shape[3], t.forming.shape[4], out)
        return out


def braze_moments(conditions: Conditions, settings: Settings, silicon: float) -> np.ndarray:
    """Return per condition: mean h, mean ln(t/3), variance of each, mean liquid share, its covariance with h and variance,
    and the third central moment of ln t.

    Shape (n_conditions, 8), float32, by Gauss-Hermite nodes over the load's actual settings.
    """
    x, w = normal_nodes(15)
    temperature = conditions.braze_temperature[:, None] + settings.braze_temperature * x
    minutes = np.maximum(conditions.braze_time[:, None] + settings.braze_time * x, MIN_MINUTES)
    log_t = np.log(minutes) - LOG_TIME_REF
    liquid = liquid_fraction(temperature, silicon)
    h = (temperature - 600.0) / 10
    mean = lambda a: a @ w
    mh, mt, ml = mean(h), mean(log_t), mean(liquid)
    return np.stack([mh, mt, mean(h ** 2) - mh ** 2, np.maximum(mean(log_t ** 2) - mt ** 2, 0), ml, mean(liquid * h) - ml * mh,
                     np.maximum(mean(liquid ** 2) - ml ** 2, 0), mean((log_t - mt[:, None]) ** 3)], axis=1).astype(np.float32)


@njit(cache=True, fastmath=True, inline="always")
def _phi(x):
    t = (min(max(x, np.float32(-8.9)), np.float32(8.9)) - np.float32(PHI_LOW)) * np.float32(1.0 / PHI_STEP)
    i = int(t)
    f = t - i
    return _PHI[i] + f * (_PHI[i + 1] - _PHI[i])


@njit(cache=True, fastmath=True, inline="always")
def _pass_probability(outcome, eta, variance):
    """Interpolate P(joints and leak pass) linearly in the predictor and in the extra variance."""
    t = (min(max(eta, np.float32(ETA_LOW)), np.float32(ETA_LOW + ETA_STEP * (N_ETA - 1.01))) - np.float32(ETA_LOW)) * np.float32(1.0 / ETA_STEP)
    i = int(t)
    f = t - i
    v = min(variance, np.float32(1.99))
    level = 0
    while v >= _EXTRA[level + 1]:
        level += 1
    g = (v - _EXTRA[level]) * _EXTRA_INVERSE[level]
    a = outcome[level, i] + f * (outcome[level, i + 1] - outcome[level, i])
    b = outcome[level + 1, i] + f * (outcome[level + 1, i + 1] - outcome[level + 1, i])
    return a + g * (b - a)


@njit(cache=True, fastmath=True, inline="always")
def _exp(x):
    """Return e^x to 3e-7 relative for |x| < 80: a power of two from a table times a polynomial."""
    t = min(max(x, np.float32(-80)), np.float32(80)) * np.float32(1.4426950408889634)
    i = math.floor(t)
    f = (t - np.float32(i)) * np.float32(0.6931471805599453)
    series = np.float32(1) + f * (np.float32(1) + f * (np.float32(0.5) + f * (np.float32(0.16666667) + f * (
        np.float32(0.041666667) + f * (np.float32(0.0083333333) + f * np.float32(0.0013888889))))))
    return _POWER[int(i) + 120] * series


@njit(cache=True, fastmath=True, inline="always")
def _interpolate(field, flat, start, stride, w, i):
    """Sum the 4 x 4 neighbouring rows of fields with their weights: one pass over the fields, for the vector unit."""
    w0, w1, w2, w3, w4, w5, w6, w7 = w[i, 0], w[i, 1], w[i, 2], w[i, 3], w[i, 4], w[i, 5], w[i, 6], w[i, 7]
    w8, w9, w10, w11, w12, w13, w14, w15 = w[i, 8], w[i, 9], w[i, 10], w[i, 11], w[i, 12], w[i, 13], w[i, 14], w[i, 15]
    n = uint64(field.size)
    two, three = n + n, n + n + n
    a = uint64(start)
    b, c, d = a + uint64(stride), a + uint64(2 * stride), a + uint64(3 * stride)
    for m in range(n):
        field[m] = (w0 * flat[a + m] + w1 * flat[a + m + n] + w2 * flat[a + m + two] + w3 * flat[a + m + three]
                    + w4 * flat[b + m] + w5 * flat[b + m + n] + w6 * flat[b + m + two] + w7 * flat[b + m + three]
                    + w8 * flat[c + m] + w9 * flat[c + m + n] + w10 * flat[c + m + two] + w11 * flat[c + m + three]
                    + w12 * flat[d + m] + w13 * flat[d + m + n] + w14 * flat[d + m + two] + w15 * flat[d + m + three])


@njit(cache=True, fastmath=True, inline="always")
def _heat_nodes(braze, i, heat, k, a, wu, low, step, scalars, lot, z_few, z_many, q_out, heated, eta_out, w_out):
    """Fill nodes over the load's actual braze heat: q, the joint predictor without gap and film, weights; return their number."""
    time_weight, filler = scalars[2], scalars[5]
    q_var = braze[i, 2] + time_weight * time_weight * braze[i, 3]
    q_mean = braze[i, 0] + time_weight * braze[i, 1]
    q_sd = math.sqrt(q_var)
    n = 1 if q_var < np.float32(1e-12) else (3 if q_sd < np.float32(WIDE_HEAT) else 5)
    slope = braze[i, 5] / q_var if n > 1 else np.float32(0)
    skew = time_weight * time_weight * time_weight * braze[i, 7] / (q_var * q_sd) if n > 1 else np.float32(0)
    last = heat.shape[2] - 1.001
    for node in range(n):
        z, w_out[node] = np.float32(0), np.float32(1)
        if n == 3:
            z, w_out[node] = z_few[0, node], z_few[1, node]
        elif n == 5:
            z, w_out[node] = z_many[0, node], z_many[1, node]
        z += skew * (z * z - np.float32(1)) * np.float32(1.0 / 6.0)          # Cornish-Fisher, first skewness term
        q = q_mean + q_sd * z
        t = min(max((q - low) / step, np.float32(0.0)), np.float32(last))
        j = int(t)
        f = t - np.float32(j)
        g = np.float32(1) - f
        warm = (wu[i, 0] * (heat[k, a, j] * g + heat[k, a, j + 1] * f) + wu[i, 1] * (heat[k, a + 1, j] * g + heat[k, a + 1, j + 1] * f)
                + wu[i, 2] * (heat[k, a + 2, j] * g + heat[k, a + 2, j + 1] * f) + wu[i, 3] * (heat[k, a + 3, j] * g + heat[k, a + 3, j + 1] * f))
        q_out[node] = q
        heated[node] = _exp(scalars[3] * q)
        eta_out[node] = warm + filler * ((braze[i, 4] + slope * q_sd * z) * lot - np.float32(FILLER_REFERENCE))
    return n, max(braze[i, 6] - slope * braze[i, 5], np.float32(0))


@njit(cache=True, fastmath=True, inline="always")
def _film_and_joints(field, feature, scalars, log_new, film_limited, log_film, outcome, q, heated, eta, w, n_nodes, gap_part, extra, moments):
    """Return E[film passes, joints and leak pass] over heat nodes and numbers of recrystallised features.

    At each node the film that passed, over all states, enters the joint predictor by its mean and variance.
    """
    film_heat, film_var, cost = scalars[3], scalars[4], scalars[5] * scalars[6]
    n_features = feature.shape[1] - 1
    strained = _exp(field[2])
    above = np.float32(1)
    for node in range(n_nodes):
        moments[0, node], moments[1, node], moments[2, node] = np.float32(0), np.float32(0), np.float32(0)
    for n_new in range(n_features + 1):
        below = np.float32(1) / (np.float32(1) + _exp(-field[3 + n_new])) if n_new < n_features else np.float32(0)
        chance = above - below
        above = below
        if chance < np.float32(2e-4):
            continue
        moved, variance, worst = np.float32(0), film_var, log_new
        if n_new < n_features:
            moved = field[3 + n_features + n_new]
            variance = film_var + field[3 + 2 * n_features + n_new]
            worst = field[2] + feature[0, n_new]
            if n_new > 0:
                worst = max(worst, log_new)
        sd = math.sqrt(variance)
        inverse = np.float32(1) / sd
        half = _exp(np.float32(0.5) * variance)
        level0 = cost * (feature[1, n_new] + feature[2, n_new] * strained) * half * _exp(moved)
        square0 = level0 * level0 * half * half
        room = log_film - worst - moved
        for node in range(n_nodes):
            passed, first, second = chance, chance, chance
            if film_limited:
                bound = (room - film_heat * q[node]) * inverse
                if bound < np.float32(4.0):
                    passed, first, second = chance * _phi(bound), chance * _phi(bound - sd), chance * _phi(bound - 2 * sd)
            moments[0, node] += passed
            moments[1, node] += first * level0 * heated[node]
            moments[2, node] += second * square0 * heated[node] * heated[node]
    total = np.float32(0)
    for node in range(n_nodes):
        passed = moments[0, node]
        if passed > np.float32(1e-5):
            share = np.float32(1) / passed
            depth = moments[1, node] * share
            variance = max(moments[2, node] * share - depth * depth, np.float32(0))
            total += w[node] * passed * _pass_probability(outcome, eta[node] - gap_part - depth, extra + variance)
    return total


@njit(cache=True, fastmath=True)
def _conform_draw(forming, heat, heat_low, heat_step, outcome, own, feature, clad_offset, temper, iu, iv, wu, cross, braze, log_modulus,
                  limits, order, log_new, z_few, z_many, n_strain, width, out):
    """Fill one draw's row; arrays are only indexed here, never sliced (slices cost more than the arithmetic)."""
    gap_limited, film_limited = limits[0] < np.float32(1e29), limits[1] < np.float32(1e29)
    gap_bound = limits[0] if gap_limited else np.float32(0.1)
    field, q, heated = np.empty(width, np.float32), np.empty(5, np.float32), np.empty(5, np.float32)
    eta, w, moments = np.empty(5, np.float32), np.empty(5, np.float32), np.empty((3, 5), np.float32)
    gap_sd, gap_slope, gap_cost = own[0], own[1], own[7]
    gap_half = np.float32(math.exp(np.float32(0.5) * gap_sd * gap_sd))
    per_temper = forming.size // heat.shape[0]
    for position in range(order.size):
        i = order[position]
        k = temper[i]
        _interpolate(field, forming, k * per_temper + (iu[i] * n_strain + iv[i]) * width, n_strain * width, cross, i)
        alone = _phi(field[0])
        alpha = field[1] + gap_slope * log_modulus[i] / gap_sd
        g1, g2 = np.float32(1), np.float32(1)
        if gap_limited and alpha < np.float32(4.0):
            gap_pass = max(_phi(alpha), np.float32(1e-9))
            g1, g2 = _phi(alpha - gap_sd) / gap_pass, _phi(alpha - 2 * gap_sd) / gap_pass
            alone *= gap_pass
        if alone < np.float32(1e-5):
            out[i] = 0
            continue
        centre = gap_bound * gap_half * _exp(-alpha * gap_sd)
        gap = centre * g1
        gap_var = max(centre * centre * gap_half * gap_half * g2 - gap * gap, np.float32(0))
        n_nodes, liquid_var = _heat_nodes(braze, i, heat, k, iu[i], wu, heat_low, heat_step, own, np.float32(1) + clad_offset[k],
                                          z_few, z_many, q, heated, eta, w)
        extra = gap_cost * gap_cost * gap_var + own[5] * own[5] * (liquid_var + braze[i, 4] * braze[i, 4] * own[8])
        out[i] = alone * _film_and_joints(field, feature, own, log_new, film_limited, limits[1], outcome, q, heated, eta, w,
                                          n_nodes, gap_cost * gap, extra, moments)


@njit(cache=True, fastmath=True, parallel=True)
def _conform(forming, heat, heat_low, heat_step, outcome, scalars, feature, clad_offset, temper, iu, iv, wu, cross, braze, log_modulus,
             limits, order, log_new, z_few, z_many, n_strain, width, out):
    for s in prange(forming.shape[0]):
        _conform_draw(forming[s], heat[s], heat_low[s], heat_step[s], outcome[s], scalars[s], feature[s], clad_offset[s], temper, iu, iv, wu,
                      cross, braze, log_modulus, limits, order, log_new[s], z_few, z_many, n_strain, width, out[s])


def of_lots_seen(params: Params, lots_of_temper: Sequence[Sequence[int]], **rest) -> "LotsSeen":
    """Return conformance of a new component made of a lot seen, averaged over the lots of its temper."""
    return LotsSeen(params, lots_of_temper, **rest)


class LotsSeen:
    """Conformance for the lots in hand instead of a new one."""

    def __init__(self, params: Params, lots_of_temper: Sequence[Sequence[int]], **rest):
        n_rounds = max((len(x) for x in lots_of_temper), default=0)
        self.n_draws = params.n_draws
        self.members = []
        for r in range(n_rounds):
            pick = [x[r % len(x)] if x else -1 for x in lots_of_temper]
            effect = lambda name: np.stack([getattr(params, name)[:, i] if i >= 0 else np.zeros(params.n_draws) for i in pick], axis=1)
            known = np.array([1e-6 if i >= 0 else 1.0 for i in pick])
            shifted = params.with_values(
                limit_level=params.limit_level + effect("lot_limit"), angle_level=params.angle_level + effect("lot_angle"),
                lot_limit_sd=params.lot_limit_sd * known.min(), lot_angle_sd=params.lot_angle_sd * known.min(),
                lot_clad_sd=params.lot_clad_sd * known.min())
            self.members.append(Conformance(shifted, clad_offset=effect("lot_clad"), **rest))

    def __call__(self, conditions: Conditions) -> np.ndarray:
        """Return conformance, float32 (n_draws, n_conditions)."""
        return np.mean([m(conditions) for m in self.members], axis=0, dtype=np.float32)
