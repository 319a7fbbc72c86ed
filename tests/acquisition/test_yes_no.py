"""Yes/no readings by their outcomes: of specimens that give nothing else, and beside other readings."""

import itertools

import numpy as np
import pytest
from scipy.special import expit

from models.fit import prior_draws
from planner.acquisition.candidate import Candidate
from planner.acquisition.gain import NO_LOAD, LinearGain
from planner.acquisition.measurements import KINDS, Measurements
from planner.acquisition.outcomes import single_yes_no_correction, two_outcome_gain, yes_no_gain
from planner.acquisition.predictor import FittedPredictor
from planner.acquisition.reference import ReferenceMap
from planner.acquisition.scores import normal_scores
from planner.cycle.fitting import conformance_of
from planner.encode import encode
from planner.window.box import factor_box
from planner.window.points import reference_points


def test_all_outcomes_of_a_specimen_by_bayes_rule_one_by_one():
    rng = np.random.default_rng(0)
    conforms, crack, leak, state = rng.random((60, 9)) < 0.4, *(rng.random((60, 4)) for _ in range(3))
    got = yes_no_gain(conforms.astype(float), np.stack([crack, leak, state]), np.array([-1, 0, 0]), weights=np.full(9, 1 / 9))
    for j in range(4):
        now, after = np.minimum(conforms.mean(axis=0), 1 - conforms.mean(axis=0)).mean(), 0.0
        sound = [(1 - crack[:, j]) * np.where(a, leak[:, j], 1 - leak[:, j]) * np.where(b, state[:, j], 1 - state[:, j])
                 for a, b in itertools.product((0, 1), repeat=2)]
        for likelihood in [crack[:, j], *sound]:
            c = likelihood @ conforms / likelihood.sum()
            after += likelihood.mean() * np.minimum(c, 1 - c).mean()
        assert got[j] == pytest.approx(now - after, abs=1e-12)


def test_a_component_that_gives_only_whether_it_leaked_is_scored_by_its_two_outcomes(definition):
    """The crack, which the lab sees in any case, says nothing at these strains; to 3 %, where the linear score is 1.5 to 1.9 times too high."""
    only = definition.specimens["component"].model_copy(update={"gives": ("leaked",), "section": None})
    tables = definition.specimen_tables.model_copy(update={"component": only})
    definition = definition.model_copy(update={"specimen_tables": tables})
    encoded = encode(definition, [])
    draws = prior_draws(encoded.layout, encoded.priors, draws=500, rng=np.random.default_rng(1))
    at = reference_points(factor_box(definition), 256, seed=1)
    reference = ReferenceMap.of(at, conformance_of(definition, encoded, draws.params())(at), tempers=definition.factors.tempers,
                                ranges=definition.factor_ranges, reliability=definition.goal.reliability, chain=draws.chain)
    temper = definition.factors.tempers[0]
    made = [Candidate("component", temper, "A1", t, 0.031, b, 3.0) for t in (20.0, 240.0) for b in (598.0, 602.0, 606.0)]
    m = FittedPredictor(definition, encoded, draws.params()).measurements(made)
    assert m.kind.tolist() == ["cracked", "leaked"] * len(made) and m.F[:, ::2].mean() < 0.01
    gain, conforms = LinearGain(reference.z, reference.z0, m, lots=np.zeros(len(made), int)), reference.z > reference.z0
    factor = single_yes_no_correction(gain, conforms)
    linear = gain.now - gain.score(gain.condition([]), np.arange(len(made)), np.zeros(len(made), int))
    exact = two_outcome_gain(conforms[:, gain.live], m.F[:, 1::2], weights=gain.table.weights)
    print("linear", linear, "exact", exact, "factor", factor)
    assert factor * linear == pytest.approx(exact, rel=0.03)
    assert np.all(linear > 1.3 * exact)


@pytest.mark.parametrize(("noise", "share"), [(1e6, 1.0), (1e-4, 0.0)])
def test_the_correction_is_of_what_the_yes_no_adds_to_the_other_readings(noise, share):
    """All of it beside a reading that tells nothing; none beside one that tells all that the chance of yes depends on."""
    rng = np.random.default_rng(4)
    theta = rng.standard_normal((4000, 3))
    scores = normal_scores(expit(theta[:, :1] + 0.4 * theta[:, 1:] @ rng.standard_normal((2, 20))), reliability=0.6)
    p = expit(6.0 * theta[:, :1] - 9.0)
    m = Measurements(np.column_stack([p, theta[:, 0]]), np.array([(p * (1 - p)).mean(), noise]), np.zeros(2, int), np.array(["leaked", "gap"]),
                     np.array([True, False]), np.zeros((2, 3)), np.zeros((2, 4)))
    gain, conforms = LinearGain(scores.z, scores.z0, m, lots=np.zeros(1, int)), scores.z > scores.z0
    linear, exact = gain.now - gain.score_alone(np.array([[0]]))[0], two_outcome_gain(conforms[:, gain.live], p[:, 0], weights=gain.table.weights)
    assert abs(exact / linear - 1.0) > 0.15
    whole = gain.now - gain.score(gain.condition([]), [0], [NO_LOAD])[0]
    expected = 1.0 + share * (exact - linear) / whole
    assert single_yes_no_correction(gain, conforms)[0] == pytest.approx(expected, abs=0.02)


def test_readings_alone_score_as_a_specimen_that_gives_no_others():
    rng = np.random.default_rng(7)
    joint = rng.standard_normal((300, 6)) @ rng.standard_normal((6, 34)) + rng.standard_normal((300, 34))
    z, F, kinds = joint[:, :30], joint[:, 30:], np.array(["gap", "film_depth", "clad_left", "gap"])
    within = np.zeros((4, len(KINDS)))
    within[1, KINDS.index("clad_left")] = within[2, KINDS.index("film_depth")] = -0.6
    parts = {"noise": np.full(4, 1.5), "candidate": np.array([0, 0, 0, 1]), "kind": kinds, "is_binary": np.zeros(4, bool),
             "lot_loading": 0.2 * rng.random((4, 3)), "load_loading": 0.2 * rng.random((4, 4)), "within": within}
    whole = LinearGain(z, np.zeros(30), Measurements(F, **parts), lots=np.zeros(2, int), shrinkage=0.0)
    some = LinearGain(z, np.zeros(30), Measurements(F[:, 1:], **{k: v[1:] for k, v in parts.items()}), lots=np.zeros(2, int), shrinkage=0.0)
    assert whole.score_alone(np.array([[1, 2]])) == pytest.approx(some.score(some.condition([]), [0], [3]), abs=1e-6)
