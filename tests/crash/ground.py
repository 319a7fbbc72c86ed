"""The ground that interrupted commands stand on: invented folders, a way to run a command, and what must hold of ledger and plans."""

from __future__ import annotations

import contextlib
import io
import json
import shutil
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from planner import cli
from planner.acquisition import plan_file
from planner.acquisition.candidate import Candidate
from planner.acquisition.proposal import Forecast, PlanRow, Proposal
from planner.lab import tamper
from planner.lab.campaign import read_definition
from planner.lab.errors import UserError
from planner.lab.ledger import open_ledger


DATA = Path(__file__).resolve().parents[1] / "lab" / "data"
EXAMPLE = (DATA / "results_example.csv").read_text(encoding="utf-8").splitlines()
HEADER, ROWS = EXAMPLE[0], EXAMPLE[1:]
FIRST = [r.replace(",joint land,no,72,", ",,,,") for r in ROWS[:10]]   # C-003 not yet sectioned
SECOND = [ROWS[9], *ROWS[10:]]                                         # completes C-003, adds Z-003
NAMES_FIRST, NAMES_ALL = {r.split(",")[0] for r in FIRST}, {r.split(",")[0] for r in ROWS}


@dataclass(frozen=True)
class Scenario:
    """One command with its safe states."""

    name: str
    prepare: Callable[[Path], None]
    run: Callable[[Path], tuple[int, str]]      # exit status and what stood on standard error
    audit: Callable[[Path, bool], list[str]]    # folder, whether exit status 0 was seen -> what is wrong
    settle: Callable[[Path], list[str]]         # after one more run


def command(*words) -> tuple[int, str]:
    """Run the command line in this process; returns exit status and standard error."""
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        status = cli.main([str(w) for w in words])
    return status, err.getvalue()


def base(folder: Path, **files: list[str]) -> None:
    """Make a campaign folder with these result files."""
    (folder / "results").mkdir(parents=True)
    shutil.copy(DATA / "campaign.toml", folder / "campaign.toml")
    for name, rows in files.items():
        (folder / "results" / f"{name}.csv").write_text("\n".join([HEADER, *rows]) + "\n", encoding="utf-8")


def recorded(folder: Path) -> None:
    """Make a campaign folder whose first file is recorded."""
    base(folder, a=FIRST)
    assert command("record", folder)[0] == 0


def ledger_faults(folder: Path) -> list[str]:
    """Return what the ledger's own chain and files complain of."""
    with open_ledger(folder, read_only=True) as ledger:
        return [*tamper.verify(ledger), *tamper.edited_files(folder, read_definition(folder), ledger)]


def held(folder: Path):
    """Return specimens held and whether C-003 is completed."""
    with open_ledger(folder, read_only=True) as ledger:
        specimens = {s.specimen: s for s in ledger.specimens(with_excluded=True)}
        return set(specimens), "C-003" in specimens and specimens["C-003"].film_depth_um is not None, len(ledger.files())


STAGES = ((set(), False, 0), (NAMES_FIRST, False, 1), (NAMES_ALL, True, 2))


def audit_record(least: int):
    """Hold a ledger to one of the whole stages, from `least` on; to the last where success was seen."""

    def audit(folder: Path, acknowledged: bool) -> list[str]:
        found = held(folder)
        allowed = STAGES[-1:] if acknowledged else STAGES[least:]
        return ledger_faults(folder) + ([] if found in allowed else [f"half a record: {found}"])

    return audit


def settle_record(folder: Path) -> list[str]:
    """Give the command again; everything must be there once."""
    status, error = command("record", folder)
    return ([] if status == 0 else [f"the next record fails: {error}"]) + audit_record(0)(folder, True)


def second_file(folder: Path) -> None:
    """Prepare: the first file recorded, the second waiting."""
    recorded(folder)
    (folder / "results" / "b.csv").write_text("\n".join([HEADER, *SECOND]) + "\n", encoding="utf-8")


def audit_exclusion(folder: Path, acknowledged: bool) -> list[str]:
    with open_ledger(folder, read_only=True) as ledger:
        found, kinds = set(ledger.excluded()), [one.kind for one in ledger.history("T-001")]
    good = [({"T-001"}, ["recorded", "excluded"])] + ([] if acknowledged else [(set(), ["recorded"])])
    return ledger_faults(folder) + ([] if (found, kinds) in good else [f"half an exclusion: {found} {kinds}"])


def exclude(folder: Path) -> tuple[int, str]:
    return command("record", folder, "--exclude", "T-001", "--why", "invented reason")


def settle_exclusion(folder: Path) -> list[str]:
    status, error = exclude(folder)
    return ([] if status == 0 else [f"the next exclusion fails: {error}"]) + audit_exclusion(folder, True)


def proposal(number: int, n: int = 3, who: str = "P") -> Proposal:
    """Return an invented plan of n coupons, labelled `who`."""
    rows = tuple(
        PlanRow(i + 1, "trial", "trial", f"{who}{number}-{i + 1}", None, Candidate("tensile_coupon", "O", "K1", 20.0 + i), "invented", 0.01, 0.01, None, None)
        for i in range(n)
    )
    forecast = Forecast(0.2, 0.17, 0.03, (0.01, 0.05), "linear", 0.3, 0.25)
    return Proposal(rows, 30.0, 1.0, 0, 1, 0, forecast, None, (), {}, 3)


def issue(folder: Path, number: int, supersedes=()) -> Path:
    """Write and register an invented plan as `plan` does, after taking up what was left."""
    plan = proposal(number)
    record = plan_file.plan_record(plan, number=number, verdict="CONVERGED", now={"misclassification": 0.2}, more={"supersedes": list(supersedes)})
    with open_ledger(folder) as ledger:
        plan_file.take_up_plans(ledger, folder / "plans")
        if any(p.number >= number for p in ledger.plans()):
            return folder / "plans" / f"{number:03d}"
        chosen = plan_file.next_number(folder / "plans")
        if chosen != number:
            raise AssertionError(f"plan {number} would be given the number {chosen}")
        return plan_file.issue_plan(ledger, folder / "plans", plan, record, number=number, supersedes=supersedes)


def planner_of(number: int, supersedes=()):
    """Return the command that issues plan `number`."""

    def run(folder: Path) -> tuple[int, str]:
        try:
            issue(folder, number, supersedes)
            return 0, ""
        except UserError as error:
            return 2, str(error)

    return run


def audit_plan(number: int):
    """A plan is whole or not there; what the ledger knows stands on disk."""

    def audit(folder: Path, acknowledged: bool) -> list[str]:
        wrong = [p for p in ledger_faults(folder)]
        with open_ledger(folder, read_only=True) as ledger:
            numbers, pending = [p.number for p in ledger.plans()], [s.specimen for s in ledger.pending()]
            wrong += [p for p in tamper.changed_plans(folder, ledger) if "never issued" not in p and "counts for nothing" not in p]
        if numbers not in ([*range(1, number + 1)], [*range(1, number)][: None if not acknowledged else 0]):
            wrong.append(f"the ledger knows plans {numbers}")
        if acknowledged and pending != [r.specimen for r in proposal(number).rows]:
            wrong.append(f"pending is {pending}")
        for path in (folder / "plans").glob("[0-9]*") if (folder / "plans").is_dir() else ():
            try:
                csv, record = (path / "plan.csv").read_text(encoding="utf-8"), json.loads((path / "plan.json").read_text(encoding="utf-8"))
                assert csv == plan_file.plan_csv(proposal(int(path.name))) and len(record["trials"]) == 3
            except (OSError, ValueError, AssertionError) as error:
                wrong.append(f"half a plan in plans/{path.name}: {error!r}")
        return wrong

    return audit


def settle_plan(number: int, supersedes=()):
    def settle(folder: Path) -> list[str]:
        status, error = planner_of(number, supersedes)(folder)
        wrong = ([] if status == 0 else [f"the next plan fails: {error}"]) + audit_plan(number)(folder, True)
        names = sorted(p.name for p in (folder / "plans").iterdir())
        if names != [f"{n:03d}" for n in range(1, number + 1)]:
            wrong.append(f"left over in plans/: {names}")
        return wrong

    return settle


def one_plan(folder: Path) -> None:
    """Prepare: plan 1 issued."""
    recorded(folder)
    issue(folder, 1)
