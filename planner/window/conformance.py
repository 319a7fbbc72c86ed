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
from dataclasses import replace
from functools import cached_property

import numpy as np

from models.handbook import liquid_fraction, modulus_factor
from models.priors import Params
from models.responses.braze import LOG_TIME_REF, MIN_MINUTES
from models.responses.deviation import tau_basis
from models.rows import MIN_STRAIN, Conditions, Settings, Sheet, warmth
from planner.window.block import BLOCK, N_INPUT
from planner.window.kernel import conform
from planner.window.lanes import plain
from planner.window.required import Required
from planner.window.tables import Grid, Tables, build_tables, in_chunks
from planner.window.truncated import truncated_rules
from planner.window.wide import ENDS, WIDE, wide_rule

__all__ = ["Conformance", "LotsSeen", "Required"]

WIDE_AT_ONCE = 64                 # conditions whose actual strains go through the kernel together: some thousands of nodes
DRAWS_AT_ONCE = 80                # few, so that no thread waits long for the last
NO_LIMIT = 60.0                   # ln of a gap or film that everything stays below
MOST_STRAIN_SPREAD = 0.6          # of ln strain, as far as the gap's small dependence on strain goes
N_BRAZE_NODES = 61                # equal steps: the liquid share has a kink at the liquidus


class Conformance:
    """Conformance of conditions under every draw; call it with conditions.

    Parameters
    ----------
    params : draws of the parameters; lot standard deviations may have one column or one per temper.
    sheet, settings : constants of the campaign.
    required : the criteria.
    box : conditions that the tables should span from the start (corners of the factor box).
    clad_offset : (n_draws, n_tempers) known lot effect on clad (0 for a new lot).
    """

    def __init__(self, params: Params, *, sheet: Sheet, settings: Settings, required: Required, box: Conditions,
                 clad_offset: np.ndarray | None = None):
        self.params, self.sheet, self.settings, self.required, self.box = params, sheet, settings, required, box
        self.clad_offset = np.zeros((params.n_draws, params.limit_level.shape[-1])) if clad_offset is None else clad_offset
        self._tables: Tables | None = None

    def tables(self, conditions: Conditions) -> Tables:
        """Return tables that span the conditions, built anew only when they reach outside."""
        if self._tables is None or not self._tables.grid.holds(Grid.covering(conditions, self.settings)):
            grid = Grid.covering(Conditions.concatenate([self.box, conditions]), self.settings)
            self._tables = build_tables(self.params, grid, self.sheet, self.settings, self.required, self.clad_offset)
            if not (np.isfinite(self._tables.scalars).all() and np.isfinite(self._tables.line).all()):
                raise ValueError("the draws hold parameters that are not finite or overflow: conformance needs finite draws")
        return self._tables

    def __call__(self, conditions: Conditions) -> np.ndarray:
        """Return conformance, float32 (n_draws, n_conditions)."""
        out = np.empty((self.params.n_draws, len(conditions)), np.float32)
        if not len(conditions):
            return out
        if not np.isfinite(conditions.factors()).all():
            raise ValueError("conditions must be finite numbers")
        wide = (conditions.strain > 0) & (self.settings.strain > WIDE * np.maximum(conditions.strain, MIN_STRAIN))
        if wide.any():
            out[:, wide] = self._over_strain(conditions.take(np.flatnonzero(wide)))
            if not wide.all():
                out[:, ~wide] = self._combined(conditions.take(np.flatnonzero(~wide)), out[:, ~wide])
            return out
        return self._combined(conditions, out)

    def _over_strain(self, conditions: Conditions) -> np.ndarray:
        """Return conformance where strain scatters by half its size or more: the mean over actual strains of what each would give.

        float32 (n_draws, n_conditions).
        """
        out = np.empty((self.params.n_draws, len(conditions)), np.float32)
        for first in range(0, len(conditions), WIDE_AT_ONCE):
            part = conditions.take(slice(first, first + WIDE_AT_ONCE))
            strain = np.maximum(part.strain, MIN_STRAIN)
            nodes, weights, starts = wide_rule(strain, self.settings.strain / strain)
            owner = np.repeat(np.arange(len(part)), np.diff(starts, append=len(nodes)))
            found = self._of_strain(replace(part.take(owner), strain=nodes))
            found *= weights.astype(np.float32)
            out[:, first:first + WIDE_AT_ONCE] = np.add.reduceat(found, starts, axis=1)
        return out

    @cached_property
    def _of_strain(self) -> "Conformance":
        """Conformance at an exactly known strain."""
        ends = [self.box.factors(), self.box.factors()]
        for factors, strain in zip(ends, ENDS):
            factors[:, 1] = strain
        box = Conditions.concatenate([Conditions.from_factors(self.box.temper, factors) for factors in ends])
        return Conformance(self.params, sheet=self.sheet, settings=replace(self.settings, strain=0.0), required=self.required, box=box,
                           clad_offset=self.clad_offset)

    def _combined(self, conditions: Conditions, out: np.ndarray) -> np.ndarray:
        """Fill `out` from the tables."""
        t = self.tables(conditions)
        iu, wu, ifine, wfine, iv, wv = t.grid.place(conditions)
        order = self._order(conditions)
        temper, n_warm, n_rows, width = np.asarray(conditions.temper, np.int64), *t.plane.shape[2:]
        start = np.stack([((temper * n_warm + iu) * n_rows + iv) * width, (temper * t.line.shape[2] + ifine) * t.line.shape[3],
                          temper * t.heat.shape[2] * t.heat.shape[3]])[:, order].astype(np.uint64)
        cross = plain((wu[:, :, None] * wv[:, None, :]).reshape(-1, 16)[order].ravel(), np.float32)
        inputs = self._inputs(conditions)[:, order].reshape(N_INPUT, -1, BLOCK).transpose(1, 0, 2)
        r = self.required
        limits = np.array([*(NO_LIMIT if x is None else math.log(x) for x in (r.gap_max, r.film_max)), self.settings.braze_time], np.float32)
        constants = (plain(start, np.uint64), cross, plain(wfine[order].ravel(), np.float32), plain(inputs.ravel(), np.float32), limits,
                     np.array([r.cracked, r.gap_max is not None, r.film_max is not None, r.sound_min is not None or r.leaked,
                               self.settings.braze_temperature > 0 or self.settings.braze_time > 0]),
                     plain(np.where(np.arange(len(order)) < len(conditions), order, len(conditions)), np.int64))
        in_chunks(lambda a, b: conform(t.plane, t.line, t.heat, t.outcome, t.scalars, t.feature, truncated_rules(), *constants, a, b, out),
                  len(out), DRAWS_AT_ONCE)
        return out

    def _order(self, conditions: Conditions) -> np.ndarray:
        """Return an order of the conditions in which blocks are alike (so that what cannot happen is left out together), filled up to whole blocks."""
        n = len(conditions)
        bins = math.ceil((n / BLOCK) ** (1.0 / 3.0))
        part = lambda x: np.argsort(np.argsort(x, kind="stable"), kind="stable") * bins // n
        heat = conditions.braze_temperature / 10 + np.median(self.params.time_weight) * np.log(np.maximum(conditions.braze_time, MIN_MINUTES))
        order = np.lexsort((conditions.forming_temperature, part(heat), part(conditions.strain), conditions.temper))
        return np.concatenate([order, np.repeat(order[-1:], -n % BLOCK)])

    def _inputs(self, conditions: Conditions) -> np.ndarray:
        """Return what the kernel reads of each condition, (N_INPUT, n_conditions); the order is that of the kernel's rows."""
        strain = np.maximum(conditions.strain, MIN_STRAIN)
        made = conditions.strain > 0
        sd = np.where(made, self.settings.strain / strain, 0.0)
        grow = np.exp(np.minimum(sd, MOST_STRAIN_SPREAD) ** 2)
        mean = np.where(made, strain * np.sqrt(grow), 0.0)
        tau = warmth(conditions.forming_temperature)
        return np.stack([np.log(strain), sd, mean, mean ** 2 * (grow - 1.0), np.where(made, np.log(strain), -99.0),
                         np.log(modulus_factor(conditions.forming_temperature, clamp=True)), tau, *tau_basis(tau)[:2],
                         *braze_moments(conditions, self.settings, self.sheet.silicon), conditions.braze_time])


def braze_moments(conditions: Conditions, settings: Settings, silicon: float) -> np.ndarray:
    """Return what the kernel needs to know of a load's actual settings, by condition: shape (10, n_conditions).

    Mean h and ln(t/3), variance of h, Hermite coefficient 1 of ln t, mean liquid share, its covariance with h and variance,
    Hermite coefficients 2 and 3 of ln t and 2 of the liquid share; by equal steps over +- 6 sd.
    """
    x = np.linspace(-6.0, 6.0, N_BRAZE_NODES)
    w = np.exp(-0.5 * x * x) / np.exp(-0.5 * x * x).sum()
    temperature = conditions.braze_temperature[:, None] + settings.braze_temperature * x
    minutes = np.maximum(conditions.braze_time[:, None] + settings.braze_time * x, MIN_MINUTES)
    log_t = np.log(minutes) - LOG_TIME_REF
    liquid, h = liquid_fraction(temperature, silicon), (temperature - 600.0) / 10
    mean = lambda a: a @ w
    dh, dl = h - mean(h)[:, None], liquid - mean(liquid)[:, None]
    second, third = (x ** 2 - 1.0) / 2, (x ** 3 - 3.0 * x) / 6
    return np.stack([mean(h), mean(log_t), mean(dh ** 2), mean(log_t * x), mean(liquid), mean(dl * dh), mean(dl ** 2), mean(log_t * second),
                     mean(log_t * third), mean(liquid * second)])


class LotsSeen:
    """Conformance for the lots in hand instead of a new one: the mean over the lots of a condition's temper.

    Parameters
    ----------
    params : draws of the parameters.
    lots_of_temper : lot indices of each temper; a temper without lots keeps a new lot.
    **rest : as for `Conformance`.
    """

    def __init__(self, params: Params, lots_of_temper: Sequence[Sequence[int]], **rest):
        self.n_draws, self.counts = params.n_draws, np.array([max(len(x), 1) for x in lots_of_temper])
        self.members = [_member(params, [x[r] if r < len(x) else None for x in lots_of_temper], rest) for r in range(self.counts.max())]

    def __call__(self, conditions: Conditions) -> np.ndarray:
        """Return conformance, float32 (n_draws, n_conditions)."""
        count = self.counts[np.asarray(conditions.temper, int)]
        out = np.zeros((self.n_draws, len(conditions)), np.float32)
        for r, member in enumerate(self.members):
            has = np.flatnonzero(count > r)
            out[:, has] += member(conditions.take(has))
        return out / count.astype(np.float32)


def _member(params: Params, lots: Sequence[int | None], rest: dict) -> Conformance:
    """Return conformance with one known lot per temper (None: a new lot)."""
    new = np.array([lot is None for lot in lots], float)
    effect = lambda name: np.stack([np.zeros(params.n_draws) if lot is None else getattr(params, name)[:, lot] for lot in lots], axis=1)
    known = params.with_values(
        limit_level=params.limit_level + effect("lot_limit"), angle_level=params.angle_level + effect("lot_angle"),
        lot_limit_sd=params.lot_limit_sd * new, lot_angle_sd=params.lot_angle_sd * new, lot_clad_sd=params.lot_clad_sd * new)
    return Conformance(known, clad_offset=effect("lot_clad"), **rest)
