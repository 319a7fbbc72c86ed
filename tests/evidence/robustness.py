"""Evidence that nothing is lost and nothing let in: crash.json and fuzz.json.

    python tests/evidence/robustness.py crash [--kills 3000] [--rounds 50] [--minutes 20]
    python tests/evidence/robustness.py fuzz [--cases 100000] [--minutes 20]

Each run goes on where the last one on the same code stopped.
"""

from __future__ import annotations

import argparse
import json
import random
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.evidence import common  # noqa: E402

SEED = 20260302
SCRATCH = "/dev/shm" if Path("/dev/shm").is_dir() else None
LISTED = 20                                   # most problems that a file repeats
CRASH_MODULES = ["planner/lab/*.py", "planner/acquisition/plan_file.py", "models/fit.py", "models/digest.py", "planner/cli.py", "planner/cycle/*.py",
                 "planner/outlook/frozen.py", "tests/crash/*.py"]
FUZZ_MODULES = ["planner/lab/*.py", "planner/encode.py", "planner/outlook/beliefs.py", "models/priors.py", "tests/fuzz/cases.py"]
BATCH = 500
CHUNK = 50                                    # kills of a scenario in turn
KILL_S, PAIR_MIN, ROUND_S = 0.25, 0.9, 4.0    # what one random kill, one fault at all sites of a scenario and one round take, about


def crash(given) -> None:
    """Sites under strace first, then writers, then random kills."""
    from tests.crash.harness import FAULTS, Tally, Worker, every_site, random_kills, strace_works
    from tests.crash.scenarios import SCENARIOS

    head = common.header("python tests/evidence/robustness.py crash", seed=SEED, modules=CRASH_MODULES)
    record = {"kills": 0, "injected_failures": 0, "lost_rows": 0, "corrupt": 0, "writer_rounds": 0, "kills_at_sites": 0, "kills_at_random": 0,
              "processes_a_round": 4, "sites_done": [], "by_scenario": {}, "problems": []} | common.load("crash", head)
    end = common.until(given.minutes)
    pairs = len(FAULTS) * len(SCENARIOS) - len(record["sites_done"])
    minutes = (given.kills - record["kills_at_random"]) * KILL_S / 60 + pairs * PAIR_MIN + (given.rounds - record["writer_rounds"]) * ROUND_S / 60
    print(f"expected: about {minutes:.0f} minutes in all", flush=True)

    def add(name: str, tally: Tally, kind: str) -> None:
        struck = sum(n for what, n in tally.trials.items() if what != "ended first")
        record[kind] += struck
        record["kills"] = record["kills_at_sites"] + record["kills_at_random"]
        record["by_scenario"][name] = record["by_scenario"].get(name, 0) + struck
        note(tally.problems)

    def note(problems: list[str]) -> None:
        record["lost_rows"] += sum("lost" in p or "half a record" in p for p in problems)
        record["corrupt"] += sum(not ("lost" in p or "half a record" in p) for p in problems)
        record["problems"] = (record["problems"] + problems)[:LISTED]
        common.store("crash", head, record)

    with tempfile.TemporaryDirectory() as scratch:
        for fault in FAULTS if not strace_works() else ():
            todo = [name for name in SCENARIOS if f"{fault} {name}" not in record["sites_done"]]
            if todo and time.monotonic() < end:
                with Worker(todo, fault=fault) as worker:
                    for name in todo:
                        tally = every_site(worker, name, Path(scratch), deadline=end)
                        if time.monotonic() < end:               # a cut one is made again, not counted
                            record["sites_done"].append(f"{fault} {name}")
                            add(name, tally, "kills_at_sites" if fault == "KILL" else "injected_failures")
        while record["writer_rounds"] < given.rounds and time.monotonic() < end:
            command = [sys.executable, "-m", "tests.crash.writers", scratch, str(min(10, given.rounds - record["writer_rounds"])), "4", str(end - time.monotonic())]
            done = json.loads(subprocess.run(command, cwd=common.ROOT, capture_output=True, text=True, check=True).stdout)
            record["writer_rounds"] += done["rounds"]
            note(done["problems"])
        with Worker(list(SCENARIOS)) as worker:
            while record["kills_at_random"] < given.kills and time.monotonic() < end:
                for i, name in enumerate(SCENARIOS):
                    rng = random.Random(f"{SEED} {record['kills_at_random']} {i}")
                    count = min(CHUNK, given.kills - record["kills_at_random"])
                    add(name, random_kills(worker, name, Path(scratch), count=count, rng=rng, deadline=end), "kills_at_random")
    print(strace_works() or f"{len(record['sites_done'])} of {len(FAULTS) * len(SCENARIOS)} fault and scenario pairs done")
    print({k: record[k] for k in ("kills", "injected_failures", "lost_rows", "corrupt", "writer_rounds")})


def fuzz(given) -> None:
    """Batches of every kind in turn."""
    from tests.fuzz.cases import KINDS, batch

    head = common.header("python tests/evidence/robustness.py fuzz", seed=SEED, modules=FUZZ_MODULES)
    record = {"cases": 0, "tracebacks": 0, "partial_records": 0, "accepted": 0, "by_kind": dict.fromkeys(KINDS, 0), "slowest_batch_s_per_case": 0.0,
              "peak_memory_mb": 0.0, "problems": []} | common.load("fuzz", head)
    end = common.until(given.minutes)
    print(f"expected: about {(given.cases - record['cases']) * 0.006 / 60:.0f} minutes in all", flush=True)
    while record["cases"] < given.cases and time.monotonic() < end:
        for kind in KINDS:
            started = time.monotonic()
            with tempfile.TemporaryDirectory(dir=SCRATCH) as scratch:
                found = batch(kind, SEED + record["by_kind"][kind], BATCH, Path(scratch) / "campaign")
            record["cases"] += found.cases
            record["by_kind"][kind] += found.cases
            record["accepted"] += found.accepted
            record["tracebacks"] += len(found.tracebacks)
            record["partial_records"] += len(found.partial)
            record["problems"] = (record["problems"] + found.tracebacks + found.partial)[:LISTED]
            record["slowest_batch_s_per_case"] = max(record["slowest_batch_s_per_case"], round((time.monotonic() - started) / found.cases, 4))
        record["peak_memory_mb"] = max(record["peak_memory_mb"], round(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024, 1))
        common.store("fuzz", head, record)
    print({k: v for k, v in record.items() if k != "problems"}, *record["problems"][:3], sep="\n")


def main() -> None:
    """Run one of the two."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("what", choices=("crash", "fuzz"))
    parser.add_argument("--kills", type=int, default=3000, help="random kills in all")
    parser.add_argument("--rounds", type=int, default=50, help="rounds of four writers in all")
    parser.add_argument("--cases", type=int, default=100_000, help="fuzz cases in all")
    given = common.arguments(parser)
    (crash if given.what == "crash" else fuzz)(given)


if __name__ == "__main__":
    main()
