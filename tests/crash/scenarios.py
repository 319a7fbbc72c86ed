"""What is interrupted: commands that write, each with the states that may be found afterwards (all data invented).

A scenario prepares a folder, runs one command in it and says what is wrong: `audit` right after it was stopped, `settle` after it ran again.
"""

from __future__ import annotations

import hashlib
import zipfile
from pathlib import Path

import numpy as np

from models import fit
from models.priors import Layout
from planner.lab.campaign import read_definition
from tests.crash.commands import (
    again,
    at_hand,
    audit_freeze,
    audit_migration,
    audit_plan_command,
    audit_update,
    check,
    everything,
    fitted,
    older,
    settle_migration,
    untouched,
)
from tests.crash.ground import (
    FIRST,
    SECOND,
    Scenario,
    audit_exclusion,
    audit_plan,
    audit_record,
    base,
    command,
    exclude,
    one_plan,
    planner_of,
    recorded,
    second_file,
    settle_exclusion,
    settle_plan,
    settle_record,
)

KEY = "invented.npz"


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
