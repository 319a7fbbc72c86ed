"""The band of the calibration: holds its level over many quantities, sees a posterior that is too narrow, too wide or shifted."""

import numpy as np
import pytest

from tests.evidence.uniformity import BINS, band, least_p, null, p_value, rank, surprise


def counts(rng, n, make, quantities=1):
    """Return bin counts of ranks 0..99 of truths among 99 draws; `make` gives the draws."""
    truth = rng.standard_normal((quantities, n))
    ranks = (make(rng.standard_normal((quantities, n, 99))) < truth[..., None]).sum(-1)
    return np.stack([np.bincount(r // 5, minlength=BINS) for r in ranks])


def test_exact_posteriors_stay_inside_and_p_is_uniform():
    rng = np.random.default_rng(1)
    p = p_value(counts(rng, 200, lambda x: x, quantities=400))
    assert (p < least_p(400)).sum() <= 1
    assert np.mean(p < 0.1) == pytest.approx(0.1, abs=0.06) and np.mean(p < 0.5) == pytest.approx(0.5, abs=0.1)


@pytest.mark.parametrize("make", [lambda x: 0.7 * x, lambda x: 1.7 * x, lambda x: x + 0.5], ids=["narrow", "wide", "shifted"])
def test_wrong_posteriors_are_seen_among_many(make):
    assert (p_value(counts(np.random.default_rng(2), 200, make, quantities=5)) < least_p(150)).mean() >= 0.8


def test_the_band_is_the_p_value_drawn():
    """200 replicates, one quantity: a count whose function touches the band's edge is inside, one step beyond is not."""
    low, high = band(200, 1)
    assert (low < high).all() and low[9] < 100 < high[9]
    for edge in (low, high):
        assert (p_value(np.diff(np.concatenate([[0], np.clip(edge, 0, 200), [200]]))) >= 0.049) or (np.diff(edge) < 0).any()
    out = np.full(BINS, 10)
    out[0], out[10] = 10 + (high[9] - 100) + 1, 10 - (high[9] - 100) - 1
    if out[10] >= 0:
        assert p_value(out) < 0.05
    assert len(null(200)) == 200_000 and surprise(np.full(BINS, 10)) > 0.4


def test_ranks_break_ties_at_random():
    rng = np.random.default_rng(3)
    found = [rank(0.0, np.zeros(99), rng) for _ in range(2000)]
    assert np.mean(found) == pytest.approx(49.5, abs=3) and {min(found), max(found)} <= set(range(100))
    assert rank(1.5, np.arange(5.0), rng) == 2
