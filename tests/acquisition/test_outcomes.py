"""Outcome by outcome: exact two-outcome values, and simulated batches against the closed form."""

import itertools
from types import SimpleNamespace

import numpy as np
import pytest
from scipy.special import expit

from planner.acquisition.batch import settle
from planner.acquisition.gain import NO_LOAD, LinearGain
from planner.acquisition.measurements import Measurements
from planner.acquisition.outcomes import simulated_gain, simulated_maps, single_yes_no_correction, two_outcome_gain
from planner.acquisition.scores import normal_scores


def test_two_outcomes_by_bayes_rule_one_by_one():
    rng = np.random.default_rng(0)
    conforms, p = rng.random((50, 7)) < 0.4, rng.random((50, 3))
    for j, got in enumerate(two_outcome_gain(conforms, p)):
        now, after = np.minimum(conforms.mean(axis=0), 1 - conforms.mean(axis=0)).mean(), 0.0
        for y in (0, 1):
            likelihood = p[:, j] if y else 1 - p[:, j]
            c = likelihood @ conforms / likelihood.sum()
            after += likelihood.mean() * np.minimum(c, 1 - c).mean()
        assert got == pytest.approx(now - after, abs=1e-12)
        assert got >= -1e-12


def gaussian_world(rng, *, n_draws=4000, noise=1.0):
    theta = rng.standard_normal((n_draws, 3))
    conformance = expit(theta @ rng.standard_normal((3, 25)) + rng.normal(size=25))
    scores = normal_scores(conformance, reliability=0.6)
    F = theta @ rng.standard_normal((3, 4))
    m = Measurements(
        F, np.full(4, noise), np.array([0, 0, 1, 2]), np.array(["gap"] * 4), np.zeros(4, bool),
        np.zeros((4, 3)), np.full((4, 4), 0.2),
    )  # fmt: skip
    return scores, m, LinearGain(scores.z, scores.z0, m, lots=np.array([0, 0, 1]))


PICKS = [(0, 3), (1, 3), (2, NO_LOAD)]


@pytest.mark.parametrize(("guard", "method"), [(1e9, "linear"), (5.0, "reweighted")])
def test_simulated_gain_of_a_gaussian_batch_is_the_closed_form(guard, method):
    rng = np.random.default_rng(1)
    scores, m, gain = gaussian_world(rng)
    got = simulated_gain(gain, scores.z > scores.z0, PICKS, n_outcomes=2000, ess_guard=guard, rng=rng)
    expected = gain.now - gain.condition(PICKS).misclassification
    assert got.method == method
    assert got.gain == pytest.approx(expected, rel=0.1)
    assert got.band_80[0] < got.gain < got.band_80[1]


def test_yes_no_reweighting_agrees_with_all_outcomes_in_full():
    rng = np.random.default_rng(2)
    theta = rng.standard_normal((3000, 2))
    scores = normal_scores(expit(theta @ rng.standard_normal((2, 12))), reliability=0.5)
    p = expit(theta - np.array([3.0, 0.0]))
    m = Measurements(
        p, (p * (1 - p)).mean(axis=0), np.arange(2), np.array(["leaked"] * 2), np.ones(2, bool),
        np.zeros((2, 3)), np.zeros((2, 4)),
    )  # fmt: skip
    gain = LinearGain(scores.z, scores.z0, m, lots=np.zeros(2, int))
    conforms = scores.z > scores.z0
    after = 0.0
    for outcome in itertools.product((0, 1), repeat=2):
        likelihood = np.prod(np.where(np.array(outcome) == 1, p, 1 - p), axis=1)
        c = likelihood @ conforms / likelihood.sum()
        after += likelihood.mean() * np.minimum(c, 1 - c).mean()
    exact = np.minimum(scores.c, 1 - scores.c).mean() - after
    got = simulated_gain(gain, conforms, [(0, NO_LOAD), (1, NO_LOAD)], n_outcomes=4000, rng=rng)
    assert got.method == "reweighted"
    assert got.gain == pytest.approx(exact, rel=0.1)
    factor = single_yes_no_correction(gain, conforms)
    linear = gain.now - np.array([gain.condition([(c, NO_LOAD)]).misclassification for c in (0, 1)])
    assert factor * linear == pytest.approx(two_outcome_gain(conforms, p), rel=1e-3)
    assert abs(factor[0] - 1) > 0.1  # the rare leak is misjudged by its second moments


def test_a_large_batch_falls_back_to_the_linear_update():
    rng = np.random.default_rng(3)
    scores, m, gain = gaussian_world(rng, n_draws=600, noise=0.05)
    got = simulated_gain(gain, scores.z > scores.z0, PICKS * 6, rng=rng)
    assert got.method == "linear"
    assert got.ess < 200


def test_the_last_plans_meet_on_simulated_outcomes():
    """A rare yes that settles a point is worth more than its second moments say; a reading that says nothing never wins by chance."""
    rng = np.random.default_rng(4)
    rare = rng.random(4000) < 0.03
    conforms = np.column_stack([~rare, rng.random(4000) < 0.5])
    z = np.column_stack([np.where(rare, -1.9, 0.05) + 0.01 * rng.standard_normal(4000), rng.standard_normal(4000)])
    F = np.column_stack([np.where(rare, 0.999, 0.001), 0.08 * (conforms[:, 1] - 0.5) + rng.standard_normal(4000), rng.standard_normal(4000)])
    m = Measurements(F, np.array([0.001, 0.5, 0.5]), np.arange(3), np.array(["leaked", "gap", "gap"]), np.array([True, False, False]),
                     np.zeros((3, 3)), np.zeros((3, 4)))
    gain = LinearGain(z, np.array([-0.9, 0.0]), m, lots=np.zeros(3, int))
    leak, weak, nothing = (SimpleNamespace(gain=gain, pending=(), batch=lambda c=c: [(c, NO_LOAD)]) for c in range(3))
    assert settle([weak, leak], conforms) is leak
    assert settle([leak, weak, nothing], conforms) is leak
    assert settle([leak], conforms) is leak


@pytest.mark.parametrize(("guard", "method"), [(np.inf, "linear"), (0.0, "reweighted")])
def test_what_pending_specimens_bring_is_taken_off_outcome_by_outcome(guard, method):
    """A second specimen that tells nothing brings nothing beyond the pending ones, whatever those show."""
    rng = np.random.default_rng(5)
    scores, m, _ = gaussian_world(rng, n_draws=800, noise=0.3)
    F = np.column_stack([m.F, rng.standard_normal(800)])
    m = Measurements(F, np.append(m.noise, 1e8), np.array([0, 0, 1, 2, 3]), np.array(["gap"] * 5), np.zeros(5, bool), np.zeros((5, 3)), np.zeros((5, 4)))
    gain = LinearGain(scores.z, scores.z0, m, lots=np.arange(4))
    conforms, given = scores.z > scores.z0, [(0, 3), (1, 3)]
    got = simulated_gain(gain, conforms, [(3, NO_LOAD)], given=given, ess_guard=guard, rng=np.random.default_rng(0))
    assert got.method == method
    assert got.gain == pytest.approx(0.0, abs=1e-4)
    assert got.band_80 == pytest.approx((0.0, 0.0), abs=1e-3)
    more = simulated_gain(gain, conforms, [(2, NO_LOAD)], given=given, ess_guard=guard, n_outcomes=2000, rng=np.random.default_rng(0))
    linear = gain.condition(given).misclassification - gain.condition([*given, (2, NO_LOAD)]).misclassification
    assert linear > 0.001 and more.gain == pytest.approx(linear, rel=0.3)


def test_a_rare_leak_that_is_pending_is_not_booked_to_the_next_plan():
    """Second moments misjudge what a pending yes/no brings; the difference is nothing that the new plan brings or loses."""
    rng = np.random.default_rng(4)
    rare = rng.random(4000) < 0.03
    z = np.column_stack([np.where(rare, -1.9, 0.05) + 0.01 * rng.standard_normal(4000), rng.standard_normal(4000)])
    F = np.column_stack([np.where(rare, 0.999, 0.001), rng.standard_normal(4000)])
    m = Measurements(F, np.array([0.001, 1e8]), np.arange(2), np.array(["leaked", "gap"]), np.array([True, False]), np.zeros((2, 3)), np.zeros((2, 4)))
    gain = LinearGain(z, np.array([-0.9, 0.0]), m, lots=np.zeros(2, int))
    got = simulated_gain(gain, z > gain.z0, [(1, NO_LOAD)], given=[(0, NO_LOAD)], rng=np.random.default_rng(1))
    assert got.gain == pytest.approx(0.0, abs=1e-5) and got.band_80 == pytest.approx((0.0, 0.0), abs=1e-5)


@pytest.mark.parametrize("guard", [np.inf, 5.0])
def test_without_pending_specimens_the_numbers_are_those_of_the_maps_to_the_last_bit(guard):
    scores, _, gain = gaussian_world(np.random.default_rng(1))
    conforms = scores.z > scores.z0
    got = simulated_gain(gain, conforms, PICKS, ess_guard=guard, rng=np.random.default_rng(2))
    c, method, ess = simulated_maps(gain, conforms, PICKS, ess_guard=guard, rng=np.random.default_rng(2))
    fall = gain.now - np.minimum(c, 1.0 - c) @ gain.table.weights
    assert (got.gain, got.band_80) == (float(fall.mean()), tuple(np.quantile(fall, [0.1, 0.9])))
    assert (got.method, got.ess) == (method, ess) and np.array_equal(got.c, c)
