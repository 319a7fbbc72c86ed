"""The forming side of conformance, per draw: limit strain, gap, film base and the states of recrystallisation.

One component's actual forming temperature and strain reach cracking, recrystallisation and film together.  They are
integrated here: two nodes for the warmth (exact to its third moment, also where warmth has its kink at ambient), and as
many for the strain as its scatter needs.  The response functions give every coefficient; what is used besides is
that stored strain and the logs of gap and film are linear in strain, in strain and in ln strain.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numba import njit

from models.handbook import modulus_factor
from models.likelihood import normal_nodes
from models.priors import Params
from models.responses import film, formability, recrystallisation, springback
from models.rows import MIN_STRAIN, T_AMBIENT, T_SPAN, Conditions, Settings, Sheet, at_actual_settings, design, warmth
from planner.window.lanes import F, compiled, exp32, log32, phi32, plain
from planner.window.truncated import gauss_rule

LANES = 16                    # fields are padded to a multiple of this, one register of the vector unit
LINE = 16                     # fields that depend on temper and forming temperature only (and padding: one register)
N_WARM_NODES, N_LINE_NODES = 2, 5
STRIDE = 1024                 # room for the strain nodes of all grid rows
LOGIT_CAP = F(30.0)
TINY, FLOOR = F(1e-12), F(1e-7)
WIDEST, NARROWEST = np.log(5.0), np.log(1e-6)    # actual strains beyond these make no difference
MOST_VARIANCE = F(4.0)        # of ln film depth from the settings


def warmth_nodes(temperature, sd: float, n: int = N_WARM_NODES) -> tuple[np.ndarray, np.ndarray]:
    """Return n Gauss nodes and weights, each (n_temperatures, n), of the warmth of parts formed at `temperature` +- sd (degC)."""
    return _warmth_nodes(tuple(np.asarray(temperature, float)), sd, n)


@lru_cache(maxsize=16)
def _warmth_nodes(temperature: tuple, sd: float, n: int) -> tuple[np.ndarray, np.ndarray]:
    z = np.linspace(-7.0, 7.0, 1401)
    w = np.exp(-0.5 * z * z)
    w /= w.sum()
    tau = warmth(np.asarray(temperature, float)[:, None] + sd * z)
    mean = tau @ w
    off = tau - mean[:, None]
    spread = np.sqrt(off ** 2 @ w)[:, None]
    nodes, weights = gauss_rule(np.where(spread > 1e-9, off / np.maximum(spread, 1e-9), z), np.broadcast_to(w, tau.shape), n)
    return np.maximum(mean[:, None] + spread * nodes, 0.0), weights


def strain_nodes(strain, sd: float) -> tuple[np.ndarray, ...]:
    """Return for each strain of a grid its nodes end to end: ln strain, departure from the set ln strain, weight; and where each starts.

    A strain of 0 has no scatter.
    """
    return _strain_nodes(tuple(np.asarray(strain, float)), sd)


@lru_cache(maxsize=16)
def _strain_nodes(strain: tuple, sd: float) -> tuple[np.ndarray, ...]:
    parts, starts = [], [0]
    for value in strain:
        positive = max(value, MIN_STRAIN)
        spread = sd / positive if value > 0 else 0.0
        if spread == 0:
            z, w = np.zeros(1), np.ones(1)
        elif spread < 0.13:
            z, w = normal_nodes(3 if spread < 0.015 else 5)
        else:                      # equal steps: better than Gauss for the sharp edge of recrystallisation
            step = np.clip(0.3 / spread, 0.1, 0.8)
            z = step * np.arange(-int(3.6 / step), int(3.6 / step) + 1)
            w = np.exp(-0.5 * z * z) / np.exp(-0.5 * z * z).sum()
        x = np.clip(np.log(positive) + spread * z, NARROWEST, WIDEST)
        parts.append((x, x - np.log(positive), w))
        starts.append(starts[-1] + len(z))
    return (*(np.concatenate(c) for c in zip(*parts)), np.array(starts))


def forming_tables(p: Params, temperature, fine, strain, sheet: Sheet, settings: Settings, *, must_not_crack: bool, clad_offset,
                   line: np.ndarray, plane: np.ndarray) -> None:
    """Fill in the fields of some draws on the grid.

    Parameters
    ----------
    temperature : (n_warm,) degC, of the plane; fine : (n_fine,) degC, of the line; strain : (n_rows,) grid rows, 0 allowed.
    clad_offset : (n_draws, n_tempers) known lot effect on clad.
    line : (n_draws, n_tempers, n_fine, LINE): 0 mean and 1 variance of the ln strain at which the most strained feature
        cracks, 2 ln film depth at ln strain 0, 3 mean and 4 variance of ln gap at strain 0 and the modulus of 20 degC,
        5 variance and 6 mean of the lot's clad relative to nominal, 7 covariance of 0 and 3 through warmth, third central
        moment of 8 the former and 9 the latter.
    plane : (n_draws, n_tempers, n_warm, n_rows, padded 3 n_features): per feature the logit of P(recrystallised | not cracked), then mean,
        then variance of the film's departure from the settings when that many features recrystallised.
    """
    n_tempers, n_warm = p.limit_level.shape[-1], len(temperature)
    tau, weight = warmth_nodes(temperature, settings.forming_temperature)
    rows = _rows(temperature, tau, n_tempers)
    shape = (p.n_draws, n_tempers, n_warm, N_WARM_NODES)
    over = lambda a: np.broadcast_to(a, (p.n_draws, n_tempers * n_warm * N_WARM_NODES)).reshape(shape)
    limit = over(formability.log_limit_strain(p, rows, 0.0)) - np.log(sheet.share.max())
    limit_sd = np.broadcast_to(np.sqrt(p.limit_sd ** 2 + p.lot_limit_sd ** 2), shape[:2])
    set_tau = warmth(temperature)
    _fill_line(p, fine, sheet, settings, limit_sd, clad_offset, line)
    prior = np.exp(recrystallisation.excess(p, rows, log_strain=np.full(len(rows), -np.inf))[0])
    whole = np.exp(recrystallisation.excess(p, rows, log_strain=np.zeros(len(rows)))[0])
    x, moved, w, starts = strain_nodes(strain, settings.strain)
    owner = np.repeat(strain, np.diff(starts))
    f32 = lambda a: plain(a, np.float32)
    _fill(f32(limit), f32(1.0 / limit_sd), f32(over(prior)), f32(over(whole - prior)), f32(1.0 / p.recrystallised_width[:, 0]),
          f32(p.film_exponent[:, 0]), f32(p.film_tau[:, :, None] * (tau - set_tau[:, None])), f32(weight), must_not_crack,
          f32(np.where(owner > 0, x, -99.0)), f32(np.exp(x)[None, :] * sheet.share[:, None]), f32(moved), f32(w), plain(starts, np.int64), plane)


def _fill_line(p: Params, temperature, sheet: Sheet, settings: Settings, limit_sd, clad_offset, line: np.ndarray) -> None:
    """Fill the line: moments over warmth, from more nodes than the plane needs."""
    n_tempers, (tau, weight) = line.shape[1], warmth_nodes(temperature, settings.forming_temperature, N_LINE_NODES)
    rows, shape = _rows(temperature, tau, n_tempers), (*line.shape[:3], N_LINE_NODES)
    over = lambda a: np.broadcast_to(a, (len(line), len(rows))).reshape(shape)
    limit = over(formability.log_limit_strain(p, rows, 0.0)) - np.log(sheet.share.max())
    gap = over(springback.log_gap(p, springback.log_angle(p, rows, 0.0), rows.tau))
    base = design(_conditions(temperature, n_tempers))
    moved = p.gap_slope[:, :, None] * _log_modulus_moved(temperature, tau)      # the set modulus is the kernel's
    _moments(plain(limit, float), plain(gap, float), plain(moved, float), weight, line)
    line[..., 1] += limit_sd[:, :, None] ** 2
    line[..., 2] = film.base(p, base, log_strain=np.zeros(len(base))).reshape(shape[:3])
    line[..., 4] += (p.gap_sd ** 2 + (p.gap_slope * p.lot_angle_sd) ** 2)[:, :, None]
    line[..., 5] = (p.lot_clad_sd ** 2)[:, :, None]
    line[..., 6] = 1.0 + clad_offset[:, :, None]
    line[..., 10:] = 0.0


@compiled(fastmath=True, nogil=True, error_model="numpy")
def _moments(limit, gap, moved, weight, line):
    """Fill in what `line` says of mean, variance, third moment and covariance over the nodes of warmth."""
    n_draws, n_tempers, n_fine, n_nodes = limit.shape
    for s in range(n_draws):
        for k in range(n_tempers):
            for u in range(n_fine):
                x, y, z = 0.0, 0.0, 0.0
                for i in range(n_nodes):
                    x += weight[u, i] * limit[s, k, u, i]
                    y += weight[u, i] * gap[s, k, u, i]
                    z += weight[u, i] * moved[s, u, i]
                xx, xy, yy, xxx, yyy = 0.0, 0.0, 0.0, 0.0, 0.0
                for i in range(n_nodes):
                    w, a = weight[u, i], limit[s, k, u, i] - x
                    b = gap[s, k, u, i] - moved[s, u, i] - y + z
                    xx += w * a * a
                    xy += w * a * b
                    yy += w * b * b
                    xxx += w * a * a * a
                    yyy += w * b * b * b
                own = line[s, k, u]
                own[0], own[1], own[3], own[4], own[7], own[8], own[9] = x, xx, y, yy, xy, xxx, yyy


def _log_modulus_moved(temperature, tau) -> np.ndarray:
    """Return ln E at the nodes of warmth less ln E at the set temperature, (n_warm, n_nodes)."""
    log_modulus = lambda t: np.log(modulus_factor(t, clamp=True))
    return log_modulus(T_AMBIENT + T_SPAN * tau) - log_modulus(np.maximum(temperature, T_AMBIENT))[:, None]


def _conditions(temperature, n_tempers: int) -> Conditions:
    k, t = np.meshgrid(np.arange(n_tempers), temperature, indexing="ij")
    full = np.zeros(k.size)
    return Conditions(k.ravel(), t.ravel(), full, full + 600.0, full + 3.0)


def _rows(temperature, tau, n_tempers: int):
    """Return the design of every (temper, temperature, node of warmth) at zero strain and the modulus of 20 degC."""
    wide = design(_conditions(np.repeat(temperature, tau.shape[1]), n_tempers))
    return at_actual_settings(wide, np.tile(tau.ravel(), n_tempers), np.zeros(len(wide)), np.full(len(wide), -np.inf))


def gap_strain_slope(p: Params) -> np.ndarray:
    """Return d ln(gap)/d strain, (n_draws,)."""
    one = design(Conditions(np.zeros(2, int), np.full(2, T_AMBIENT), np.array([0.0, 1.0]), np.full(2, 600.0), np.full(2, 3.0)))
    return np.diff(springback.log_gap(p, springback.log_angle(p, one, 0.0), one.tau), axis=1)[:, 0]


@njit(fastmath=True, error_model="numpy", inline="always")
def _logit_of(inside, outside):
    return min(max(log32(inside + F(1e-30)) - log32(outside + F(1e-30)), -LOGIT_CAP), LOGIT_CAP)


@compiled(fastmath=True, nogil=True, error_model="numpy")
def _fill(limit, inverse_sd, prior, slope, inverse_width, exponent, tau_moved, weight, must_not_crack, crack_strain, strained, moved,
          w, starts, plane):
    """Fill the plane: sums over nodes run along all strain nodes at once, then each grid row gathers its own."""
    n_draws, n_tempers, n_warm, n_nodes = limit.shape
    n_features, n = strained.shape
    now, chance, before = np.empty(STRIDE, np.float32), np.empty(STRIDE, np.float32), np.empty(STRIDE, np.float32)
    shift = np.empty(STRIDE, np.float32)
    sums = np.empty((n_features, 5, STRIDE), np.float32)      # in, out of the state; weight, first, second moment of the shift
    for s in range(n_draws):
        for k in range(n_tempers):
            for u in range(n_warm):
                sums[:] = F(0.0)
                for node in range(n_nodes):
                    for i in range(n):
                        now[i] = weight[u, node] * w[i]
                        before[i] = F(1.0)
                        shift[i] = exponent[s] * moved[i] + tau_moved[s, u, node]
                    if must_not_crack:
                        top, inverse = limit[s, k, u, node], inverse_sd[s, k]
                        for i in range(n):
                            now[i] = now[i] * (phi32((top - crack_strain[i]) * inverse) + TINY)
                    a, b, steep = prior[s, k, u, node], slope[s, k, u, node], inverse_width[s]
                    for j in range(n_features):
                        for i in range(n):
                            logit = min(max(steep * log32(a + b * strained[j, i] + FLOOR * FLOOR), -LOGIT_CAP), LOGIT_CAP)
                            part = exp32(-logit)
                            chance[i] = F(1.0) / (F(1.0) + part)
                            sums[j, 0, i] += now[i] * chance[i]
                            sums[j, 1, i] += now[i] * chance[i] * part
                        for i in range(n):
                            state = now[i] * (max(before[i] - chance[i], F(0.0)) + FLOOR)
                            before[i] = chance[i]
                            sums[j, 2, i] += state
                            sums[j, 3, i] += state * shift[i]
                            sums[j, 4, i] += state * shift[i] * shift[i]
                _gather(sums, starts, plane[s, k, u])


@njit(fastmath=True, error_model="numpy", forceinline=True)
def _gather(sums, starts, out):
    n_features = sums.shape[0]
    for r in range(starts.size - 1):
        for j in range(n_features):
            inside, outside, total, first, second = F(0.0), F(0.0), F(0.0), F(0.0), F(0.0)
            for i in range(starts[r], starts[r + 1]):
                inside += sums[j, 0, i]
                outside += sums[j, 1, i]
                total += sums[j, 2, i]
                first += sums[j, 3, i]
                second += sums[j, 4, i]
            mean = first / (total + F(1e-30))
            out[r, j] = _logit_of(inside, outside)
            out[r, n_features + j] = mean
            out[r, 2 * n_features + j] = min(max(second / (total + F(1e-30)) - mean * mean, F(0.0)), MOST_VARIANCE)
        for j in range(3 * n_features, out.shape[1]):
            out[r, j] = F(0.0)
