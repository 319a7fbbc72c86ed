"""The only file that samples: PyMC builds the model, nutpie (or PyMC itself) draws from it.

Everything that depends on the versions of PyMC, nutpie and ArviZ stands here.  What leaves this file is plain arrays.
"""

from __future__ import annotations

import hashlib
import json
import time
import warnings
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from models.joint_model import build, data_values
from models.priors import Layout, Params, PriorSet, unpack
from models.rows import Observations, Sheet

CHAINS, DRAWS, TUNE = 4, 1500, 900
TARGET_ACCEPT, CAUTIOUS_ACCEPT = 0.9, 0.99
Say = Callable[[str], None]


@dataclass(frozen=True)
class Draws:
    """Posterior draws of the standard normals behind every parameter."""

    z: np.ndarray                 # (n_chains, n_per_chain, size)
    divergent: np.ndarray         # (n_chains, n_per_chain) bool
    energy: np.ndarray            # (n_chains, n_per_chain)
    layout: Layout
    priors: PriorSet
    sampler: str                  # "nutpie", "pymc", "prior" or "reweighted"
    seconds: dict = field(default_factory=dict)   # compile, sampling

    @property
    def n_draws(self) -> int:
        """Draws over all chains."""
        return self.z.shape[0] * self.z.shape[1]

    @property
    def chain(self) -> np.ndarray:
        """Chain of each draw, in the order of `params`."""
        return np.repeat(np.arange(self.z.shape[0]), self.z.shape[1])

    def params(self) -> Params:
        """Return the parameters of all draws, chain after chain."""
        return unpack(self.z.reshape(self.n_draws, -1), self.layout, self.priors)


def prior_draws(layout: Layout, priors: PriorSet, *, draws: int = DRAWS, rng: np.random.Generator) -> Draws:
    """Return independent prior draws in the form of a fit (no data yet)."""
    z = rng.standard_normal((CHAINS, draws, layout.size))
    return Draws(z, np.zeros(z.shape[:2], bool), rng.standard_normal(z.shape[:2]), layout, priors, "prior")


class Sampler:
    """One compiled model; `sample` may be called again, and with `as_data` also on other data of the same shape of effects."""

    def __init__(self, obs: Observations, sheet: Sheet, layout: Layout, priors: PriorSet, *, as_data: bool = False,
                 say: Say = lambda text: None):
        self.layout, self.priors, self.say, self.as_data = layout, priors, say, as_data
        self._started = time.perf_counter()
        say("building the joint model")
        self.model = build(obs, sheet, layout, priors, as_data=as_data)
        self._check(obs)
        self._compiled = self._compile()
        self.compile_s = time.perf_counter() - self._started

    def _check(self, obs: Observations):
        for block in (obs.formability, obs.springback, obs.section, obs.counts):
            rows = block.rows
            for name, index, size in (("temper", rows.temper, self.layout.n_tempers), ("lot", rows.lot, self.layout.n_lots),
                                      ("load", rows.load, self.layout.n_loads)):
                if len(index) and (index.min() < 0 or index.max() >= size):
                    raise ValueError(f"{name} index outside 0..{size - 1}")

    def _compile(self):
        self.say("compiling (the first time on a machine takes a minute or two)")
        try:
            import nutpie
        except ImportError:
            return None
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            return nutpie.compile_pymc_model(self.model)

    def sample(self, *, seed: int, obs: Observations | None = None, draws: int = DRAWS, tune: int = TUNE,
               target_accept: float = TARGET_ACCEPT, cores: int = 2) -> Draws:
        """Draw from the posterior.

        Parameters
        ----------
        seed : the same seed gives the same draws on one machine and set of versions.
        obs : other data for a model compiled with `as_data`.
        """
        compiled, started = self._compiled, time.perf_counter()
        if obs is not None:
            self._check(obs)
            compiled = compiled.with_data(**data_values(obs))
        self.say(f"sampling {CHAINS} chains of {tune} + {draws}")
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            if compiled is not None:
                import nutpie
                trace = nutpie.sample(compiled, draws=draws, tune=tune, chains=CHAINS, cores=cores, seed=seed,
                                      save_warmup=False, progress_bar=False, target_accept=target_accept)
            else:
                import pymc
                trace = pymc.sample(draws=draws, tune=tune, chains=CHAINS, cores=cores, random_seed=seed, model=self.model,
                                    progressbar=False, target_accept=target_accept, compute_convergence_checks=False)
        stats = trace.sample_stats
        return Draws(np.asarray(trace.posterior["z"].values, float), np.asarray(stats["diverging"].values, bool),
                     np.asarray(stats["energy"].values, float), self.layout, self.priors,
                     "pymc" if compiled is None else "nutpie",
                     {"compile": self.compile_s, "sampling": time.perf_counter() - started})


def versions() -> dict[str, str]:
    """Return the versions that a fit depends on, without importing the packages."""
    import platform
    from importlib.metadata import version

    names = ("numpy", "scipy", "pymc", "pytensor", "nutpie", "numba", "arviz-stats")
    return {"python": platform.python_version()} | {name: version(name) for name in names}


def code_digest(*paths: Path) -> str:
    """Return a digest of the syntax of Python files: comments, docstrings and layout do not count."""
    import ast

    digest = hashlib.sha256()
    for path in sorted(paths):
        tree = ast.parse(path.read_text(encoding="utf-8"))
        for node in ast.walk(tree):
            body = getattr(node, "body", None)
            if isinstance(body, list) and body and isinstance(body[0], ast.Expr) and isinstance(body[0].value, ast.Constant) \
                    and isinstance(body[0].value.value, str):
                body[0].value.value = ""
        digest.update(f"{path.name}\n{ast.dump(tree)}\n".encode())
    return digest.hexdigest()[:16]


def model_digest() -> str:
    """Return the digest of the code whose results the draws are."""
    root = Path(__file__).parent
    return code_digest(*root.glob("responses/*.py"), *(root / f"{n}.py" for n in ("joint_model", "priors", "pooling", "likelihood", "rows", "fit")))


def save(draws: Draws, path: Path, meta: dict) -> None:
    """Write draws as plain arrays (npz, no pickles), beside the final place and renamed into it."""
    import os

    meta = meta | {"layout": [draws.layout.n_tempers, draws.layout.n_lots, draws.layout.n_loads], "sampler": draws.sampler,
                   "seconds": draws.seconds}
    path.parent.mkdir(parents=True, exist_ok=True)
    aside = path.with_name(path.name + f".{os.getpid()}.part")
    with open(aside, "wb") as f:
        np.savez(f, z=draws.z.astype(np.float64), divergent=draws.divergent, energy=draws.energy,
                 meta=np.frombuffer(json.dumps(meta, sort_keys=True).encode(), np.uint8))
        f.flush()
        os.fsync(f.fileno())
    os.replace(aside, path)


def load(path: Path, priors: PriorSet) -> tuple[Draws, dict]:
    """Read draws written by `save`; raises ValueError or OSError if the file is damaged."""
    with np.load(path, allow_pickle=False) as f:
        meta = json.loads(bytes(f["meta"]).decode())
        layout = Layout(*meta["layout"])
        if f["z"].shape[-1] != layout.size:
            raise ValueError(f"{path.name} does not fit this model")
        return Draws(f["z"], f["divergent"], f["energy"], layout, priors, meta["sampler"], meta["seconds"]), meta


def to_xarray(draws: Draws):
    """Return the draws as an ArviZ data tree of named parameters (for notebooks)."""
    import arviz

    p, shape = draws.params(), draws.z.shape[:2]
    posterior = {}
    for name, value in p.__dict__.items():
        for suffix, v in ([(f"_{i}", x) for i, x in enumerate(value)] if isinstance(value, tuple) else [("", value)]):
            posterior[name + suffix] = v.reshape(*shape, -1) if v.shape[-1] > 1 else v.reshape(shape)
    parts = {"posterior": posterior, "sample_stats": {"diverging": draws.divergent, "energy": draws.energy}}
    try:
        return arviz.from_dict(parts)
    except (TypeError, ValueError):
        return arviz.from_dict(**parts)
