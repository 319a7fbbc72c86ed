"""The claimed share of moved draws, against the window's own claim on toys and against refits on a linear toy. All numbers are invented."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from scipy.special import ndtri

from planner.acquisition.scores import normal_scores
from planner.outlook.forward import _Moved
from planner.outlook.watched import Watched, claimed_share
from planner.window.box import FactorBox
from planner.window.decision import halves, judge
from planner.window.joint_claim import certified_level, joint_claim
from planner.window.points import reference_points

CHAINS = np.repeat(np.arange(4), 1000)
SPLIT = halves(CHAINS)
BOX = FactorBox(("O",), np.zeros(4), np.ones(4))


def watched(conformance, where, level, *, n_reference):
    """Watch all of some points, the first of them reference points."""
    scores = normal_scores(conformance(where), reliability=0.9)
    return replace(Watched.plain(scores.z, scores.z0, level=level), n_reference=n_reference, n_points=n_reference, near=np.zeros((n_reference, 0), int))


def test_it_is_the_claim_of_the_window():
    """On the window's own points, by its own level: the same share, well below the pointwise one."""
    theta = 0.5 + 0.05 * np.random.default_rng(2).standard_normal(4000)
    conformance = lambda x: 1.0 * (np.abs(x.strain - theta[:, None]) <= 0.3)     # each point may be sure where the whole is not
    reference = judge(conformance, reference_points(BOX, 512, seed=1), reliability=0.9, split=SPLIT)
    claim = joint_claim(conformance, reference, box=BOX, reliability=0.9, confidence=0.95, split=SPLIT, seed=1)
    where = claim.pool.conditions
    seen = watched(conformance, where, certified_level(0.95, claim.ess), n_reference=512)
    share = claimed_share(conformance(where) >= 0.9, seen, SPLIT, confidence=0.95)
    assert share == pytest.approx(claim.members(reference).mean(), abs=1 / 512) and share > 0.3
    assert share < (reference.c >= 0.95).mean() - 0.02


def test_neighbours_count_once_their_point_stands_at_the_edge():
    """A neighbour that conforms too seldom breaks the claim of the point beside it, and only where that point is at the edge."""
    conforms = np.ones((4000, 5), bool)                    # four reference points and a neighbour of the second
    conforms[SPLIT.certify[:200], 4] = False
    inner = np.array([[0, 1], [1, 0], [2, 1], [3, 2]])
    seen = Watched(np.zeros((4000, 5)), np.zeros(5), 4, 8, np.array([-1, -1, -1, -1, 1]), inner, 0.96)
    assert claimed_share(conforms, seen, SPLIT, confidence=0.95) == 4 / 8
    edge = inner.copy()
    edge[1] = [1, -1]                                      # one of the nearest reference points is far from any claim
    assert claimed_share(conforms, replace(seen, near=edge), SPLIT, confidence=0.95) == 0.0


def test_nothing_hopeful_nothing_claimed():
    seen = Watched.plain(np.zeros((4000, 3)), np.full(3, 2.0), level=0.96)
    assert claimed_share(np.zeros((4000, 3), bool), seen, SPLIT, confidence=0.95) == 0.0


def test_the_forecast_is_what_refits_would_claim():
    """One reading of theta with scatter, whose refits are known exactly: theta ~ N(m, s), and |strain - m| <= width - s q is certified as a whole."""
    rng, n = np.random.default_rng(5), 4000
    tau, scatter, width = 0.05, 0.05, 0.2
    theta = 0.5 + tau * rng.standard_normal(n)
    level, s = certified_level(0.95, 2000.0), tau * scatter / np.hypot(tau, scatter)
    refit, pointwise = (2 * (width - s * ndtri(q)) for q in ((1 + level) / 2, 0.95))
    left, right = (lambda x: theta[:, None] - x.strain + width), (lambda x: x.strain - theta[:, None] + width)
    where = reference_points(BOX, 512, seed=1)
    inside = where.strain < 0.5                             # which side can fail is known: a score that is linear in theta there
    score = np.where(inside, right(where), left(where))
    seen = watched(lambda _: np.clip(0.9 + score, 0.0, 2.0), where, level, n_reference=512)
    unit = np.hypot(theta.std(), scatter)
    gain = SimpleNamespace(measurements=SimpleNamespace(F=theta[:, None]), unit=np.array([unit]), shrinkage=0.0)
    moved = _Moved(gain, SimpleNamespace(rows=np.array([0]), unmix=np.eye(1)), seen.z, seen.z0)
    read = ((theta + scatter * rng.standard_normal(n) - theta.mean()) / unit)[:, None].astype(np.float32)
    of = moved.after(read, read[:64], 1)
    shares = [claimed_share(of(i), seen, SPLIT, confidence=0.95) for i in range(64)]
    assert np.mean(shares) == pytest.approx(refit, abs=0.015)
    assert np.mean(shares) < pointwise


def test_points_beside_those_of_the_gain_are_moved_by_its_rule(outset):
    gain = outset.problem.gain
    batch = gain.condition(((0, 0), (3, 0), (5, 1)))
    moved = _Moved(gain, batch, outset.z, outset.z0)
    assert np.allclose(moved.white[:, gain.live], batch.whitened, atol=1e-4)
    dead = np.setdiff1d(np.arange(outset.z0.size), gain.live)
    assert not moved.white[:, dead].any()
    nothing = np.zeros((len(outset.z), batch.rows.size), np.float32)
    assert np.array_equal(moved.after(nothing, nothing[:1], 0)(0), outset.z > outset.z0)
