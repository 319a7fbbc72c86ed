"""Several people at one campaign folder: each process records, excludes, plans, fits and freezes at the same moment (invented data).

Run as a program: `python -m tests.crash.writers FOLDER ROUNDS PROCESSES`; prints one JSON object.  It forks, so it is a process
of its own.
"""

from __future__ import annotations

import json
import os
import sys
import tempfile
import time
import traceback
from pathlib import Path

from planner.acquisition import plan_file
from planner.cycle import open_campaign, reviewing
from planner.cycle.claims import read_claims
from planner.lab import tamper
from planner.lab.errors import UserError
from planner.lab.ledger import open_ledger
from tests.crash.at_hand import numbers
from tests.crash.commands import whole_draws
from tests.crash.ground import base, command, proposal

FILES, ROWS = 3, 4
HEADER = "specimen,specimen_type,temper,lot,forming_temperature [degC],limit_strain [1],date"


def issue_next(folder: Path, who: str) -> int:
    """Issue a plan under the next free number; whoever was faster is given way to."""
    for _ in range(300):
        with open_ledger(folder) as ledger:
            plan_file.take_up_plans(ledger, folder / "plans")
            number = max(plan_file.next_number(folder / "plans"), max((p.number for p in ledger.plans()), default=0) + 1)
            plan = proposal(number, who=who)
            record = plan_file.plan_record(plan, number=number, verdict="CONVERGED", now={"misclassification": 0.2})
            try:
                plan_file.issue_plan(ledger, folder / "plans", plan, record, number=number)
                return number
            except UserError as error:
                if "someone else" not in str(error) and "exists" not in str(error):
                    raise
    raise AssertionError("no plan number was free in 300 attempts")


def write(folder: Path, who: str, begin: float) -> dict:
    """What one person does; returns what was acknowledged."""
    done = {"specimens": [], "excluded": [], "plans": [], "claims": []}
    files = []
    for j in range(FILES):
        names = [f"{who}{j}-{i}" for i in range(ROWS)]
        path = folder / "results" / f"{who}{j}.csv"
        path.write_text("\n".join([HEADER, *(f"{n},tensile_coupon,O,K1,20,0.1,2026-03-03" for n in names)]) + "\n", encoding="utf-8")
        files.append((path, names))
    time.sleep(max(0.0, begin - time.time()))
    for path, names in files:
        status, error = command("record", folder, path)
        assert status == 0, error
        done["specimens"] += names
        done["plans"].append((issue_next(folder, who), who))
    status, error = command("record", folder, "--exclude", done["specimens"][0], "--why", "invented reason")
    assert status == 0, error
    done["excluded"].append(done["specimens"][0])
    with numbers(proposal):
        status, error = command("update", folder)
        assert status == 0, error
        done["claims"].append(freeze(folder))
    return done


def freeze(folder: Path) -> str:
    """Freeze today's claim; where others recorded meanwhile it is refused, for it would not rest on theirs, and begun again."""
    for _ in range(300):
        try:
            return reviewing.freeze(open_campaign(folder)).name
        except UserError as error:
            if "while the claim was being worked out" not in str(error):
                raise
    raise AssertionError("no claim could be frozen in 300 attempts")


def one_round(folder: Path, processes: int) -> list[str]:
    """Let all write at once; returns what is wrong."""
    base(folder)
    begin, children = time.time() + 0.05, []
    for k in range(processes):
        child = os.fork()
        if child == 0:
            try:
                answer = write(folder, "abcdefghij"[k], begin)
            except BaseException:
                answer = {"error": traceback.format_exc()[-1500:]}
            (folder / f"acknowledged-{k}").write_text(json.dumps(answer), encoding="utf-8")
            os._exit(0)
        children.append(child)
    for child in children:
        os.waitpid(child, 0)
    answers = [json.loads((folder / f"acknowledged-{k}").read_text(encoding="utf-8")) for k in range(processes)]
    wrong = [a["error"] for a in answers if "error" in a]
    with open_ledger(folder, read_only=True) as ledger:
        found = {s.specimen for s in ledger.specimens(with_excluded=True)}
        expected = {n for a in answers for n in a.get("specimens", ())}
        plans = {p.number: p.specimens[0].specimen[0] for p in ledger.plans()}
        numbers = [tuple(p) for a in answers for p in a.get("plans", ())]
        wrong += [f"lost row {n}" for n in sorted(expected - found)]
        wrong += [f"exclusion of {n} lost" for a in answers for n in a.get("excluded", ()) if n not in ledger.excluded()]
        wrong += [] if len(ledger.history()) == len(found) + len(ledger.excluded()) else ["a row was recorded twice"]
        wrong += [] if sorted(numbers) == sorted(plans.items()) else [f"plans {sorted(numbers)} were acknowledged, {sorted(plans.items())} are known"]
        claims, known = read_claims(folder), {path.removeprefix("claims/") for path in ledger.documents() if path.startswith("claims/")}
        wrong += [f"lost claim {name}" for a in answers for name in a.get("claims", ()) if name not in known]
        wrong += ["a claim was frozen twice"] if len({one["data_digest"] for one in claims}) != len(claims) else []
        wrong += tamper.verify(ledger) + tamper.changed_plans(folder, ledger) + whole_draws(folder)
    return wrong


def main() -> None:
    """Run rounds until the time is up."""
    folder, rounds, processes, seconds = Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3]), float(sys.argv[4])
    end, done, wrong = time.monotonic() + seconds, 0, []
    while done < rounds and time.monotonic() < end:
        with tempfile.TemporaryDirectory(dir=folder) as scratch:
            wrong += one_round(Path(scratch) / "campaign", processes)
        done += 1
    print(json.dumps({"rounds": done, "problems": wrong}))


if __name__ == "__main__":
    main()
