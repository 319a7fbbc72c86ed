"""Joints and leak tightness: one predictor, two outcomes.

eta = level + slope_filler (filler - 0.8) - cold min(q - q_best, 0)^2 - hot max(q - q_best, 0)^2 - slope_gap gap/0.1 mm
      + slope_tau tau + deviation(tau, q) + component + load
joints sound ~ beta-binomial(n, logistic(eta), concentration);   logit P(tight) = leak_level + leak_slope eta.
Filler is the liquid clad at peak (lever rule) times the clad thickness relative to nominal, minus the silicon
share of the film at the joined features.  Too cold does not flow, too hot or too long consumes clad and erodes.
"""

from __future__ import annotations

import numpy as np

from models.responses import deviation

FILLER_REFERENCE = 0.8
GAP_REFERENCE = 0.1       # mm


def heat_effect(p, d, q, *, xp=np):
    """Return the part of eta that depends on braze heat and warmth alone."""
    off = q - p.best_heat
    return (p.joint_level - p.joint_cold * xp.minimum(off, 0.0) ** 2 - p.joint_hot * xp.maximum(off, 0.0) ** 2
            + p.joint_tau * d.tau + deviation.over_heat(p.of(d.temper).joint_deviation, d.basis, q, xp))


def predictor(p, heat, filler, gap):
    """Return eta without component and load effects, from the heat effect, filler (share of nominal clad) and gap (mm)."""
    return heat + p.joint_filler * (filler - FILLER_REFERENCE) - p.joint_gap * (gap / GAP_REFERENCE)


def filler(p, liquid, lot_effect, film_over_clad):
    """Return filler available as a share of the nominal clad: liquid clad minus the silicon share of the film."""
    return liquid * (1.0 + lot_effect) - p.silicon_share * film_over_clad


def leak_logit(p, eta):
    """Return logit P(leaked)."""
    return -(p.leak_level + p.leak_slope * eta)
