"""Hold conformance against brute force at 200 conditions x 50 draws, and print JSON.

Every cell is held against quasi-random components averaged in closed form over what can be (tests/window/test_conformance.py: 4096 of
them; a second set of them says how exact that is), and the cells that differ most against 10**6 components of the simulator as well.
All numbers of the campaign are invented.
Run: python tests/speed/conformance_error.py [seed]
"""

from __future__ import annotations

import json
import sys
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import numpy as np
from scipy.special import ndtri
from scipy.stats import qmc

sys.path[:0] = [str(Path(__file__).resolve().parents[2]), str(Path(__file__).resolve().parents[1] / "window")]

import test_conformance as t  # noqa: E402
from models.simulate import OneDrawPerRow, new_effects, simulate  # noqa: E402
from planner.window.conformance import Conformance  # noqa: E402

N_DRAWS, N_CONDITIONS, LOG2_POINTS = 50, 200, 12
N_WORST, N_COMPONENTS, PIECES = 8, 1_000_000, 5


def of_draw(job: tuple[int, int, int]) -> np.ndarray:
    """Return conformance of every condition under one draw, by brute force."""
    seed, s, scramble = job
    t.Z = ndtri(qmc.Sobol(6, seed=scramble).random_base2(LOG2_POINTS)).T
    one, x = t.draws(N_DRAWS, seed).take([s]), t.conditions(N_CONDITIONS, seed + 1)
    outcome = t.outcome_of(one, t.ALL)
    return np.array([t.reference(one, x, i, t.SHEET, t.SETTINGS, t.ALL, outcome) for i in range(N_CONDITIONS)])


def simulated(seed: int, s: int, i: int) -> float:
    """Return the share of simulated components that conform."""
    p, x, rng, n = t.draws(N_DRAWS, seed), t.conditions(N_CONDITIONS, seed + 1), np.random.default_rng([seed, s, i]), N_COMPONENTS // PIECES
    good = 0
    for _ in range(PIECES):
        fresh = new_effects(p.take(np.full(n, s)), 1, 1, rng)
        seen = simulate(OneDrawPerRow(fresh), x.take(np.full(n, i)), t.SHEET, settings=t.SETTINGS, component=1.0, lot=0, load=0,
                        n_joints=t.ALL.n_joints, rng=rng)
        good += int((~seen.cracked & (seen.gap <= t.ALL.gap_max) & (seen.film <= t.ALL.film_max).all(1) & (seen.sound >= t.ALL.sound_min)
                     & ~seen.leaked).sum())
    return good / (n * PIECES)


def measure(seed: int) -> dict:
    """Return the largest and the root mean square error over all cells."""
    p, x = t.draws(N_DRAWS, seed), t.conditions(N_CONDITIONS, seed + 1)
    c = Conformance(p, sheet=t.SHEET, settings=t.SETTINGS, required=t.ALL, box=x)(x)
    with ProcessPoolExecutor() as pool:
        first, second = (np.array(list(pool.map(of_draw, [(seed, s, scramble) for s in range(N_DRAWS)]))) for scramble in (1, 2))
    error = c - 0.5 * (first + second)
    worst = np.argsort(-np.abs(error), axis=None)[:N_WORST]
    cells = [tuple(int(v) for v in np.unravel_index(w, error.shape)) for w in worst]
    by_simulator = [c[s, i] - simulated(seed, s, i) for s, i in cells]
    return {"seed": seed, "cells": int(error.size), "max_error": float(np.abs(error).max()), "rms_error": float(np.sqrt((error ** 2).mean())),
            "two_references_differ_by": float(np.abs(first - second).max()),
            "worst_cells_by_1e6_components": [round(float(e), 5) for e in by_simulator]}


if __name__ == "__main__":
    print(json.dumps(measure(int(sys.argv[1]) if len(sys.argv) > 1 else 20261125)))
