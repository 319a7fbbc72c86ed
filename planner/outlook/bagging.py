"""Bootstrap resamples of lots and furnace loads: would the claim stand had other coils and other loads come along?

A posterior takes its model's word for how lots and loads scatter.  Fitting it again on data in which whole lots and whole loads are
drawn with replacement, and averaging, asks the data instead; where the two disagree, the claim leans on the model of the scatter.

References
----------
Owen (2007), Annals of Applied Statistics 1, 386-411 (resampling both sides of a crossed layout).
Huggins & Miller (2023), Bayesian Analysis 18, 79-104 (bagged posteriors).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from planner.lab.specimen import Specimen, went_through_furnace

CONVERGED = "CONVERGED"


def resample(specimens: Sequence[Specimen], *, rng: np.random.Generator) -> tuple[Specimen, ...]:
    """Draw lots (within each temper) and furnace loads with replacement.

    Parameters
    ----------
    specimens : sequence of Specimen
    rng : numpy.random.Generator

    Returns
    -------
    tuple of Specimen
        A specimen comes as often as its lot was drawn times its load was drawn; copies of a lot or load are lots or loads of their
        own, so their effects are independent.  What was not brazed follows its lot alone.
    """
    lots: Counter[str] = Counter()
    for temper in dict.fromkeys(s.temper for s in specimens):
        mine = list(dict.fromkeys(s.lot for s in specimens if s.temper == temper))
        lots.update(mine[i] for i in rng.integers(len(mine), size=len(mine)))
    names = list(dict.fromkeys(s.furnace_load for s in specimens if went_through_furnace(s) and s.furnace_load is not None))
    loads = Counter(names[i] for i in rng.integers(len(names), size=len(names))) if names else Counter()
    return tuple(copy for s in specimens for copy in _copies(s, lots, loads))


def _copies(s: Specimen, lots: Mapping[str, int], loads: Mapping[str, int]):
    brazed = went_through_furnace(s) and s.furnace_load is not None
    for i in range(lots[s.lot]):
        for j in range(loads[s.furnace_load] if brazed else 1):
            load = f"{s.furnace_load}~{j}" if s.furnace_load is not None else None
            yield replace(s, specimen=f"{s.specimen}~{i}~{j}", lot=f"{s.lot}~{i}", furnace_load=load)


def bagged(regions: Sequence[Mapping[str, Any]], results: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    """Put the joint probability of every claimed region beside its mean over resamples.

    Parameters
    ----------
    regions : what and joint_probability of each region on the fit itself.
    results : verdict and joint_probability (one a region) of each resample.

    Returns
    -------
    dict
        regions (with bagged_probability, its standard error over resamples, and the lowest), resamples, converged, words.
    """
    good = [r for r in results if r["verdict"] == CONVERGED]
    rows = []
    for k, region in enumerate(regions):
        values = np.array([r["joint_probability"][k] for r in good])
        error = float(values.std(ddof=1) / np.sqrt(len(values))) if len(values) > 1 else None
        rows.append(dict(region) | {"bagged_probability": float(values.mean()) if len(values) else None, "error": error,
                                    "lowest": float(values.min()) if len(values) else None})
    words = f"{len(good)} of {len(results)} refits on resampled lots and loads converged"
    if len(good) < len(results):
        words += "; the others are not counted"
    return {"regions": rows, "resamples": len(results), "converged": len(good), "words": words}
