"""Whole commands with their costly numbers at hand: how their folders are prepared, and which states may be found afterwards."""

from __future__ import annotations

import json
import shutil
import zipfile
from collections.abc import Callable
from pathlib import Path

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
from tests.crash.ground import DATA, HEADER, SECOND, audit_plan, audit_record, base, command, proposal, recorded


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
