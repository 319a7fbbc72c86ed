"""Simulation-based calibration of the joint model over its whole prior, as `calibration.json`.

    python tests/evidence/calibration.py [--minutes 20] [--replicates 200] [--processes 2] [--scheduler tcp://HOST:8786] [--picture FILE.html]

A replicate draws all parameters from the prior, lets the virtual lab make one or two weeks of trials under that truth (gauges
censor, parts crack, sections are missing, lots are unbalanced), fits them, and ranks the truth among 99 thinned draws:
every parameter, conformance at 16 probe conditions, its mean over them and the log-likelihood of the data.  Each run adds replicates on
the same code; quantities outside the band after the first round are judged once more on fresh seeds.

References
----------
Talts et al. (2018), arXiv 1804.06788; Modrak et al. (2023), Bayesian Analysis (the likelihood as a test quantity).
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from models.fit import Sampler  # noqa: E402
from models.joint_model import row_log_likelihood  # noqa: E402
from models.priors import BY_TEMPER, DEVIATIONS, LOAD_EFFECTS, LOT_EFFECTS, SHARED, Params, unpack  # noqa: E402
from models.verdict import diagnostics  # noqa: E402
from planner.cycle.fitting import conformance_of  # noqa: E402
from planner.encode import Encoded, encode, padded_layout, priors_of  # noqa: E402
from planner.rehearse.bench import Bench  # noqa: E402
from planner.rehearse.runner import reach, same_code  # noqa: E402
from planner.window.box import factor_box  # noqa: E402
from planner.window.points import reference_points  # noqa: E402
from tests.evidence import common, uniformity, virtual_lab  # noqa: E402

SEED = 20261126
COMMAND = "python tests/evidence/calibration.py"
MODULES = [*common.WINDOW_MODULES, "planner/rehearse/bench.py", "planner/rehearse/rivals.py", "planner/rehearse/row_values.py", "planner/rehearse/world.py",
           "tests/evidence/calibration.py", "tests/evidence/uniformity.py", "tests/evidence/virtual_lab.py"]
N_RANKED, N_PROBES, MOST_WEEKS = 99, 16, 2
DRAWS, TUNE = 300, 400            # in each of four chains; thinned to N_RANKED
EXPECTED_S = 8.0                  # a replicate, on one core, compiling apart
STORE_EVERY_S = 60.0


class Laboratory:
    """One compiled model and what serves every replicate of a process."""

    def __init__(self):
        self.definition = virtual_lab.definition()
        self.priors = priors_of(self.definition)
        self.layout = padded_layout(len(self.priors.tempers), 1, 1)
        box = factor_box(self.definition)
        self.probes = reference_points(box, N_PROBES, seed=SEED, scramble=7)
        self.sampler: Sampler | None = None

    def replicate(self, number: int, turn: int) -> dict:
        """Return ranks by quantity, and how the fit went, of a replicate; its number and turn fix every random choice."""
        rng = np.random.default_rng([SEED, turn, number])
        z = rng.standard_normal((1, self.layout.size))
        truth = unpack(z, self.layout, self.priors)
        encoded = self._data(truth, rng)
        built, started = self.sampler is None, time.perf_counter()
        if built:
            self.sampler = Sampler(encoded.observations, encoded.sheet, self.layout, self.priors)
        with compilations() as compiled:
            draws = self.sampler.sample(seed=int(rng.integers(1 << 31)), obs=encoded.observations, draws=DRAWS, tune=TUNE, cores=1)
        mixing = diagnostics(draws.z)
        keep = np.linspace(0, draws.n_draws - 1, N_RANKED).round().astype(int)
        some = draws.params().take(keep)
        lot, load = int(rng.integers(len(encoded.lots))), int(rng.integers(len(encoded.loads)))
        true, found = (self.quantities(p, encoded, lot, load) for p in (truth, some))
        ranks = {name: uniformity.rank(true[name][0], found[name], rng) for name in true}
        return {"ranks": ranks, "seconds": time.perf_counter() - started, "compiled_again": 0 if built else len(compiled), "built": built,
                "divergent": int(draws.divergent.sum()), "ess": float(mixing[1].min()), "rhat": float(mixing[0].max()), "rows": encoded.observations.n_rows,
                "specimens": len(set(encoded.row_specimens))}

    def _data(self, truth: Params, rng: np.random.Generator) -> Encoded:
        """Let the lab work for a week or two under this truth."""
        weeks, seed = int(rng.integers(1, MOST_WEEKS + 1)), int(rng.integers(1 << 31))
        planned = virtual_lab.designed(weeks=weeks, blanks=virtual_lab.stock(rng), seed=seed)
        bench = Bench(self.definition, virtual_lab.world(truth, seed=seed, specimens=planned))
        lots, loads = virtual_lab.labels(planned)
        return encode(self.definition, virtual_lab.with_gaps([bench.measured(s) for s in planned], rng), lots=lots, loads=loads)

    def quantities(self, p: Params, encoded: Encoded, lot: int, load: int) -> dict[str, np.ndarray]:
        """Return every quantity that is ranked, (n_draws,) each; of the effects, those of one lot and one load."""
        tempers = self.priors.tempers
        out = {prior.name: getattr(p, prior.name)[:, 0] for prior in SHARED}
        out |= {f"{name} of {t}": getattr(p, name)[:, k] for name in BY_TEMPER for k, t in enumerate(tempers)}
        if len(tempers) > 1:
            out |= {f"between tempers, {name}": p.between_temper[:, i] for i, name in enumerate(BY_TEMPER)}
        out |= {f"{name} deviation {j + 1} of {t}": getattr(p, f"{name}_deviation")[j][:, k]
                for name, count in DEVIATIONS for j in range(count) for k, t in enumerate(tempers)}
        out |= {f"a lot's {e}": getattr(p, f"lot_{e}")[:, lot] for e in LOT_EFFECTS}
        out |= {f"a load's {e}": getattr(p, f"load_{e}")[:, load] for e in LOAD_EFFECTS}
        conformance = np.asarray(conformance_of(self.definition, encoded, p)(self.probes), float)
        out |= {f"conformance at probe {i + 1}": conformance[:, i] for i in range(len(self.probes))}
        out["mean conformance over probes"] = conformance.mean(axis=1)
        out["log-likelihood of the data"] = row_log_likelihood(p, encoded.observations, encoded.sheet).sum(axis=1)
        return out


class compilations:
    """Count what numba compiles while it is open."""

    def __enter__(self):
        from numba.core import event

        self.recorder = event.RecordingListener()
        self._open = event.install_listener("numba:compile", self.recorder)
        self._open.__enter__()
        return self

    def __exit__(self, *error):
        return self._open.__exit__(*error)

    def __len__(self) -> int:
        return len(self.recorder.buffer)


_laboratory: list[Laboratory] = []


def replicate(job: tuple[int, int]) -> dict:
    """Run one replicate in this process's laboratory."""
    if not _laboratory:
        _laboratory.append(Laboratory())
    return _laboratory[0].replicate(*job)


def run(jobs: list[tuple[int, int]], processes: int, end: float, *, scheduler: str | None = None, work=replicate) -> Iterator[dict]:
    """Yield results in the order of the jobs until the time is over: from local processes, or from a Dask cluster that is there."""
    if scheduler is not None:
        distributed = reach(scheduler)
        with distributed.Client(scheduler, set_as_default=False) as client:
            same_code(client, scheduler)
            at_once = 2 * max(sum(client.nthreads().values()), 1)
            for i in range(0, len(jobs), at_once):
                if time.monotonic() >= end:
                    return
                yield from client.gather(client.map(work, jobs[i:i + at_once], pure=False))
        return
    if processes == 1:
        for job in jobs:
            if time.monotonic() >= end:
                return
            yield work(job)
        return
    with ProcessPoolExecutor(processes, mp_context=get_context("spawn")) as pool:
        for i in range(0, len(jobs), processes):
            if time.monotonic() >= end:
                return
            yield from pool.map(work, jobs[i:i + processes])


def merged(record: dict, turn: int, result: dict) -> None:
    """Add a replicate to the counts of its turn."""
    counts = record["counts"].setdefault(str(turn), {})
    for name, rank in result["ranks"].items():
        row = [int(x) for x in counts[name].split()] if name in counts else [0] * uniformity.BINS
        row[rank * uniformity.BINS // (N_RANKED + 1)] += 1
        counts[name] = " ".join(map(str, row))
    fits = record["fits"]
    if not result["built"]:
        fits["seconds_a_replicate"] = (fits["seconds_a_replicate"] * fits["timed"] + result["seconds"]) / (fits["timed"] + 1)
        fits["timed"] += 1
    fits["compiled_again"] += result["compiled_again"]
    fits["divergent"] += result["divergent"]
    fits["with_divergences"] += result["divergent"] > 0
    fits["least_ess"] = min(fits["least_ess"], result["ess"])
    fits["worst_rhat"] = max(fits["worst_rhat"], result["rhat"])
    fits["fewest_rows"], fits["most_rows"] = min(fits["fewest_rows"], result["rows"]), max(fits["most_rows"], result["rows"])


def done(record: dict, turn: int) -> int:
    """Return the replicates of a turn."""
    counts = record["counts"].get(str(turn))
    return sum(map(int, next(iter(counts.values())).split())) if counts else 0


def judged(record: dict) -> dict:
    """Return the keys of the contract from the counts."""
    first, again = (record["counts"].get(t, {}) for t in ("0", "1"))
    if not first:
        return {"replicates": 0, "quantities": {}, "all_inside": False}
    names, table = list(first), np.array([[int(x) for x in row.split()] for row in first.values()])
    p, least = uniformity.p_value(table), uniformity.least_p(len(first))
    out = {name: {"inside_band": bool(x >= least), "p": float(x)} for name, x in zip(names, p)}
    outside = [name for name in names if not out[name]["inside_band"]]
    if outside and done(record, 1) >= done(record, 0):          # half a second round has no power to overrule the first
        second = uniformity.p_value(np.array([[int(x) for x in again[name].split()] for name in outside]))
        for name, x in zip(outside, second):
            out[name] |= {"p_again": float(x), "inside_band": bool(x >= uniformity.least_p(len(outside)))}
    return {"replicates": done(record, 0), "replicates_again": done(record, 1), "quantities": out,
            "outside_first": outside, "all_inside": all(q["inside_band"] for q in out.values()),
            "band": {"level": uniformity.LEVEL, "quantities": len(names), "least_p": least, "bins": uniformity.BINS, "ranks": N_RANKED + 1}}


def _of_this_module():
    """Return what a cluster's worker does, by the name under which it can import it: its path must hold the project's folder."""
    from tests.evidence.calibration import replicate as named

    return named


def work(given, record: dict, head: dict) -> None:
    """Add replicates until enough are there, or the slice is over."""
    end, stored = common.until(given.minutes), time.monotonic()
    for turn in (0, 1):
        if turn == 1 and (done(record, 0) < given.replicates or not judged(record)["outside_first"]):
            break
        jobs = [(number, turn) for number in range(done(record, turn), given.replicates)]
        for result in run(jobs, given.processes, end, scheduler=given.scheduler, work=replicate if given.scheduler is None else _of_this_module()):
            merged(record, turn, result)
            print(f"replicate {done(record, turn)}{' on fresh seeds' if turn else ''}: {result['seconds']:.1f} s, {result['rows']} rows, "
                  f"{result['divergent']} divergent", file=sys.stderr, flush=True)
            if time.monotonic() - stored > STORE_EVERY_S:
                common.store("calibration", head, judged(record) | record)
                stored = time.monotonic()


def main() -> None:
    """Run a slice, store, and say how it stands."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--replicates", type=int, default=200, help="replicates wanted in all")
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--scheduler", metavar="ADDRESS", help="an existing Dask cluster, such as tcp://host:8786, whose workers have this folder on PYTHONPATH (default: local processes)")
    parser.add_argument("--picture", type=Path, help="where to draw the distribution functions (one HTML file)")
    given = common.arguments(parser)
    head = common.header(COMMAND, seed=SEED, modules=MODULES)
    empty = {"timed": 0, "seconds_a_replicate": 0.0, "compiled_again": 0, "divergent": 0, "with_divergences": 0, "least_ess": 1e9, "worst_rhat": 0.0,
             "fewest_rows": 10**9, "most_rows": 0}
    kept = common.load("calibration", head)
    record = {"fits": kept.get("fits", empty), "counts": kept.get("counts", {})}
    left = max(given.replicates - done(record, 0), 0)
    each = record["fits"]["seconds_a_replicate"] or EXPECTED_S
    print(f"expected: about {left * each / given.processes / 60 + 0.5:.0f} minutes in all for {left} replicates; this slice at most {given.minutes:g}", flush=True)
    work(given, record, head)
    if not record["counts"]:
        return
    found = judged(record)
    common.store("calibration", head, found | record)
    outside = [name for name, q in found["quantities"].items() if not q["inside_band"]]
    print({k: found[k] for k in ("replicates", "replicates_again", "all_inside", "outside_first")} | {"outside": outside} | record["fits"])
    if given.picture:
        from tests.evidence.calibration_picture import draw

        draw(record["counts"]["0"], given.picture)


if __name__ == "__main__":
    main()
