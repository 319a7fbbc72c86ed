"""The joint model: every response's likelihood on one vector of unknowns, over numpy or pytensor.

`row_log_likelihood` is the mathematics; `build` hands the same functions to PyMC.  Rows of several responses are stacked
so that one expression serves all normal and censored rows, one all sections and one all counts: a small graph is a
fast fit.  Data may be constants of the graph or `pm.Data` (one switch), so that one compilation can serve many data sets.
"""

from __future__ import annotations

from dataclasses import fields, is_dataclass, replace

import numpy as np

from models import likelihood as ll
from models.handbook import liquid_fraction
from models.priors import Layout, Params, PriorSet, unpack_graph
from models.responses import braze, film, formability, joints, recrystallisation, springback
from models.rows import Design, Observations, Sheet

N_COMPONENT_NODES = 7             # Gauss-Hermite nodes over what is left random in a component's predictor
MASK = 1e4                        # takes a mixture branch out


def formability_moments(p: Params, d: Design, *, xp=np):
    """Return mean and variance of ln(limit strain) for observed rows."""
    mean = formability.log_limit_strain(p, d, p.lot_of(d.lot).limit, xp=xp)
    spread = formability.setting_spread(p, d, xp=xp)
    return mean, p.limit_sd ** 2 + spread ** 2 + d.log_strain_sd ** 2


def section_states(p: Params, b, *, xp=np):
    """Return what a section's rows share: q, the two chances of its state and the moments of ln film in either state."""
    d = b.rows
    q, _ = braze.load_heat(p, d, xp=xp)
    excess, spread = recrystallisation.excess(p, d, xp=xp)
    chance_new = recrystallisation.probability(excess, spread, p.recrystallised_width, xp=xp)
    chance_not = recrystallisation.probability(-excess, spread, p.recrystallised_width, xp=xp)
    shift = film.heat_shift(p, q, p.load_of(d.load).film)
    variance_new = p.film_sd ** 2
    return (q, chance_new, chance_not, p.film_recrystallised + shift, variance_new,
            film.base(p, d) + shift, variance_new + film.setting_variance(p, d))


def clad_moments(p: Params, b, states, sheet: Sheet, *, xp=np):
    """Return mean and variance of clad left over nominal, the film taken as measured or as the model expects it."""
    q, _, chance_not, mean_new, variance_new, mean_not, variance = states
    chance_not = b.state_known * b.state_not + (1 - b.state_known) * chance_not
    first_not, first_new = xp.exp(mean_not + 0.5 * variance), xp.exp(mean_new + 0.5 * variance_new)
    mean = chance_not * first_not + (1 - chance_not) * first_new
    square = chance_not * first_not ** 2 * xp.exp(variance) + (1 - chance_not) * first_new ** 2 * xp.exp(variance_new)
    depth = b.film_known * b.depth + (1 - b.film_known) * mean
    doubt = (1 - b.film_known) * xp.maximum(square - mean * mean, 0.0)
    left = film.clad_left(p, b.rows, q, p.lot_of(b.rows.lot).clad, depth / sheet.clad_um, xp=xp)
    return left, p.clad_sd ** 2 + (p.silicon_share / sheet.clad_um) ** 2 * doubt


def normal_rows(p: Params, obs: Observations, states, sheet: Sheet, *, xp=np):
    """Return the log-likelihood of all normal and censored rows: formability, springback and gap, clad, end to end."""
    spring = obs.springback.rows
    parts = [formability_moments(p, obs.formability.rows, xp=xp), springback.latent(p, spring, p.lot_of(spring.lot).angle),
             clad_moments(p, obs.section, states, sheet, xp=xp)]
    join = (lambda arrays: xp.concatenate(arrays, axis=-1))
    section = obs.section
    return ll.censored_normal(join([obs.formability.y, obs.springback.y, section.clad]), join([m for m, _ in parts]),
                              xp.sqrt(join([v for _, v in parts])),
                              join([obs.formability.censor, obs.springback.censor, section.clad_censor]), xp=xp)


def section_rows(b, states, *, xp=np):
    """Return the log-likelihood of the sections: state and film depth, a mixture where the state was not judged."""
    _, chance_new, chance_not, mean_new, variance_new, mean_not, variance_not = states
    new = ll.censored_normal(b.film, mean_new, xp.sqrt(variance_new), b.censor, xp=xp)
    old = ll.censored_normal(b.film, mean_not, xp.sqrt(variance_not), b.censor, xp=xp)
    return ll.log_add(xp.log(xp.maximum(chance_new, 1e-12)) + new - MASK * b.state_known * b.state_not,
                      xp.log(xp.maximum(chance_not, 1e-12)) + old - MASK * b.state_known * (1 - b.state_not), xp=xp)


def component_predictor(p: Params, b, sheet: Sheet, *, xp=np):
    """Return mean and variance of a component's joint predictor given lot and load, its own effect in the variance."""
    d = b.rows
    q, h = braze.load_heat(p, d, xp=xp)
    bases, chances = [], []
    for share in sheet.share:
        log_strain = d.log_strain + float(np.log(share))
        excess, spread = recrystallisation.excess(p, d, log_strain=log_strain, xp=xp)
        chances.append(recrystallisation.probability(-excess, spread, p.recrystallised_width, xp=xp))
        bases.append(film.base(p, d, log_strain=log_strain))
    depth, doubt = film.consumption(p, bases, chances, sheet.weight, p.film_sd ** 2 + film.setting_variance(p, d),
                                    film.heat_shift(p, q, p.load_of(d.load).film), xp=xp)
    log_gap, gap_variance = springback.latent(p, d, p.lot_of(d.lot).angle)
    latent_gap = xp.exp(log_gap + 0.5 * gap_variance)
    unknown = 1 - b.gap_known
    gap = b.gap_known * b.gap + unknown * latent_gap
    heat = joints.heat_effect(p, d, q, xp=xp)
    available = joints.filler(p, liquid_fraction(600.0 + 10.0 * h, sheet.silicon, xp=xp), p.lot_of(d.lot).clad,
                              depth / sheet.clad_um)
    variance = (p.component_sd ** 2 + (p.joint_filler * p.silicon_share / sheet.clad_um) ** 2 * doubt
                + unknown * (p.joint_gap / joints.GAP_REFERENCE * latent_gap) ** 2 * (xp.exp(gap_variance) - 1.0))
    return joints.predictor(p, heat, available, gap) + p.load_of(d.load).joint, variance


def count_rows(p: Params, b, sheet: Sheet, *, xp=np):
    """Return the log-likelihood of joint counts and leak tests, the component's own effect integrated."""
    mean, variance = component_predictor(p, b, sheet, xp=xp)
    x, w = ll.normal_nodes(N_COMPONENT_NODES)
    eta = mean[..., None] + xp.sqrt(variance)[..., None] * x
    counted = ll.beta_binomial_logpmf(b.sound[..., None], b.inspected[..., None], eta, p.concentration[..., None], xp=xp)
    sign = b.leak_sign[..., None]
    tested = abs(sign) * ll.log_logistic(sign * joints.leak_logit(_wide(p), eta), xp=xp)
    total = counted + tested + np.log(w)
    high = xp.max(total, axis=-1)
    return high + xp.log(xp.sum(xp.exp(total - high[..., None]), axis=-1))


def _wide(p: Params) -> Params:
    """Return the leak parameters with one more axis, for node arrays."""
    return Params({name: getattr(p, name)[..., None] for name in ("leak_level", "leak_slope")})


def row_log_likelihood(p: Params, obs: Observations, sheet: Sheet, *, xp=np):
    """Return the log-likelihood of every row, shape (n_draws, n_rows) or (n_rows,) in the graph.

    Order: formability, springback and gap, clad, sections, counts.
    """
    states = section_states(p, obs.section, xp=xp)
    return xp.concatenate([normal_rows(p, obs, states, sheet, xp=xp), section_rows(obs.section, states, xp=xp),
                           count_rows(p, obs.counts, sheet, xp=xp)], axis=-1)


def flatten(record, prefix="") -> dict[str, np.ndarray]:
    """Return every array of a nest of records by dotted name."""
    out = {}
    for f in fields(record):
        value = getattr(record, f.name)
        if is_dataclass(value):
            out |= flatten(value, f"{prefix}{f.name}.")
        elif isinstance(value, np.ndarray):
            out[prefix + f.name] = value
    return out


def substitute(record, values: dict, prefix=""):
    """Return the nest of records with its arrays replaced by those of `values`."""
    changes = {}
    for f in fields(record):
        value = getattr(record, f.name)
        if is_dataclass(value):
            changes[f.name] = substitute(value, values, f"{prefix}{f.name}.")
        elif isinstance(value, np.ndarray):
            changes[f.name] = values[prefix + f.name]
    return replace(record, **changes)


def build(obs: Observations, sheet: Sheet, layout: Layout, priors: PriorSet, *, as_data: bool = False):
    """Return the PyMC model: `z`, a vector of standard normals, and one potential.

    Parameters
    ----------
    as_data : put every array into `pm.Data`, so that one compilation serves other data (same numbers of padded lots and
        loads); otherwise arrays are constants of the graph.
    """
    import pymc as pm
    import pytensor.tensor as pt

    model = pm.Model()
    with model:
        z = pm.Normal("z", 0.0, 1.0, shape=layout.size)
        if as_data:
            obs = substitute(obs, {name: pm.Data(name.replace(".", "_"), a) for name, a in flatten(obs).items()})
        p = unpack_graph(z, layout, priors)
        pm.Potential("data", pt.sum(row_log_likelihood(p, obs, sheet, xp=pt)))
    return model


def data_values(obs: Observations) -> dict[str, np.ndarray]:
    """Return the arrays of `obs` under the names that `build(as_data=True)` gave them."""
    return {name.replace(".", "_"): a for name, a in flatten(obs).items()}
