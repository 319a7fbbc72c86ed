"""Would the fitted model have produced these data?  Predictive checks by response and specimen type.

Every recorded specimen is drawn again from the posterior (its own lot and load), and each reading is ranked among its
redraws: ranks of a good model are spread evenly. Readings seen by the fit rank a little too near the middle, so these checks
find gross misfit; they do not prove the model.

A model may suit coupons and fail components, so each specimen type of a response is checked by itself. That makes a dozen checks,
of which one looks odd by chance more often than any one alone; what is said to depart does so by Holm's rule over all of them.

References
----------
Gelman, Meng & Stern (1996), Statistica Sinica 6, 733-807; Smith (1985), Journal of Forecasting 4 (randomised ranks of counts).
Holm (1979), Scandinavian Journal of Statistics 6, 65-70.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
from scipy.stats import kstest

from models.priors import Params
from models.rows import Conditions, Settings
from models.simulate import OneDrawPerRow, simulate
from planner.encode import Encoded, _came_through
from planner.lab.specimen import TYPES, Specimen

N_REDRAWS = 200
TOGETHER = 50
"""Specimens redrawn at a time, with 200 draws; fewer with more."""
HANDFUL = 5
"""Readings from which a specimen type is checked by itself; types with fewer are checked together, response by response."""
DOUBT = 0.01
"""Chance that any check at all of a right model is said to depart; a rule of thumb, no source."""
BINS = 10
WHOLE_COUPON = {"share": np.array([1.0]), "count": np.array([1.0]), "joined": np.array([True])}
"""The one feature of a coupon."""


def predictive_checks(definition, encoded: Encoded, params: Params, specimens: Sequence[Specimen], *, rng: np.random.Generator) -> list[dict[str, Any]]:
    """Rank every reading among redraws of its specimen.

    Parameters
    ----------
    definition : campaign definition.
    encoded : the data as fitted.
    params : posterior draws; 200 of them, evenly spread, are used.
    specimens : as fitted.
    rng : numpy.random.Generator

    Returns
    -------
    list of dict
        One a response and specimen type (`response` names both): n, mean rank, share inside the central 80 %, p (Kolmogorov-Smirnov
        against even ranks), `p_adjusted` (Holm's, over all checks), departs, histogram of ranks in 10 bins, and words.
    """
    keep = np.unique(np.linspace(0, params.n_draws - 1, min(N_REDRAWS, params.n_draws)).round().astype(int))
    ranks: dict[str, dict[str, list[float]]] = {}
    for one, name, value, censor, draws in redrawn_readings(definition, encoded, params.take(keep), specimens, rng=rng):
        ranks.setdefault(name, {}).setdefault(one.specimen_type, []).append(rank(value, censor, draws, rng))
    found = {label: np.array(some) for name, by_type in ranks.items() for label, some in by_kind(name, by_type).items()}
    p = [float(kstest(some, "uniform").pvalue) for some in found.values()]
    return [_summary(label, some, *both) for (label, some), *both in zip(found.items(), p, holm(p))]


def by_kind(name: str, by_type: dict[str, list]) -> dict[str, list]:
    """Return readings by label: each specimen type with a handful of readings, and the others of the response together."""
    words = {kind: kind.replace("_", " ") for kind in TYPES if kind in by_type}
    own = [kind for kind in words if len(by_type[kind]) >= HANDFUL]
    few = [kind for kind in words if kind not in own]
    out = {f"{name}, {words[kind]}": by_type[kind] for kind in own}
    if few:
        out[f"{name}, {' and '.join(words[kind] for kind in few)}"] = [rank for kind in few for rank in by_type[kind]]
    return out


def holm(p: Sequence[float]) -> list[float]:
    """Return p adjusted for the number of checks: below a level, they depart with at most that chance of any false alarm.

    Examples
    --------
    >>> holm([0.5, 0.01, 0.02])
    [0.5, 0.03, 0.04]
    """
    adjusted, highest = [0.0] * len(p), 0.0
    for rank, i in enumerate(np.argsort(p, kind="stable")):
        highest = max(highest, min((len(p) - rank) * p[i], 1.0))
        adjusted[i] = highest
    return adjusted


def redrawn_readings(definition, encoded: Encoded, params: Params, specimens: Sequence[Specimen], *,
                     rng: np.random.Generator) -> Iterator[tuple[Specimen, str, float, int, np.ndarray]]:  # fmt: skip
    """Yield (specimen, response, reading, censoring, redraws) of every reading, redrawn once under every draw.

    Parameters
    ----------
    definition : campaign definition.
    encoded : the data; its lots and loads are those that the draws hold effects of.
    params : draws, posterior or prior; all are used.
    specimens : those to redraw.
    rng : numpy.random.Generator
    """
    shares = {f.name: i for i, f in enumerate(sorted(definition.component.features, key=lambda f: -f.strain_share))}
    n = params.n_draws
    together = max(1, TOGETHER * N_REDRAWS // n)
    for kind in (True, False):
        alike = [one for one in specimens if (one.specimen_type == "component") is kind]
        for first in range(0, len(alike), together):
            some = alike[first : first + together]
            few = OneDrawPerRow(params.take(np.tile(np.arange(n), len(some))))
            redrawn = _redrawn(definition, encoded, few, n, some, rng, component=kind)
            for i, one in enumerate(some):
                mine = SimpleNamespace(**{name: values[i * n : (i + 1) * n] for name, values in vars(redrawn).items()})
                for name, value, censor, draws in _readings(one, mine, shares):
                    yield one, name, value, censor, np.asarray(draws, float)


def _redrawn(definition, encoded: Encoded, few, n: int, some: Sequence[Specimen], rng, *, component: bool):
    """Return n redraws of each specimen, one specimen after another; all are components, or coupons, strained alike all over.

    What was measured of the settings was as measured: no scatter of settings is drawn for it again.
    """
    first = lambda *values: next((float(v) for v in values if v is not None), None)
    settings = [[first(one.forming_temperature_measured_degC, one.forming_temperature_degC, 20.0), first(one.strain, 0.0),
                 first(one.braze_temperature_measured_degC, one.braze_temperature_degC, 600.0),
                 first(one.braze_time_measured_min, one.braze_time_min, 3.0)] for one in some]
    each = lambda of, kind: np.repeat(np.array([of(one) for one in some], kind), n)
    scatter = lambda sd, name: each(lambda one: sd if getattr(one, name) is None else 0.0, float)
    usual = encoded.settings
    spread = Settings(scatter(usual.forming_temperature, "forming_temperature_measured_degC"), usual.strain,
                      scatter(usual.braze_temperature, "braze_temperature_measured_degC"), scatter(usual.braze_time, "braze_time_measured_min"))
    sheet = encoded.sheet if component else replace(encoded.sheet, **WHOLE_COUPON)
    lots, loads = ({label: i for i, label in enumerate(labels)} for labels in (encoded.lots, encoded.loads))
    where = Conditions.from_factors(each(lambda one: definition.factors.tempers.index(one.temper), int), np.repeat(settings, n, axis=0))
    return simulate(few, where, sheet, settings=spread, component=float(component), lot=each(lambda one: lots[one.lot], int),
                    load=each(lambda one: loads.get(one.furnace_load, 0), int),
                    n_joints=each(lambda one: one.joints_inspected or definition.component.joints, int), rng=rng)


def _readings(one: Specimen, drawn, shares):
    """Yield (response, value, censoring, redraws) of every reading of a specimen."""
    if one.limit_strain is not None:
        yield "limit strain", one.limit_strain.value, one.limit_strain.censor, drawn.limit_strain
    if one.springback_angle_deg is not None and one.specimen_type != "component":       # kept on a component, and no part of the model
        yield "springback angle", one.springback_angle_deg.value, one.springback_angle_deg.censor, drawn.angle
    if one.strain and one.specimen_type in ("component", "braze_coupon") and (one.cracked is not None or _came_through(one)):
        yield "cracked", float(bool(one.cracked)), 0, drawn.cracked      # a blank cell of a specimen that was brazed says no
    if one.cracked:
        return
    if one.gap_mm is not None and one.specimen_type == "component":
        yield "gap", one.gap_mm.value, one.gap_mm.censor, drawn.gap
    at = shares.get(one.section_feature, 0) if one.specimen_type == "component" else 0
    if one.specimen_type == "component" or (one.strain or 0) > 0:
        if one.recrystallised is not None:
            yield "recrystallised", float(one.recrystallised), 0, drawn.recrystallised[:, at]
        if one.film_depth_um is not None:
            yield "film depth", one.film_depth_um.value, one.film_depth_um.censor, drawn.film[:, at]
        if one.clad_left_um is not None:
            yield "clad left", one.clad_left_um.value, one.clad_left_um.censor, drawn.clad_left[:, at]
    if one.joints_sound is not None and one.joints_inspected:
        yield "sound joints", float(one.joints_sound), 0, drawn.sound
    if one.leaked is not None:
        yield "leaked", float(one.leaked), 0, drawn.leaked


def rank(value: float, censor: int, draws: np.ndarray, rng: np.random.Generator) -> float:
    """Return the rank of a reading in (0, 1), ties and censored readings spread at random over where they may lie."""
    low, high = (np.sum(draws < value) + 0.0) / (draws.size + 1), (np.sum(draws <= value) + 1.0) / (draws.size + 1)
    if censor > 0:
        high = 1.0
    elif censor < 0:
        low = 0.0
    return float(rng.uniform(low, max(high, low + 1e-9)))


def _summary(label: str, ranks: np.ndarray, p: float, adjusted: float) -> dict[str, Any]:
    inside = float(np.mean((ranks > 0.1) & (ranks < 0.9)))
    mean = float(ranks.mean())
    words = "as the model expects"
    if adjusted < DOUBT:
        words = ("readings lie higher than the model expects" if mean > 0.6 else "readings lie lower than the model expects" if mean < 0.4 else
                 "readings scatter more than the model expects" if inside < 0.8 else "readings scatter less than the model expects")
    return {"response": label, "n": int(ranks.size), "mean_rank": mean, "inside_80": inside, "p": p, "p_adjusted": adjusted, "departs": adjusted < DOUBT,
            "histogram": np.histogram(ranks, bins=BINS, range=(0, 1))[0].tolist(), "words": words}
