"""Liquid film migration and the clad that is left.

ln(film depth) = base + shift, with one shift for a whole specimen (braze heat, load, scatter) and a base by feature:
  not recrystallised  base = film_level + m ln(strain/0.05) + film_tau tau     (nothing at zero strain)
  recrystallised      base = film_recrystallised                               (near zero)
  shift = film_heat q + load + noise
Clad left / nominal = 1 + lot - loss exp(loss_heat q) - silicon_share film/clad.  Since harder strained metal
recrystallises, the response to strain is not monotone: worst at a small strain.
"""

from __future__ import annotations

import numpy as np

REFERENCE_LOG_STRAIN = float(np.log(0.05))


def base(p, d, *, log_strain=None):
    """Return the mean ln(film depth / um) at q = 0 of a feature that did not recrystallise."""
    log_strain = d.log_strain if log_strain is None else log_strain
    return (p.film_level + p.film_exponent * (log_strain - REFERENCE_LOG_STRAIN) + p.film_tau * d.tau
            + d.component * p.film_shift)


def setting_variance(p, d):
    """Return the variance of the base from the scatter of forming temperature and strain."""
    return (p.film_tau * (0.5 * (d.tau_hi - d.tau_lo))) ** 2 + (p.film_exponent * d.log_strain_sd) ** 2


def heat_shift(p, q, load_effect):
    """Return the mean shift of ln(film depth) at braze heat q in a load."""
    return p.film_heat * q + load_effect


def clad_left(p, d, q, lot_effect, film_over_clad, *, xp=np):
    """Return the mean of clad left / nominal clad thickness."""
    return (1.0 + lot_effect + d.component * p.clad_shift - p.clad_loss * xp.exp(p.clad_heat * q)
            - p.silicon_share * film_over_clad)


def consumption(p, bases, chances_not, weights, variance, shift, *, xp=np):
    """Return mean and variance of the count-weighted film depth (um) over the joined features of one specimen.

    Parameters
    ----------
    bases : list over features of mean ln depth if not recrystallised; chances_not : list of P(not recrystallised).
    weights : (n_features,) adding to 1; variance : of the specimen's one shift; shift : mean of that shift.

    Notes
    -----
    One uniform per specimen orders the states: P(neither of two recrystallised) is the smaller of the two chances.
    """
    low = xp.exp(p.film_recrystallised)
    extra = [xp.exp(b) - low for b in bases]
    joined = [i for i, w in enumerate(weights) if w > 0]
    first = sum(float(weights[i]) * chances_not[i] * extra[i] for i in joined)
    second = 0.0
    for i in joined:
        for j in joined:
            both = chances_not[i] if i == j else xp.minimum(chances_not[i], chances_not[j])
            second = second + float(weights[i] * weights[j]) * both * extra[i] * extra[j]
    scale = xp.exp(shift + 0.5 * variance)
    mean = scale * (low + first)
    square = scale * scale * xp.exp(variance) * (low * low + 2 * low * first + second)
    return mean, xp.maximum(square - mean * mean, 0.0)
