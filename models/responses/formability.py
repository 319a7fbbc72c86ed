"""Formability: one latent limit strain behind necking, stopped pulls and cracked parts.

ln(limit strain) = A_k + B_k tau^p + lot + deviation(tau) + component (shift + slope tau) + noise.
A pull stopped at a strain without necking says "above"; a specimen that cracked says "below the strain it was given".
"""

from __future__ import annotations

import numpy as np

from models.responses import deviation


def power_of_warmth(tau, exponent, xp=np):
    """Return tau**exponent with value 0 and gradient 0 at tau = 0."""
    safe = xp.where(tau > 0, tau, 1.0)
    return xp.where(tau > 0, xp.exp(exponent * xp.log(safe)), 0.0)


def log_limit_strain(p, d, lot_effect, *, xp=np):
    """Return the mean of ln(limit strain), shape (n_draws, n) or (n,) in the graph."""
    own = p.of(d.temper)
    return (own.limit_level + own.limit_gain * power_of_warmth(d.tau, p.limit_exponent, xp) + lot_effect
            + deviation.over_tau(own.limit_deviation, d.basis, d.tau)
            + d.component * (p.limit_shift + p.limit_shift_tau * d.tau))


def setting_spread(p, d, *, xp=np):
    """Return the half difference of ln(limit strain) over +- one sd of the forming temperature."""
    hi, lo = power_of_warmth(d.tau_hi, p.limit_exponent, xp), power_of_warmth(d.tau_lo, p.limit_exponent, xp)
    return (0.5 * p.of(d.temper).limit_gain * (hi - lo)
            + d.component * p.limit_shift_tau * (0.5 * (d.tau_hi - d.tau_lo)))
