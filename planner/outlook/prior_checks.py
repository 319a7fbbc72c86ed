"""Would the priors have produced such data?  Prior predictive checks by response and specimen type.

Whole sets of data are drawn from the priors - one set of unknowns, lots and loads each - and what was read, put into one number a
response and specimen type, is ranked among them.  Single readings of a set share their unknowns, so that their ranks would tell the same thing many
times over.  A reading far outside what the priors expect says that beliefs and data contradict each other, before any fit has
smoothed it over.

References
----------
Box (1980), J. R. Statist. Soc. A 143, 383-430 (prior predictive checks); Holm (1979) as in `planner.outlook.checks`.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from models.priors import sample_prior
from planner.encode import Encoded
from planner.lab.specimen import Specimen
from planner.outlook.checks import by_kind, holm, rank, redrawn_readings

N_SETS = 1000
MOST_SPECIMENS = 300
"""Of more, an even choice is looked at."""
DOUBT = 0.05
"""Chance that any of the checks departs where the priors are right; a rule of thumb, no source."""
UNITS = {"limit strain": "1", "springback angle": "deg", "gap": "mm", "film depth": "um", "clad left": "um"}
"""Responses told by their median; the others are shares."""


def prior_checks(definition, encoded: Encoded, specimens: Sequence[Specimen], *, rng: np.random.Generator) -> list[dict[str, Any]]:
    """Rank what was read, response by response, among 1000 sets of data drawn from the priors.

    Parameters
    ----------
    definition : campaign definition.
    encoded : the data as fitted.
    specimens : as fitted; of more than 300 an even choice.
    rng : numpy.random.Generator

    Returns
    -------
    list of dict
        One a response and specimen type: n readings, observed (their median, or the share of yes or of sound joints), the 5, 50 and
        95 % points of the same under the priors, unit, p (two-sided), `p_adjusted` (Holm's), departs, and words.
    """
    if len(specimens) > MOST_SPECIMENS:
        specimens = [specimens[i] for i in np.linspace(0, len(specimens) - 1, MOST_SPECIMENS).round().astype(int)]
    draws = sample_prior(encoded.layout, encoded.priors, N_SETS, rng)
    readings: dict[str, dict[str, list[tuple[float, np.ndarray]]]] = {}
    for one, name, value, censor, redrawn in redrawn_readings(definition, encoded, draws, specimens, rng=rng):
        if name == "sound joints":
            value, redrawn = value / one.joints_inspected, redrawn / one.joints_inspected
        redrawn = np.minimum(redrawn, value) if censor > 0 else np.maximum(redrawn, value) if censor < 0 else redrawn     # as its gauge would
        readings.setdefault(name, {}).setdefault(one.specimen_type, []).append((value, redrawn))
    rows = [_row(label, name, some, rng) for name, by_type in readings.items() for label, some in by_kind(name, by_type).items()]
    for row, adjusted in zip(rows, holm([row["p"] for row in rows]), strict=True):
        row |= {"p_adjusted": adjusted, "departs": adjusted < DOUBT, "words": _words(row, adjusted)}
    return rows


def _row(label: str, name: str, some: Sequence[tuple[float, np.ndarray]], rng: np.random.Generator) -> dict[str, Any]:
    put = np.median if name in UNITS else np.mean
    observed, sets = float(put([value for value, _ in some])), put(np.stack([redrawn for _, redrawn in some]), axis=0)
    where = rank(observed, 0, sets, rng)
    low, middle, high = np.percentile(sets, (5, 50, 95))
    return {"response": label, "n": len(some), "observed": observed, "low": float(low), "median": float(middle), "high": float(high),
            "unit": UNITS.get(name, "share"), "p": 2.0 * min(where, 1.0 - where)}


def _words(row: dict[str, Any], adjusted: float) -> str:
    if adjusted >= DOUBT:
        return "within what the priors expect"
    return f"{'higher' if row['observed'] > row['median'] else 'lower'} than the priors expect: beliefs and readings contradict each other"
