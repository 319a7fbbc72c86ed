"""Time conformance of 4000 draws x 4096 conditions, tables included, in passes of np.exp over an array of that size; print JSON.

All numbers of the campaign are invented.  Minima over repeats, each measured in turn in one run: processors have slow phases.
Run: python tests/speed/conformance_speed.py [repeats]
"""

from __future__ import annotations

import json
import sys
import time
from pathlib import Path

import numpy as np

sys.path[:0] = [str(Path(__file__).resolve().parents[2]), str(Path(__file__).resolve().parents[1] / "models")]

import invented  # noqa: E402
from models.priors import Layout, sample_prior  # noqa: E402
from models.rows import Conditions  # noqa: E402
from planner.window.conformance import Conformance, Required  # noqa: E402

N_DRAWS, N_CONDITIONS, BAR = 4000, 4096, 60


def seconds(run) -> float:
    """Return the wall time of one call."""
    start = time.perf_counter()
    run()
    return time.perf_counter() - start


def measure(repeats: int) -> dict:
    """Return the least times, s, and their ratio."""
    rng = np.random.default_rng(3)
    params = sample_prior(Layout(2, 8, 8), invented.priors(), N_DRAWS, rng)
    conditions = invented.conditions(N_CONDITIONS, rng)
    box = Conditions.from_factors([0, 0], [invented.LOW, invented.HIGH])
    rest = dict(sheet=invented.SHEET, settings=invented.SETTINGS, required=Required(True, 0.15, 22, 60.0, True, 24), box=box)
    first = seconds(lambda: Conformance(params.take(slice(0, 4)), **rest)(conditions))
    numbers = rng.normal(size=(N_DRAWS, N_CONDITIONS))
    tables, whole, exp = [], [], []
    for _ in range(repeats):
        exp.append(seconds(lambda: np.exp(numbers)))
        conformance = Conformance(params, **rest)
        tables.append(seconds(lambda: conformance.tables(box)))
        whole.append(tables[-1] + seconds(lambda: conformance(conditions)))
        exp.append(seconds(lambda: np.exp(numbers)))
    return {"draws": N_DRAWS, "conditions": N_CONDITIONS, "first_call_s": round(first, 3), "tables_s": round(min(tables), 3),
            "whole_s": round(min(whole), 3), "exp_pass_s": round(min(exp), 4), "passes": round(min(whole) / min(exp), 1), "bar": BAR}


if __name__ == "__main__":
    print(json.dumps(measure(int(sys.argv[1]) if len(sys.argv) > 1 else 5)))
