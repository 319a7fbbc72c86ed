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
from numba import njit, prange
from scipy.special import ndtr

from models.handbook import liquid_fraction, modulus_factor
from models.likelihood import normal_nodes
from models.priors import Params
from models.responses.braze import LOG_TIME_REF, MIN_MINUTES
from models.responses.joints import FILLER_REFERENCE
from models.rows import MIN_STRAIN, Conditions, Settings, Sheet, warmth
from planner.window.tables import EXTRA_VARIANCE, ETA_LOW, ETA_STEP, N_ETA, Grid, Required, Tables, build_tables

PHI_LOW, PHI_STEP = -9.0, 1.0 / 256
_PHI = ndtr(PHI_LOW + PHI_STEP * np.arange(int(-2 * PHI_LOW / PHI_STEP) + 2)).astype(np.float32)
_FEW_NODES, _FEW_WEIGHTS = (a.astype(np.float32) for a in normal_nodes(3))
_MANY_NODES, _MANY_WEIGHTS = (a.astype(np.float32) for a in normal_nodes(5))
WIDE_HEAT = 0.25                  # sd of a load's braze heat above which five nodes are used instead of three
_EXTRA = EXTRA_VARIANCE.astype(np.float32)
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
        cross = (wu[:, :, None] * wv[:, None, :]).astype(np.float32)
        braze = braze_moments(conditions, self.settings, self.sheet.silicon)
        log_modulus = np.log(modulus_factor(conditions.forming_temperature, clamp=True)).astype(np.float32)
        r = self.required
        limits = np.array([NONE if r.gap_max is None else r.gap_max, NONE if r.film_max is None else math.log(r.film_max)], np.float32)
        # conditions in order of their place in the tables: neighbours share cache lines
        order = np.lexsort((iv, iu, conditions.temper))
        out = np.empty((self.params.n_draws, len(conditions)), np.float32)
        _conform(t.forming, t.heat, t.heat_low, t.heat_step, t.outcome, t.scalars, t.feature, self.clad_offset,
                 np.asarray(conditions.temper, np.int64), iu, iv, wu.astype(np.float32), cross, braze, log_modulus, limits, order,
                 self.params.film_recrystallised[:, 0].astype(np.float32), out)
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
    g = (v - _EXTRA[level]) / (_EXTRA[level + 1] - _EXTRA[level])
    a = outcome[level, i] + f * (outcome[level, i + 1] - outcome[level, i])
    b = outcome[level + 1, i] + f * (outcome[level + 1, i + 1] - outcome[level + 1, i])
    return a + g * (b - a)


@njit(cache=True, fastmath=True, inline="always")
def _truncated(alpha, sd, passed):
    """Return E[e^(sd Z)] and E[e^(2 sd Z)] given Z <= alpha, times e^(-sd^2/2) and e^(-2 sd^2)."""
    return _phi(alpha - sd) / passed, _phi(alpha - 2 * sd) / passed


@njit(cache=True, fastmath=True, parallel=True)
def _conform(forming, heat, heat_low, heat_step, outcome, scalars, feature, clad_offset, temper, iu, iv, wu, cross, braze, log_modulus,
             limits, order, log_new, out):
    n_draws, n_features, n_fields = forming.shape[0], feature.shape[2] - 1, forming.shape[4]
    gap_limited, gap_bound = limits[0] < np.float32(1e29), (limits[0] if limits[0] < np.float32(1e29) else np.float32(0.1))
    film_limited, log_film = limits[1] < np.float32(1e29), limits[1]
    for s in prange(n_draws):
        gap_sd, gap_slope, time_weight, film_heat, film_var, filler, share, gap_cost, clad_var = scalars[s]
        field = np.empty(n_fields, np.float32)
        table_w = outcome[s]
        for position in range(order.size):
            i = order[position]
            k, a, b = temper[i], iu[i], iv[i]
            block = forming[s, k]
            for m in range(n_fields):
                field[m] = 0
            for x in range(4):
                for y in range(4):
                    weight = cross[i, x, y]
                    row = block[a + x, b + y]
                    for m in range(n_fields):
                        field[m] += weight * row[m]
            alone = _phi(field[0])
            alpha = field[1] + gap_slope * log_modulus[i] / gap_sd
            if gap_limited:
                gap_pass = max(_phi(alpha), np.float32(1e-9))
                g1, g2 = _truncated(alpha, gap_sd, gap_pass)
            else:
                gap_pass, g1, g2 = np.float32(1), np.float32(1), np.float32(1)
            alone *= gap_pass
            if alone < np.float32(1e-5):
                out[s, i] = 0
                continue
            centre = gap_bound * math.exp(np.float32(0.5) * gap_sd * gap_sd - alpha * gap_sd)
            gap = centre * g1
            gap_var = max(centre * centre * math.exp(gap_sd * gap_sd) * g2 - gap * gap, np.float32(0))
            # braze heat of the load and the liquid clad that goes with it
            q_var = braze[i, 2] + time_weight * time_weight * braze[i, 3]
            q_mean = braze[i, 0] + time_weight * braze[i, 1]
            slope = braze[i, 5] / q_var if q_var > np.float32(1e-12) else np.float32(0)
            q_sd = math.sqrt(q_var)
            lot = np.float32(1) + clad_offset[s, k]
            extra = gap_cost * gap_cost * gap_var + filler * filler * (
                max(braze[i, 6] - slope * braze[i, 5], np.float32(0)) + braze[i, 4] * braze[i, 4] * clad_var)
            total = np.float32(0)
            full = field[2]
            strained = math.exp(full)
            n_nodes = 1 if q_var < np.float32(1e-12) else (3 if q_sd < np.float32(WIDE_HEAT) else 5)
            skew = time_weight * time_weight * time_weight * braze[i, 7] / (q_var * q_sd) if n_nodes > 1 else np.float32(0)
            for node in range(n_nodes):
                if n_nodes == 1:
                    z, wq = np.float32(0), np.float32(1)
                elif n_nodes == 3:
                    z, wq = _FEW_NODES[node], _FEW_WEIGHTS[node]
                else:
                    z, wq = _MANY_NODES[node], _MANY_WEIGHTS[node]
                z += skew * (z * z - np.float32(1)) * np.float32(1.0 / 6.0)      # Cornish-Fisher, first skewness term
                q = q_mean + q_sd * z
                t = min(max((q - heat_low[s]) / heat_step[s], 0.0), heat.shape[3] - 1.001)
                j = int(t)
                f = np.float32(t - j)
                warm_heat = np.float32(0)
                for x in range(4):
                    curve = heat[s, k, a + x]
                    warm_heat += wu[i, x] * (curve[j] + f * (curve[j + 1] - curve[j]))
                eta0 = warm_heat + filler * ((braze[i, 4] + slope * q_sd * z) * lot - np.float32(FILLER_REFERENCE)) - gap_cost * gap
                above = np.float32(1)
                for n_new in range(n_features + 1):
                    below = np.float32(1) / (np.float32(1) + math.exp(-field[3 + n_new])) if n_new < n_features else np.float32(0)
                    chance = above - below
                    above = below
                    if chance < np.float32(1e-4):
                        continue
                    if n_new < n_features:
                        centre_film = film_heat * q + field[3 + n_features + n_new]
                        sd = math.sqrt(film_var + field[3 + 2 * n_features + n_new])
                        worst = full + feature[s, 0, n_new]
                    else:
                        centre_film, sd, worst = film_heat * q, math.sqrt(film_var), log_new[s]
                    if n_new > 0:
                        worst = max(worst, log_new[s])
                    weight_film = feature[s, 1, n_new] + feature[s, 2, n_new] * strained
                    if film_limited:
                        bound = (log_film - worst - centre_film) / sd
                        film_pass = _phi(bound)
                        if film_pass < np.float32(1e-5):
                            continue
                        f1, f2 = _truncated(bound, sd, film_pass)
                    else:
                        film_pass, f1, f2 = np.float32(1), np.float32(1), np.float32(1)
                    level = weight_film * math.exp(centre_film + np.float32(0.5) * sd * sd)
                    depth = level * f1
                    depth_var = max(level * level * math.exp(sd * sd) * f2 - depth * depth, np.float32(0))
                    cost = filler * share
                    total += wq * chance * film_pass * _pass_probability(table_w, eta0 - cost * depth, extra + cost * cost * depth_var)
            out[s, i] = alone * total


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
