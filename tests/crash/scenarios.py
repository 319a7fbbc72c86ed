"""What is interrupted: commands that write, each with the states that may be found afterwards (all data invented).

A scenario prepares a folder, runs one command in it and says what is wrong: `audit` right after it was stopped, `settle` after it ran again.
"""

from __future__ import annotations

import contextlib
import hashlib
import io
import json
import shutil
import zipfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from models import fit
from models.priors import Layout
from planner import cli
from planner.acquisition import plan_file
from planner.acquisition.candidate import Candidate
from planner.acquisition.proposal import Forecast, PlanRow, Proposal
from planner.cycle.claims import read_claims
from planner.cycle.kept import read_origin
from planner.cycle.standing import fit_state
from planner.lab import tamper
from planner.lab.campaign import read_definition
from planner.lab.errors import UserError
from planner.lab.ledger import open_ledger
from planner.lab.store import SCHEMA_VERSION
from planner.outlook.frozen import claim_digest
from tests.crash.at_hand import PAGE, numbers

DATA = Path(__file__).resolve().parents[1] / "lab" / "data"
HEADER, *ROWS = (DATA / "results_example.csv").read_text(encoding="utf-8").splitlines()
FIRST = [r.replace(",joint land,no,72,", ",,,,") for r in ROWS[:10]]   # C-003 not yet sectioned
SECOND = [ROWS[9], *ROWS[10:]]                                         # completes C-003, adds Z-003
NAMES_FIRST, NAMES_ALL = {r.split(",")[0] for r in FIRST}, {r.split(",")[0] for r in ROWS}
KEY = "invented.npz"


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
    record = plan_file.plan_record(plan, number=number, verdict="CONVERGED", now={}, more={"supersedes": list(supersedes)})
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


class Standard:
    """Draws of the smallest layout, made of a counter (invented)."""

    layout = Layout(1, 1, 1)
    z = np.arange(4 * 5 * layout.size, dtype=float).reshape(4, 5, -1)

    @classmethod
    def draws(cls):
        return fit.Draws(cls.z, np.zeros((4, 5), bool), np.ones((4, 5)), cls.layout, None, "prior")


def save(folder: Path) -> tuple[int, str]:
    """Keep draws; a disk error is the caller's to word (models know no messages)."""
    try:
        fit.save(Standard.draws(), folder / "posterior" / KEY, {"invented": True})
        return 0, ""
    except OSError as error:
        return 2, f"the draws cannot be kept: {error}"


def audit_draws(folder: Path, acknowledged: bool) -> list[str]:
    path = folder / "posterior" / KEY
    if not path.exists():
        return ["kept draws are gone"] if acknowledged else []
    try:
        with zipfile.ZipFile(path) as whole:                # numpy would leave a damaged file open
            assert whole.testzip() is None
        draws, meta = fit.load(path, None)
        return [] if np.array_equal(draws.z, Standard.z) and meta["invented"] else ["kept draws differ"]
    except Exception as error:
        return [f"half-kept draws: {error!r}"]


def settle_draws(folder: Path) -> list[str]:
    status, error = save(folder)
    return ([] if status == 0 else [f"the next save fails: {error}"]) + audit_draws(folder, True)


def at_hand(*words) -> tuple[int, str]:
    """Run a command whose costly numbers are at hand."""
    with numbers(proposal):
        return command(*words)


def fitted(folder: Path) -> None:
    """Prepare: the first file recorded and fitted, the second waiting."""
    recorded(folder)
    assert at_hand("update", folder)[0] == 0
    (folder / "results" / "b.csv").write_text("\n".join([HEADER, *SECOND]) + "\n", encoding="utf-8")


def whole_draws(folder: Path) -> list[str]:
    """Return files of kept draws that are not whole."""
    wrong = []
    for path in sorted((folder / "posterior").glob("*.npz")):
        try:
            with zipfile.ZipFile(path) as whole:
                assert whole.testzip() is None
            read_origin(path)
        except Exception as error:
            wrong.append(f"half-kept draws: {path.name} {error!r}")
    return wrong


def state_of_fit(folder: Path) -> list[str]:
    with open_ledger(folder, read_only=True) as ledger:
        return fit_state(folder, read_definition(folder), ledger)


def audit_update(folder: Path, acknowledged: bool) -> list[str]:
    wrong = audit_record(1)(folder, acknowledged) + whole_draws(folder)
    return wrong + (state_of_fit(folder) if acknowledged else []) + ([] if len(list(folder.glob("posterior/*.npz"))) >= 1 else ["lost draws"])


def again(what: str, audit: Callable[[Path, bool], list[str]]) -> Callable[[Path], list[str]]:
    """Give a command again, as its people would; everything must then be there once and nothing be complained of."""

    def settle(folder: Path) -> list[str]:
        status, error = at_hand(*what.split()[:1], folder, *what.split()[1:])
        with open_ledger(folder, read_only=True) as ledger:
            named = tamper.changed_plans(folder, ledger)
        return ([] if status == 0 else [f"the next {what} fails: {error}"]) + audit(folder, True) + named + state_of_fit(folder)

    return settle


def audit_freeze(folder: Path, acknowledged: bool) -> list[str]:
    """The claim is whole and known, or not there; every report is whole."""
    wrong = audit_update(folder, acknowledged)
    with open_ledger(folder, read_only=True) as ledger:
        wrong += [p for p in tamper.changed_plans(folder, ledger) if "does not know it" not in p]
        known = [path for path in ledger.documents() if path.startswith("claims/")]
    try:
        claims = read_claims(folder)
        wrong += [f"claim {one['number']} is not what was frozen" for one in claims if claim_digest(one) != one["digest"]]
        wrong += ["a claim was frozen twice"] if len(claims) > 1 else []
    except UserError as error:
        claims, wrong = [], [*wrong, f"half a claim: {error}"]
    if acknowledged and (len(claims), known) != (1, ["claims/001.json"]):
        wrong.append(f"lost claim: {len(claims)} there, {known} known")
    for name in ("review.html", "review.json"):
        path = folder / "reports" / name
        if not path.exists():
            wrong += [f"lost {name}"] if acknowledged else []
        elif path.read_text(encoding="utf-8") != PAGE if path.suffix == ".html" else not json.loads(path.read_text(encoding="utf-8"))["window"]:
            wrong.append(f"half of {name}")
    return wrong


def audit_plan_command(folder: Path, acknowledged: bool) -> list[str]:
    return audit_record(1)(folder, acknowledged) + whole_draws(folder) + (audit_plan(1)(folder, acknowledged))


def older(folder: Path) -> None:
    """Prepare: a ledger as schema 1 left it."""
    base(folder)
    shutil.copy(DATA / "ledger_v1.sqlite", folder / "ledger.sqlite")


def audit_migration(folder: Path, acknowledged: bool) -> list[str]:
    """The older ledger, or the newer one; every entry is there in both."""
    with open_ledger(folder, read_only=True) as ledger:
        counts, wrong = ledger.counts(), tamper.verify(ledger)
        version = ledger.store.db.execute("PRAGMA main.user_version").fetchone()[0]
    if counts != {"rows": 11, "specimens": 10, "files": 2, "excluded": 1, "pending": 3}:
        wrong.append(f"lost rows: {counts}")
    return wrong + ([] if version in ((SCHEMA_VERSION,) if acknowledged else (1, SCHEMA_VERSION)) else [f"schema {version}"])


def settle_migration(folder: Path) -> list[str]:
    status, error = command("record", folder)
    return ([] if status == 0 else [f"the next record fails: {error}"]) + audit_migration(folder, True)


def check(folder: Path) -> tuple[int, str]:
    return command("check", folder, "--json")


def everything(folder: Path) -> None:
    """Prepare: recorded, fitted, planned and frozen."""
    fitted(folder)
    assert (at_hand("plan", folder)[0], at_hand("review", folder, "--freeze", "--json")[0]) == (0, 0)


def untouched(folder: Path, acknowledged: bool) -> list[str]:
    return audit_freeze(folder, True) + audit_plan(1)(folder, True)


def start(folder: Path) -> tuple[int, str]:
    return command("start", folder)


def audit_start(folder: Path, acknowledged: bool) -> list[str]:
    for path in (folder / "campaign.toml", folder / "results" / "TEMPLATE.csv"):
        if acknowledged and not path.exists():
            return [f"{path.name} is missing"]
    if (folder / "campaign.toml").exists():
        read_definition(folder)
    return []


def settle_start(folder: Path) -> list[str]:
    status, error = start(folder)
    if status != 0 and "there is already a campaign.toml" not in error:
        return [f"the next start fails: {error}"]
    return audit_start(folder, True)


SCENARIOS = {
    s.name: s
    for s in (
        Scenario("record_first", lambda f: base(f, a=FIRST, b=SECOND), lambda f: command("record", f), audit_record(0), settle_record),
        Scenario("record_completion", second_file, lambda f: command("record", f), audit_record(1), settle_record),
        Scenario("exclude", recorded, exclude, audit_exclusion, settle_exclusion),
        Scenario("plan", recorded, planner_of(1), audit_plan(1), settle_plan(1)),
        Scenario("plan_again", one_plan, planner_of(2, (1,)), audit_plan(2), settle_plan(2, (1,))),
        Scenario("draws", lambda f: f.mkdir(), save, audit_draws, settle_draws),
        Scenario("update", fitted, lambda f: at_hand("update", f), audit_update, again("update", audit_update)),
        Scenario("plan_command", fitted, lambda f: at_hand("plan", f), audit_plan_command, again("plan", audit_plan_command)),
        Scenario("review_freeze", fitted, lambda f: at_hand("review", f, "--freeze", "--json"), audit_freeze, again("review --freeze --json", audit_freeze)),
        Scenario("migrate", older, lambda f: command("record", f), audit_migration, settle_migration),
        Scenario("check", everything, check, untouched, lambda f: untouched(f, True)),
        Scenario("start", lambda f: f.mkdir(), start, audit_start, settle_start),
    )
}


def digest_of(folder: Path) -> str:
    """Return a digest of every file of a folder, for "nothing was touched"."""
    return "\n".join(f"{p.relative_to(folder)} {hashlib.sha256(p.read_bytes()).hexdigest()}" for p in sorted(folder.rglob("*")) if p.is_file())
