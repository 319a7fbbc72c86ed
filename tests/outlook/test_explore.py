"""What a page stores must give the claim that the window gives."""

import numpy as np
import pytest

from models.rows import Conditions
from planner.outlook.explore import cells, claimed_from, curves
from planner.window.decision import halves, judge
from planner.window.joint_claim import largest_certified


@pytest.fixture
def toy():
    rng = np.random.default_rng(5)
    settings = rng.random((700, 4))
    where = Conditions.from_factors(0, settings)
    conformance = np.clip(0.75 + 0.25 * settings[:, 0] + 0.02 * rng.standard_normal((8000, 1)), 0, 1).astype(np.float32)
    return where, conformance, halves(np.repeat(np.arange(4), 2000))


@pytest.mark.parametrize("reliability", [0.85, 0.9])
@pytest.mark.parametrize("confidence", [0.8, 0.95])
def test_the_stored_curve_gives_the_windows_claim(toy, reliability, confidence):
    where, conformance, split = toy
    at = [0]

    def piece(part):
        at[0] += len(part)
        return conformance[:, at[0] - len(part) : at[0]]

    claim = largest_certified(judge(piece, where, reliability=reliability, split=split), confidence=confidence, split=split)
    (stored,) = curves([(where, conformance)], reliabilities=[reliability], split=split, longest=10_000)
    assert claimed_from(stored, confidence) == pytest.approx((claim.rho, claim.probability))


def test_cells_are_shares_of_draws(toy):
    where, conformance, split = toy
    told = cells(where, conformance, reliabilities=[0.9], split=split)
    assert told["c_least"] == told["c"]
    edge = conformance[:, ::-1]
    lower = cells(where, conformance, reliabilities=[0.9], split=split, edges=[edge])
    assert lower["c"] == told["c"] and np.allclose(lower["c_least"][0], np.minimum(told["c"][0], told["c"][0][::-1]))
    assert np.allclose(told["c"][0], (conformance >= 0.9).mean(axis=0), atol=6e-5)
