"""The joint model as one would first write it in PyMC: the other side of the speed comparison.

One variable per coefficient, one likelihood per response, PyMC's default sampler, plain array expressions.  The same rows,
priors and response functions as the program's own model, so the posterior is the same: `point` turns standard normals into
this model's variables, and a test compares log-probabilities.

    python -m tests.speed.plain_pymc        # times an invented lab of 60 specimens
"""

from __future__ import annotations

import time

import numpy as np
import pymc as pm
import pytensor.tensor as pt

from models import joint_model
from models.likelihood import censored_normal, normal_nodes
from models.priors import (BY_TEMPER, DEVIATIONS, LOAD_EFFECTS, LOAD_SPREAD, LOT_EFFECTS, LOT_SPREAD, SPREAD, Layout, PriorSet)
from models.responses import joints, springback
from models.rows import Observations, Sheet


class PlainParams:
    """Variables by name; `of`, `lot_of` and `load_of` pick the values of each row's temper, lot and load."""

    def __init__(self, values: dict):
        self.__dict__.update(values)

    def _view(self, prefix, index):
        pick = lambda v: tuple(map(pick, v)) if isinstance(v, tuple) else v[index]
        return PlainParams({k.removeprefix(prefix): pick(v) for k, v in self.__dict__.items()
                            if k.startswith(prefix) and (isinstance(v, tuple) or v.ndim == 1)})

    def of(self, temper):
        return self._view("", temper)

    def lot_of(self, lot):
        return self._view("lot_", lot)

    def load_of(self, load):
        return self._view("load_", load)


def variables(layout: Layout, priors: PriorSet) -> PlainParams:
    """Declare one PyMC variable per coefficient, inside a model."""
    draw = {"normal": pm.Normal, "positive": pm.LogNormal}
    values = {p.name: draw[p.kind](p.name, p.location, p.scale) for p in priors.shared}
    for i, name in enumerate(BY_TEMPER):
        score = pm.Normal(f"{name}_common", 0.0, 1.0)
        if layout.n_tempers > 1:
            spread = pm.LogNormal(f"{name}_spread", SPREAD.location, SPREAD.scale)
            own = pm.Normal(f"{name}_own", 0.0, 1.0, shape=layout.n_tempers)
            score = (score + spread * own) / pt.sqrt(1.0 + spread**2)
        value = priors.by_temper[i, :, 0] + priors.by_temper[i, :, 1] * score
        values[name] = pm.Deterministic(name, pt.exp(value) if name in ("softening", "prior_strain") else value)
    for name, count in DEVIATIONS:
        weights = [pm.Normal(f"{name}_deviation_{j}", 0.0, 1.0, shape=layout.n_tempers) for j in range(count)]
        values[f"{name}_deviation"] = tuple(values[f"{name}_deviation_sd"] * w for w in weights)
    for name in LOT_EFFECTS:
        z = pm.Normal(f"lot_{name}_z", 0.0, 1.0, shape=layout.n_lots)
        values[f"lot_{name}"] = pm.Deterministic(f"lot_{name}", values[LOT_SPREAD[name]] * z)
    for name in LOAD_EFFECTS:
        z = pm.Normal(f"load_{name}_z", 0.0, 1.0, shape=layout.n_loads)
        sd = values[LOAD_SPREAD[name]] if LOAD_SPREAD[name] else 1.0
        values[f"load_{name}"] = pm.Deterministic(f"load_{name}", sd * z)
    return PlainParams(values)


def build(obs: Observations, sheet: Sheet, layout: Layout, priors: PriorSet) -> pm.Model:
    """Return the plain model of the observations."""
    with pm.Model() as model:
        p = variables(layout, priors)
        b = obs.formability
        mean, variance = joint_model.formability_moments(p, b.rows, xp=pt)
        pm.Potential("limit_strain", pt.sum(censored_normal(b.y, mean, pt.sqrt(variance), b.censor, xp=pt)))
        for name, part in (("angle", 0.0), ("gap", 1.0)):
            chosen = np.flatnonzero(obs.springback.rows.component == part)
            rows = obs.springback.rows.take(chosen)
            mean, variance = springback.latent(p, rows, p.lot_of(rows.lot).angle)
            like = censored_normal(obs.springback.y[chosen], mean, pt.sqrt(variance), obs.springback.censor[chosen], xp=pt)
            pm.Potential(name, pt.sum(like))
        clad, film = joint_model.section_rows(p, obs.section, sheet, xp=pt)
        pm.Potential("clad_left", pt.sum(clad))
        pm.Potential("film_and_state", pt.sum(film))
        pm.Potential("joints_and_leak", pt.sum(counts(p, obs.counts, sheet)))
    return model


def counts(p, b, sheet: Sheet):
    """Return the log-likelihood of joint counts and leak tests, the component's own effect integrated by nodes."""
    mean, variance = joint_model.component_predictor(p, b, sheet, xp=pt)
    x, w = normal_nodes(joint_model.N_COMPONENT_NODES)
    eta = mean + pt.sqrt(variance) * x[:, None]
    chance = pt.clip(pm.math.invlogit(eta), 1e-9, 1 - 1e-9)
    sound = pm.logp(pm.BetaBinomial.dist(n=b.inspected.astype(int), alpha=chance * p.concentration, beta=(1 - chance) * p.concentration),
                    b.sound.astype(int))
    leak = pm.logp(pm.Bernoulli.dist(logit_p=joints.leak_logit(p, eta)), (b.leak_sign > 0).astype(int))
    total = pt.where(b.inspected > 0, sound, 0.0) + pt.where(b.leak_sign != 0, leak, 0.0)
    return pt.logsumexp(total + np.log(w)[:, None], axis=0)


def point(z: np.ndarray, layout: Layout, priors: PriorSet) -> dict[str, np.ndarray]:
    """Return the plain model's values at a vector of standard normals (size,), named as PyMC names its free values."""
    at = {name: z[layout.start(name):layout.start(name) + r * c].reshape(r, c) for name, (r, c) in layout.blocks.items()}
    out = {p.name + ("_log__" if p.kind == "positive" else ""): p.location + p.scale * v for p, v in zip(priors.shared, at["shared"][0])}
    for i, name in enumerate(BY_TEMPER):
        out[f"{name}_common"] = at["common"][i, 0]
        if layout.n_tempers > 1:
            out |= {f"{name}_own": at["own"][i], f"{name}_spread_log__": SPREAD.location + SPREAD.scale * at["spread"][i, 0]}
    out |= {f"{name}_deviation_{j}": at[f"{name}_deviation"][j] for name, count in DEVIATIONS for j in range(count)}
    out |= {f"lot_{name}_z": at["lots"][i] for i, name in enumerate(LOT_EFFECTS)}
    return out | {f"load_{name}_z": at["loads"][i] for i, name in enumerate(LOAD_EFFECTS)}


def fit(obs: Observations, sheet: Sheet, layout: Layout, priors: PriorSet, *, draws: int, tune: int, seed: int, chains: int = 4, cores: int = 2):
    """Build and sample with PyMC's default sampler; return (trace, seconds of the whole)."""
    started = time.perf_counter()
    with build(obs, sheet, layout, priors):
        trace = pm.sample(draws=draws, tune=tune, chains=chains, cores=cores, random_seed=seed, progressbar=False,
                          compute_convergence_checks=False)
    return trace, time.perf_counter() - started


def main() -> None:
    """Time an invented lab."""
    from tests.models import invented

    obs, layout, _ = invented.observations(np.random.default_rng(1))
    _, seconds = fit(obs, invented.SHEET, layout, invented.priors(), draws=1500, tune=900, seed=1)
    print(f"plain PyMC {pm.__version__}: {obs.n_rows} rows, {layout.size} unknowns, 4 x (900 + 1500) draws, {seconds:.0f} s")


if __name__ == "__main__":
    main()
