"""Reweighting against a conjugate normal model whose answers are exact."""

import numpy as np
import pytest

from models.priors import Layout
from planner.outlook.sensitivity import Map, grouped, left_out, power_scaling, prior_groups


@pytest.fixture
def conjugate():
    """z ~ N(0, 1), 12 readings y_i ~ N(z, 1) of mean 0.3: posterior draws and each reading's log-likelihood."""
    rng = np.random.default_rng(2)
    y = np.linspace(-1, 1, 12) + 0.3
    z = rng.normal(y.sum() / 13, np.sqrt(1 / 13), 8000)
    return z, -0.5 * (y[None, :] - z[:, None]) ** 2, y


def test_leaving_rows_out_matches_the_posterior_without_them(conjugate):
    from scipy.stats import norm

    z, rows, y = conjugate
    seen = Map((z[:, None] > np.array([0.1, 0.3])).astype(np.float32), np.array([True, False]))
    told = left_out({"first two": np.array([0, 1])}, rows, seen)[0]
    mean, sd = y[2:].sum() / 11, np.sqrt(1 / 11)
    c = norm.sf(np.array([0.1, 0.3]), mean, sd)
    assert told["trusted"]
    assert told["conforming_share"] == pytest.approx(c.mean(), abs=0.03)
    assert told["misclassification"] == pytest.approx(np.minimum(c, 1 - c).mean(), abs=0.03)
    assert told["joint_probability"] == pytest.approx(c[0], abs=0.03)


def test_leaving_everything_out_is_not_trusted():
    rng = np.random.default_rng(1)
    z = rng.normal(3.0, 0.05, 4000)
    rows = -0.5 * (3.0 - z[:, None]) ** 2 * 400.0
    told = left_out({"all": np.array([0])}, rows, Map((z[:, None] > 3).astype(np.float32), np.array([False])))[0]
    assert not told["trusted"] and told["misclassification"] is None


def test_power_scaling_names_the_prior_that_matters():
    rng = np.random.default_rng(0)
    layout = Layout(2, 8, 8)
    z = rng.standard_normal((4000, layout.size))
    at = prior_groups(layout)["gap_level"][0]
    conforms = (z[:, at, None] > np.array([0.5, 1.5])).astype(np.float32)
    told = power_scaling(z, layout, np.zeros(4000), Map(conforms, np.array([False, False])))
    loud = [row["what"] for row in told if row["loud"]]
    assert "gap level" in loud and "film sd" not in loud
    assert all("lots" not in row["what"] for row in told)


def test_every_top_level_prior_is_scaled_once_and_effects_never():
    layout = Layout(3, 8, 16)
    at = np.concatenate(list(prior_groups(layout).values()))
    assert len(at) == len(set(at)) == layout.start("lots")


def test_groups_keep_their_order():
    assert {k: v.tolist() for k, v in grouped(["b", "a", None, "b"]).items()} == {"b": [0, 3], "a": [1]}


def test_priors_of_a_spread_come_first_where_few_lots_were_seen():
    from planner.outlook.sensitivity import resting_on_prior

    assert resting_on_prior(4, 4) == ()
    first = resting_on_prior(3, 9)
    assert set(first) == {"lot_limit_sd", "lot_angle_sd", "lot_clad_sd"}
    assert set(resting_on_prior(9, 2)) == {"load_joint_sd", "load_film_sd"}
    layout = Layout(2, 8, 8)
    rng = np.random.default_rng(0)
    z = rng.standard_normal((2000, sum(r * c for r, c in layout.blocks.values())))
    seen = Map((z[:, :1] + rng.standard_normal((2000, 30)) > 0).astype(np.float32), np.zeros(30, bool))     # leans on the first prior
    told = power_scaling(z, layout, np.zeros(2000), seen, first=first)
    assert {row["what"] for row in told[:3]} == {name.replace("_", " ") for name in first} and all(row["rests_on_prior"] for row in told[:3])
    assert not any(row["rests_on_prior"] for row in told[3:])
    rest = [row["change"] for row in told[3:] if row["change"] is not None]
    assert rest == sorted(rest, reverse=True)


def test_every_term_says_what_it_stands_for():
    layout = Layout(2, 8, 8)
    z = np.random.default_rng(0).standard_normal((1000, layout.size))
    told = power_scaling(z, layout, np.zeros(1000), Map((z[:, :5] > 0).astype(np.float32), np.zeros(5, bool)))
    assert len(told) == len(prior_groups(layout)) + 2 and all(row["means"] for row in told)
