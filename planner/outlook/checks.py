"""Would the fitted model have produced these data?  Predictive checks, response by response.

Every recorded specimen is drawn again from the posterior (its own lot and load), and each reading is ranked among its
redraws: ranks of a good model are spread evenly. Readings seen by the fit rank a little too near the middle, so these checks
find gross misfit; they do not prove the model.

References
----------
Gelman, Meng & Stern (1996), Statistica Sinica 6, 733-807; Smith (1985), Journal of Forecasting 4 (randomised ranks of counts).
"""

from __future__ import annotations

from collections.abc import Sequence
from types import SimpleNamespace
from typing import Any

import numpy as np
from scipy.stats import kstest

from models.priors import Params
from models.rows import Conditions
from models.simulate import OneDrawPerRow, simulate
from planner.encode import Encoded
from planner.lab.specimen import Specimen

N_REDRAWS = 200
TOGETHER = 50
"""Specimens redrawn at a time."""
DOUBT = 0.01
"""p below which a response is said to depart; a rule of thumb, no source."""
BINS = 10


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
        One a response: n, mean rank, share inside the central 80 %, p (Kolmogorov-Smirnov against even ranks), histogram of
        ranks in 10 bins, and words.
    """
    keep = np.unique(np.linspace(0, params.n_draws - 1, min(N_REDRAWS, params.n_draws)).round().astype(int))
    shares = {f.name: i for i, f in enumerate(sorted(definition.component.features, key=lambda f: -f.strain_share))}
    ranks: dict[str, list[float]] = {}
    for first in range(0, len(specimens), TOGETHER):
        some = specimens[first : first + TOGETHER]
        few = OneDrawPerRow(params.take(np.tile(keep, len(some))))
        redrawn = _redrawn(definition, encoded, few, keep.size, some, rng)
        for i, one in enumerate(some):
            mine = SimpleNamespace(**{name: values[i * keep.size : (i + 1) * keep.size] for name, values in vars(redrawn).items()})
            for name, value, censor, draws in _readings(one, mine, shares, definition.component.joints):
                ranks.setdefault(name, []).append(_rank(value, censor, np.asarray(draws, float), rng))
    return [_summary(name, np.array(found)) for name, found in ranks.items()]


def _redrawn(definition, encoded: Encoded, few, n: int, some: Sequence[Specimen], rng):
    """Return n redraws of each specimen, one specimen after another."""
    first = lambda *values: next((float(v) for v in values if v is not None), None)
    settings = [[first(one.forming_temperature_measured_degC, one.forming_temperature_degC, 20.0), first(one.strain, 0.0),
                 first(one.braze_temperature_measured_degC, one.braze_temperature_degC, 600.0),
                 first(one.braze_time_measured_min, one.braze_time_min, 3.0)] for one in some]
    each = lambda of, kind: np.repeat(np.array([of(one) for one in some], kind), n)
    lots, loads = ({label: i for i, label in enumerate(labels)} for labels in (encoded.lots, encoded.loads))
    where = Conditions.from_factors(each(lambda one: definition.factors.tempers.index(one.temper), int), np.repeat(settings, n, axis=0))
    return simulate(few, where, encoded.sheet, settings=encoded.settings, component=each(lambda one: one.specimen_type == "component", float),
                    lot=each(lambda one: lots[one.lot], int), load=each(lambda one: loads.get(one.furnace_load, 0), int),
                    n_joints=each(lambda one: one.joints_inspected or definition.component.joints, int), rng=rng)


def _readings(one: Specimen, drawn, shares, n_joints: int):
    """Yield (response, value, censoring, redraws) of every reading of a specimen."""
    if one.limit_strain is not None:
        yield "limit strain", one.limit_strain.value, one.limit_strain.censor, drawn.limit_strain
    if one.springback_angle_deg is not None:
        yield "springback angle", one.springback_angle_deg.value, one.springback_angle_deg.censor, drawn.angle
    if one.cracked is not None and one.specimen_type in ("component", "braze_coupon"):
        yield "cracked", float(one.cracked), 0, drawn.cracked
    if one.cracked:
        return
    if one.gap_mm is not None:
        yield "gap", one.gap_mm.value, one.gap_mm.censor, drawn.gap
    at = shares.get(one.section_feature, 0)
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


def _rank(value: float, censor: int, draws: np.ndarray, rng: np.random.Generator) -> float:
    """Return the rank of a reading in (0, 1), ties and censored readings spread at random over where they may lie."""
    low, high = (np.sum(draws < value) + 0.0) / (draws.size + 1), (np.sum(draws <= value) + 1.0) / (draws.size + 1)
    if censor > 0:
        high = 1.0
    elif censor < 0:
        low = 0.0
    return float(rng.uniform(low, max(high, low + 1e-9)))


def _summary(name: str, ranks: np.ndarray) -> dict[str, Any]:
    p = float(kstest(ranks, "uniform").pvalue)
    inside = float(np.mean((ranks > 0.1) & (ranks < 0.9)))
    mean = float(ranks.mean())
    words = "as the model expects"
    if p < DOUBT:
        words = ("readings lie higher than the model expects" if mean > 0.6 else "readings lie lower than the model expects" if mean < 0.4 else
                 "readings scatter more than the model expects" if inside < 0.8 else "readings scatter less than the model expects")
    return {"response": name, "n": int(ranks.size), "mean_rank": mean, "inside_80": inside, "p": p, "departs": p < DOUBT,
            "histogram": np.histogram(ranks, bins=BINS, range=(0, 1))[0].tolist(), "words": words}
