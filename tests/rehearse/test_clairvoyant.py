"""The clairvoyant: its data sets against the predictor's moments, its plans inside every limit, and what is said of it."""

from types import SimpleNamespace

import numpy as np
import pytest

from planner.acquisition.candidate import Candidate
from planner.acquisition.limits import Limits
from planner.acquisition.predictor import FittedPredictor
from planner.acquisition.reference import ReferenceMap
from planner.cycle.fitting import conformance_of
from planner.encode import encode
from planner.rehearse.clairvoyant import CLAIRVOYANT, TrueDataSets, clairvoyant_batch
from planner.rehearse.rehearsal import remarks
from planner.rehearse.world import Truth, World
from planner.window.box import factor_box
from planner.window.points import reference_points
from models.fit import prior_draws

PLATES = [
    Candidate("tensile_coupon", "O", "A1", 120.0),
    Candidate("bend_coupon", "H24", "B1", 20.0),
    Candidate("braze_coupon", "O", "A1", 120.0, 0.06, 602.0, 3.0),
    Candidate("component", "O", "A1", 120.0, 0.12, 593.0, 2.0, "land"),
    Candidate("component", "O", "A1", 120.0, 0.12, 593.0, 2.0, "crest"),
    Candidate("component", "H24", "B1", 200.0, 0.05, 600.0, 3.0),
]


def at_the_median(definition, median, **values):
    """Return measurements and data sets of one draw whose lots do not differ."""
    p = median.with_values(**{f"lot_{e}_sd": 0.0 * getattr(median, f"lot_{e}_sd") for e in ("limit", "angle", "clad")}, **values)
    encoded = encode(definition, [])
    m = FittedPredictor(definition, encoded, p).measurements(PLATES)
    return m, TrueDataSets(World.of(Truth("prior", p, 3), definition), definition, PLATES, m, seed=[1], n_sets=6000)


def test_data_sets_have_the_moments_that_the_predictor_foresees(definition, median):
    m, data = at_the_median(definition, median)
    read = data.of_load(0)
    assert {*m.kind} == {"limit_strain", "springback_angle", "recrystallised", "film_depth", "clad_left", "cracked", "gap", "joints_sound", "leaked"}
    sd = np.sqrt(m.noise)
    assert np.all(np.abs(read.mean(axis=1) - m.F[0]) < 0.15 * sd + 0.008)
    wide = sd > 0.01
    assert read.std(axis=1)[wide] == pytest.approx(sd[wide], rel=0.2)                                 # loads act by their slope


def test_specimens_of_a_load_share_its_effects(definition, median):
    m, data = at_the_median(definition, median, load_joint_sd=0.0 * median.load_joint_sd + 0.7)
    read, apart, again = data.of_load(0), data.of_load(1), data.of_copy(3, 0, 1)
    row = lambda c, kind: int(np.flatnonzero((m.candidate == c) & (m.kind == kind))[0])
    a, b = row(3, "joints_sound"), row(4, "joints_sound")
    shared = m.load_loading[a] @ m.load_loading[b]
    assert shared > 5e-4
    for other in (read[b], again[a - row(3, "cracked")]):                          # a copy shares the load and nothing else
        assert 0.6 * shared < np.cov(read[a], other)[0, 1] < 2.5 * shared
    assert abs(np.cov(read[a], apart[b])[0, 1]) < 0.3 * shared
    assert np.array_equal(read, data.of_load(0)) and np.array_equal(again, data.of_copy(3, 0, 1))


@pytest.mark.parametrize("mechanism", [None, "wide_window"])
def test_its_batch_keeps_every_limit_and_the_seed_decides(definition, world, mechanism):
    encoded = encode(definition, [])
    draws = prior_draws(encoded.layout, encoded.priors, draws=60, rng=np.random.default_rng(1))
    at = reference_points(factor_box(definition), 128, seed=1)
    reference = ReferenceMap.of(at, conformance_of(definition, encoded, draws.params())(at), tempers=definition.factors.tempers,
                                ranges=definition.factor_ranges, reliability=definition.goal.reliability, chain=draws.chain)
    choice = SimpleNamespace(definition=definition, reference=reference, predictor=FittedPredictor(definition, encoded, draws.params()),
                             limits=Limits.of(definition))
    batch = clairvoyant_batch(choice, world(mechanism), history=(), number=1, seed=4, n_candidates=60)
    assert batch.candidates and batch.tally.broken() == []
    again = clairvoyant_batch(choice, world(mechanism), history=(), number=1, seed=4, n_candidates=60)
    assert again.candidates == batch.candidates and again.loads == batch.loads


def test_what_is_said_of_it():
    row = lambda strategy, week, h: {"strategy": strategy, "week": week, "repeat": 0, "cost": 6000.0 * week, "misclassification": h}
    assert remarks([row("ours", 1, 0.1), row("factorial", 1, 0.2)]) == []
    rows = [row("ours", 0, 0.2), row(CLAIRVOYANT, 0, 0.2), row("ours", 1, 0.1), row(CLAIRVOYANT, 1, 0.12), row("ours", 2, 0.09), row(CLAIRVOYANT, 2, 0.05)]
    words, beaten = remarks(rows)
    assert "heuristic bound" in words and "week 1 (H 0.1000 against 0.1200)" in beaten and "week 2" not in beaten
    assert "no week" in remarks(rows[:2] + rows[4:])[1]
