"""Worlds that the model's formulas do not contain, to see whether its claims hold where it is wrong.

A mechanism changes constants of a world (`constants`), or the parameters and actual settings of single specimens (`rows`),
from the actual settings and from random numbers of its own, one set a specimen and one a furnace load.  All sizes are
engineering judgement without source: large enough that a lab would notice them in hindsight.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import gammaincinv, ndtri

from models.priors import Params
from models.rows import BRAZE_TIME_REF, Conditions, warmth
from planner.rehearse.row_values import RowValues

Arguments = Mapping[str, float]


def _constants_kept(p: Params, a: Arguments) -> Params:
    return p


def _rows_kept(v: RowValues, x: Conditions, own: np.ndarray, load: np.ndarray, a: Arguments) -> tuple[RowValues, Conditions]:
    return v, x


@dataclass(frozen=True)
class Argument:
    """One number that a truth file may set."""

    name: str
    default: float
    low: float
    high: float
    words: str


@dataclass(frozen=True)
class Mechanism:
    """One way in which a world departs from the model."""

    name: str
    words: str
    arguments: tuple[Argument, ...]
    constants: Callable[[Params, Arguments], Params] = _constants_kept
    rows: Callable[[RowValues, Conditions, np.ndarray, np.ndarray, Arguments], tuple[RowValues, Conditions]] = _rows_kept
    """From actual settings and uniforms, (n, n_own) and (n, n_load), to the specimens' parameters and settings."""
    n_own: int = 0
    """Uniform random numbers that each specimen brings."""
    n_load: int = 0
    """Uniform random numbers that each furnace load brings."""

    def defaults(self) -> dict[str, float]:
        """Return the arguments where a file sets none."""
        return {a.name: a.default for a in self.arguments}


def _saturating(v, x, own, load, a):
    tau = warmth(x.forming_temperature)
    wanted = -np.expm1(-tau / a["scale"]) / -np.expm1(-1.0 / a["scale"])
    return v.changed(limit_level=v.limit_level + v.limit_gain * (wanted - tau ** v.limit_exponent)), x


def _dip(v, x, own, load, a):
    dip = a["depth"] * np.exp(-0.5 * ((x.forming_temperature - a["centre_degC"]) / a["width_degC"]) ** 2)
    return v.changed(limit_level=v.limit_level - dip), x


def _late_softening(v, x, own, load, a):
    tau = warmth(x.forming_temperature)
    onset = a["onset"]
    wanted = np.maximum(tau - onset, 0.0) / (1.0 - onset)
    return v.changed(angle_level=v.angle_level + v.softening * (tau - wanted)), x


def _strain_springback(v, x, own, load, a):
    return v.changed(angle_level=v.angle_level + a["amount"] * -np.expm1(-x.strain / a["strain"])), x


def _thermocouple(v, x, own, load, a):
    offset = a["mean_degC"] + a["sd_degC"] * ndtri(load[:, 0])
    return v, replace(x, braze_temperature=x.braze_temperature + offset)


def _heavy_tails(v, x, own, load, a):
    half = 0.5 * a["degrees"]
    widen = np.sqrt(half / np.maximum(gammaincinv(half, own), 1e-12)).T        # Student t as a normal of random spread
    return v.changed(limit_sd=v.limit_sd * widen[0], angle_sd=v.angle_sd * widen[1], gap_sd=v.gap_sd * widen[1],
                     film_sd=v.film_sd * widen[2]), x


def _overdispersed_constants(p, a):
    return p.with_values(concentration=np.minimum(p.concentration, a["concentration"]))


def _overdispersed(v, x, own, load, a):
    return v.changed(joint_level=v.joint_level - a["bad_drop"] * (own[:, 0] < a["bad_share"])), x


def _interaction(v, x, own, load, a):
    strained = x.strain / 0.1
    heat = (x.braze_temperature - 600.0) / 10.0 + np.log(x.braze_time / BRAZE_TIME_REF)
    return v.changed(joint_level=v.joint_level - a["joints"] * strained * heat, film_level=v.film_level + a["film"] * strained * heat), x


def _no_window(p, a):
    lift = np.zeros(p.angle_level.shape[-1])
    lift[int(a["temper"]) - 1 if a["temper"] > 0 else -1] = a["lift"]
    return p.with_values(angle_level=p.angle_level + lift)


def _wide_window(p, a):
    k = a["strength"]
    return p.with_values(limit_level=p.limit_level + 0.5 * k, gap_level=p.gap_level - 0.9 * k, film_level=p.film_level - 1.0 * k,
                         joint_level=p.joint_level + 1.2 * k, joint_cold=p.joint_cold * np.exp(-k), joint_hot=p.joint_hot * np.exp(-k),
                         leak_level=p.leak_level + 1.0 * k)


MECHANISMS = {m.name: m for m in (
    Mechanism("saturating_warmth", "limit strain gains most of its warmth early and then levels off",
              (Argument("scale", 0.25, 0.05, 2.0, "warmth (tau) over which 63 % of the rise happens"),), rows=_saturating),
    Mechanism("ageing_dip", "limit strain falls in a band of forming temperatures (dynamic strain ageing)",
              (Argument("depth", 0.35, 0.0, 2.0, "fall of ln limit strain"), Argument("centre_degC", 130.0, 0.0, 400.0, "middle of the band"),
               Argument("width_degC", 25.0, 2.0, 100.0, "standard deviation of the band")), rows=_dip),
    Mechanism("late_softening", "springback stays as it is at ambient until an onset, then falls",
              (Argument("onset", 0.5, 0.0, 0.9, "warmth (tau) of the onset"),), rows=_late_softening),
    Mechanism("strain_springback", "springback rises with strain and levels off",
              (Argument("amount", 0.5, -2.0, 2.0, "ln angle between no and full strain"),
               Argument("strain", 0.05, 0.005, 1.0, "strain over which 63 % of it happens")), rows=_strain_springback),
    Mechanism("thermocouple_offset", "the furnace's thermocouple is off, anew in every load",
              (Argument("mean_degC", 1.0, -20.0, 20.0, "mean of the offset"), Argument("sd_degC", 4.0, 0.0, 20.0, "its spread over loads")),
              rows=_thermocouple, n_load=1),
    Mechanism("heavy_tails", "scatter of limit strain, springback, gap and film has Student t tails",
              (Argument("degrees", 3.0, 2.0, 100.0, "degrees of freedom"),), rows=_heavy_tails, n_own=3),
    Mechanism("overdispersed_joints", "joints fail together, and some components are badly fluxed altogether",
              (Argument("concentration", 6.0, 0.5, 1000.0, "a + b of the beta-binomial, at most"),
               Argument("bad_share", 0.04, 0.0, 1.0, "share of components badly fluxed"),
               Argument("bad_drop", 3.0, 0.0, 20.0, "their loss in the joint predictor, logit")),
              constants=_overdispersed_constants, rows=_overdispersed, n_own=1),
    Mechanism("strain_heat_interaction", "strain and braze heat act together on joints and film",
              (Argument("joints", 0.6, -5.0, 5.0, "loss in the joint predictor per 0.1 strain and 10 K"),
               Argument("film", 0.2, -2.0, 2.0, "rise of ln film depth per 0.1 strain and 10 K")), rows=_interaction),
    Mechanism("no_window_temper", "one temper springs back so much that no condition conforms",
              (Argument("lift", 2.0, 0.0, 5.0, "rise of ln angle of that temper"),
               Argument("temper", 0.0, 0.0, 20.0, "its place in [factors] tempers from 1; 0: the last")), constants=_no_window),
    Mechanism("wide_window", "an easy process: most of the box conforms",
              (Argument("strength", 1.0, 0.0, 3.0, "how easy; 0 is the model's own world"),), constants=_wide_window),
)}
