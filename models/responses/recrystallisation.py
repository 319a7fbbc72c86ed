"""Recrystallisation in the braze: stored strain against a critical strain.

stored strain s = s0_k exp(-eta0 tau) + strain exp(-eta tau);  logit P(recrystallised) = (ln s - ln s_crit,k)/w.
Warm forming recovers stored work; hard tempers bring prior work.  A scatter v in ln s turns the logistic into a
logistic averaged over a normal, by a mixture of three probits (error below 5e-5 at every spread).
"""

from __future__ import annotations

import numpy as np

from models.likelihood import ndtr

# logistic(x) ~ sum a_i Phi(x / b_i), largest error 4.4e-5 over the line (minimax fit of our own)
PROBIT_WEIGHT = (0.25230739, 0.58516123, 0.16253138)
PROBIT_SCALE = (1.10149616, 1.73086449, 2.74705283)


def log_stored_strain(p, d, *, log_strain=None, xp=np):
    """Return ln of stored strain and the two parts' shares (prior work, forming); `log_strain` defaults to the design's."""
    forming = xp.exp((d.log_strain if log_strain is None else log_strain) - p.recovery * d.tau)
    prior = p.of(d.temper).prior_strain * xp.exp(-p.recovery_prior * d.tau)
    total = forming + prior
    return xp.log(total) + d.component * p.stored_shift, prior / total, forming / total


def excess(p, d, *, log_strain=None, xp=np):
    """Return ln(s / s_crit) and its variance from the scatter of the settings."""
    log_s, prior, forming = log_stored_strain(p, d, log_strain=log_strain, xp=xp)
    warm = (p.recovery_prior * prior + p.recovery * forming) * (0.5 * (d.tau_hi - d.tau_lo))
    return log_s - p.of(d.temper).log_critical_strain, warm ** 2 + (forming * d.log_strain_sd) ** 2


def probability(mean, variance, width, *, xp=np):
    """Return P(recrystallised) = E logistic((mean + sqrt(variance) Z)/width)."""
    return sum(a * ndtr(mean / xp.sqrt((b * width) ** 2 + variance), xp=xp)
               for a, b in zip(PROBIT_WEIGHT, PROBIT_SCALE))
