"""Every prior of the joint model with its numbers, unit and reason, and the map from standard normals to parameters.

All unknowns of the joint model are one vector of standard normals.  A *normal* parameter is location + scale z, a
*positive* one exp(location + scale z); a range stated as "90 %" is the central 90 % of that prior exactly.  Coefficients
that belong to a temper mix a common and an own score (models.pooling), so a belief about one temper holds exactly.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from models.pooling import log_score_ratio, mixed_score, own_score, pooled
from models.responses.deviation import N_BASIS, N_HEAT_Q, N_HEAT_TAU

Z90 = 1.6448536269514722          # standard normal 95 % point


@dataclass(frozen=True)
class Prior:
    """One prior: `normal` (location, scale) or `positive` (of the log)."""

    name: str
    kind: str                     # "normal" or "positive"
    location: float
    scale: float
    unit: str
    reason: str

    def interval(self) -> tuple[float, float]:
        """Return the central 90 % range in the parameter's unit."""
        lo, hi = self.location - Z90 * self.scale, self.location + Z90 * self.scale
        return (lo, hi) if self.kind == "normal" else (float(np.exp(lo)), float(np.exp(hi)))


def normal(name, location, scale, unit, reason):
    """Return a normal prior."""
    return Prior(name, "normal", float(location), float(scale), unit, reason)


def positive(name, low, high, unit, reason):
    """Return a positive (lognormal) prior from its central 90 % range."""
    return Prior(name, "positive", 0.5 * (np.log(low) + np.log(high)), (np.log(high) - np.log(low)) / (2 * Z90), unit, reason)


PRACTICE = "engineering judgement, no source"

SHARED = (
    positive("limit_exponent", 0.85, 1.7, "1", "tau exponent of the warm gain: from just below linear to clearly convex; " + PRACTICE),
    positive("limit_sd", 0.05, 0.18, "ln strain", "specimen scatter of limit strain, 5-18 %; " + PRACTICE),
    positive("lot_limit_sd", 0.02, 0.12, "ln strain", "lot to lot scatter of limit strain; " + PRACTICE),
    normal("limit_shift", 0.0, 0.12, "ln strain", "component against tensile coupon: path and geometry, either sign"),
    normal("limit_shift_tau", 0.0, 0.12, "ln strain", "presses are faster than tensile machines, felt more when warm; either sign"),
    normal("hardening", 0.0, 0.10, "ln angle per 0.1 strain", "hardening raises springback, thinning lowers it: near 0"),
    positive("angle_sd", 0.06, 0.25, "ln angle", "specimen scatter of the springback angle; " + PRACTICE),
    positive("lot_angle_sd", 0.02, 0.15, "ln angle", "lot to lot scatter of springback; " + PRACTICE),
    normal("gap_level", np.log(0.05), 0.55, "ln mm", "gap of a part whose coupon would open by 3 deg: tooling decides; wide"),
    normal("gap_slope", 0.8, 0.25, "1", "the gap follows the coupon's springback, a little damped by the shape"),
    normal("gap_slope_tau", 0.0, 0.25, "ln gap", "contraction against the tool on cooling from warm forming: either sign"),
    positive("gap_sd", 0.08, 0.35, "ln gap", "component scatter of the gap; " + PRACTICE),
    positive("recovery_prior", 0.03, 0.35, "1", "warm forming recovers prior cold work a little"),
    positive("recovery", 0.2, 1.2, "1", "warm forming stores less strain, so the critical strain rises (common practice, unverified)"),
    positive("recrystallised_width", 0.12, 0.45, "ln strain", "how sharply recrystallisation sets in; " + PRACTICE),
    normal("stored_shift", 0.0, 0.15, "ln strain", "component against coupon: stored strain at a feature"),
    normal("film_level", np.log(28.0), 0.63, "ln um", "film depth at strain 0.05, 600 degC, 3 min, formed at 20 degC: 10-80 um"),
    positive("film_exponent", 0.35, 1.1, "1", "film depth grows with strain from nothing; " + PRACTICE),
    normal("film_tau", 0.0, 0.4, "ln um", "warm forming may help or harm: sign left open"),
    positive("film_heat", 0.2, 1.0, "ln um per 10 K", "diffusion and time; the handbook D ratio gives 0.1-0.2 as a least value"),
    normal("film_recrystallised", np.log(2.0), 0.5, "ln um", "near zero once a new grain structure stands"),
    positive("film_sd", 0.15, 0.45, "ln um", "specimen scatter of film depth; " + PRACTICE),
    positive("load_film_sd", 0.04, 0.30, "ln um", "load to load scatter of film depth"),
    normal("film_shift", 0.0, 0.2, "ln um", "component against coupon"),
    positive("time_weight", 0.35, 1.6, "10 K per e-fold of time", "how far time stands in for temperature"),
    positive("clad_loss", 0.05, 0.35, "share of clad", "clad lost at 600 degC and 3 min; " + PRACTICE),
    positive("clad_heat", 0.15, 0.9, "per 10 K", "loss grows with heat"),
    positive("silicon_share", 0.03, 0.30, "um clad per um film", "clad that one um of film costs"),
    positive("clad_sd", 0.02, 0.10, "share of clad", "scatter of the section's clad reading"),
    positive("lot_clad_sd", 0.015, 0.10, "share of clad", "mill tolerance of clad thickness"),
    normal("clad_shift", 0.0, 0.05, "share of clad", "component against coupon"),
    normal("joint_level", 5.0, 0.9, "logit", "soundness at the best heat with full filler and no gap"),
    positive("joint_filler", 1.2, 7.0, "logit per share of clad", "loss of filler starves joints"),
    normal("best_heat", 0.1, 0.35, "10 K", "best peak at 3 min: 595-607 degC"),
    positive("joint_cold", 0.5, 3.0, "logit per (10 K)^2", "too cold does not flow"),
    positive("joint_hot", 0.3, 2.2, "logit per (10 K)^2", "too hot consumes clad and erodes the core"),
    positive("joint_gap", 0.4, 2.5, "logit per 0.1 mm", "capillary feed fails as the gap opens"),
    normal("joint_tau", 0.0, 0.35, "logit", "oxide and baked lubricant from warm forming: near 0"),
    positive("component_sd", 0.15, 0.8, "logit", "component to component: fixture, cleaning, flux"),
    positive("load_joint_sd", 0.1, 0.7, "logit", "load to load: atmosphere and flux"),
    positive("concentration", 20.0, 200.0, "1", "over-dispersion of joint counts (a + b of the beta)"),
    normal("leak_level", 1.0, 0.9, "logit", "tightness when half of the joints are sound"),
    positive("leak_slope", 0.4, 1.5, "1", "how tightness follows the joint predictor"),
    positive("limit_deviation_sd", 0.015, 0.12, "ln strain", "smooth departure of ln limit strain from its formula; near 0"),
    positive("angle_deviation_sd", 0.015, 0.12, "ln angle", "smooth departure of ln angle from its formula; near 0"),
    positive("joint_deviation_sd", 0.05, 0.6, "logit", "smooth departure of the joint predictor over (tau, q); near 0"),
)

BY_TEMPER = ("limit_level", "limit_gain", "angle_level", "softening", "prior_strain", "log_critical_strain")
UNIT_BY_TEMPER = ("ln strain", "ln strain at tau = 1", "ln deg", "ln stress at tau = 1", "strain (ln)", "ln strain")
SPREAD = positive("between_temper", 0.35, 2.5, "1", "own against common part of a temper's departure from its belief")
LOT_EFFECTS = ("limit", "angle", "clad")
LOAD_EFFECTS = ("joint", "film", "temperature", "time")

# 90 % ranges by hardness class (0 soft .. 4 full hard); keys as in [beliefs.TEMPER]
DEFAULT_BELIEFS = {
    "limit_strain_at_20degC": ((0.10, 0.32), (0.05, 0.20), (0.02, 0.11), (0.015, 0.09), (0.01, 0.07)),
    "limit_strain_ratio_250_to_20degC": ((1.3, 4.5),) * 5,
    "springback_angle_deg_at_20degC": ((1.0, 5.0), (2.0, 9.0), (3.0, 15.0), (4.0, 18.0), (5.0, 22.0)),
    "softening_250degC": ((0.25, 1.0), (0.35, 1.4), (0.45, 1.8), (0.45, 2.0), (0.45, 2.2)),    # 3003-H14 published: yield 145 to 62 MPa at 204 degC
    "stored_strain_of_temper": ((0.001, 0.012), (0.03, 0.2), (0.06, 0.4), (0.1, 0.6), (0.15, 0.9)),
    "critical_strain": ((0.02, 0.12),) * 5,
}


def log_range(low, high):
    """Return location and scale of the log of a quantity whose central 90 % is (low, high)."""
    return 0.5 * (np.log(low) + np.log(high)), (np.log(high) - np.log(low)) / (2 * Z90)


@dataclass(frozen=True)
class PriorSet:
    """The priors in force for a campaign."""

    shared: tuple[Prior, ...]
    by_temper: np.ndarray         # (6, n_tempers, 2) location and scale of each coefficient (log scale where positive)
    tempers: tuple[str, ...]
    reasons: dict                 # (coefficient, temper) -> where the range came from


def prior_set(tempers, hardness, *, beliefs=None, braze=None) -> PriorSet:
    """Return the priors of a campaign.

    Parameters
    ----------
    tempers : names; hardness : 0 soft .. 4 full hard for each (quarter steps, EN 515 second digit / 2).
    beliefs : {temper: {key: (low, high)}} central 90 % ranges that replace defaults; keys as in DEFAULT_BELIEFS.
    braze : {"best_braze_temperature_degC": (lo, hi), "film_depth_um_at_reference": (lo, hi)}.
    """
    beliefs, braze = beliefs or {}, braze or {}
    table, reasons = np.zeros((len(BY_TEMPER), len(tempers), 2)), {}
    for j, (temper, hard) in enumerate(zip(tempers, hardness)):
        for i, (name, key) in enumerate(zip(BY_TEMPER, DEFAULT_BELIEFS)):
            stated = beliefs.get(temper, {}).get(key)
            table[i, j] = log_range(*(stated or DEFAULT_BELIEFS[key][int(hard)]))
            reasons[name, temper] = "the lab's belief" if stated else "default for this hardness; " + PRACTICE
    # softening is positive: its coefficient lives on the log scale; limit_gain is a log ratio itself
    shared = []
    for prior in SHARED:
        if prior.name == "best_heat" and "best_braze_temperature_degC" in braze:
            lo, hi = braze["best_braze_temperature_degC"]
            prior = normal("best_heat", (0.5 * (lo + hi) - 600) / 10, (hi - lo) / 20 / Z90, "10 K", "the lab's belief")
        if prior.name == "film_level" and "film_depth_um_at_reference" in braze:
            prior = normal("film_level", *log_range(*braze["film_depth_um_at_reference"]), "ln um", "the lab's belief")
        shared.append(prior)
    return PriorSet(tuple(shared), table, tuple(tempers), reasons)


@dataclass(frozen=True)
class Layout:
    """Where each unknown sits in the vector of standard normals."""

    n_tempers: int
    n_lots: int                   # padded
    n_loads: int                  # padded

    @property
    def blocks(self) -> dict[str, tuple[int, int]]:
        """Return name -> (rows, columns) in order; the vector is these blocks end to end."""
        pooled = len(BY_TEMPER)
        blocks = {"shared": (1, len(SHARED)), "common": (pooled, 1)}
        if self.n_tempers > 1:
            blocks |= {"own": (pooled, self.n_tempers), "spread": (pooled, 1)}
        return blocks | {
            "limit_deviation": (N_BASIS, self.n_tempers), "angle_deviation": (N_BASIS, self.n_tempers),
            "joint_deviation": (N_HEAT_TAU * N_HEAT_Q, self.n_tempers),
            "lots": (len(LOT_EFFECTS), self.n_lots), "loads": (len(LOAD_EFFECTS), self.n_loads)}

    @property
    def size(self) -> int:
        """Return the length of the vector."""
        return sum(r * c for r, c in self.blocks.values())

    def start(self, block: str) -> int:
        """Return where a block begins in the vector."""
        names = list(self.blocks)
        return sum(r * c for r, c in list(self.blocks.values())[:names.index(block)])

    def names(self) -> list[str]:
        """Return a readable name for each entry of the vector."""
        shared = iter(p.name for p in SHARED)
        return [next(shared) if name == "shared" else f"{name}[{r},{c}]"
                for name, (rows, columns) in self.blocks.items() for r in range(rows) for c in range(columns)]


class _Gathered:
    """Per-group coefficients at given indices, picked when asked for (numpy)."""

    def __init__(self, params, prefix, index):
        self._params, self._prefix, self._index = params, prefix, index

    def __getattr__(self, name):
        value = getattr(self._params, self._prefix + name)
        if isinstance(value, tuple):
            return tuple(v[..., self._index] for v in value)
        return value[..., self._index]


class Params:
    """Parameters as arrays (n_draws, 1 or n_groups).  Attribute names are the priors'.

    `of(temper)`, `lot_of(lot)` and `load_of(load)` give the coefficients of each row's temper, lot and load.
    """

    def __init__(self, values: dict):
        self.__dict__.update(values)

    def of(self, temper):
        """Return a view with each row's temper coefficients: limit_level, ..., limit_deviation (a tuple)."""
        return _Gathered(self, "", temper)

    def lot_of(self, lot):
        """Return a view with each row's lot effects: limit, angle, clad."""
        return _Gathered(self, "lot_", lot)

    def load_of(self, load):
        """Return a view with each row's load effects: joint, film, temperature, time."""
        return _Gathered(self, "load_", load)

    def take(self, draws) -> "Params":
        """Return the parameters of some draws (numpy only)."""
        pick = lambda v: tuple(pick(x) for x in v) if isinstance(v, tuple) else v[draws]
        return Params({k: pick(v) for k, v in self.__dict__.items()})

    def with_values(self, **changes) -> "Params":
        """Return a copy with some arrays replaced."""
        return Params(self.__dict__ | changes)

    @property
    def n_draws(self) -> int:
        """Number of draws."""
        return len(self.limit_sd)


DEVIATIONS = (("limit", N_BASIS), ("angle", N_BASIS), ("joint", N_HEAT_TAU * N_HEAT_Q))


LOT_SPREAD = {name: f"lot_{name}_sd" for name in LOT_EFFECTS}
LOAD_SPREAD = {"joint": "load_joint_sd", "film": "load_film_sd", "temperature": None, "time": None}   # None: 1, a standard normal


def group_effect(values, spread, z):
    """Return effects of lots or loads from standard normals; `spread` names their standard deviation in `values`."""
    return pooled(0.0, values[spread] if spread else 1.0, z)


def _parts(z, layout: Layout):
    """Return the blocks of the vector of standard normals as matrices."""
    blocks = layout.blocks
    cuts = np.cumsum([rows * columns for rows, columns in blocks.values()])[:-1]
    return {name: x.reshape(*x.shape[:-1], *shape) for (name, shape), x in zip(blocks.items(), np.split(z, cuts, axis=-1))}


def _between(parts, xp):
    """Return the between-temper spread of each coefficient."""
    return xp.exp(SPREAD.location + SPREAD.scale * parts["spread"])


LOT_LEVEL = {"limit": "limit_level", "angle": "angle_level", "clad": "clad_loss"}       # what a lot's effect is seen together with


def lot_levels(values: dict, priors: PriorSet, *, xp=np) -> list[list]:
    """Return by LOT_EFFECTS and temper what a lot's effect makes up for: how much less than at its prior median the level is that it is seen with."""
    medians, out = {p.name: xp.exp(p.location) for p in priors.shared if p.kind == "positive"}, []
    for level in LOT_LEVEL.values():
        if level in medians:                                          # where more clad is lost, less is left
            out.append([values[level] - medians[level]] * len(priors.tempers))
        else:
            usual = priors.by_temper[BY_TEMPER.index(level), :, 0]
            out.append([usual[t] - values[level][..., t:t + 1] for t in range(len(priors.tempers))])
    return out


def standard(centred, layout: Layout, priors: PriorSet, told):
    """Turn the sampler's vectors (..., size) into standard normals.

    It moves each temper's score in place of its own part, and in place of a lot's effect, where the lot is known, what the effect and the
    level make together.

    Parameters
    ----------
    told : (3, n_lots, n_tempers) precision of a lot's readings by effect, lot and temper (`models.kernel.lot_precision`).

    Notes
    -----
    Given readings of precision c about the level, spread s between lots and a level by d below its median, a lot's standard normal has mean
    d c s/(1 + c s^2) and variance 1/(1 + c s^2).  The sampler moves what is left after both; without readings that is the standard normal itself.
    """
    parts, z = _parts(centred, layout), np.array(centred, float)
    if layout.n_tempers > 1:
        own = own_score(parts["common"], parts["own"], _between(parts, np))
        first = layout.start("own")
        z[..., first:first + own.shape[-1] * own.shape[-2]] = own.reshape(*z.shape[:-1], -1)
    values = population(z, layout, priors)
    below = np.stack([np.concatenate(levels, axis=-1) for levels in lot_levels(values, priors)], axis=-2)            # (..., 3, n_tempers)
    spread = np.stack([values[name] for name in LOT_SPREAD.values()], axis=-2)                                       # (..., 3, 1)
    variance = 1.0 / (1.0 + told.sum(axis=-1) * spread ** 2)
    lots = np.sqrt(variance) * parts["lots"] + spread * variance * np.einsum("elt,...et->...el", told, below)
    z[..., layout.start("lots"):layout.start("loads")] = lots.reshape(*z.shape[:-1], -1)
    return z


def temper_centring(centred, layout: Layout, *, xp=np):
    """Return the log-density of the sampler's vector (size,) relative to standard normals for the tempers' scores, as an array of terms to add up."""
    if layout.n_tempers == 1:
        return np.zeros(0)
    parts = _parts(centred, layout)
    return log_score_ratio(parts["common"], parts["own"], _between(parts, xp), xp=xp).ravel()


def population(z, layout: Layout, priors: PriorSet, *, centred: bool = False, xp=np) -> dict:
    """Turn standard normals (..., size), or the sampler's vectors, into all parameters but the effects of lots and loads, by name."""
    parts = _parts(z, layout)
    location, scale = np.array([p.location for p in priors.shared]), np.array([p.scale for p in priors.shared])
    is_positive = np.array([p.kind == "positive" for p in priors.shared])
    raw = location + scale * parts["shared"][..., 0, :]
    raw = np.where(is_positive, xp.exp(np.where(is_positive, raw, 0.0)), raw)
    values = {p.name: raw[..., i:i + 1] for i, p in enumerate(priors.shared)}
    score = parts["common"]
    if layout.n_tempers > 1:
        spread = _between(parts, xp)
        values["between_temper"] = spread[..., 0]
        score = parts["own"] if centred else mixed_score(parts["common"], parts["own"], spread, xp=xp)
    coefficient = priors.by_temper[:, :, 0] + priors.by_temper[:, :, 1] * score
    values |= {name: coefficient[..., i, :] for i, name in enumerate(BY_TEMPER)}
    values["softening"] = xp.exp(values["softening"])
    values["prior_strain"] = xp.exp(values["prior_strain"])
    for name, count in DEVIATIONS:
        block = values[f"{name}_deviation_sd"][..., None] * parts[f"{name}_deviation"]
        values[f"{name}_deviation"] = tuple(block[..., j, :] for j in range(count))
    return values


def unpack(z, layout: Layout, priors: PriorSet) -> Params:
    """Turn standard normals (n_draws, size) into parameters."""
    values, parts = population(z, layout, priors), _parts(z, layout)
    for i, (name, spread) in enumerate(LOT_SPREAD.items()):
        values[f"lot_{name}"] = group_effect(values, spread, parts["lots"][..., i, :])
    for i, (name, spread) in enumerate(LOAD_SPREAD.items()):
        values[f"load_{name}"] = group_effect(values, spread, parts["loads"][..., i, :])
    return Params(values)


def sample_prior(layout: Layout, priors: PriorSet, n_draws: int, rng: np.random.Generator) -> Params:
    """Return `n_draws` prior draws of the parameters."""
    return unpack(rng.standard_normal((n_draws, layout.size)), layout, priors)
