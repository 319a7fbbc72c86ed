"""Per-draw tables for the conformance kernel: the forming side, the heat side and the outcome of the joints.

Conformance couples criteria through what one component, lot and load share.  Everything that depends on (temper,
forming temperature, strain) alone, on braze heat alone, or on the joint predictor alone is worked out once per draw on a
small grid by the response functions themselves; the kernel then only interpolates and combines.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from numba import njit
from scipy.special import ndtr

from models.likelihood import logistic, normal_nodes
from models.priors import Params
from models.responses import braze, film, formability, joints, recrystallisation, springback
from models.rows import MIN_STRAIN, T_AMBIENT, T_SPAN, Conditions, Settings, Sheet, at_actual_settings, design, warmth

N_WARM, N_STRAIN, N_HEAT = 11, 13, 72       # grid nodes over sqrt(tau), ln strain and braze heat
N_SCATTER = 3                               # nodes for each of the actual forming temperature and strain
LOGIT_CAP = 30.0
ETA_LOW, ETA_STEP, N_ETA = -12.0, 0.125, 233  # joint predictor grid of the outcome table
RAW_LOW, RAW_STEP, N_RAW = -24.0, 0.125, 425
EXTRA_VARIANCE = np.array([0.0, 0.07, 0.22, 0.5, 1.0, 2.0])
N_OUTCOME_NODES = 11
LANES = 12                                   # fields are padded to a multiple of this, for the processor's vector unit
CHUNK = 250                                 # draws worked on at a time


@dataclass(frozen=True)
class Required:
    """The criteria as numbers; None where a criterion is not required."""

    cracked: bool                 # True: must not crack
    gap_max: float | None         # mm
    sound_min: int | None         # joints of `n_joints`
    film_max: float | None        # um
    leaked: bool                  # True: must not leak
    n_joints: int


@dataclass(frozen=True)
class Axis:
    """A uniform grid and cubic interpolation on it."""

    low: float
    step: float
    n: int

    @classmethod
    def over(cls, low: float, high: float, n: int) -> "Axis":
        """Return a grid of n nodes over [low, high] (widened a little if empty)."""
        high = max(high, low + 1e-3)
        return cls(low, (high - low) / (n - 1), n)

    @property
    def nodes(self) -> np.ndarray:
        """The grid nodes."""
        return self.low + self.step * np.arange(self.n)

    def weights(self, x) -> tuple[np.ndarray, np.ndarray]:
        """Return the first of four node indices and the four cubic (Lagrange) weights, shapes (n,) and (n, 4)."""
        t = (np.asarray(x, float) - self.low) / self.step
        first = np.clip(np.floor(t).astype(np.int64) - 1, 0, self.n - 4)
        u = np.clip(t - first, 0.0, 3.0)[:, None]
        w = np.concatenate([-(u - 1) * (u - 2) * (u - 3) / 6, u * (u - 2) * (u - 3) / 2, -u * (u - 1) * (u - 3) / 2,
                            u * (u - 1) * (u - 2) / 6], axis=1)
        return first, w


@dataclass(frozen=True)
class Grid:
    """The axes that the tables span."""

    warm: Axis                    # sqrt(tau)
    strain: Axis                  # ln strain
    h: tuple[float, float]        # (T_braze - 600)/10
    log_minutes: tuple[float, float]

    @classmethod
    def covering(cls, conditions: Conditions, settings: Settings) -> "Grid":
        """Return axes that hold every condition and its braze scatter."""
        warm = np.sqrt(warmth(conditions.forming_temperature))
        v = np.log(np.maximum(conditions.strain, MIN_STRAIN))
        h = (conditions.braze_temperature - 600.0) / 10
        spread = 2.2 * settings.braze_temperature / 10
        low_t = np.maximum(conditions.braze_time.min() - 2.2 * settings.braze_time, 0.3 * conditions.braze_time.min())
        return cls(Axis.over(warm.min(), warm.max(), N_WARM), Axis.over(v.min(), v.max(), N_STRAIN),
                   (h.min() - spread, h.max() + spread),
                   (np.log(max(low_t, braze.MIN_MINUTES)), np.log(conditions.braze_time.max() + 2.2 * settings.braze_time + 1e-6)))

    def holds(self, other: "Grid") -> bool:
        """Tell whether another grid's span lies inside this one's."""
        inside = lambda a, b: a.low <= b.low + 1e-9 and a.nodes[-1] >= b.nodes[-1] - 1e-9
        pair = lambda a, b: a[0] <= b[0] + 1e-9 and a[1] >= b[1] - 1e-9
        return (inside(self.warm, other.warm) and inside(self.strain, other.strain) and pair(self.h, other.h)
                and pair(self.log_minutes, other.log_minutes))


@dataclass(frozen=True)
class Tables:
    """What the kernel reads, float32 unless said; n_features features, F fields.

    Fields of `forming`: 0 crack margin, 1 gap margin without the modulus, 2 base of ln film at the full strain,
    then per feature the logit of P(recrystallised | not cracked), the mean and the variance of the film's shift from the
    settings when that many features recrystallised.
    """

    grid: Grid
    forming: np.ndarray           # (n_draws, n_tempers, N_WARM, N_STRAIN, 3 + 3 n_features, padded)
    heat: np.ndarray              # (n_draws, n_tempers, N_WARM, N_HEAT)
    heat_low: np.ndarray          # (n_draws,) first braze heat of the heat grid
    heat_step: np.ndarray         # (n_draws,)
    outcome: np.ndarray           # (n_draws, 6, N_ETA) P(joints and leak pass | predictor, extra variance)
    scalars: np.ndarray           # (n_draws, 9) see `_scalars`
    feature: np.ndarray           # (n_draws, 3, n_features + 1) largest relative base, low and high film weights by state


def build_tables(p: Params, grid: Grid, sheet: Sheet, settings: Settings, required: Required, clad_offset=0.0) -> Tables:
    """Work out the tables of every draw, in chunks over two threads."""
    pieces = [np.arange(a, min(a + CHUNK, p.n_draws)) for a in range(0, p.n_draws, CHUNK)]
    with ThreadPoolExecutor(2) as pool:
        forming = list(pool.map(lambda i: _forming(p.take(i), grid, sheet, settings, required), pieces))
        heat = list(pool.map(lambda i: _heat(p.take(i), grid), pieces))
        outcome = list(pool.map(lambda i: _outcome(p.take(i), required), pieces))
    join = lambda parts: np.concatenate(parts).astype(np.float32)
    feature = _features(p, sheet)
    return Tables(grid, join(forming), join([h[0] for h in heat]), np.concatenate([h[1] for h in heat]),
                  np.concatenate([h[2] for h in heat]), join(outcome), _scalars(p, sheet), feature)


def _grid_conditions(grid: Grid, n_tempers: int) -> Conditions:
    k, u, v = np.meshgrid(np.arange(n_tempers), grid.warm.nodes, grid.strain.nodes, indexing="ij")
    full = np.zeros(k.size)
    return Conditions(k.ravel(), T_AMBIENT + T_SPAN * u.ravel() ** 2, np.exp(v.ravel()), full + 600.0, full + 3.0)


def _forming(p: Params, grid: Grid, sheet: Sheet, settings: Settings, required: Required) -> np.ndarray:
    """Return the forming fields of some draws."""
    n_tempers, n_features = p.limit_level.shape[-1], len(sheet.share)
    base = design(_grid_conditions(grid, n_tempers), settings=settings)
    x, w = normal_nodes(N_SCATTER)
    if settings.forming_temperature == 0 and settings.strain == 0:
        x, w = np.zeros(1), np.ones(1)
    temperature = T_AMBIENT + T_SPAN * base.tau
    s_limit = np.sqrt(p.limit_sd ** 2 + p.lot_limit_sd ** 2)
    log_top = np.log(sheet.share.max())
    mean, square, total = 0.0, 0.0, 0.0
    states = [0.0] * n_features
    shifts = [[0.0, 0.0, 0.0] for _ in range(n_features)]      # by number recrystallised: weight, first, second moment
    for xt, wt in zip(x, w):
        tau = warmth(temperature + settings.forming_temperature * xt)
        warm = at_actual_settings(base, tau, base.log_modulus, base.log_strain)
        limit = formability.log_limit_strain(p, warm, 0.0)
        mean, square = mean + wt * limit, square + wt * limit ** 2
        for xe, we in zip(x, w):
            log_strain = base.log_strain + base.log_strain_sd * xe
            weight = wt * we * (ndtr((limit - log_strain - log_top) / s_limit) + 1e-12)
            moved = p.film_exponent * base.log_strain_sd * xe + p.film_tau * (tau - base.tau)
            chance = [logistic(np.clip(recrystallisation.excess(p, warm, log_strain=log_strain + np.log(s))[0]
                                       / p.recrystallised_width, -LOGIT_CAP, LOGIT_CAP)) for s in sheet.share]
            total = total + weight
            for j in range(n_features):
                states[j] = states[j] + weight * chance[j]
                now = weight * ((chance[j - 1] if j else 1.0) - chance[j] + 1e-9)
                for m, value in enumerate((now, now * moved, now * moved ** 2)):
                    shifts[j][m] = shifts[j][m] + value
    spread = np.maximum(square - mean ** 2, 0.0)
    margin = (mean - base.log_strain - log_top) / np.sqrt(s_limit ** 2 + spread + base.log_strain_sd ** 2)
    fields = [margin if required.cracked else np.full_like(margin, 9.0), _gap_margin(p, base, required), film.base(p, base)]
    for j in range(n_features):
        share = np.clip(states[j] / total, 1e-13, 1 - 1e-13)
        fields.append(np.log(share / (1 - share)))
    first = [s[1] / s[0] for s in shifts]
    fields += first + [np.maximum(s[2] / s[0] - m ** 2, 0.0) for s, m in zip(shifts, first)]
    stacked = np.zeros((*margin.shape, LANES * -(-len(fields) // LANES)), np.float32)
    for m, f in enumerate(fields):
        stacked[..., m] = f
    return stacked.reshape(p.n_draws, n_tempers, N_WARM, N_STRAIN, -1)


def _gap_margin(p: Params, base, required: Required) -> np.ndarray:
    """Return (ln gap_max - mean ln gap)/sd with the modulus left out (it is added by condition)."""
    plain = at_actual_settings(base, base.tau, np.zeros_like(base.tau), base.log_strain)
    angle = springback.log_angle(p, plain, 0.0)
    warm, strained = springback.angle_slopes(p, base)
    warm = p.gap_slope * warm + p.gap_slope_tau * base.tau_spread
    extra = warm ** 2 + (p.gap_slope * strained * base.log_strain_sd) ** 2
    sd = _gap_sd(p)
    return (np.log(_gap_bound(required)) - springback.log_gap(p, angle, base.tau)) / np.sqrt(sd ** 2 + extra)


def _gap_bound(required: Required) -> float:
    return required.gap_max if required.gap_max is not None else joints.GAP_REFERENCE


def _gap_sd(p: Params) -> np.ndarray:
    return np.sqrt(p.gap_sd ** 2 + (p.gap_slope * p.lot_angle_sd) ** 2)


def _heat(p: Params, grid: Grid):
    """Return the heat effect of some draws on (temper, warm, q), and each draw's q grid."""
    n_tempers = p.limit_level.shape[-1]
    weight = p.time_weight[:, 0]
    ends = np.stack([weight * (grid.log_minutes[0] - braze.LOG_TIME_REF), weight * (grid.log_minutes[1] - braze.LOG_TIME_REF)])
    low, high = grid.h[0] + ends.min(0) - 1e-6, grid.h[1] + ends.max(0) + 1e-6
    step = (high - low) / (N_HEAT - 1)
    q = (low[:, None] + step[:, None] * np.arange(N_HEAT))[:, None, None, :]
    k, u = np.meshgrid(np.arange(n_tempers), grid.warm.nodes, indexing="ij")
    full = np.zeros(k.size)
    d = design(Conditions(k.ravel(), T_AMBIENT + T_SPAN * u.ravel() ** 2, full + 0.1, full + 600.0, full + 3.0))
    wide = _Spread(p, n_tempers, N_WARM)
    shape = (n_tempers, N_WARM, 1)
    effect = joints.heat_effect(wide, _Shaped(d.temper.reshape(shape), d.tau.reshape(shape), d.basis.reshape((-1,) + shape)), q)
    return effect, low, step


@dataclass(frozen=True)
class _Shaped:
    temper: np.ndarray
    tau: np.ndarray
    basis: np.ndarray


class _Spread:
    """Parameters with trailing axes for (temper, warm, q); temper coefficients stand on their own axis."""

    def __init__(self, p: Params, n_tempers: int, n_warm: int):
        self._p = p

    def __getattr__(self, name):
        return getattr(self._p, name)[:, :, None, None]

    def of(self, temper):
        return Params({"joint_deviation": tuple(c[:, :, None, None] for c in self._p.joint_deviation)})


def _outcome(p: Params, required: Required) -> np.ndarray:
    """Return P(joint count and leak test pass) on the predictor grid, averaged over load, component and extra variance."""
    raw_eta = RAW_LOW + RAW_STEP * np.arange(N_RAW)
    passed = np.ones((p.n_draws, N_RAW))
    if required.sound_min is not None:
        chance = np.clip(logistic(raw_eta), 1e-9, 1 - 1e-9)
        passed = count_tail(np.ascontiguousarray(chance), np.ascontiguousarray(p.concentration[:, 0]), required.n_joints, required.sound_min)
    if required.leaked:
        passed = passed * (1.0 - logistic(joints.leak_logit(p, raw_eta)))
    x, w = normal_nodes(N_OUTCOME_NODES)
    eta = ETA_LOW + ETA_STEP * np.arange(N_ETA)
    base = (p.component_sd ** 2 + p.load_joint_sd ** 2)[:, 0]
    return _blur(passed, np.sqrt(base[:, None] + EXTRA_VARIANCE), eta, x, w)


@njit(cache=True, fastmath=True, nogil=True)
def _blur(passed, sd, eta, x, w):
    """Average a tabulated curve over a normal of each given sd."""
    n_draws, n_levels = sd.shape
    out = np.zeros((n_draws, n_levels, eta.size))
    for s in range(n_draws):
        for level in range(n_levels):
            for j in range(x.size):
                offset = (eta[0] + sd[s, level] * x[j] - RAW_LOW) / RAW_STEP
                stride = (eta[1] - eta[0]) / RAW_STEP
                for i in range(eta.size):
                    t = min(max(offset + stride * i, 0.0), N_RAW - 1.001)
                    a = int(t)
                    f = t - a
                    out[s, level, i] += w[j] * (passed[s, a] * (1 - f) + passed[s, a + 1] * f)
    return out


@njit(cache=True, nogil=True)
def count_tail(chance, concentration, n, least):
    """Return P(sound >= least) of a beta-binomial for every (concentration, chance), by recurrence from k = n down.

    Parameters
    ----------
    chance : (n_chance,) mean shares; concentration : (n_draws,) a + b; n : joints inspected; least : joints needed.
    """
    out = np.empty((concentration.size, chance.size))
    for s in range(concentration.size):
        c = concentration[s]
        for i in range(chance.size):
            a, b = chance[i] * c, (1 - chance[i]) * c
            log_top = 0.0
            for k in range(n):
                log_top += np.log((a + k) / (c + k)) if n <= 64 else 0.0
            if n > 64:
                log_top = _lgamma(a + n) - _lgamma(a) - _lgamma(c + n) + _lgamma(c)
            term, total, scale = 1.0, 1.0, 0.0
            for k in range(n, least, -1):
                term *= k / (n - k + 1.0) * (b + n - k) / (a + k - 1.0)
                total += term
                if total > 1e200:
                    term, total, scale = term * 1e-200, total * 1e-200, scale + np.log(1e200)
            out[s, i] = min(1.0, np.exp(log_top + scale + np.log(total))) if least > 0 else 1.0
    return out


@njit(cache=True, nogil=True)
def _lgamma(x):
    shift = 0.0
    while x < 12.0:
        shift -= np.log(x)
        x += 1.0
    r = 1.0 / (x * x)
    return shift + (x - 0.5) * np.log(x) - x + 0.9189385332046727 + (1.0 / 12 - r * (1.0 / 360 - r * (1.0 / 1260 - r / 1680))) / x


def _scalars(p: Params, sheet: Sheet) -> np.ndarray:
    """Return per draw: gap sd, gap slope, time weight, film heat, film variance, filler slope, silicon share per um, gap slope of joints per mm, clad lot variance."""
    return np.concatenate([_gap_sd(p), p.gap_slope, p.time_weight, p.film_heat, p.film_sd ** 2 + p.load_film_sd ** 2, p.joint_filler,
                           p.silicon_share / sheet.clad_um, p.joint_gap / joints.GAP_REFERENCE, p.lot_clad_sd ** 2], axis=1).astype(np.float32)


def _features(p: Params, sheet: Sheet) -> np.ndarray:
    """Return by number of recrystallised features: ln share effect of the worst that is not, film weight near zero, film weight of the rest."""
    n = len(sheet.share)
    relative = p.film_exponent * np.log(sheet.share)            # (n_draws, n_features)
    low = np.exp(p.film_recrystallised[:, 0])
    out = np.zeros((p.n_draws, 3, n + 1))
    out[:, 0, :n] = relative
    out[:, 0, n] = -np.inf
    for j in range(n + 1):
        out[:, 1, j] = low * sheet.weight[:j].sum()
        out[:, 2, j] = np.exp(relative[:, j:]) @ sheet.weight[j:] if j < n else 0.0
    return out.astype(np.float32)
