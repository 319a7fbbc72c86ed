"""Times of the weekly work, side by side with the same model written plainly, as `speed.json`.

    python tests/evidence/speed.py                    # everything but the 10 000 specimens, about 12 minutes on two quiet cores
    python tests/evidence/speed.py --only fit_10000   # about 15 minutes more

A time is a whole process where it says `plan`, and one call otherwise.  The plain program is timed in the same run.
"""

from __future__ import annotations

import argparse
import csv
import json
import os
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent))
from common import ROOT, arguments, header, load, store  # noqa: E402

COMMAND = "python tests/evidence/speed.py"
MODULES = ["models/*.py", "models/responses/*.py", "planner/encode.py", "planner/window/*.py", "planner/acquisition/*.py", "planner/cycle/*.py",
           "planner/outlook/*.py", "planner/report/*.py", "planner/report/pages/*.py"]
SEED, N_PLAN = 20261125, 60
PARTS = ("plan_60", "plain", "fit_300", "conformance", "pick", "pick_large", "outlook")
EXPECTED_MIN = {"plan_60": 4, "plain": 5, "fit_300": 1.5, "conformance": 3, "pick": 0.5, "pick_large": 0.7, "outlook": 3, "fit_10000": 15}


def sixty(folder: Path) -> Path:
    """Make a campaign of 60 specimens from the week-6 demo (invented data)."""
    demo = ROOT / "campaigns_demo" / "cold_plate_week6"
    (folder / "results").mkdir(parents=True)
    shutil.copy(demo / "campaign.toml", folder)
    left = N_PLAN
    for name in ("00_legacy.csv", "01_week1.csv"):
        rows = list(csv.reader(open(demo / "results" / name, newline="", encoding="utf-8")))
        with open(folder / "results" / name, "w", newline="", encoding="utf-8") as f:
            csv.writer(f).writerows(rows[: left + 1])
        left -= min(left, len(rows) - 1)
    return folder


def plan_seconds(folder: Path, caches: Path) -> float:
    """Time `trialwright plan` as a whole process."""
    env = os.environ | {"NUMBA_CACHE_DIR": str(caches / "numba"), "PYTENSOR_FLAGS": f"base_compiledir={caches / 'pytensor'}"}
    started = time.perf_counter()
    subprocess.run([sys.executable, "-m", "planner.cli", "plan", str(folder), "--json"], cwd=ROOT, env=env, check=True,
                   stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    return time.perf_counter() - started


def plan_60(found: dict) -> dict:
    """Cold (no compiled code anywhere) and warm."""
    with tempfile.TemporaryDirectory() as scratch:
        caches = Path(scratch) / "caches"
        cold = plan_seconds(sixty(Path(scratch) / "first"), caches)
        warm = plan_seconds(sixty(Path(scratch) / "second"), caches)
    return {"plan_60": found.get("plan_60", {}) | {"cold_s": cold, "warm_s": warm}}


def encoded_of(folder: Path):
    """Return a campaign's data as the models read them."""
    import planner
    from planner.encode import encode

    campaign = planner.open_campaign(folder)
    campaign.record()
    return encode(campaign.definition, campaign.specimens())


def plain(found: dict) -> dict:
    """The same 60 specimens, one PyMC variable a coefficient, PyMC's default sampler, as many kept draws; whole process."""
    with tempfile.TemporaryDirectory() as scratch:
        folder = sixty(Path(scratch) / "plain")
        started = time.perf_counter()
        subprocess.run([sys.executable, str(Path(__file__).resolve()), "--run-plain", str(folder)], cwd=ROOT, check=True,
                       stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        return {"plan_60": found.get("plan_60", {}) | {"plain_pymc_s": time.perf_counter() - started}}


def run_plain(folder: Path) -> None:
    """Fit the plain program; called in a process of its own."""
    from models.fit import DRAWS
    from tests.speed.plain_pymc import fit

    e = encoded_of(folder)
    fit(e.observations, e.sheet, e.layout, e.priors, draws=DRAWS, tune=1000, seed=SEED)


def fit_300(found: dict) -> dict:
    """A full fit of the week-6 demo, compiled code in the cache."""
    from models.fit import Sampler

    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch) / "week6"
        shutil.copytree(ROOT / "campaigns_demo" / "cold_plate_week6", folder, ignore=shutil.ignore_patterns("ledger*", "posterior", "plans"))
        e = encoded_of(folder)
    Sampler(e.observations, e.sheet, e.layout, e.priors)
    started = time.perf_counter()
    Sampler(e.observations, e.sheet, e.layout, e.priors).sample(seed=SEED)
    return {"fit_300_s": time.perf_counter() - started}


def fit_10000(found: dict) -> dict:
    """A full fit of 10 000 invented specimens in 30 lots and 200 loads, its draws judged."""
    import numpy as np

    from models.fit import Sampler
    from models.verdict import judge
    from tests.models import invented

    obs, layout, _ = invented.observations(np.random.default_rng(SEED), n=10_000, n_lots=30, n_loads=200)
    started = time.perf_counter()
    draws = Sampler(obs, invented.SHEET, layout, invented.priors()).sample(seed=SEED)
    verdict = judge(draws.z, layout.names(), divergent=draws.divergent, energy=draws.energy)
    seconds = time.perf_counter() - started
    return {"fit_10000_s": seconds, "fit_10000": {"verdict": verdict.name, "rhat": verdict.rhat, "ess": verdict.ess}}


def conformance(found: dict) -> dict:
    """Error against brute-force simulation and time in passes of np.exp, by the kernel's own script."""
    done = subprocess.run([sys.executable, "-m", "tests.speed.conformance_speed"], cwd=ROOT, check=True, capture_output=True, text=True)
    held = subprocess.run([sys.executable, "tests/speed/conformance_error.py", str(SEED)], cwd=ROOT, check=True, capture_output=True, text=True)
    error = json.loads(held.stdout)
    return {"conformance_exp_passes": json.loads(done.stdout)["passes"], "conformance_max_error": error["max_error"],
            "conformance_error": error}


def pick(found: dict) -> dict:
    """Choosing 40 picks from 1000 candidates against 2048 reference points with every limit, on the 60-specimen campaign."""
    return {"pick_1000_2048_40_s": picking()}


def pick_large(found: dict) -> dict:
    """The same with 80 picks from 5000 candidates against 4096 reference points."""
    return {"pick_5000_4096_80_s": picking("--candidates", "5000", "--points", "4096", "--picks", "80", "--budget", "12400")}


def picking(*words: str) -> float:
    """Return the seconds that the choice takes in a process of its own."""
    done = subprocess.run([sys.executable, "-m", "tests.speed.pick_speed", *words], cwd=ROOT, check=True, capture_output=True, text=True)
    return json.loads(done.stdout)["seconds"]


def outlook(found: dict) -> dict:
    """`budget` and `review` of the week-6 demo with its draws at hand, after import; what the pages add to a plan; the size of the review."""
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch) / "week6"
        shutil.copytree(ROOT / "campaigns_demo" / "cold_plate_week6", folder, ignore=shutil.ignore_patterns("ledger*", "posterior", "plans", "reports"))
        subprocess.run([sys.executable, "-m", "planner.cli", "plan", str(folder)], cwd=ROOT, check=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        done = subprocess.run([sys.executable, "-m", "tests.speed.outlook_speed", str(folder)], cwd=ROOT, check=True, capture_output=True, text=True)
    return json.loads(done.stdout)


def main() -> None:
    """Measure the parts asked for and store what was found."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--only", choices=[*PARTS, "fit_10000"], action="append", help="this part only (may be repeated)")
    parser.add_argument("--run-plain", type=Path, help=argparse.SUPPRESS)
    given = arguments(parser)
    if given.run_plain:
        run_plain(given.run_plain)
        return
    parts = given.only or PARTS
    print(f"expected: about {sum(EXPECTED_MIN[p] for p in parts):g} minutes on two quiet cores", file=sys.stderr)
    head = header(COMMAND, seed=SEED, modules=MODULES)
    found = load("speed", head) | {"python": f"{sys.version_info.major}.{sys.version_info.minor}"}
    for name in parts:
        found |= globals()[name](found)
        store("speed", head, found)
        print(name, {k: v for k, v in found.items() if k != "python"}, file=sys.stderr)


if __name__ == "__main__":
    main()
