"""Killed, or refused by the disk, at every write and sync in turn: nothing acknowledged is lost, nothing is half there.

The whole of it, and the thousands of random kills, is the evidence command's (tests/evidence/robustness.py); here every
scenario is killed at every site of the calls that matter most, and fails at a share of them.
"""

from __future__ import annotations

import random

import pytest

from tests.crash.controls import CONTROLS, WRITES
from tests.crash.harness import Tally, Worker, every_site, random_kills, strace_works
from tests.crash.commands import everything
from tests.crash.scenarios import SCENARIOS

WHY_NOT = strace_works()
needs_strace = pytest.mark.skipif(bool(WHY_NOT), reason=f"CRASH TESTS NOT RUN: {WHY_NOT}")
#: Whole commands with their numbers at hand take longer: here they are struck where files are put in place.
PLACING = {("update", "KILL"): ("rename", "fsync"), ("plan_command", "EIO"): ("rename", "mkdir"), ("review_freeze", "KILL"): ("rename", "mkdir"),
           ("review_freeze", "ENOSPC"): ("rename",)}
KILLS = 2
#: Fewest sites that must be found: a harness that no longer strikes proves nothing.
LEAST = {"record_first": 40, "record_completion": 25, "exclude": 15, "plan": 25, "plan_again": 25, "draws": 4, "start": 4}


@pytest.fixture(scope="module", params=["KILL", "EIO", "ENOSPC"])
def struck(request):
    with Worker(list(SCENARIOS), fault=request.param) as worker:
        yield worker


@needs_strace
@pytest.mark.parametrize("name", ["record_completion", "plan", "draws", "start"])
def test_every_write_and_sync_site(struck, name, tmp_path):
    tally = every_site(struck, name, tmp_path, calls=WRITES)
    assert tally.problems == []
    assert tally.trials[struck.fault] >= LEAST[name]


@needs_strace
@pytest.mark.parametrize("name, fault", PLACING)
def test_whole_commands_where_files_are_put_in_place(name, fault, tmp_path):
    with Worker([name], fault=fault) as worker:
        tally = every_site(worker, name, tmp_path, calls=PLACING[name, fault])
    assert tally.problems == []
    assert tally.trials[fault] >= {"update": 2, "plan_command": 5, "review_freeze": 4}[name]


@needs_strace
def test_check_says_so_when_a_folder_cannot_be_listed(tmp_path):
    with Worker(["check"], fault="EIO") as worker:
        tally = every_site(worker, "check", tmp_path, calls=("getdents64",))
        assert tally.problems == []
        assert tally.trials["EIO"] >= 4                  # results, plans, claims and posterior at least
        everything(tmp_path / "c")
        answer = worker.trial(scenario="check", folder=str(tmp_path / "c"), call="getdents64", at=1)
    assert answer["status"] == 2 and "cannot be read" in answer["text"] and "Input/output error" in answer["text"]


@needs_strace
def test_an_older_ledger_survives_being_taken_forward(tmp_path):
    with Worker(["migrate"], fault="KILL") as worker:
        tally = every_site(worker, "migrate", tmp_path, calls=("fdatasync", "fsync", "ftruncate"))
    assert tally.problems == []
    assert tally.trials["KILL"] >= 3


@needs_strace
@pytest.mark.parametrize("control", CONTROLS)
def test_a_safeguard_taken_out_is_found(control, tmp_path):
    name, fault, calls = CONTROLS[control]
    with Worker([name], fault=fault) as worker:
        assert every_site(worker, name, tmp_path, control=control, calls=calls, first_only=True).problems != []


def test_killed_at_random_moments(tmp_path):
    tally = Tally()
    with Worker(list(SCENARIOS)) as worker:
        for i, name in enumerate(SCENARIOS):
            tally.add(random_kills(worker, name, tmp_path, count=KILLS, rng=random.Random(i), timed=1))
    assert tally.problems == []
    assert tally.trials["random"] == KILLS * len(SCENARIOS)


def test_orphan_of_a_stopped_plan_is_named_and_taken_up(tmp_path):
    """The folder stands, the ledger does not know it: `check` says so, the next plan enters it under its own number."""
    from planner.acquisition import plan_file
    from planner.lab.ledger import open_ledger
    from planner.lab.tamper import changed_plans
    from tests.crash.ground import proposal, recorded, settle_plan

    folder = tmp_path / "campaign"
    recorded(folder)
    record = plan_file.plan_record(proposal(1), number=1, verdict="CONVERGED", now={"misclassification": 0.2})
    plan_file.write_plan(folder / "plans", proposal(1), record, number=1)
    (folder / "plans" / "007").mkdir()               # somebody's own folder: left alone, never a plan
    with open_ledger(folder) as ledger:
        named = changed_plans(folder, ledger)
        assert ["001" in named[0], "never issued" in named[0], "007" in named[1]] == [True] * 3
        assert plan_file.take_up_plans(ledger, folder / "plans") == [1]
        assert plan_file.take_up_plans(ledger, folder / "plans") == []
        assert [s.specimen for s in ledger.pending()] == ["P1-1", "P1-2", "P1-3"]
        assert plan_file.next_number(folder / "plans") == 8
    (folder / "plans" / "007").rmdir()
    assert settle_plan(1)(folder) == []
