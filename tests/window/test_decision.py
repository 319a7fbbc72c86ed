"""Decisions from draws: invariants that hold for any draws at all."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from models.rows import Conditions
from planner.window.decision import (
    CLAIMED,
    EXCLUDED,
    halves,
    join,
    judge,
    kinds,
    misclassification,
    probability_conforming,
    shares,
)


def _points(n):
    return Conditions.from_factors(0, np.column_stack([np.full(n, 0.5), np.linspace(0, 1, n), *np.full((2, n), 0.5)]))


def test_halves_follow_the_chains_even_when_interleaved():
    split = halves(np.tile([3, 1, 2, 0], 5))
    labels = np.tile([3, 1, 2, 0], 5)
    assert labels[split.order].tolist() == [0] * 5 + [1] * 5
    assert labels[split.certify].tolist() == [2] * 5 + [3] * 5
    assert (split.order_chains, split.certify_chains) == (2, 2)
    one = halves(np.zeros(10, int))
    assert one.order.size == one.certify.size == 5
    three = halves(np.repeat([0, 1, 2], 4))
    assert three.order.size == 4 and three.certify_chains == 2
    with pytest.raises(ValueError, match="one length"):
        halves(np.array([0, 0, 1]))


def test_judging_in_slices_is_judging_at_once():
    rng = np.random.default_rng(4)
    matrix = rng.random((200, 1300))
    points = _points(1300)
    place = {s: i for i, s in enumerate(points.strain)}
    kept = []
    split = halves(np.repeat(np.arange(4), 50))
    seen = judge(
        lambda x: matrix[:, [place[s] for s in x.strain]], points, reliability=0.6, split=split, keep=kept
    )
    assert np.array_equal(np.concatenate(kept, axis=1), matrix)
    assert seen.c == pytest.approx(probability_conforming(matrix, 0.6))
    assert seen.c_order == pytest.approx((matrix[:100] >= 0.6).mean(axis=0))
    bits = np.unpackbits(seen.certify_bits, axis=1, count=100).astype(bool)
    assert np.array_equal(bits.T, matrix[100:] >= 0.6)
    assert seen.block_share.mean(axis=0) == pytest.approx(seen.c)
    half = join([seen.take(np.arange(600)), seen.take(np.arange(1300) >= 600)])
    assert np.array_equal(half.certify_bits, seen.certify_bits)
    assert np.array_equal(half.block_share, seen.block_share)


def test_bad_conformance_is_refused():
    split = halves(np.repeat(np.arange(2), 4))
    with pytest.raises(ValueError, match="shape"):
        judge(lambda x: np.ones((7, len(x))), _points(3), reliability=0.9, split=split)
    with pytest.raises(ValueError, match="finite"):
        judge(lambda x: np.full((8, len(x)), np.nan), _points(3), reliability=0.9, split=split)


@settings(max_examples=60, deadline=None)
@given(
    seed=st.integers(0, 2**31),
    confidence=st.floats(0.55, 0.99),
    reliability=st.floats(0.05, 0.95),
    sharpness=st.floats(0.2, 5.0),
)
def test_shares_add_up_and_regions_do_not_overlap(seed, confidence, reliability, sharpness):
    rng = np.random.default_rng(seed)
    matrix = 1 / (1 + np.exp(-sharpness * (rng.standard_normal((80, 1)) + 3 * rng.standard_normal((1, 60)))))
    split = halves(np.repeat(np.arange(4), 20))
    seen = judge(lambda x: matrix[:, : len(x)], _points(60), reliability=reliability, split=split)
    member = (seen.c >= confidence) & (rng.random(60) < 0.7)
    found = shares(seen, member, confidence=confidence)
    assert found.claimed + found.excluded + found.undecided == pytest.approx(1, abs=1e-12)
    assert found.claimed <= found.pointwise
    assert 0 <= found.misclassification <= 0.5
    assert found.misclassification == pytest.approx(misclassification(seen.c))
    assert all(value >= 0 for value in found.error.values())
    kind = kinds(seen.c, member, confidence)
    assert np.all(seen.c[kind == EXCLUDED] <= 1 - confidence)
    assert np.array_equal(kind == CLAIMED, member)
    within = rng.random(60) < 0.5
    part = shares(seen, member, confidence=confidence, within=within)
    assert part.claimed <= found.claimed and part.pointwise <= found.pointwise
    assert part.excluded == found.excluded and part.misclassification == found.misclassification


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 2**31), low=st.floats(0.1, 0.5), more=st.floats(0.0, 0.4))
def test_a_higher_required_reliability_never_raises_c(seed, low, more):
    matrix = np.random.default_rng(seed).random((50, 20))
    assert np.all(probability_conforming(matrix, low + more) <= probability_conforming(matrix, low))


def test_monte_carlo_error_of_h_is_the_spread_over_fits():
    """The jackknife error of the draws against the spread over independent fits of a toy."""
    strain = np.linspace(0, 1, 200)
    split = halves(np.repeat(np.arange(4), 100))
    found, errors = [], []
    for seed in range(60):
        theta = 0.5 + 0.15 * np.random.default_rng(seed).standard_normal((400, 1))
        seen = judge(lambda x: 1.0 * (x.strain < theta), _points(200), reliability=0.5, split=split)
        one = shares(seen, np.zeros(200, bool), confidence=0.95)
        spatial = np.var(np.minimum(seen.c, 1 - seen.c)) / 200
        found.append(one.misclassification)
        errors.append(np.sqrt(one.error["misclassification"] ** 2 - spatial))
    assert np.mean(errors) == pytest.approx(np.std(found), rel=0.35)
    assert strain.size == 200
