"""Lazy choice against scoring everything."""

import numpy as np
import pytest

from planner.acquisition import lazy
from planner.acquisition.propose import propose


def test_it_scores_few_and_finds_the_best():
    rng = np.random.default_rng(0)
    fall, price = rng.exponential(size=5000), rng.uniform(1.0, 3.0, 5000)
    known = fall * rng.uniform(0.85, 1.5, 5000)          # some had even promised less than they now bring
    scored = []

    def falls(rows, loads):
        scored.append(rows.size)
        return fall[rows]

    rows = np.arange(5000)
    best, found = lazy.best_choice(falls, rows, rows, price, known)
    assert best == np.argmax(fall / price) and found == fall[best]
    assert sum(scored) < 1000 and np.sum(known == fall) == sum(scored)
    known[:] = np.inf
    assert lazy.best_choice(falls, rows, rows, price, known)[0] == best and np.array_equal(known, fall)


def test_a_plan_chosen_lazily_is_as_good(definition, world, monkeypatch):
    reference, predictor = world(definition, n_draws=160)
    plan = lambda: propose(definition, reference=reference, predictor=predictor, n_candidates=400, with_optimism=False, rng=np.random.default_rng(5)).forecast.linear_gain
    everything = plan()
    monkeypatch.setattr(lazy, "ABOVE", 20)
    monkeypatch.setattr(lazy, "BLOCK", 16)
    assert plan() == pytest.approx(everything, rel=0.03)
