"""Springback: the coupon's angle and the component's gap on one physical predictor.

ln(angle) = level_k - softening_k tau - ln(E(T)/E20) + hardening strain/0.1 + lot + deviation(tau) + noise.
ln(gap)   = geometry + slope (ln(angle) - ln 3 deg) + slope_tau tau + noise.
The modulus is a design table with creep in it (EN 1999-1-2); the ratio flow stress / modulus is what is fitted.
"""

from __future__ import annotations

import numpy as np

from models.responses import deviation

LOG_REFERENCE_ANGLE = float(np.log(3.0))   # deg; where the geometry factor of the gap is read


def log_angle(p, d, lot_effect):
    """Return the mean of ln(springback angle / deg) on the coupon scale."""
    own = p.of(d.temper)
    return (own.angle_level - own.softening * d.tau - d.log_modulus + p.hardening * (d.strain / 0.1)
            + lot_effect + deviation.over_tau(own.angle_deviation, d.basis, d.tau))


def log_gap(p, angle, tau):
    """Return the mean of ln(gap / mm) from the mean ln(angle) and tau."""
    return p.gap_level + p.gap_slope * (angle - LOG_REFERENCE_ANGLE) + p.gap_slope_tau * tau


def angle_slopes(p, d):
    """Return d ln(angle)/d tau times the spread of tau, and d ln(angle)/d ln(strain), for the scatter of settings."""
    warm = -p.of(d.temper).softening * (0.5 * (d.tau_hi - d.tau_lo))
    return warm, p.hardening * (d.strain / 0.1)


def latent(p, d, lot_effect):
    """Return mean and variance of the latent: ln(angle) for coupons, ln(gap) for components."""
    angle = log_angle(p, d, lot_effect)
    warm, strained = angle_slopes(p, d)
    warm_gap = p.gap_slope * warm + p.gap_slope_tau * (0.5 * (d.tau_hi - d.tau_lo))
    coupon = warm ** 2 + (strained * d.log_strain_sd) ** 2 + p.angle_sd ** 2
    component = warm_gap ** 2 + (p.gap_slope * strained * d.log_strain_sd) ** 2 + p.gap_sd ** 2
    part = d.component
    return (part * log_gap(p, angle, d.tau) + (1 - part) * angle, part * component + (1 - part) * coupon)
