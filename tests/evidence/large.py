"""Time and memory of large campaigns, as `large.json`.

    python tests/evidence/large.py                              # 2 500, 5 000 and 10 000 specimens; about an hour on two quiet cores
    python tests/evidence/large.py --sizes 300,1000 --dry-run   # a trial of the machinery, minutes; nothing is stored

An invented campaign (fifty specimens a furnace load, 30 coils) is taken through record, update, window, plan and review, each a
process of its own whose wall time, processor time and peak memory are measured.  Each run goes on where the last one on the same
code stopped, as long as the scratch folder is there.
"""

from __future__ import annotations

import argparse
import json
import math
import os
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent))
from common import ROOT, arguments, header, load, store, until  # noqa: E402

COMMAND = "python tests/evidence/large.py"
MODULES = ["models/*.py", "models/responses/*.py", "planner/encode.py", "planner/lab/*.py", "planner/window/*.py", "planner/acquisition/*.py",
           "planner/outlook/*.py", "planner/cycle/*.py", "tests/evidence/large_campaign.py"]
SEED = 20260309
SIZES = (2500, 5000, 10_000)
STEPS = {"record": ["record"], "update": ["update"], "window": ["window"], "plan": ["plan"], "review": ["review"]}
BARS = {"peak_memory_gib": 6.0, "fit_min": 15.0}
MIN_PER_1000 = {"record": 0.05, "update": 1.5, "window": 0.8, "plan": 0.8, "review": 1.5}      # rough, on two quiet cores
LINEAR = 1.1                      # largest exponent of time over size that still counts as linear: runs of one size differ by a tenth


def measured(words: list[str], log: Path) -> dict:
    """Run a command and return its status, wall and processor seconds, peak memory in GiB, and what it said last."""
    with open(log, "ab") as said:
        started, begun = time.perf_counter(), said.tell()
        redirect = [(os.POSIX_SPAWN_OPEN, 1, os.fspath(log.with_suffix(".out")), os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o644),
                    (os.POSIX_SPAWN_DUP2, said.fileno(), 2)]
        pid = os.posix_spawn(words[0], words, os.environ | {"PYTHONPATH": str(ROOT)}, file_actions=redirect)
        _, status, used = os.wait4(pid, 0)
    with open(log, "rb") as whole:
        whole.seek(begun)
        last = whole.read().decode("utf-8", "replace").strip().splitlines()[-3:]
    return {"status": os.waitstatus_to_exitcode(status), "wall_s": round(time.perf_counter() - started, 2),
            "cpu_s": round(used.ru_utime + used.ru_stime, 2), "peak_memory_gib": round(used.ru_maxrss / 2**20, 3)} | (
            {} if status == 0 else {"said": last})


def run_size(n: int, scratch: Path, found: dict, end: float, keep) -> None:
    """Take a campaign of n specimens through the steps that are still to be measured; stops when the time is up."""
    folder, log = scratch / str(n), scratch / f"{n}.log"
    python = sys.executable
    if not (folder / "campaign.toml").exists() or "record" not in found:
        found.clear()
        making = measured([python, "-m", "tests.evidence.large_campaign", str(folder), str(n)], log)
        if making["status"]:
            raise SystemExit(f"the campaign of {n} cannot be made: see {log}")
        found |= {"specimens": n, "furnace_loads": -(-n // 50), "lots": 30}
    for name, words in STEPS.items():
        if name in found:
            continue
        if time.monotonic() > end:
            return
        one = measured([python, "-m", "planner.cli", words[0], str(folder), *words[1:], "--json"], log)
        if name == "update" and one["status"] == 0:
            said = json.loads(log.with_suffix(".out").read_text(encoding="utf-8"))
            one |= {"verdict": said["verdict"], "sampling_s": round(said["seconds"].get("sampling", 0.0), 1)}
        found[name] = one
        keep()
        print(n, name, one, file=sys.stderr, flush=True)


def growth(sizes: dict, key: str) -> dict:
    """Return the exponent of a time over size from the smallest to the largest size measured, by step."""
    done = sorted((one for one in sizes.values() if all(name in one for name in STEPS)), key=lambda one: one["specimens"])
    if len(done) < 2:
        return {}
    first, last = done[0], done[-1]
    return {name: round(math.log(last[name][key] / first[name][key]) / math.log(last["specimens"] / first["specimens"]), 3) for name in STEPS}


def judged(sizes: dict) -> dict:
    """Return what the bars say of the sizes measured so far."""
    steps = [one[name] for one in sizes.values() for name in STEPS if name in one]
    memory, fits = max((s["peak_memory_gib"] for s in steps), default=0.0), [one["update"]["wall_s"] / 60 for one in sizes.values() if "update" in one]
    exponents = growth(sizes, "wall_s")
    return {"bars": BARS | {"growth_exponent": LINEAR}, "peak_memory_gib": memory, "fit_min": round(max(fits, default=0.0), 2), "growth_exponents": exponents,
            "growth_exponents_cpu": growth(sizes, "cpu_s"),
            "all_succeeded": all(s["status"] == 0 for s in steps),
            "within_bars": bool(exponents) and all(s["status"] == 0 for s in steps) and memory <= BARS["peak_memory_gib"] and max(fits) <= BARS["fit_min"] and max(exponents.values()) <= LINEAR}


def main() -> None:
    """Measure what is still to be measured and store it after every step."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--sizes", default=",".join(map(str, SIZES)), help="numbers of specimens, smallest first")
    parser.add_argument("--scratch", type=Path, default=Path(tempfile.gettempdir()) / "large-campaigns", help="where the campaigns are made")
    parser.add_argument("--dry-run", action="store_true", help="print and store nothing")
    given = arguments(parser)
    head = header(COMMAND, seed=SEED, modules=MODULES)
    record = {"sizes": {}} | ({} if given.dry_run else load("large", head))
    record["sizes"] = {n: record["sizes"].get(n, {}) for n in given.sizes.split(",")}
    scratch = given.scratch / head["code_digest"]
    scratch.mkdir(parents=True, exist_ok=True)
    left = sum(MIN_PER_1000[name] * int(n) / 1000 + 0.5 for n, found in record["sizes"].items() for name in STEPS if name not in found)
    print(f"expected: about {left:.0f} minutes in all, in slices of at most {given.minutes:.0f} minutes and the step then under way", file=sys.stderr)
    end = until(given.minutes)

    def keep() -> None:
        if not given.dry_run:
            store("large", head, record | judged(record["sizes"]))

    for n, found in record["sizes"].items():
        if time.monotonic() < end:
            run_size(int(n), scratch, found, end, keep)
    print(json.dumps(judged(record["sizes"]), indent=1))


if __name__ == "__main__":
    main()
