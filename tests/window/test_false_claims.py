"""False claims on a toy whose truths come from its own prior: no more often than 1 - C.

The truth is two-dimensional (where the window lies in strain and in braze
temperature); four noisy readings of each give an exact Gaussian posterior, so
draws are independent and only the claim itself is on trial.

A claim is certified on points, so too few of them let a false edge slip between.
Longer runs of this toy, each with its own seed, gave false claims at 256 reference
points in 28 of 500 (over 5 %), at 512 in 16 of 400, at 1024 in 19 of 400 and at
2048 (what the program uses) in 4 of 300. The test runs 512 to stay short; with 80
campaigns it catches a gross fault only, not a rate a little over 5 %.
"""

import numpy as np
from scipy import stats

from planner.window.box import FactorBox
from planner.window.decision import halves, judge
from planner.window.joint_claim import joint_claim
from planner.window.points import corners, reference_points

CAMPAIGNS = 80
DRAWS = 4000


def _conformance(theta):
    def of(x):
        bad = np.abs(x.strain - theta[:, :1]) / 0.35 + ((x.braze_temperature - theta[:, 1:]) / 0.4) ** 2
        return 1.0 / (1.0 + np.exp((bad - 1.0) / 0.1))

    return of


def test_joint_claims_err_at_most_as_often_as_they_say():
    box = FactorBox(("O",), np.zeros(4), np.ones(4))
    split = halves(np.repeat(np.arange(4), DRAWS // 4))
    check = [reference_points(box, 1024, seed=999), corners(box)]
    false_joint = false_pointwise = claimed = 0
    for campaign in range(CAMPAIGNS):
        rng = np.random.default_rng([77, campaign])
        truth = 0.5 + 0.1 * rng.standard_normal((1, 2))
        data = truth + 0.1 * rng.standard_normal((4, 2))
        precision = 1 / 0.1**2 + 4 / 0.1**2
        mean = (0.5 / 0.1**2 + data.sum(axis=0) / 0.1**2) / precision
        conformance = _conformance(mean + rng.standard_normal((DRAWS, 2)) / np.sqrt(precision))
        reference = judge(conformance, reference_points(box, 512, seed=campaign), reliability=0.9, split=split)
        claim = joint_claim(
            conformance, reference, box=box, reliability=0.9, confidence=0.95, split=split, seed=campaign
        )
        wrong_joint = wrong_pointwise = False
        for points in check:
            seen = judge(conformance, points, reliability=0.9, split=split)
            bad = _conformance(truth)(points)[0] < 0.9
            wrong_joint |= bool(np.any(claim.members(seen) & bad))
            wrong_pointwise |= bool(np.any((seen.c >= 0.95) & bad))
        claimed += claim.verdict == "CLAIMED"
        false_joint += wrong_joint
        false_pointwise += wrong_pointwise
    assert claimed >= 0.9 * CAMPAIGNS
    # Not rejected at the 0.1 % level that the true rate is at most 5 %.
    assert false_joint <= stats.binom.ppf(0.999, CAMPAIGNS, 0.05)
    assert false_joint < false_pointwise
