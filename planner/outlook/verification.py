"""The verification trial: how many new components would confirm a claim without trusting the model.

A reviewer may ask for a demonstration that owes nothing to the model: n new components at the hardest corner of the claimed
ranges, at most f of which may fail. Its size is classical arithmetic; what the posterior adds is the chance that the trial
passes, and how few components would do for someone who does trust it.

References
----------
Success-run sizes as in `planner.window.reliability`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.stats import binom

from planner.window.reliability import success_run_size, success_run_size_bayes

FAILURES = (0, 1, 2)
LARGEST = 2000
KEYS = ("forming_temperature_degC", "strain", "braze_temperature_degC", "braze_time_min")



@dataclass(frozen=True)
class Corner:
    """The corner of a box of ranges that conforms least, by posterior mean conformance."""

    temper: str
    settings: tuple[float, float, float, float]
    """degC, 1, degC, min."""
    conformance: np.ndarray
    """(n_draws,) there."""


def hardest(temper: str, corners: np.ndarray, conformance: np.ndarray) -> Corner:
    """Pick the corner with the least mean conformance.

    Parameters
    ----------
    temper : str
    corners : (n_corners, 4) settings
    conformance : (n_draws, n_corners)
    """
    worst = int(np.argmin(conformance.mean(axis=0)))
    return Corner(temper, tuple(float(x) for x in corners[worst]), np.asarray(conformance[:, worst], float))


def chance_of_passing(conformance: np.ndarray, n: int, *, failures: int = 0) -> float:
    """Return the predictive probability that at most `failures` of n components, each of a new lot and load, fail."""
    return float(np.mean(binom.cdf(failures, n, 1.0 - np.asarray(conformance, float))))


def size_given_posterior(conformance: np.ndarray, *, reliability: float, confidence: float, failures: int = 0) -> int | None:
    """Return how many components at one condition, `failures` of which fail, bring P(conformance >= R) to C; None if that is out of reach.

    Draws are weighted by conformance^(n - f) (1 - conformance)^f, the likelihood of n components with f failures. Without failures it is
    the number of passes in a row, 0 where the claim holds as it is.
    """
    p = np.clip(np.asarray(conformance, float), 0.0, 1.0)
    good = p >= reliability
    if not good.any():
        return None
    logged = np.log(np.maximum(p, 1e-300))

    missed = failures * np.log(np.maximum(1.0 - p, 1e-300))

    def sure(n: int) -> float:
        told = (n - failures) * logged + missed
        weight = np.exp(told - told.max())
        return float(weight[good].sum() / weight.sum())

    low, high = failures, failures + 1
    if sure(low) >= confidence:
        return low
    while sure(high) < confidence:
        low, high = high, 2 * high
        if high > LARGEST:
            return None
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if sure(middle) >= confidence else (middle, high)
    return high


def trial(corner: Corner, *, reliability: float, confidence: float) -> dict[str, Any]:
    """Return the verification trial at a corner, classically and given the posterior."""
    sizes = []
    for allowed in FAILURES:
        n = success_run_size(reliability, confidence, failures=allowed)
        enough = size_given_posterior(corner.conformance, reliability=reliability, confidence=confidence, failures=allowed)
        sizes.append({"failures_allowed": allowed, "components": n, "chance_of_passing": chance_of_passing(corner.conformance, n, failures=allowed),
                      "given_posterior_components": enough,
                      "given_posterior_chance": None if enough is None else chance_of_passing(corner.conformance, enough, failures=allowed)})
    least = sizes[0]["given_posterior_components"]
    return {
        "temper": corner.temper,
        "corner": dict(zip(KEYS, corner.settings, strict=True)),
        "conformance_mean": float(corner.conformance.mean()),
        "probability_conforming": float(np.mean(corner.conformance >= reliability)),
        "classical": sizes, "uniform_prior_components": success_run_size_bayes(reliability, confidence),
        "given_posterior_components": least,
        "given_posterior_chance": sizes[0]["given_posterior_chance"],
        "words": _words(corner, sizes[0], least, reliability, confidence)}


def _words(corner: Corner, first: dict[str, Any], least: int | None, reliability: float, confidence: float) -> str:
    t, e, b, m = corner.settings
    at = f"{corner.temper} at {t:.0f} degC, strain {e:.3g}, brazed at {b:.4g} degC for {m:.3g} min"
    text = (f"{first['components']} new components at the hardest corner ({at}), each from a lot and a load of its own, none of which fails, confirm "
            f"reliability {reliability:g} with confidence {confidence:g} without the model; the posterior gives this trial a chance of "
            f"{first['chance_of_passing']:.2f} to pass")
    if least is None:
        return text + "; given the posterior, no number of passes there would be enough"
    if least == 0:
        return text + "; given the posterior, the corner is confirmed already"
    return text + f"; given the posterior, {least} passes in a row would be enough (chance {first['given_posterior_chance']:.2f})"
