"""Simulated specimens have the moments that the likelihood expects of them. One invented draw of the parameters."""

import numpy as np
import pytest

from models import joint_model, rows
from models.likelihood import logistic, normal_nodes
from models.priors import Layout, sample_prior
from models.responses import film, springback
from models.simulate import new_effects, simulate
from tests.models import invented

N = 200_000
SMALL = rows.Settings(2.0, 0.002, 1.0, 0.1)      # small, so that the linear propagation of setting scatter holds


@pytest.fixture(scope="module")
def world():
    """Parameters of one draw, with a lot and a load."""
    rng = np.random.default_rng(11)
    p = new_effects(sample_prior(Layout(2, 1, 1), invented.priors(), 1, rng), 1, 1, rng)
    return p.with_values(component_sd=np.array([[0.3]]))


def condition(n, strain=0.06):
    return rows.Conditions.from_factors(np.ones(n, int), np.tile([180.0, strain, 601.0, 3.5], (n, 1)))


def both(p, part, *, strain=0.06, seed=5):
    """Return (simulated specimens, the design of one such specimen)."""
    zero = np.zeros(N, int)
    seen = simulate(p, condition(N, strain), invented.SHEET, settings=SMALL, component=part, lot=zero, load=zero, n_joints=24,
                    rng=np.random.default_rng(seed))
    return seen, rows.design(condition(1, strain), settings=SMALL, component=part)


def same(sample, mean, variance, *, share=0.0):
    """Hold sample moments to expected ones within 4.5 Monte Carlo errors (and a share for curvature)."""
    sample = sample[np.isfinite(sample)]
    assert sample.mean() == pytest.approx(mean, abs=4.5 * sample.std() / np.sqrt(len(sample)) + share * np.sqrt(variance))
    assert sample.var() == pytest.approx(variance, rel=4.5 * np.sqrt(2 / len(sample)) + 3 * share)


def test_limit_strain_and_springback(world):
    for part in (0.0, 1.0):
        seen, d = both(world, part)
        mean, variance = joint_model.formability_moments(world, d)
        # the likelihood compares limit and given strain, so it carries the scatter of strain as well
        same(np.log(seen.limit_strain), mean[0, 0], (variance - d.log_strain_sd ** 2)[0, 0], share=0.01)
        mean, variance = springback.latent(world, d, world.lot_of(d.lot).angle)
        same(np.log(seen.gap if part else seen.angle), mean[0, 0], variance[0, 0], share=0.01)


def test_cracking(world):
    seen, d = both(world, 1.0, strain=0.2)
    mean, variance = joint_model.formability_moments(world, d)
    from scipy.stats import norm

    assert seen.cracked.mean() == pytest.approx(norm.cdf((d.log_strain - mean) / np.sqrt(variance))[0, 0], abs=0.006)


def section(world, part, feature):
    seen, d = both(world, part)
    d = rows.Design(**{**d.__dict__, "log_strain": d.log_strain + np.log(invented.SHEET.share[feature])})
    one, nothing = np.ones(1), np.zeros(1)
    block = rows.SectionBlock(d, nothing, nothing, nothing, one * 9, nothing, nothing, one, one * 0)
    return seen, block, joint_model.section_states(world, block)


@pytest.mark.parametrize("feature", [0, 1, 2])
def test_states_film_and_clad(world, feature):
    seen, block, states = section(world, 1.0, feature)
    _, new, old, mean_new, variance_new, mean_old, variance_old = (float(np.squeeze(s)) for s in states)
    state = seen.recrystallised[:, feature]
    assert new + old == pytest.approx(1.0, abs=1e-12)
    assert state.mean() == pytest.approx(new, abs=0.005)
    log_film = np.log(seen.film[:, feature])
    for chosen, mean, variance in ((state, mean_new, variance_new), (~state, mean_old, variance_old)):
        if chosen.sum() > 10_000:
            same(log_film[chosen], mean, variance, share=0.06)     # the state selects a little among the settings
    mean, variance = joint_model.clad_moments(world, block, states, invented.SHEET)
    same(seen.clad_left[:, feature] / invented.SHEET.clad_um, mean.item(), variance.item(), share=0.03)


def test_features_share_one_uniform(world):
    """A more strained feature is recrystallised wherever a less strained one is."""
    seen, _ = both(world, 1.0)
    assert (seen.recrystallised[:, :-1] >= seen.recrystallised[:, 1:]).all()


def test_consumption_against_brute_force(world):
    rng = np.random.default_rng(3)
    bases, chances, weights, variance, shift = [3.0, 2.4, 1.5], [0.2, 0.55, 0.9], np.array([0.5, 0.3, 0.2]), 0.09, 0.2
    low = world.film_recrystallised[0, 0]
    u, noise = rng.uniform(size=(N, 1)), shift + np.sqrt(variance) * rng.standard_normal(N)
    depth = np.where(u < chances, np.exp(bases), np.exp(low)) @ weights * np.exp(noise)
    mean, spread = film.consumption(world, bases, chances, weights, variance, shift)
    same(depth, mean.item(), spread.item(), share=0.01)


def test_joints_and_leak(world):
    """Means over the predictor's moments; the predictor is normal only nearly, so 1 % is allowed."""
    seen, d = both(world, 1.0)
    one, nothing = np.ones(1), np.zeros(1)
    block = rows.CountBlock(d, one * 24, one * 24, one, nothing, nothing)
    mean, variance = joint_model.component_predictor(world, block, invented.SHEET)
    x, w = normal_nodes(15)
    eta = mean.item() + np.sqrt(variance.item()) * x
    assert seen.sound.mean() / 24 == pytest.approx(w @ logistic(eta), abs=0.01)
    assert seen.leaked.mean() == pytest.approx(w @ logistic(-(world.leak_level[0, 0] + world.leak_slope[0, 0] * eta)), abs=0.01)
