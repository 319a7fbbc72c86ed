"""Effective draws of a claim after a quick update: draws that reweighting copied are not taken for independent ones."""

import numpy as np
import pytest

from models.fit import prior_draws
from models.priors import Layout, prior_set
from models.reweight import Weights, resampled
from planner.window.ess import indicator_ess


@pytest.mark.parametrize("heavy", [False, True])
def test_effective_draws_of_a_claim_see_the_copies(heavy):
    """Kong (1992): the variance of a self-normalised mean is sum w^2 (I - p)^2; copies side by side tell the same from autocorrelation."""
    rng = np.random.default_rng(11)
    draws = prior_draws(Layout(1, 8, 8), prior_set(("O",), (0,)), draws=1250, rng=rng)
    nonconforming = draws.z[..., 0] > 1.5
    log_weight = np.where(nonconforming & (draws.z[..., 1] > 0.5) if heavy else draws.z[..., 1] > 0.5, 3.0, 0.0)
    weight = np.exp(log_weight.ravel())
    weights = Weights(weight / weight.sum(), 0.1, 1.0)
    held = ~nonconforming.ravel()
    p = weights.weight @ held
    exact = p * (1 - p) / np.sum(weights.weight**2 * (held - p) ** 2)
    again = resampled(draws, weights, rng).z[..., 0] <= 1.5
    assert indicator_ess(again) == pytest.approx(exact, rel=0.5)
