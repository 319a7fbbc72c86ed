"""The batch update against dense Gaussian conditioning and brute force over blocks."""

import itertools
import time

import numpy as np
import pytest
from scipy.special import ndtr, ndtri

from planner.acquisition.design_criteria import information_gain
from planner.acquisition.gain import NO_LOAD, LinearGain
from planner.acquisition.measurements import KINDS, Measurements
from planner.acquisition.outcomes import _linear
from planner.acquisition.scatter import Scatter
from planner.acquisition.scores import expected_misclassification, expected_variance
from planner.acquisition.threads import one_blas_thread


def exact_draws(covariance, n_draws, rng):
    """Return draws whose sample mean is 0 and whose sample covariance is exactly the one given."""
    x = rng.standard_normal((n_draws, len(covariance)))
    x -= x.mean(axis=0)
    q, _ = np.linalg.qr(x)
    return np.sqrt(n_draws) * q @ np.linalg.cholesky(covariance).T


def invented(rng, *, n_draws=200, n_points=30, sizes=(1, 2, 3, 4, 2, 3)):
    n = sum(sizes)
    a = rng.standard_normal((n_points + n, n_points + n + 5))
    joint = exact_draws(a @ a.T / a.shape[1], n_draws, rng)
    z, F = joint[:, :n_points], joint[:, n_points:]
    kinds = np.concatenate([np.arange(size) for size in sizes])
    within = np.zeros((n, len(KINDS)))
    for i, j in itertools.permutations(range(n), 2):
        if np.repeat(np.arange(len(sizes)), sizes)[i] == np.repeat(np.arange(len(sizes)), sizes)[j]:
            within[i, kinds[j]] = 0.15 * (-1.0) ** (i + j + kinds[i] * kinds[j])
    measurements = Measurements(
        F=F,
        noise=rng.uniform(0.5, 2.0, n),
        candidate=np.repeat(np.arange(len(sizes)), sizes),
        kind=np.array(KINDS)[kinds],
        is_binary=np.zeros(n, bool),
        lot_loading=0.2 * rng.random((n, 3)),
        load_loading=0.2 * rng.random((n, 4)),
        within=within,
    )
    lots = np.array([0, 1, 0, 2, 1, 0])
    z0 = rng.normal(size=n_points)
    return z, z0, measurements, lots


def dense(z, z0, m, lots, picks):
    """Condition by plain matrices, effect by effect: a second implementation."""
    rows = [i for c, _ in picks for i in np.flatnonzero(m.candidate == c)]
    loads = [load for c, load in picks for _ in np.flatnonzero(m.candidate == c)]
    specimen = [k for k, (c, _) in enumerate(picks) for _ in np.flatnonzero(m.candidate == c)]
    F = m.F[:, rows] - m.F[:, rows].mean(axis=0)
    zc = (z - z.mean(axis=0)) / z.std(axis=0)
    K = F.T @ F / len(F)
    for a, i in enumerate(rows):
        for b, j in enumerate(rows):
            if a == b:
                K[a, a] += m.noise[i]
                continue
            if specimen[a] == specimen[b]:
                K[a, b] += m.within[i, KINDS.index(m.kind[j])]
            if lots[m.candidate[i]] == lots[m.candidate[j]]:
                K[a, b] += sum(m.lot_loading[i, e] * m.lot_loading[j, e] for e in range(3))
            if loads[a] == loads[b] != NO_LOAD:
                K[a, b] += sum(m.load_loading[i, e] * m.load_loading[j, e] for e in range(4))
    assert len(set(specimen)) == len(picks)
    C = F.T @ zc / len(F)
    share = np.einsum("ij,ij->j", C, np.linalg.solve(K, C))
    return share, expected_misclassification(z0, share).mean()


PICKS = [(0, NO_LOAD), (2, 5), (3, 5), (1, 7), (2, 7), (2, 5)]


@pytest.fixture
def case():
    z, z0, m, lots = invented(np.random.default_rng(3))
    return (z, z0, m, lots), LinearGain(z, z0, m, lots=lots, shrinkage=0.0, dtype=np.float64)


def test_condition_is_dense_gaussian_conditioning(case):
    data, gain = case
    share, h = dense(*data, PICKS)
    batch = gain.condition(PICKS)
    assert batch.share == pytest.approx(share, abs=1e-9)
    assert batch.misclassification == pytest.approx(h, abs=1e-5)


def test_scores_of_additions_are_those_of_the_larger_batch(case):
    data, gain = case
    batch = gain.condition(PICKS)
    candidates = np.array([0, 1, 2, 3, 4, 5, 5, 5])
    loads = np.array([NO_LOAD, 5, 7, 9, 5, 7, NO_LOAD, 9])
    scored = gain.score(batch, candidates, loads)
    for value, candidate, load in zip(scored, candidates, loads, strict=True):
        assert value == pytest.approx(dense(*data, [*PICKS, (candidate, load)])[1], abs=1e-5)


def test_growing_and_leaving_out_agree_with_conditioning_anew(case):
    data, gain = case
    batch = gain.condition(PICKS[:1])
    for pick in PICKS[1:]:
        batch = gain.with_pick(batch, pick)
    assert batch.share == pytest.approx(dense(*data, PICKS)[0], abs=1e-9)
    without = gain.shares_without(batch)
    for i in range(len(PICKS)):
        assert without[i] == pytest.approx(dense(*data, PICKS[:i] + PICKS[i + 1 :])[0], abs=1e-8)
    assert np.all(gain.losses(batch) >= -1e-7)


def test_what_readings_of_a_specimen_share_is_in_the_residual_covariance_too(case):
    (_, _, m, lots), gain = case
    rows, loads = gain.stacked(PICKS)
    specimen = np.repeat(np.arange(len(PICKS)), [np.sum(m.candidate == c) for c, _ in PICKS])
    expected = np.diag(m.noise[rows])
    for a, b in itertools.permutations(range(len(rows)), 2):
        i, j = rows[a], rows[b]
        expected[a, b] = ((specimen[a] == specimen[b]) * m.within[i, KINDS.index(m.kind[j])]
                          + (lots[m.candidate[i]] == lots[m.candidate[j]]) * m.lot_loading[i] @ m.lot_loading[j]
                          + (loads[a] == loads[b] != NO_LOAD) * m.load_loading[i] @ m.load_loading[j])
    assert gain.residual_covariance(rows, loads) == pytest.approx(expected, abs=1e-9)
    own = gain.within_covariance(rows)
    assert np.diag(own) == pytest.approx(m.noise[rows] - (m.lot_loading[rows] ** 2).sum(1) - (m.load_loading[rows] ** 2).sum(1))
    assert np.all(own[specimen[:, None] != specimen[None, :]] == 0.0)


def test_covariances_that_do_not_fit_together_are_drawn_towards_nothing(case):
    """No reading can go against two others that go against each other."""
    (z, z0, m, lots), _ = case
    impossible = Measurements(**{**vars(m), "within": -0.9 * np.sqrt(m.noise.min()) * np.ones_like(m.within) * np.sqrt(m.noise)[:, None]})
    gain = LinearGain(z, z0, impossible, lots=lots)
    own = gain.within_covariance(gain.rows_of(3))
    sd = np.sqrt(np.diag(own))
    correlation = own / np.outer(sd, sd)
    assert np.linalg.eigvalsh(correlation)[0] == pytest.approx(1e-3, rel=1e-3) and np.all(correlation[~np.eye(len(own), dtype=bool)] < -0.2)
    assert np.all(gain.losses(gain.condition(PICKS)) >= -1e-6)


def test_single_precision_is_harmless(case):
    (z, z0, m, lots), exact = case
    rough = LinearGain(z, z0, m, lots=lots, shrinkage=0.0)
    assert rough.condition(PICKS).share == pytest.approx(exact.condition(PICKS).share, abs=1e-5)


def test_extending_is_building_with_all(case):
    (z, z0, m, lots), whole = case
    first = m.candidate < 4
    part = {k: getattr(m, k)[first] for k in ("noise", "candidate", "kind", "is_binary", "lot_loading", "load_loading", "within")}
    rest = {k: getattr(m, k)[~first] for k in part}
    gain = LinearGain(z, z0, Measurements(F=m.F[:, first], **part), lots=lots[:4], shrinkage=0.0, dtype=np.float64)
    rest["candidate"] = rest["candidate"] - 4
    gain.extend(Measurements(F=m.F[:, ~first], **rest), lots=lots[4:])
    picks = [*PICKS, (5, 5), (4, 7)]
    assert gain.condition(picks).share == pytest.approx(whole.condition(picks).share, abs=1e-12)


def test_sharing_a_new_load_is_worth_less_than_two_loads(case):
    (z, z0, m, lots), _ = case
    strong = Measurements(**{**vars(m), "load_loading": np.full_like(m.load_loading, 0.3), "lot_loading": 0 * m.lot_loading})
    twins = Measurements(**{**vars(strong), "F": np.repeat(m.F[:, :1], m.F.shape[1], axis=1)})
    gain = LinearGain(z, z0, twins, lots=lots, shrinkage=0.0, dtype=np.float64)
    assert gain.condition([(0, 1), (0, 1)]).share.sum() < gain.condition([(0, 1), (0, 2)]).share.sum()


def test_points_that_are_settled_contribute_nothing(case):
    (z, z0, m, lots), _ = case
    z0 = z0.copy()
    z0[:10] = np.inf
    gain = LinearGain(z, z0, m, lots=lots)
    c = expected_misclassification(z0, 0.0)
    assert gain.now == pytest.approx(c.mean(), abs=1e-5)
    assert gain.live.size == 20


def test_shrinkage_fades_with_draws():
    rng = np.random.default_rng(0)
    signal = rng.standard_normal((4000, 3))
    found = []
    for n in (50, 400, 4000):
        z = signal[:n] @ rng.standard_normal((3, 20)) + 0.3 * rng.standard_normal((n, 20))
        F = signal[:n] @ rng.standard_normal((3, 6))
        m = Measurements(F, np.ones(6), np.arange(6), np.array(["gap"] * 6), np.zeros(6, bool), np.zeros((6, 3)), np.zeros((6, 4)))
        found.append(LinearGain(z, np.zeros(20), m, lots=np.zeros(6, int)).shrinkage)
    assert found[0] > found[1] > found[2] >= 0.0
    assert found[2] < 0.005


def test_information_gain_closed_forms_d5():
    """D5 (a), (b). Lindley (1956); Chaloner & Verdinelli (1995) (from memory); gains of further readings diminish."""
    expected = {1: 0.074210, 4: 0.247348, 9: 0.445999}
    for n, value in expected.items():
        assert information_gain(16.0 * np.ones((n, n)), np.full(n, 100.0)) == pytest.approx(value, abs=1e-6)
    X = np.array([[1.0, -1.0], [1.0, 0.0], [1.0, 1.0]])
    assert information_gain(X @ np.diag([4.0, 1.0]) @ X.T, np.full(3, 0.25)) == pytest.approx(3.044522, abs=1e-6)
    gains = [information_gain(16.0 * np.ones((n, n)), np.full(n, 100.0)) for n in range(1, 8)]
    assert np.all(np.diff(gains, n=2) < 0)


def test_one_step_uncertainty_reduction_by_the_batch_code_d8():
    """D8, derived from the formulas of Bect et al. (2012) and Chevalier et al. (2014)."""

    def k(a, b):
        return np.exp(-0.5 * np.subtract.outer(a, b) ** 2)

    nodes, values, threshold = np.array([0.0, 1.0, 2.0]), np.array([0.0, 1.0, 0.5]), 0.7
    at = np.array([1.5, 3.0, 1.7, 2.5])
    mean = k(at, nodes) @ np.linalg.solve(k(nodes, nodes), values)
    covariance = k(at, at) - k(at, nodes) @ np.linalg.solve(k(nodes, nodes), k(nodes, at))
    draws = exact_draws(covariance, 60, np.random.default_rng(1))
    m = Measurements(
        draws[:, 2:], np.zeros(2), np.arange(2), np.array(["gap"] * 2), np.zeros(2, bool), np.zeros((2, 3)), np.zeros((2, 4))
    )
    z0 = (threshold - mean[:2]) / np.sqrt(np.diag(covariance)[:2])
    gain = LinearGain(draws[:, :2], z0, m, lots=np.zeros(2, int), shrinkage=0.0, dtype=np.float64)
    assert expected_variance(z0, gain.condition([(0, NO_LOAD)]).share)[0] == pytest.approx(0.0060453, abs=1e-6)
    assert expected_variance(z0, gain.condition([(1, NO_LOAD)]).share)[1] == pytest.approx(0.0408438, abs=1e-6)
    # Outcome by outcome, over what the new point may show: E[p] stays where it is, E[p (1 - p)] falls to the same values.
    now, readings = ndtr(-z0), ndtri((np.arange(40_000) + 0.5) / 40_000)
    assert now == pytest.approx([0.951417, 0.134342], abs=1e-6)
    for new, after in enumerate((0.0060453, 0.0408438)):
        c = _linear(gain, [(new, NO_LOAD)], gain.rows_of(new), gain.unit[new] * readings[:, None])
        assert c.mean(axis=0) == pytest.approx(now, abs=1e-6)
        spread = (c * (1 - c)).mean(axis=0)
        assert spread[new] == pytest.approx(after, abs=1e-6) and np.all(spread <= now * (1 - now))


def test_a_yes_no_leaves_the_expected_map_where_it_is_d8():
    """E[p] unchanged: the weights that our update gives the draws after yes and after no, by their chances, are even."""
    p = np.random.default_rng(5).beta(0.7, 2.0, (500, 2))
    m = Measurements(p, (p * (1 - p)).mean(axis=0), np.arange(2), np.array(["leaked"] * 2), np.ones(2, bool), np.zeros((2, 3)), np.zeros((2, 4)))
    for row in range(2):
        (yes, no), _ = Scatter.of(m, np.array([row]), np.eye(1)).weights(p[:, [row]], np.array([[1.0], [0.0]]))
        chance = p[:, row].mean()
        assert chance * yes + (1 - chance) * no == pytest.approx(np.full(500, 1 / 500), abs=1e-12)


def test_picking_forty_of_a_thousand_in_time():
    rng = np.random.default_rng(0)
    n_draws, n_points, n_candidates, size = 4000, 2048, 1000, 3
    latent = rng.standard_normal((n_draws, 30)).astype(np.float32)
    z = latent @ rng.standard_normal((30, n_points)).astype(np.float32)
    n = n_candidates * size
    F = latent @ rng.standard_normal((30, n)).astype(np.float32) ** 3
    m = Measurements(
        F, 2.0 * F.var(axis=0), np.repeat(np.arange(n_candidates), size), np.array(["gap"] * n), np.zeros(n, bool),
        0.1 * rng.random((n, 3)), 0.1 * rng.random((n, 4)),
    )  # fmt: skip
    square = rng.standard_normal((4000, 4000)).astype(np.float32)
    square @ square
    start = time.perf_counter()
    square @ square
    unit = time.perf_counter() - start
    start = time.perf_counter()
    gain = LinearGain(z, rng.normal(size=n_points), m, lots=rng.integers(0, 3, n_candidates))
    gain.keep_products()
    with one_blas_thread():
        batch = gain.condition([])
        everything = np.arange(n_candidates)
        for i in range(40):
            h = gain.score(batch, everything, np.full(n_candidates, i // 6))
            batch = gain.with_pick(batch, (int(np.argmin(h)), i // 6))
    took = time.perf_counter() - start
    print(f"40 of 1000 candidates against 2048 points: {took:.2f} s, {took / unit:.0f} products of 4000 x 4000")
    assert took < 10.0 or took < 60.0 * unit
