"""Conformance against a second way of computing it, and against the simulator.

The second way draws what one component draws by quasi-random numbers (settings, scatter of film and gap) and averages what is
left in closed form (crack, states of recrystallisation, films below their limit, joints and leak).  It shares the response
functions with the kernel and nothing else: no tables, no Gauss rules, no moments.  All numbers of the campaigns are invented.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import betaln, gammaln, ndtr, ndtri
from scipy.stats import qmc

from models.handbook import liquid_fraction
from models.likelihood import logistic, normal_nodes
from models.priors import Layout, prior_set, sample_prior
from models.responses import braze, film, formability, joints, recrystallisation, springback
from models.rows import MIN_STRAIN, Conditions, Settings, Sheet, design
from models.simulate import OneDrawPerRow, new_effects, simulate
from planner.window.conformance import Conformance, Required

SHEET = Sheet(20.0, 10.0, np.array([1.0, 0.55, 0.2]), np.array([12.0, 8.0, 24.0]), np.array([False, True, True]))
SETTINGS = Settings(4.0, 0.004, 1.5, 0.2)
LOW, HIGH = np.array([20.0, 0.01, 592.0, 1.0]), np.array([280.0, 0.25, 612.0, 8.0])
ALL = Required(True, 0.15, 22, 60.0, True, 24)
Z = ndtri(qmc.Sobol(6, seed=1).random_base2(11)).T


def conditions(n, seed, *, low=LOW, high=HIGH, n_tempers=2):
    rng = np.random.default_rng(seed)
    return Conditions.from_factors(rng.integers(n_tempers, size=n), low + (high - low) * rng.uniform(size=(n, 4)))


def draws(n, seed, n_tempers=2):
    priors = prior_set(("O", "H24")[:n_tempers], (0, 2)[:n_tempers])
    return sample_prior(Layout(n_tempers, 8, 8), priors, n, np.random.default_rng(seed))


def outcome_of(p, required):
    """Return P(joints and leak pass | predictor) of one draw, averaged over component and load, as a table."""
    eta = np.linspace(-40.0, 40.0, 3201)
    passed = np.ones_like(eta)
    if required.sound_min is not None:
        c, n, chance = p.concentration[0, 0], required.n_joints, np.clip(logistic(eta), 1e-9, 1 - 1e-9)
        a, b, k = chance * c, (1 - chance) * c, np.arange(required.sound_min, n + 1)[:, None]
        passed = np.exp(gammaln(n + 1) - gammaln(k + 1) - gammaln(n - k + 1) + betaln(k + a, n - k + b) - betaln(a, b)).sum(0)
    if required.leaked:
        passed = passed * (1 - logistic(joints.leak_logit(p, eta))[0])
    z = np.linspace(-6.0, 6.0, 121)
    w = np.exp(-0.5 * z * z) / np.exp(-0.5 * z * z).sum()
    sd = np.sqrt(p.component_sd ** 2 + p.load_joint_sd ** 2)[0, 0]
    return eta, sum(wi * np.interp(eta + sd * zi, eta, passed) for zi, wi in zip(z, w))


def below(limit, mean, sd, z):
    """Return P(mean + sd Z <= limit) and draws of the part below the limit; no limit: 1 and all."""
    if limit is None:
        return 1.0, mean + sd * z
    passed = ndtr((np.log(limit) - mean) / sd)
    return passed, mean + sd * ndtri(np.clip(ndtr(z) * passed, 1e-300, 1.0))


def reference(p, x, i, sheet, settings, required, outcome):
    """Return conformance of condition i under one draw."""
    z_t, z_e, z_h, z_m, z_film, z_gap = Z
    full, set_strain = np.ones(Z.shape[1]), max(x.strain[i], MIN_STRAIN)
    strain = set_strain * np.exp(settings.strain / set_strain * z_e) if x.strain[i] > 0 else 0.0 * full
    d = design(Conditions(np.full(len(full), x.temper[i]), x.forming_temperature[i] + settings.forming_temperature * z_t, strain,
                          x.braze_temperature[i] + settings.braze_temperature * z_h,
                          np.maximum(x.braze_time[i] + settings.braze_time * z_m, braze.MIN_MINUTES)))
    q, total, weight, above = braze.heat(p, d.h, d.minutes), 0.0, full[None], full[None]
    if required.cracked and x.strain[i] > 0:
        limit = formability.log_limit_strain(p, d, 0.0) - d.log_strain - np.log(sheet.share.max())
        weight = weight * ndtr(limit / np.sqrt(p.limit_sd ** 2 + p.lot_limit_sd ** 2))
    passed, gap = below(required.gap_max, springback.log_gap(p, springback.log_angle(p, d, 0.0), d.tau),
                        np.sqrt(p.gap_sd ** 2 + (p.gap_slope * p.lot_angle_sd) ** 2), z_gap)
    weight, liquid, heat = weight * passed, liquid_fraction(600 + 10 * d.h, sheet.silicon), joints.heat_effect(p, d, q)
    n, bases = len(sheet.share), [film.base(p, d, log_strain=d.log_strain + np.log(s)) for s in sheet.share]
    for new in range(n + 1):
        chance = 0.0
        if new < n:
            excess = recrystallisation.excess(p, d, log_strain=d.log_strain + np.log(sheet.share[new]))[0]
            chance = logistic(np.clip(excess / p.recrystallised_width, -700, 700))
        state, above = above - chance, chance
        base = [p.film_recrystallised + 0 * q if j < new else bases[j] for j in range(n)]
        passed, shift = below(required.film_max, np.max(base, axis=0) + p.film_heat * q, np.sqrt(p.film_sd ** 2 + p.load_film_sd ** 2), z_film)
        shift = shift - np.max(base, axis=0)
        depth = sum(w * np.exp(np.minimum(b + shift, 80.0)) for w, b in zip(sheet.weight, base))
        eta = joints.predictor(p, heat, joints.filler(p, liquid, 0.0, depth / sheet.clad_um), np.exp(np.minimum(gap, 80.0)))
        clad = p.joint_filler * p.lot_clad_sd * liquid
        good = sum(w * np.interp(eta + clad * z, *outcome) for z, w in zip(*normal_nodes(5)))
        total = total + state * passed * good
    return float((weight * total).mean())


def errors(required, x, *, settings=SETTINGS, sheet=SHEET, n_draws=40, n_tempers=2, cells=24, seed=7):
    """Return kernel minus reference at cells that are neither sure nor hopeless."""
    p = draws(n_draws, seed, n_tempers)
    c = Conformance(p, sheet=sheet, settings=settings, required=required, box=x)(x)
    assert c.shape == (n_draws, len(x)) and c.dtype == np.float32
    open_cells = np.argwhere((c > 0.02) & (c < 0.98))
    picks = np.random.default_rng(seed).permutation(len(open_cells))[:cells]
    out = []
    for s, i in open_cells[picks]:
        one = p.take([s])
        out.append(c[s, i] - reference(one, x, i, sheet, settings, required, outcome_of(one, required)))
    assert len(out) == cells
    return np.array(out)


def test_error_is_small_where_everything_is_asked():
    e = errors(ALL, conditions(150, 2), cells=120)
    assert np.abs(e).max() <= 0.003 and np.sqrt(np.mean(e ** 2)) <= 0.0007 and abs(e.mean()) <= 3e-4


def shares(share, count, joined):
    return Sheet(20.0, 10.0, np.array(share, float), np.array(count, float), np.array(joined))


def ranged(column, low, high):
    a, b = LOW.copy(), HIGH.copy()
    a[column], b[column] = low, high
    return dict(low=a, high=b)


@pytest.mark.parametrize("required, where, rest", [
    (ALL, ranged(0, 20.0, 24.0), {}),                                    # warmth has its kink at ambient
    (ALL, ranged(0, 5.0, 40.0), {}),                                     # below ambient
    (ALL, ranged(3, 1.0, 1.3), {}),                                      # skewed braze heat
    (ALL, ranged(1, 0.01, 0.02), {}),                                    # strain scatters by a good part of its size
    (ALL, ranged(1, 0.003, 0.01), {}), (ALL, ranged(1, 0.0002, 0.003), {}),     # ... and by more than its size
    (ALL, {}, dict(settings=Settings())),
    (ALL, {}, dict(n_tempers=1)),
    (ALL, {}, dict(sheet=shares([1, 1, 0.3], [1, 2, 3], [True, False, True]))),
    (ALL, {}, dict(sheet=shares([1, 0.5], [1, 2], [False, False]))),
    (ALL, {}, dict(sheet=shares([1], [1], [True]))),
    (ALL, {}, dict(sheet=shares([1, 0.8, 0.6, 0.4, 0.3, 0.1], [1, 2, 3, 4, 5, 6], [True] * 6))),
    (Required(False, 0.15, 22, 60.0, True, 24), {}, {}), (Required(True, None, 22, 60.0, True, 24), {}, {}),
    (Required(True, 0.15, None, 60.0, True, 24), {}, {}), (Required(True, 0.15, 22, None, True, 24), {}, {}),
    (Required(True, 0.15, 22, 60.0, False, 24), {}, {}), (Required(True, 0.15, 9300, 60.0, True, 10000), {}, {}),
], ids=["near ambient", "below ambient", "short braze", "small strain", "tiny strain", "next to no strain", "exact settings", "one temper", "equal shares", "none joined",
        "one feature", "six features", "no crack", "no gap", "no film", "no joints", "no leak", "many joints"])
def test_error_is_small_at_the_edges(required, where, rest):
    x = conditions(60, 3, n_tempers=rest.get("n_tempers", 2), **where)
    e = errors(required, x, cells=10 if required.n_joints > 24 else 16, **rest)
    assert np.abs(e).max() <= 0.003 and np.sqrt(np.mean(e ** 2)) <= 0.0015


def test_no_strain_never_cracks_and_has_a_row_of_its_own():
    x = conditions(60, 4)
    x.strain[:20] = 0.0
    p = draws(10, 8)
    sure = Conformance(p, sheet=SHEET, settings=SETTINGS, required=Required(True, None, None, None, False, 24), box=x)(x)
    assert np.abs(sure[:, :20] - 1).max() <= np.finfo(np.float32).eps      # node weights add up to 1 in single precision: the last bit depends on the processor
    mixed = Conformance(p, sheet=SHEET, settings=SETTINGS, required=ALL, box=x)(x)
    apart = Conformance(p, sheet=SHEET, settings=SETTINGS, required=ALL, box=x.take(np.arange(20)))(x.take(np.arange(20)))
    np.testing.assert_allclose(mixed[:, :20], apart, atol=0.002)
    one = p.take([3])
    assert abs(mixed[3, 5] - reference(one, x, 5, SHEET, SETTINGS, ALL, outcome_of(one, ALL))) <= 0.003


@pytest.mark.parametrize("seed", [11, 12])
def test_against_the_simulator(seed):
    """Each row its own draw of the simulator; 3 standard errors of the count besides the bar."""
    x, n = conditions(20, seed), 150_000
    p = draws(12, seed)
    c = Conformance(p, sheet=SHEET, settings=SETTINGS, required=ALL, box=x)(x)
    s, i = (int(v) for v in np.argwhere((c > 0.2) & (c < 0.8))[0])
    rng = np.random.default_rng(seed)
    fresh = new_effects(p.take(np.full(n, s)), 1, 1, rng)
    seen = simulate(OneDrawPerRow(fresh), x.take(np.full(n, i)), SHEET, settings=SETTINGS, component=1.0, lot=0, load=0, n_joints=24, rng=rng)
    good = ~seen.cracked & (seen.gap <= 0.15) & (seen.film <= 60).all(1) & (seen.sound >= 22) & ~seen.leaked
    assert abs(c[s, i] - good.mean()) <= 0.003 + 3 * np.sqrt(0.25 / n)
