"""Campaigns whose conformance is known by other means, the lots in hand, sameness of results, and the parts of the kernel."""

from __future__ import annotations

import os
from fractions import Fraction
from math import comb

import numpy as np
import pytest
from numba import njit
from scipy.integrate import quad
from scipy.special import ndtr, roots_hermitenorm
from scipy.stats import norm, truncnorm

from models.handbook import liquid_fraction
from models.likelihood import logistic
from models.priors import Layout, prior_set, sample_prior
from models.responses import film, formability, joints, springback
from models.rows import Conditions, Settings, Sheet, design
from models.simulate import OneDrawPerRow, new_effects, simulate
from planner.window import tables as tables_module
from planner.window.conformance import Conformance, LotsSeen, Required
from planner.window.lanes import exp32, log32, phi32
from planner.window.outcome import count_tail
from planner.window.truncated import BOUND_LOW, BOUND_STEP, SIZES, truncated_rules

SHEET = Sheet(20.0, 10.0, np.array([1.0, 0.5]), np.array([4.0, 8.0]), np.array([True, True]))
EXACT = Settings()
ROUGH = Settings(4.0, 0.004, 1.5, 0.2)
LOW, HIGH = np.array([20.0, 0.01, 592.0, 1.0]), np.array([280.0, 0.25, 612.0, 8.0])


@pytest.fixture
def few():
    priors = prior_set(("O", "H24"), (0, 2))
    return sample_prior(Layout(2, 8, 8), priors, 8, np.random.default_rng(1))


@pytest.fixture
def points():
    rng = np.random.default_rng(2)
    return Conditions.from_factors(rng.integers(2, size=50), LOW + (HIGH - LOW) * rng.uniform(size=(50, 4)))


def conform(p, x, required, settings=EXACT):
    return Conformance(p, sheet=SHEET, settings=settings, required=required, box=x)(x)


def test_crack_and_gap_alone_are_a_product_of_normal_cdfs(few, points):
    got = conform(few, points, Required(True, 0.15, None, None, False, 24))
    d = design(points)
    crack = ndtr((formability.log_limit_strain(few, d, 0.0) - d.log_strain) / np.sqrt(few.limit_sd ** 2 + few.lot_limit_sd ** 2))
    mean = springback.log_gap(few, springback.log_angle(few, d, 0.0), d.tau)
    gap = ndtr((np.log(0.15) - mean) / np.sqrt(few.gap_sd ** 2 + (few.gap_slope * few.lot_angle_sd) ** 2))
    np.testing.assert_allclose(got, crack * gap, atol=2e-3)


def test_film_alone_is_a_normal_cdf_when_nothing_recrystallises(few, points):
    p = few.with_values(log_critical_strain=few.log_critical_strain + 30.0)
    got = conform(p, points, Required(False, None, None, 40.0, False, 24), Settings(0.0, 0.0, 1.5, 0.0))
    d = design(points)
    q = d.h + p.time_weight * np.log(points.braze_time / 3.0)
    sd = np.sqrt(p.film_sd ** 2 + p.load_film_sd ** 2 + (p.film_heat * 0.15) ** 2)
    np.testing.assert_allclose(got, ndtr((np.log(40.0) - film.base(p, d) - p.film_heat * q) / sd), atol=1e-3)


def test_leak_alone_by_quadrature(few, points):
    """No film (its silicon share is nothing), no gap effect, one clad: the predictor is normal."""
    none = np.zeros_like(few.joint_gap) + 1e-9
    p = few.with_values(silicon_share=none, joint_gap=none, lot_clad_sd=none)
    got = conform(p, points, Required(False, None, None, None, True, 24))
    d = design(points)
    q = d.h + p.time_weight * np.log(points.braze_time / 3.0)
    from_liquid = joints.predictor(p, joints.heat_effect(p, d, q), liquid_fraction(points.braze_temperature, SHEET.silicon), 0.0)
    sd = np.sqrt(p.component_sd ** 2 + p.load_joint_sd ** 2)
    for s, i in ((0, 3), (2, 11), (5, 40), (7, 22)):
        tight = lambda z: norm.pdf(z) * (1 - logistic(-(p.leak_level[s, 0] + p.leak_slope[s, 0] * (from_liquid[s, i] + sd[s, 0] * z))))
        assert got[s, i] == pytest.approx(quad(tight, -8, 8)[0], abs=1e-3)


def test_nothing_required_always_conforms(few, points):
    assert (conform(few, points, Required(False, None, None, None, False, 24)) == 1).all()


def test_lots_seen_use_their_lots_and_a_temper_without_lots_a_new_one(few, points):
    rest = dict(sheet=SHEET, settings=EXACT, required=Required(True, 0.15, None, None, False, 24), box=points)
    got = LotsSeen(few, [[1, 4, 2], []], **rest)(points)
    d, known = design(points), points.temper == 0
    gap = springback.log_gap(few, springback.log_angle(few, d, 0.0), d.tau)
    parts = []
    for lot in (1, 4, 2):
        crack = ndtr((formability.log_limit_strain(few, d, few.lot_limit[:, [lot]]) - d.log_strain) / few.limit_sd)
        parts.append(crack * ndtr((np.log(0.15) - gap - few.gap_slope * few.lot_angle[:, [lot]]) / few.gap_sd))
    np.testing.assert_allclose(got[:, known], np.mean(parts, axis=0)[:, known], atol=2e-3)
    np.testing.assert_array_equal(got[:, ~known], Conformance(few, **rest)(points)[:, ~known])


def test_lots_seen_against_the_simulator(few, points):
    required, n, s = Required(True, 0.15, 20, 60.0, True, 24), 150_000, 3
    c = LotsSeen(few, [[2], [5, 6]], sheet=SHEET, settings=ROUGH, required=required, box=points)(points)
    i = int(np.argmin(np.abs(c[s] - 0.5) + 9 * (points.temper != 1)))
    rng = np.random.default_rng(4)
    p = new_effects(few.take(np.full(n, s)), 1, 1, rng)
    lots = np.where(np.arange(n) % 2, 5, 6)
    pick = lambda name: getattr(few, name)[s, lots][:, None]
    p = p.with_values(lot_limit=pick("lot_limit"), lot_angle=pick("lot_angle"), lot_clad=pick("lot_clad"))
    seen = simulate(OneDrawPerRow(p), points.take(np.full(n, i)), SHEET, settings=ROUGH, component=1.0, lot=0, load=0, n_joints=24, rng=rng)
    good = ~seen.cracked & (seen.gap <= 0.15) & (seen.film <= 60).all(1) & (seen.sound >= 20) & ~seen.leaked
    assert abs(c[s, i] - good.mean()) <= 0.003 + 3 * np.sqrt(0.25 / n)


def test_same_bytes_whatever_the_threads(few, points, monkeypatch):
    required = Required(True, 0.15, 22, 60.0, True, 24)
    first = conform(few, points, required, ROUGH)
    monkeypatch.setattr(tables_module, "CHUNK", 3)
    if hasattr(os, "sched_getaffinity"):
        monkeypatch.setattr(os, "sched_getaffinity", lambda _: {0, 1, 2})
    assert conform(few, points, required, ROUGH).tobytes() == first.tobytes()


def test_result_of_a_condition_hardly_depends_on_its_company(few, points):
    c = Conformance(few, sheet=SHEET, settings=ROUGH, required=Required(True, 0.15, 22, 60.0, True, 24), box=points)
    whole = c(points)
    np.testing.assert_allclose(c(points.take(np.arange(9))), whole[:, :9], atol=2e-4)
    assert c(points.take(np.arange(0))).shape == (8, 0)


def test_read_only_and_strided_inputs_are_taken(few, points):
    required = Required(True, 0.15, 22, 60.0, True, 24)
    twice = Conditions.from_factors(np.repeat(points.temper, 2), np.repeat(points.factors(), 2, axis=0)).take(slice(None, None, 2))
    for name in ("temper", "strain"):
        getattr(twice, name).flags.writeable = False
    np.testing.assert_array_equal(conform(few, twice, required, ROUGH), conform(few, points, required, ROUGH))


def test_what_is_not_finite_is_refused(few, points):
    bad = Conditions.from_factors(points.temper, np.where(np.arange(4) == 1, np.nan, points.factors()))
    with pytest.raises(ValueError, match="finite"):
        Conformance(few, sheet=SHEET, settings=ROUGH, required=Required(True, 0.15, 22, 60.0, True, 24), box=points)(bad)


def test_count_tail_in_exact_arithmetic():
    for n, least, chance, c in ((24, 22, Fraction(9, 10), 40), (5, 1, Fraction(1, 4), 8), (100, 97, Fraction(19, 20), 60)):
        a, b = chance * c, (1 - chance) * c
        rise = lambda x, k: np.prod([x + j for j in range(k)], initial=Fraction(1), dtype=object)
        exact = sum(comb(n, k) * rise(a, k) * rise(b, n - k) / rise(Fraction(c), n) for k in range(least, n + 1))
        assert count_tail(np.array([float(chance)]), np.array([float(c)]), n, least)[0, 0] == pytest.approx(float(exact), rel=1e-9)


def test_vector_functions_keep_their_stated_errors():
    @njit
    def run(x, e, l, p):
        for i in range(x.size):
            e[i], l[i], p[i] = exp32(x[i]), log32(exp32(x[i])), phi32(x[i])

    x = np.linspace(-80, 80, 40_001).astype(np.float32)
    e, l, p = (np.empty_like(x) for _ in range(3))
    run(x, e, l, p)
    wide = x.astype(float)
    assert np.abs(e / np.exp(wide) - 1).max() < 4.5e-6 and np.abs(l - wide).max() < 1e-5 and np.abs(p - ndtr(wide)).max() < 2e-6
    tail = (wide > -5) & (wide < 0)
    assert np.abs(p[tail] / ndtr(wide[tail]) - 1).max() < 0.03


@pytest.mark.parametrize("bound", [-3.0, 0.0, 1.5, 5.5])
def test_truncated_rules_have_the_moments(bound):
    row = truncated_rules()[:, int(round((bound - BOUND_LOW) / BOUND_STEP))].astype(float)
    for rule, n in zip(row, SIZES):
        for k in range(min(2 * n, 6)):
            exact = truncnorm(-np.inf, bound).moment(k) if bound < 5 else (roots_hermitenorm(8)[0] ** k @ roots_hermitenorm(8)[1]) / np.sqrt(2 * np.pi)
            assert (rule[0, :n] ** k * rule[1, :n]).sum() == pytest.approx(exact, rel=2e-5, abs=3e-4)
