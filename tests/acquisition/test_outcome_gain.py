"""The gain over given data sets, against dense conditioning, a closed form and the linear gain."""

import numpy as np
import pytest
from scipy.special import ndtr

from planner.acquisition.gain import NO_LOAD, LinearGain
from planner.acquisition.measurements import Measurements
from planner.acquisition.outcome_gain import OutcomeGain

LOTS = np.array([0, 1, 0, 2])
SIZES = (1, 2, 3, 2)
PICKS = [(2, 1), (0, 1), (3, NO_LOAD), (0, 1)]


class Given:
    """Data sets drawn once, a block for each (load, copy)."""

    def __init__(self, m, n_sets, seed=0):
        self.m, self.n_sets, self.seed = m, n_sets, seed

    def block(self, load, copy):
        noise = np.random.default_rng([self.seed, load + 1, copy]).standard_normal((self.m.noise.size, self.n_sets))
        return 0.4 + self.m.F.mean(axis=0)[:, None] + noise

    def of_load(self, load):
        return self.block(load, 0)

    def of_copy(self, candidate, load, copy):
        return self.block(load, copy)[self.m.candidate == candidate]


@pytest.fixture(scope="module")
def case():
    rng = np.random.default_rng(4)
    n, n_points = sum(SIZES), 40
    joint = rng.standard_normal((300, 12)) @ rng.standard_normal((12, n_points + n)) + 0.5 * rng.standard_normal((300, n_points + n))
    m = Measurements(joint[:, n_points:], rng.uniform(1.0, 4.0, n), np.repeat(np.arange(len(SIZES)), SIZES), np.array(["gap"] * n),
                     np.zeros(n, bool), 0.3 * rng.random((n, 3)), 0.3 * rng.random((n, 4)))
    z = (joint[:, :n_points] - joint[:, :n_points].mean(axis=0)) / joint[:, :n_points].std(axis=0)
    data = Given(m, 64)
    return z, rng.normal(size=n_points), m, data, OutcomeGain(z, rng.normal(size=n_points) * 0 + 0.3, m, lots=LOTS, data=data)


def dense(gain, z, m, data, picks):
    """H by plain matrices, data set by data set: a second implementation."""
    rows, y, seen = [], [], {}
    for candidate, load in picks:
        mine = np.flatnonzero(m.candidate == candidate)
        copy = seen.get((candidate, load), 0)
        seen[candidate, load] = copy + 1
        rows += [(i, load, len(y)) for i in mine]
        y.append(data.block(load, copy)[mine])
    y = np.concatenate(y)
    keep, index = 1.0 - gain.shrinkage, [i for i, _, _ in rows]
    F = m.F[:, index] - m.F[:, index].mean(axis=0)
    K = keep * F.T @ F / len(F)
    for a, (i, load_i, _) in enumerate(rows):
        for b, (j, load_j, _) in enumerate(rows):
            if a == b:
                K[a, a] = F[:, a].var() + m.noise[i]
                continue
            K[a, b] += (LOTS[m.candidate[i]] == LOTS[m.candidate[j]]) * m.lot_loading[i] @ m.lot_loading[j]
            K[a, b] += (load_i == load_j != NO_LOAD) * m.load_loading[i] @ m.load_loading[j]
    C = keep * F.T @ z / len(F)
    share = np.einsum("ij,ij->j", C, np.linalg.solve(K, C))
    moved = (y - m.F[:, index].mean(axis=0)[:, None]).T @ np.linalg.solve(K, C)
    c = ndtr((moved - gain.z0) / np.sqrt(1.0 - share))
    return np.minimum(c, 1.0 - c).mean()


def test_conditioning_is_dense_conditioning(case):
    z, _, m, data, gain = case
    assert gain.condition(PICKS).misclassification == pytest.approx(dense(gain, z, m, data, PICKS), abs=2e-5)
    step = gain.condition([])
    assert step.misclassification == pytest.approx(ndtr(-0.3), abs=1e-5)
    for pick in PICKS:
        step = gain.with_pick(step, pick)
    assert step.misclassification == pytest.approx(gain.condition(PICKS).misclassification, abs=1e-6)


def test_scores_are_what_conditioning_gives(case):
    _, _, _, _, gain = case
    batch = gain.condition(PICKS)
    candidates, loads = np.array([0, 1, 2, 3, 0, 2]), np.array([1, 5, 1, NO_LOAD, 2, 5])
    expected = [gain.condition([*PICKS, (int(c), int(load))]).misclassification for c, load in zip(candidates, loads, strict=True)]
    assert gain.score(batch, candidates, loads) == pytest.approx(expected, abs=2e-5)
    lost = [gain.condition(PICKS[:i] + PICKS[i + 1 :]).misclassification - batch.misclassification for i in range(len(PICKS))]
    assert gain.losses(batch) == pytest.approx(lost, abs=1e-6)


def test_one_exact_reading_of_one_point_in_closed_form():
    z = np.random.default_rng(0).standard_normal((500, 1))
    z = (z - z.mean()) / z.std()
    noise, truth, z0 = 0.5, 1.2, 0.4
    m = Measurements(z, np.array([noise]), np.array([0]), np.array(["gap"]), np.zeros(1, bool), np.zeros((1, 3)), np.zeros((1, 4)))

    class Exact:
        n_sets = 1

        def of_load(self, load):
            return np.array([[truth]])

    gain = OutcomeGain(z, np.array([z0]), m, lots=np.zeros(1, int), data=Exact())
    keep = 1.0 - gain.shrinkage
    r = keep**2 / (1.0 + noise)
    expected = ndtr(-abs(keep * truth / (1.0 + noise) - z0) / np.sqrt(1.0 - r))
    assert gain.score(gain.condition([]), [0], [NO_LOAD])[0] == pytest.approx(expected, abs=1e-5)


def test_data_sets_drawn_from_the_posterior_give_the_linear_gain():
    """Averaged over all that the posterior thinks possible, the clairvoyant's gain is ours (Gaussian case)."""
    rng = np.random.default_rng(2)
    theta = rng.standard_normal((4000, 3))
    z, F = theta @ np.array([[0.8, 0.1], [0.6, 0.5], [0.0, 0.86]]), theta
    z, F = (z - z.mean(axis=0)) / z.std(axis=0), F - F.mean(axis=0)
    m = Measurements(F, np.full(3, 0.7), np.arange(3), np.array(["gap"] * 3), np.zeros(3, bool), np.zeros((3, 3)), np.zeros((3, 4)))

    class Predictive:
        n_sets = 4000

        def of_load(self, load):
            return F.T + np.sqrt(0.7) * np.random.default_rng(5).standard_normal((3, 4000))

    z0, picks = np.array([0.3, -0.8]), [(0, NO_LOAD), (1, NO_LOAD), (2, NO_LOAD)]
    ours = LinearGain(z, z0, m, lots=np.zeros(3, int)).condition(picks).misclassification
    assert OutcomeGain(z, z0, m, lots=np.zeros(3, int), data=Predictive()).condition(picks).misclassification == pytest.approx(ours, abs=0.004)
