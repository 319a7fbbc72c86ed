"""The joint claim against toys whose joint probability is known exactly."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import ndtr, ndtri

from models.rows import Conditions
from planner.window.box import FactorBox
from planner.window.decision import halves, judge
from planner.window.joint_claim import certified_level, joint_claim, joint_curve, largest_certified, least_ess
from planner.window.points import reference_points

CHAINS = np.repeat(np.arange(4), 2000)
SPLIT = halves(CHAINS)


def _box():
    return FactorBox(("O",), np.zeros(4), np.ones(4))


def _claim(conformance, *, reliability=0.9, confidence=0.95, split=SPLIT, n=1024, seed=1):
    box = _box()
    reference = judge(conformance, reference_points(box, n, seed=seed), reliability=reliability, split=split)
    claim = joint_claim(
        conformance, reference, box=box, reliability=reliability, confidence=confidence, split=split, seed=seed
    )
    return claim, reference


def _one_sided(theta, s=0.05):
    """Conformance Phi((theta - strain)/s): conforms at R when strain <= theta - s z_R."""
    return lambda x: ndtr((theta[:, None] - x.strain) / s)


def _two_sided(theta, half=0.3):
    """Conforms where |strain - theta| <= half, so pointwise and joint regions differ."""
    return lambda x: 1.0 * (np.abs(x.strain - theta[:, None]) <= half)


def test_monotone_toy_reaches_the_exact_edge():
    """theta ~ N(0.6, 0.06): {strain <= q} conforms jointly iff theta >= q + s z_R."""
    theta = 0.6 + 0.06 * np.random.default_rng(0).standard_normal(8000)
    claim, reference = _claim(_one_sided(theta))
    member = claim.members(reference)
    edge = reference.conditions.strain[member].max()
    exact = 0.6 - 0.05 * ndtri(0.9) + 0.06 * ndtri(1 - certified_level(0.95, 4000))
    assert claim.verdict == "CLAIMED"
    assert edge == pytest.approx(exact, abs=0.012)
    assert np.array_equal(member, reference.conditions.strain <= edge)
    assert certified_level(0.95, claim.ess) <= claim.probability


def test_two_sided_toy_joint_against_pointwise():
    """Window m +- a: joint 2 Phi((w - a)/tau) - 1, pointwise at the edge about Phi((w - a)/tau)."""
    tau, w = 0.05, 0.3
    theta = 0.5 + tau * np.random.default_rng(2).standard_normal(8000)
    claim, reference = _claim(_two_sided(theta, w))
    strain = reference.conditions.strain
    a_pointwise = np.abs(strain - 0.5)[reference.c >= 0.95].max()
    a_joint = np.abs(strain - 0.5)[claim.members(reference)].max()
    assert a_pointwise == pytest.approx(w - tau * ndtri(0.95), abs=0.01)
    assert a_joint == pytest.approx(w - tau * ndtri((1 + certified_level(0.95, 4000)) / 2), abs=0.012)
    # The pointwise region is jointly right with probability 0.90 only.
    rho, probability, _ = joint_curve(reference, SPLIT)
    assert probability[np.flatnonzero(rho >= 0.95)[-1]] == pytest.approx(0.90, abs=0.02)
    exact = 2 * ndtr((w - a_joint) / tau) - 1
    assert exact >= 0.95


def test_curve_is_the_joint_probability_of_every_region():
    theta = 0.5 + 0.05 * np.random.default_rng(3).standard_normal(8000)
    _, reference = _claim(_two_sided(theta))
    rho, probability, _ = joint_curve(reference, SPLIT)
    assert np.all(np.diff(rho) < 0) and np.all(np.diff(probability) <= 0)
    holds = np.abs(reference.conditions.strain - theta[SPLIT.certify][:, None]) <= 0.3
    for i in range(0, len(rho), 20):
        assert probability[i] == pytest.approx(holds[:, reference.c_order >= rho[i]].all(axis=1).mean(), abs=1e-12)


def test_no_window_and_nothing_known():
    theta = np.full(8000, -5.0)
    claim, reference = _claim(_one_sided(theta))
    assert claim.verdict == "NO_WINDOW" and not claim.members(reference).any() and claim.n_checked == 0
    wide = np.random.default_rng(5).standard_normal(8000) * 3
    assert _claim(_two_sided(wide))[0].verdict == "NO_WINDOW"


def test_everything_conforms():
    claim, reference = _claim(lambda x: np.ones((8000, len(x))))
    assert claim.verdict == "CLAIMED" and claim.members(reference).all()
    assert claim.probability == 1.0 and claim.n_checked == 2 * 1024 + 16


def test_too_few_draws_say_how_many():
    split = halves(np.repeat(np.arange(4), 200))
    theta = 0.6 + 0.06 * np.random.default_rng(6).standard_normal(800)
    claim, reference = _claim(_one_sided(theta), split=split)
    assert claim.verdict == "MORE_DRAWS" and not claim.members(reference).any()
    assert claim.draws_needed >= 2000 and str(claim.draws_needed) in claim.words


def test_sticky_chains_need_more_draws():
    """The same 8000 draws, each repeated eight times, are not 8000 effective draws."""
    theta = np.repeat(0.6 + 0.06 * np.random.default_rng(7).standard_normal(1000), 8)
    claim, _ = _claim(_one_sided(theta))
    assert claim.verdict == "MORE_DRAWS"
    assert claim.draws_needed == pytest.approx(8000 * 1000 / claim.ess, abs=100)


def test_very_high_confidence_needs_more_than_a_thousand():
    assert least_ess(0.95) == 1000
    assert certified_level(0.999, least_ess(0.999)) == pytest.approx(1.0)


def test_a_corner_that_fails_breaks_a_claim_no_interior_point_would():
    """A response that fails only at one corner of the box is seen through the corner points."""

    def conformance(x):
        far = np.linalg.norm(x.factors() - 1.0, axis=1) < 0.02
        return np.repeat(np.where(far, 0.0, 1.0)[None], 8000, axis=0)

    claim, reference = _claim(conformance)
    assert claim.verdict == "CLAIMED" and reference.c.min() == 1.0
    corner = judge(conformance, Conditions.from_factors(0, np.ones((1, 4))), reliability=0.9, split=SPLIT)
    assert not claim.members(corner).any()


@settings(max_examples=15, deadline=None)
@given(seed=st.integers(0, 10_000), tau=st.floats(0.02, 0.2), confidence=st.sampled_from([0.8, 0.9, 0.95]))
def test_claimed_lies_inside_pointwise_and_the_certificate_holds(seed, tau, confidence):
    theta = 0.5 + tau * np.random.default_rng(seed).standard_normal(8000)
    conformance = _two_sided(theta)
    claim, reference = _claim(conformance, confidence=confidence, n=256, seed=seed)
    member = claim.members(reference)
    assert not np.any(member & (reference.c < confidence))
    if claim.verdict == "CLAIMED":
        holds = np.unpackbits(reference.certify_bits[member], axis=1, count=4000).all(axis=0)
        assert holds.mean() >= claim.probability >= certified_level(confidence, claim.ess)
        # Nested: every reference point at or above rho is in.
        assert np.array_equal(member, reference.c_order >= claim.rho)


@settings(max_examples=15, deadline=None)
@given(seed=st.integers(0, 10_000))
def test_more_confidence_never_claims_more(seed):
    theta = 0.5 + 0.06 * np.random.default_rng(seed).standard_normal(8000)
    points = reference_points(_box(), 256, seed=seed)
    seen = judge(_two_sided(theta), points, reliability=0.9, split=SPLIT)
    sizes = [largest_certified(seen, confidence=c, split=SPLIT).members(seen).sum() for c in (0.8, 0.9, 0.95, 0.99)]
    assert sizes == sorted(sizes, reverse=True)
