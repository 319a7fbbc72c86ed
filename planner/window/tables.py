"""Per-draw tables for the conformance kernel: the forming side, the heat side and the outcome of the joints.

Conformance couples criteria through what one component, lot and load share.  Everything that depends on (temper,
forming temperature, strain) alone, on braze heat alone, or on the joint predictor alone is worked out once per draw on a
small grid by the response functions themselves; the kernel then only interpolates and combines.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np

from models.priors import Params
from models.responses import braze, joints
from models.responses.deviation import N_HEAT_TAU
from models.rows import MIN_STRAIN, T_AMBIENT, Conditions, Settings, Sheet
from planner.window.forming import LANES, LINE, forming_tables, gap_strain_slope
from planner.window.lanes import aligned
from planner.window.outcome import N_ETA, N_LEVEL, outcome_table
from planner.window.required import Required

N_WARM, N_LINE, N_HEAT = 11, 16, 96         # grid nodes over the warm axis, the same for what forming temperature alone decides, and braze heat
STRAIN_STEP, LEAST_ROWS, MOST_ROWS = 0.22, 6, 100
EXACT_STRAIN_STEP = 0.09                    # where strain has no scatter that would round the changes off
WARM_UNIT = 10.0                            # degC at which the warm axis has the value 1
HEAT_LANES, N_SCALARS = 4, 15
REACH = 3.0                                 # standard deviations of the settings that the heat grid spans
CHUNK = 250                                 # draws worked on at a time


def in_chunks(work: Callable, n_draws: int, most: int | None = None) -> list:
    """Return work(first, last) of every chunk of draws (at most `most`; default CHUNK) in order, by as many threads as there are cores for us."""
    size = min(most or CHUNK, CHUNK)
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    pieces = [(a, min(a + size, n_draws)) for a in range(0, n_draws, size)]
    with ThreadPoolExecutor(cores) as pool:
        return list(pool.map(lambda piece: work(*piece), pieces))


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
        return cls(float(low), float(high - low) / (n - 1), n)

    @property
    def nodes(self) -> np.ndarray:
        """The grid nodes."""
        return self.low + self.step * np.arange(self.n)

    def holds(self, other: "Axis") -> bool:
        """Tell whether another axis's span lies inside this one's."""
        return self.low <= other.low + 1e-9 and self.nodes[-1] >= other.nodes[-1] - 1e-9

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
    """The axes that the tables span.  Strain 0 has a grid row of its own, behind the others."""

    warm: Axis                    # signed root of degrees above ambient
    fine: Axis                    # the same span in smaller steps
    strain: Axis                  # ln(strain + soft)
    soft: float                   # strain below which the axis is nearly linear
    h: tuple[float, float]        # (T_braze - 600)/10
    log_minutes: tuple[float, float]
    settings: Settings

    @classmethod
    def covering(cls, conditions: Conditions, settings: Settings) -> "Grid":
        """Return axes that hold every condition and its braze scatter."""
        warm = _warm(conditions.forming_temperature, settings)
        soft = max(settings.strain, 1e-3)
        positive = conditions.strain[conditions.strain > 0]
        low, high = np.log(np.maximum([positive.min(), positive.max()] if len(positive) else [MIN_STRAIN] * 2, MIN_STRAIN) + soft)
        step = STRAIN_STEP if settings.strain > 0 else EXACT_STRAIN_STEP
        rows = int(np.clip(np.ceil((high - low) / step) + 1, LEAST_ROWS, MOST_ROWS))
        h = (conditions.braze_temperature - 600.0) / 10
        spread = REACH * settings.braze_temperature / 10
        first = max(conditions.braze_time.min() - REACH * settings.braze_time, braze.MIN_MINUTES)
        last = max(conditions.braze_time.max() + REACH * settings.braze_time, first)
        return cls(Axis.over(warm.min(), warm.max(), N_WARM), Axis.over(warm.min(), warm.max(), N_LINE), Axis.over(low, high, rows), soft,
                   (h.min() - spread, h.max() + spread), (np.log(first), np.log(last)), settings)

    def holds(self, other: "Grid") -> bool:
        """Tell whether another grid's span lies inside this one's."""
        pair = lambda a, b: a[0] <= b[0] + 1e-9 and a[1] >= b[1] - 1e-9
        return (self.warm.holds(other.warm) and self.strain.holds(other.strain) and pair(self.h, other.h)
                and pair(self.log_minutes, other.log_minutes))

    @property
    def temperatures(self) -> tuple[np.ndarray, np.ndarray]:
        """Forming temperatures of the nodes of `warm` and of `fine`, degC."""
        return tuple(T_AMBIENT + WARM_UNIT * np.sign(x) * x ** 2 for x in (self.warm.nodes, self.fine.nodes))

    @property
    def strains(self) -> np.ndarray:
        """Strains of the grid rows; the last is 0."""
        return np.append(np.maximum(np.exp(self.strain.nodes) - self.soft, MIN_STRAIN), 0.0)

    def place(self, conditions: Conditions) -> tuple[np.ndarray, ...]:
        """Return first warm node and four weights, first fine node and weights, first strain row and weights, of every condition."""
        warm = _warm(conditions.forming_temperature, self.settings)
        iv, wv = self.strain.weights(np.log(np.maximum(conditions.strain, MIN_STRAIN) + self.soft))
        zero = conditions.strain <= 0
        iv = np.where(zero, self.strain.n - 3, iv)                     # the last of its four rows is that of strain 0
        return *self.warm.weights(warm), *self.fine.weights(warm), iv, np.where(zero[:, None], [0.0, 0.0, 0.0, 1.0], wv)


def _warm(temperature, settings: Settings):
    """Return the warm axis's coordinate; far enough below ambient all temperatures are alike."""
    above = np.maximum(np.asarray(temperature, float) - T_AMBIENT, -4.0 * settings.forming_temperature) / WARM_UNIT
    return np.sign(above) * np.sqrt(np.abs(above))


@dataclass(frozen=True)
class Tables:
    """What the kernel reads, float32 where nothing else is said."""

    grid: Grid
    line: np.ndarray              # (n_draws, n_tempers, n_fine, LINE), see forming.forming_tables
    plane: np.ndarray             # (n_draws, n_tempers, n_warm, n_rows, padded 3 n_features), see forming.forming_tables
    heat: np.ndarray              # (n_draws, n_tempers, N_HEAT, HEAT_LANES) heat effect at tau = 0 and the parts along each basis function
    outcome: np.ndarray           # uint32 (n_draws, N_LEVEL, N_ETA), see outcome.outcome_table
    scalars: np.ndarray           # (n_draws, N_SCALARS), see `_scalars`
    feature: np.ndarray           # (n_draws, 3, n_features + 1), see `_features`


def build_tables(p: Params, grid: Grid, sheet: Sheet, settings: Settings, required: Required, clad_offset) -> Tables:
    """Work out the tables of every draw, in chunks over threads."""
    strains, corner = grid.strains, (p.n_draws, p.limit_level.shape[-1])
    n, n_features = p.n_draws, len(sheet.share)
    t = Tables(grid, aligned((*corner, N_LINE, LINE)), aligned((*corner, N_WARM, len(strains), LANES * -(-3 * n_features // LANES))),
               aligned((*corner, N_HEAT, HEAT_LANES)), aligned((n, N_LEVEL, N_ETA)).view(np.uint32), aligned((n, N_SCALARS)),
               aligned((n, 3, n_features + 1)))

    def work(first, last):
        at, part = slice(first, last), p.take(slice(first, last))
        forming_tables(part, *grid.temperatures, strains, sheet, settings, must_not_crack=required.cracked, clad_offset=clad_offset[at],
                       line=t.line[at], plane=t.plane[at])
        heat_grid = _heat(part, grid, t.heat[at])
        eta_grid = outcome_table(part, required, t.outcome[at])
        t.scalars[at], t.feature[at] = _scalars(part, sheet, heat_grid, eta_grid), _features(part, sheet)

    in_chunks(work, n)
    return t


class _Lifted:
    """Parameters with axes (n_draws, n_tempers or 1, 1), so that a response broadcasts over a last axis of its own."""

    def __init__(self, p: Params):
        self._p = p

    def __getattr__(self, name):
        value = getattr(self._p, name)
        return tuple(v[:, :, None] for v in value) if isinstance(value, tuple) else value[:, :, None]

    def of(self, temper):
        return self


@dataclass(frozen=True)
class _Warmth:
    tau: float
    basis: tuple
    temper: None = None


def _heat(p: Params, grid: Grid, out: np.ndarray) -> np.ndarray:
    """Fill in the heat effect's parts; return each draw's own grid of braze heat (low, 1/step).

    The effect is a function of heat, plus basis functions of warmth times functions of heat, plus a term in warmth alone.
    """
    weight = p.time_weight[:, 0]
    ends = np.stack([weight * (end - braze.LOG_TIME_REF) for end in grid.log_minutes])
    low, high = grid.h[0] + ends.min(0) - 1e-3, grid.h[1] + ends.max(0) + 1e-3
    step = (high - low) / (N_HEAT - 1)
    q = (low[:, None] + step[:, None] * np.arange(N_HEAT))[:, None, :]
    basis = np.eye(N_HEAT_TAU + 1)[1:, :, None, None, None]          # none of the basis functions of warmth, then each alone
    effect = joints.heat_effect(_Lifted(p), _Warmth(0.0, tuple(basis)), q)
    out[..., 0] = effect[0]
    for i in range(N_HEAT_TAU):
        out[..., 1 + i] = effect[1 + i] - effect[0]
    out[..., 1 + N_HEAT_TAU:] = 0.0
    return np.stack([low, 1.0 / step], axis=1)


def _scalars(p: Params, sheet: Sheet, heat_grid, eta_grid) -> np.ndarray:
    """Return per draw: 0 gap slope, 1 d ln(gap)/d strain, 2 time weight, 3 film heat, 4 film variance, 5 filler slope, 6 silicon share
    per um, 7 gap slope of joints per mm, 8 slope of joints in tau, 9 film exponent, 10 ln film when recrystallised, 11-12 heat grid,
    13-14 predictor grid (low, 1/step)."""
    columns = [p.gap_slope, gap_strain_slope(p)[:, None], p.time_weight, p.film_heat, p.film_sd ** 2 + p.load_film_sd ** 2, p.joint_filler,
               p.silicon_share / sheet.clad_um, p.joint_gap / joints.GAP_REFERENCE, p.joint_tau, p.film_exponent, p.film_recrystallised]
    return np.concatenate([*columns, heat_grid, eta_grid], axis=1).astype(np.float32)


def _features(p: Params, sheet: Sheet) -> np.ndarray:
    """Return by number of recrystallised features: ln share effect of the worst that is not, film weight near zero, film weight of the rest."""
    n = len(sheet.share)
    relative = p.film_exponent * np.log(sheet.share)            # (n_draws, n_features)
    low = np.exp(p.film_recrystallised[:, 0])
    out = np.zeros((p.n_draws, 3, n + 1))
    out[:, 0, :n] = relative
    for j in range(n + 1):
        out[:, 1, j] = low * sheet.weight[:j].sum()
        out[:, 2, j] = np.exp(relative[:, j:]) @ sheet.weight[j:] if j < n else 0.0
    return out.astype(np.float32)
