"""Killed, or refused by the disk, at every write and sync in turn: nothing acknowledged is lost, nothing is half there.

The whole of it, and the thousands of random kills, is the evidence command's (tests/evidence/robustness.py); here every
scenario is killed at every site of the calls that matter most, and fails at a share of them.
"""

from __future__ import annotations

import random

import pytest

from tests.crash.controls import CONTROLS
from tests.crash.harness import Tally, Worker, every_site, random_kills, strace_works
from tests.crash.scenarios import SCENARIOS

WHY_NOT = strace_works()
needs_strace = pytest.mark.skipif(bool(WHY_NOT), reason=f"CRASH TESTS NOT RUN: {WHY_NOT}")
WRITES = ("write", "pwrite64", "fdatasync", "fsync", "ftruncate", "rename", "unlink", "mkdir")
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
@pytest.mark.parametrize("control", CONTROLS)
def test_a_safeguard_taken_out_is_found(control, tmp_path):
    name, fault = CONTROLS[control]
    with Worker([name], fault=fault) as worker:
        assert every_site(worker, name, tmp_path, control=control, calls=WRITES, first_only=True).problems != []


def test_killed_at_random_moments(tmp_path):
    tally = Tally()
    with Worker(list(SCENARIOS)) as worker:
        for i, name in enumerate(SCENARIOS):
            tally.add(random_kills(worker, name, tmp_path, count=3, rng=random.Random(i)))
    assert tally.problems == []
    assert tally.trials["random"] == 3 * len(SCENARIOS)


def test_orphan_of_a_stopped_plan_is_named_and_taken_up(tmp_path):
    """The folder stands, the ledger does not know it: `check` says so, the next plan enters it under its own number."""
    from planner.acquisition import plan_file
    from planner.lab.ledger import open_ledger
    from planner.lab.tamper import changed_plans
    from tests.crash.scenarios import proposal, recorded, settle_plan

    folder = tmp_path / "campaign"
    recorded(folder)
    record = plan_file.plan_record(proposal(1), number=1, verdict="CONVERGED", now={})
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
