"""The joint model: every response's likelihood on one vector of unknowns, over arrays or traced numbers.

The functions of `BLOCKS` are the mathematics.  With numpy they serve `row_log_likelihood`, with traced numbers
(models.trace) they become one compiled loop over rows with its gradient (models.kernel), which `build` hands to PyMC as a
single operation: a graph of five nodes instead of five hundred compiles in seconds and costs a quarter per gradient.
"""

from __future__ import annotations

from functools import cache

import numpy as np

from models import kernel, likelihood as ll
from models.handbook import liquid_fraction
from models.priors import Layout, Params, PriorSet
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


def formability_rows(p: Params, b, sheet: Sheet, *, xp=np):
    """Return the log-likelihood of necked, stopped, cracked and sound specimens."""
    mean, variance = formability_moments(p, b.rows, xp=xp)
    return (ll.censored_normal(b.y, mean, xp.sqrt(variance), b.censor, xp=xp),)


def springback_rows(p: Params, b, sheet: Sheet, *, xp=np):
    """Return the log-likelihood of springback angles and gaps."""
    mean, variance = springback.latent(p, b.rows, p.lot_of(b.rows.lot).angle)
    return (ll.censored_normal(b.y, mean, xp.sqrt(variance), b.censor, xp=xp),)


def section_rows(p: Params, b, sheet: Sheet, *, xp=np):
    """Return the log-likelihoods of the sections: of clad left, and of state with film depth."""
    states = section_states(p, b, xp=xp)
    mean, variance = clad_moments(p, b, states, sheet, xp=xp)
    return (ll.censored_normal(b.clad, mean, xp.sqrt(variance), b.clad_censor, xp=xp), film_rows(b, states, xp=xp))


def film_rows(b, states, *, xp=np):
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

    def log_f(eta):
        counted = ll.beta_binomial_logpmf(b.sound, b.inspected, eta, p.concentration, xp=xp)
        return counted + abs(b.leak_sign) * ll.log_logistic(b.leak_sign * joints.leak_logit(p, eta), xp=xp)

    return (ll.log_normal_mean(log_f, mean, xp.sqrt(variance), N_COMPONENT_NODES, xp=xp),)


BLOCKS = {"formability": formability_rows, "springback": springback_rows, "section": section_rows, "counts": count_rows}


def row_log_likelihood(p: Params, obs: Observations, sheet: Sheet):
    """Return the log-likelihood of every row, shape (n_draws, n_rows).

    Order: formability, springback and gap, clad, sections, counts.
    """
    return np.concatenate([part for name, rows in BLOCKS.items() for part in rows(p, getattr(obs, name), sheet)], axis=-1)


@cache
def likelihood_op(source: str):
    """Return the PyTensor operation (z, F, I) -> (log-likelihood, gradient) of generated source."""
    from pytensor.graph.basic import Apply
    from pytensor.graph.op import Op
    from pytensor.gradient import DisconnectedType, disconnected_type
    from pytensor.link.numba.dispatch.basic import numba_njit, register_funcify_default_op_cache_key
    import pytensor.tensor as pt

    class JointLikelihood(Op):
        """Log-likelihood of all rows and its gradient, from one compiled loop over the rows."""

        __props__ = ("source",)

        def __init__(self):
            self.source = source

        def __reduce__(self):
            return likelihood_op, (source,)

        def make_node(self, z, floats, ints):
            inputs = [pt.as_tensor(x) for x in (z, floats, ints)]
            return Apply(self, inputs, [pt.dscalar(), inputs[0].type()])

        def perform(self, node, inputs, outputs):
            value, gradient = kernel.compiled(source)(*inputs)
            outputs[0][0], outputs[1][0] = np.asarray(value), gradient

        def connection_pattern(self, node):
            return [[True, False], [False, False], [False, False]]

        def pullback(self, inputs, outputs, cotangents):
            if isinstance(cotangents[0].type, DisconnectedType):
                return [disconnected_type()] * 3
            return [cotangents[0] * outputs[1], disconnected_type(), disconnected_type()]

    if not hasattr(Op, "pullback"):           # its name before PyTensor 3
        JointLikelihood.L_op = JointLikelihood.pullback

    @register_funcify_default_op_cache_key(JointLikelihood)
    def _(op, node, **kwargs):
        return numba_njit(kernel.loaded(source), error_model="numpy", fastmath=False), kernel.VERSION

    return JointLikelihood()


def program(obs: Observations, sheet: Sheet, layout: Layout, priors: PriorSet) -> kernel.Program:
    """Write the joint log-likelihood with its gradient as source and numbers (models.kernel)."""
    return kernel.program(BLOCKS, obs, sheet, layout, priors)


def build(written: kernel.Program, layout: Layout):
    """Return the PyMC model: `z`, a vector of standard normals, and one potential, its numbers in two `pm.Data`, F and I.

    `z` holds each temper's scores in place of their own parts; the potential carries that change (models.priors.centring),
    and `models.priors.standard` undoes it.

    Nothing measured and no belief stands in the compiled code: one compilation serves all data with the same tempers and
    padded lots and loads.
    """
    import pymc as pm

    model = pm.Model()
    with model:
        z = pm.Normal("z", 0.0, 1.0, shape=layout.size)
        numbers = [pm.Data(name, value) for name, value in written.data.items()]
        pm.Potential("data", likelihood_op(written.source)(z, *numbers)[0])
    return model
