"""Several writers at once, and writers killed at any moment."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from planner.lab.errors import UserError
from planner.lab.ledger import open_ledger
from planner.lab.store import WRITER_NOTE
from planner.lab.tamper import verify

ROOT = Path(__file__).parents[2]
WRITER = """
import sys
from pathlib import Path
from planner.lab.campaign import read_definition
from planner.lab.intake import read_results
from planner.lab.ledger import open_ledger
folder, who, files = Path(sys.argv[1]), sys.argv[2], int(sys.argv[3])
definition = read_definition(folder)
for i in range(files):
    path = folder / f"{who}{i}.csv"
    head = "specimen,specimen_type,temper,lot,forming_temperature [degC],limit_strain [1],date"
    rows = [f"{who}{i}-{j},tensile_coupon,O,K1,20,0.1,2026-03-03" for j in range(5)]
    path.write_text("\\n".join([head, *rows]) + "\\n")
    with open_ledger(folder) as ledger:
        ledger.record(read_results(path, definition))
    print(f"{who}{i}", flush=True)
"""


def start(folder, who, files):
    command = [sys.executable, "-c", WRITER, str(folder), who, str(files)]
    return subprocess.Popen(
        command, cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )


def test_two_writers_lose_nothing(folder):
    writers = [start(folder, who, 12) for who in "ab"]
    for writer in writers:
        _, errors = writer.communicate(timeout=60)
        assert writer.returncode == 0, errors
    with open_ledger(folder) as ledger:
        assert len(ledger.specimens()) == 2 * 12 * 5
        assert verify(ledger) == []


@pytest.mark.parametrize("trial", range(4))
def test_a_killed_writer_leaves_what_it_acknowledged(folder, trial):
    writer = start(folder, "k", 200)
    assert writer.stdout.readline()
    time.sleep(random.Random(trial).uniform(0.0, 0.15))
    os.kill(writer.pid, signal.SIGKILL)
    acknowledged = 1 + len(writer.communicate()[0].split())
    with open_ledger(folder) as ledger:
        held = len(ledger.specimens())
        assert held % 5 == 0  # whole files only
        assert held >= 5 * acknowledged
        assert verify(ledger) == []


def test_a_wait_is_bounded_and_names_the_holder(folder):
    with open_ledger(folder) as first, open_ledger(folder, wait_s=0.2) as second:
        with first.store.writing(), pytest.raises(UserError, match=f"process {os.getpid()}"):
            second.exclude("a", "b")
    said = []
    with open_ledger(folder) as first, open_ledger(folder, wait_s=1.4, say=said.append) as second:
        with first.store.writing(), pytest.raises(UserError, match="waited"):
            second.exclude("a", "b")
    assert len(said) == 1
    assert "at most" in said[0]
    assert not (folder / WRITER_NOTE).exists()
