"""Braze heat: what a load's peak temperature and time above the solidus amount to.

q = h + kappa ln(t / 3 min) with h = (T - 600 degC)/10.  A load's actual temperature and time are the set values plus
the setting's standard deviation times a standard normal of that load: a latent in the fit, drawn anew for a new load.
"""

from __future__ import annotations

import numpy as np

MIN_MINUTES = 0.05
LOG_TIME_REF = float(np.log(3.0))


def actual_minutes(minutes, spread, z, *, xp=np):
    """Return the actual braze time (min), never below 0.05 min."""
    return xp.maximum(minutes + spread * z, MIN_MINUTES)


def heat(p, h, minutes, *, xp=np):
    """Return braze heat q from actual h and minutes."""
    return h + p.time_weight * (xp.log(minutes) - LOG_TIME_REF)


def load_heat(p, d, *, xp=np):
    """Return (q, h) of each row at its load's actual settings."""
    own = p.load_of(d.load)
    h = d.h + d.h_sd * own.temperature
    minutes = actual_minutes(d.minutes, d.minutes_sd, own.time, xp=xp)
    return heat(p, h, minutes, xp=xp), h
