"""Beliefs hold exactly as stated, and the map from standard normals is what its layout says."""

import numpy as np
import pytest

from models import priors as pr
from models.priors import Z90, Layout, prior_set, sample_prior, unpack
from tests.models.invented import centring


def test_a_belief_keeps_its_90_percent_whatever_the_pooling():
    """Mixing a common and an own score leaves each temper's marginal exactly at its belief."""
    beliefs = {"H24": {"critical_strain": (0.03, 0.07)}}
    priors = prior_set(("O", "H24", "H28"), (0, 2, 4), beliefs=beliefs)
    assert priors.reasons["log_critical_strain", "H24"] == "the lab's belief"
    assert priors.reasons["log_critical_strain", "O"].startswith("default")
    n = 200_000
    draws = np.exp(sample_prior(Layout(3, 8, 8), priors, n, np.random.default_rng(1)).log_critical_strain)
    for j, (low, high) in enumerate([(0.02, 0.12), (0.03, 0.07), (0.02, 0.12)]):
        inside = ((draws[:, j] > low) & (draws[:, j] < high)).mean()
        assert inside == pytest.approx(0.90, abs=4 * np.sqrt(0.09 / n))
        assert (draws[:, j] < low).mean() == pytest.approx(0.05, abs=4 * np.sqrt(0.0475 / n))


def test_tempers_share_and_one_temper_does_not_pool():
    priors = prior_set(("O", "H24"), (0, 2))
    draws = sample_prior(Layout(2, 8, 8), priors, 50_000, np.random.default_rng(2))
    level = draws.limit_level
    assert 0.2 < np.corrcoef(level[:, 0], level[:, 1])[0, 1] < 0.9
    alone = Layout(1, 8, 8)
    assert "spread" not in alone.blocks and "between_temper" not in vars(sample_prior(alone, prior_set(("O",), (0,)), 3, np.random.default_rng(3)))


@pytest.mark.parametrize("prior", pr.SHARED, ids=lambda p: p.name)
def test_every_shared_prior_is_stated_with_its_interval(prior):
    low, high = prior.interval()
    assert low < high and prior.reason and prior.unit
    assert prior.kind == "normal" or low > 0


def test_ranges_as_stated():
    p = pr.positive("x", 2.0, 8.0, "1", "invented")
    assert p.interval() == pytest.approx((2.0, 8.0))
    assert pr.log_range(2.0, 8.0) == pytest.approx((np.log(4.0), np.log(4.0) / (2 * Z90)))


def test_braze_beliefs():
    braze = {"best_braze_temperature_degC": (598.0, 606.0), "film_depth_um_at_reference": (10.0, 40.0)}
    priors = {p.name: p for p in prior_set(("O",), (0,), braze=braze).shared}
    assert np.array(priors["best_heat"].interval()) * 10 + 600 == pytest.approx((598.0, 606.0))
    assert np.exp(priors["film_level"].interval()) == pytest.approx((10.0, 40.0))


def test_layout_places_every_unknown():
    layout = Layout(2, 8, 16)
    assert len(layout.names()) == layout.size == len(set(layout.names()))
    z = np.zeros((1, layout.size))
    z[0, layout.start("loads") + 16 + 3] = 1.0          # film effect of the fourth load
    p = unpack(z, layout, prior_set(("O", "H24"), (0, 2)))
    assert p.load_film[0, 3] == pytest.approx(p.load_film_sd[0, 0]) and np.count_nonzero(p.load_film) == 1
    assert not p.lot_limit.any() and not p.load_time.any()


def test_take_and_views():
    layout = Layout(2, 8, 8)
    p = sample_prior(layout, prior_set(("O", "H24"), (0, 2)), 5, np.random.default_rng(4))
    temper = np.array([1, 0, 1])
    assert p.of(temper).limit_level.shape == (5, 3)
    assert np.array_equal(p.of(temper).joint_deviation[2], p.joint_deviation[2][:, temper])
    assert np.array_equal(p.take([3]).lot_of(np.array([2])).angle, p.lot_angle[[3]][:, [2]])
    assert p.n_draws == 5 and p.with_values(limit_sd=1.0).limit_sd == 1.0


@pytest.mark.parametrize("tempers", [("O",), ("O", "H24", "H28")])
def test_the_sampler_s_vectors_stand_for_the_same_prior(tempers):
    """Density of the centred vector = standard normal density of what it stands for x the Jacobian (by differences)."""
    layout, priors = Layout(len(tempers), 3, 1), prior_set(tempers, (0, 2, 4)[:len(tempers)])
    y, told = np.random.default_rng(5).standard_normal(layout.size), np.random.default_rng(6).uniform(0, 900, (3, 3, len(tempers)))
    z = pr.standard(y, layout, priors, told)
    step, moved = 1e-6, lambda by: pr.standard(y + by * np.eye(layout.size), layout, priors, told)
    expected = -0.5 * z @ z + np.linalg.slogdet((moved(step) - moved(-step)) / (2 * step))[1]
    assert -0.5 * y @ y + centring(y, layout, priors, told) == pytest.approx(expected, abs=1e-6)
    if len(tempers) == 1:
        return
    ours, theirs = pr.population(y[None], layout, priors, centred=True), vars(unpack(z[None], layout, priors))
    for name in (*pr.BY_TEMPER, "between_temper", "limit_sd"):
        np.testing.assert_allclose(ours[name], theirs[name], rtol=1e-12)
