"""The only file that samples: PyMC builds the model, nutpie (or PyMC itself) draws from it.

Everything that depends on the versions of PyMC, nutpie and ArviZ stands here.  What leaves this file is plain arrays.
"""

from __future__ import annotations

import dataclasses
import inspect
import json
import threading
import time
import warnings
import zlib
from collections.abc import Callable
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from zipfile import BadZipFile

import numpy as np

from models import native
from models.digest import code_digest, model_digest, versions
from models.joint_model import build, program
from models.kernel import lot_precision
from models.priors import Layout, Params, PriorSet, standard, unpack
from models.rows import Observations, Sheet

__all__ = ["Draws", "Sampler", "code_digest", "load", "model_digest", "prior_draws", "save", "to_xarray", "versions"]
CHAINS, DRAWS, TUNE = 4, 1250, 700
TESTED = "0.16."                  # nutpie versions whose record takes our callbacks (not part of its promises); others get the loop by way of PyMC
RECORD = ("compiled_logp_func", "compiled_expand_func", "initial_point_func", "n_expanded", "shape_info", "logp_func", "expand_func", "_n_dim",
          "_shapes", "_coords", "dims", "shared_var_keys", "reparameterized_names")
BEAT = 5.0                        # s between two signs of life
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


@contextmanager
def heartbeat(say: Say, what: str, *, every: float = BEAT):
    """Say every few seconds that long work goes on, and for how long it has."""
    done, started = threading.Event(), time.perf_counter()

    def beat():
        while not done.wait(every):
            say(f"{what}: {time.perf_counter() - started:.0f} s")

    thread = threading.Thread(target=beat, daemon=True)
    thread.start()
    try:
        yield
    finally:
        done.set()
        thread.join()


class Sampler:
    """One compiled model; `sample` may be called again, also on other data with the same tempers and padded lots and loads."""

    def __init__(self, obs: Observations, sheet: Sheet, layout: Layout, priors: PriorSet, *, say: Say = lambda text: None):
        self.sheet, self.layout, self.priors, self.say, self._obs = sheet, layout, priors, say, obs
        started = time.perf_counter()
        self._check(obs)
        self._program = program(obs, sheet, layout, priors)
        self._compiled = self._compile()
        self.compile_s = time.perf_counter() - started

    def _check(self, obs: Observations):
        """Raise where an index points outside the effects: compiled code does not check bounds."""
        for block in (obs.formability, obs.springback, obs.section, obs.counts):
            rows = block.rows
            for name, index, size in (("temper", rows.temper, self.layout.n_tempers), ("lot", rows.lot, self.layout.n_lots),
                                      ("load", rows.load, self.layout.n_loads)):
                if len(index) and (index.min() < 0 or index.max() >= size):
                    raise ValueError(f"{name} index outside 0..{size - 1}")

    @cached_property
    def model(self):
        """The PyMC model of the same numbers."""
        return build(self._program, self.layout)

    def _compile(self):
        """Return what nutpie samples, or None where nutpie is not installed."""
        try:
            import nutpie
        except ImportError:
            return None
        self.say("compiling the joint model (longer the first time on a machine)")
        with warnings.catch_warnings(), heartbeat(self.say, "compiling"):
            warnings.simplefilter("ignore")
            return self._direct() if takes_callbacks() else nutpie.compile_pymc_model(self.model)

    def _direct(self):
        """Return nutpie's record of the callbacks: standard normals `z`, each chain's start uniform within one sd."""
        from nutpie.compile_pymc import CompiledPyMCModel

        size, module = self.layout.size, native.loaded(self._program.source)
        start = lambda seed: np.random.default_rng(seed).uniform(-1.0, 1.0, size)
        values = (module.log_density, module.expand, start, size, (["z"], [slice(0, size)], [(size,)]), None, None, size, {"z": (size,)}, {}, {}, {}, [])
        given = dict(zip(RECORD, values)) | _at(self._program.data)
        names = {f.name for f in dataclasses.fields(CompiledPyMCModel)}
        return CompiledPyMCModel(**{name: value for name, value in given.items() if name in names})

    def on(self, numbers: dict):
        """Return what nutpie samples, on other numbers."""
        return dataclasses.replace(self._compiled, **_at(numbers)) if takes_callbacks() else self._compiled.with_data(**numbers)

    def _numbers(self, obs: Observations) -> dict:
        """Return other data in the form of this compiled model."""
        self._check(obs)
        other = program(obs, self.sheet, self.layout, self.priors)
        if other.source != self._program.source:
            raise ValueError("the data do not fit the compiled model")
        return other.data

    def sample(self, *, seed: int, obs: Observations | None = None, draws: int = DRAWS, tune: int = TUNE,
               target_accept: float = TARGET_ACCEPT, cores: int = 2) -> Draws:
        """Draw from the posterior.

        Parameters
        ----------
        seed : the same seed gives the same draws on one machine and set of versions.
        obs : other data in place of those the model was built with.

        Raises
        ------
        ValueError
            Where `obs` names a temper, lot or load outside the layout.
        KeyboardInterrupt
            Where sampling was broken off: a part of the draws is never handed out.
        """
        started = time.perf_counter()
        numbers = self._program.data if obs is None else self._numbers(obs)
        self.say(f"sampling {CHAINS} chains of {tune} + {draws}")
        options = dict(draws=draws, tune=tune, chains=CHAINS, cores=cores, target_accept=target_accept)
        with warnings.catch_warnings(), heartbeat(self.say, "sampling"):
            warnings.simplefilter("ignore")
            trace = self._with_pymc(numbers, seed, options) if self._compiled is None else self._with_nutpie(numbers, seed, options)
        told = lot_precision(self._obs if obs is None else obs, self.layout, self.priors)
        z = standard(np.asarray(trace.posterior["z"].values, float), self.layout, self.priors, told)
        if z.shape[:2] != (CHAINS, draws):
            raise KeyboardInterrupt
        stats = trace.sample_stats
        return Draws(z, np.asarray(stats["diverging"].values, bool), np.asarray(stats["energy"].values, float), self.layout, self.priors,
                     "pymc" if self._compiled is None else "nutpie",
                     {"compile": self.compile_s, "sampling": time.perf_counter() - started})

    def _with_nutpie(self, numbers, seed, options):
        import nutpie

        return nutpie.sample(self.on(numbers), seed=seed, save_warmup=False, progress_bar=False, **options)

    def _with_pymc(self, numbers, seed, options):
        import pymc

        with self.model:
            pymc.set_data(numbers)
            return pymc.sample(random_seed=seed, progressbar=False, compute_convergence_checks=False, **options)


def takes_callbacks() -> bool:
    """Return whether the installed nutpie takes our callbacks: a version we know, whose record asks for nothing else."""
    from nutpie.compile_pymc import CompiledPyMCModel

    asked = {f.name for f in dataclasses.fields(CompiledPyMCModel) if f.default is f.default_factory is dataclasses.MISSING}
    return versions()["nutpie"].startswith(TESTED) and asked <= {*RECORD, "user_data", "shared_data"}


def _at(data: dict) -> dict:
    """Return where the numbers lie, as nutpie's record keeps it."""
    where, kept = native.numbers(data)
    return {"user_data": where, "shared_data": kept}


def save(draws: Draws, path: Path, meta: dict) -> None:
    """Write draws as plain arrays (npz, no pickles), beside the final place and renamed into it."""
    import os

    meta = meta | {"layout": [draws.layout.n_tempers, draws.layout.n_lots, draws.layout.n_loads], "sampler": draws.sampler,
                   "seconds": draws.seconds}
    path.parent.mkdir(parents=True, exist_ok=True)
    aside = path.with_name(path.name + f".{os.getpid()}.part")
    for left in path.parent.glob("*.part"):                           # of a process that was stopped; younger ones may be in use,
        with suppress(FileNotFoundError):                             # and be renamed or swept by whom they belong to meanwhile
            if time.time() - left.stat().st_mtime > 3600.0:
                left.unlink()
    try:
        with open(aside, "wb") as f:
            np.savez(f, z=draws.z.astype(np.float64), divergent=draws.divergent, energy=draws.energy,
                     meta=np.frombuffer(json.dumps(meta, sort_keys=True).encode(), np.uint8))
            f.flush()
            os.fsync(f.fileno())
        os.replace(aside, path)
    finally:
        aside.unlink(missing_ok=True)                                 # a full disk keeps no half of it


def load(path: Path, priors: PriorSet) -> tuple[Draws, dict]:
    """Read draws written by `save`; raises ValueError if the file is damaged, OSError if it cannot be opened."""
    try:
        with open(path, "rb") as file, np.load(file, allow_pickle=False) as f:
            meta = json.loads(bytes(f["meta"]).decode())
            layout = Layout(*meta["layout"])
            draws = Draws(f["z"], f["divergent"], f["energy"], layout, priors, meta["sampler"], meta["seconds"])
    except (BadZipFile, zlib.error, EOFError, KeyError, TypeError, AttributeError) as error:
        raise ValueError(f"{path.name} is damaged: {error}") from error
    if draws.z.shape[-1] != layout.size:
        raise ValueError(f"{path.name} does not fit this model")
    return draws, meta


def to_xarray(draws: Draws):
    """Return the draws as an ArviZ data tree of named parameters (for notebooks)."""
    import arviz

    p, shape = draws.params(), draws.z.shape[:2]
    posterior = {}
    for name, value in p.__dict__.items():
        for suffix, v in ([(f"_{i}", x) for i, x in enumerate(value)] if isinstance(value, tuple) else [("", value)]):
            posterior[name + suffix] = v.reshape(*shape, -1) if v.shape[-1] > 1 else v.reshape(shape)
    parts = {"posterior": posterior, "sample_stats": {"diverging": draws.divergent, "energy": draws.energy}}
    by_group = "posterior" in inspect.signature(arviz.from_dict).parameters      # before ArviZ 1
    return arviz.from_dict(**parts) if by_group else arviz.from_dict(parts)
