"""Stale and interrupted states are named by `check`, with what to do, and by the commands they matter to. All data are invented."""

from __future__ import annotations

import contextlib
import csv
import io
import json
import shutil
from datetime import UTC, datetime, timedelta

import pytest

from planner import cli
from planner.lab import store
from planner.lab.campaign import read_definition
from planner.lab.ledger import open_ledger
from planner.lab.recording import record_results
from planner.lab.specimen import Specimen
from tests.crash.at_hand import numbers
from tests.crash.commands import at_hand, fitted
from tests.crash.ground import HEADER, SECOND, command, issue, proposal, recorded


def said_by(*words):
    """Run a command with numbers at hand; returns its JSON object."""
    out = io.StringIO()
    with contextlib.redirect_stdout(out), numbers(proposal):
        assert cli.main([str(w) for w in (*words, "--json")]) == 0
    return json.loads(out.getvalue())


def warnings(folder):
    return said_by("check", folder)["warnings"]


def window_notices(folder):
    """What `window --no-update` says of the fit that it rests on."""
    return said_by("window", folder, "--no-update")["notices"]


@pytest.fixture
def folder(tmp_path):
    """First file recorded and fitted; a second one lies in results/."""
    fitted(tmp_path / "c")
    (tmp_path / "b.csv").write_bytes((tmp_path / "c" / "results" / "b.csv").read_bytes())
    (tmp_path / "c" / "results" / "b.csv").unlink()
    return tmp_path / "c"


def test_a_good_state_has_nothing_to_say(folder):
    assert warnings(folder) == []
    assert window_notices(folder) == []


def test_results_newer_than_the_fit(folder, tmp_path):
    shutil.copy(tmp_path / "b.csv", folder / "results")
    (new,) = warnings(folder)
    assert "not recorded yet" in new and "b.csv" in new
    assert "newer than the fit and not recorded" in window_notices(folder)[0]
    assert command("record", folder)[0] == 0
    (stale,) = warnings(folder)
    assert "results are newer than the fit: 1 recorded, 1 changed or completed since" in stale and f"trialwright update {folder}" in stale
    assert window_notices(folder) == [stale]
    assert command("record", folder, "--exclude", "T-001", "--why", "invented")[0] == 0
    assert "1 taken out since" in warnings(folder)[0]
    assert at_hand("update", folder)[0] == 0
    assert warnings(folder) == []


def test_a_definition_changed_after_the_fit(folder):
    path = folder / "campaign.toml"
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace("thickness_um = 200.0", "thickness_um = 300.0"), encoding="utf-8")
    (stale,) = warnings(folder)
    assert "definition was changed after the fit (in [sheet])" in stale
    status, error = command("window", folder, "--no-update")
    assert status == 2 and "in [sheet]" in error and f"trialwright update {folder}" in error
    path.write_text(text.replace("seed  = 20260301", "seed  = 1"), encoding="utf-8")
    (seed,) = warnings(folder)
    assert "seed was changed" in seed
    path.write_text(text + "# a comment changes nothing\n", encoding="utf-8")
    assert warnings(folder) == []


def test_a_damaged_fit(folder):
    (path,) = (folder / "posterior").glob("*.npz")
    path.write_bytes(path.read_bytes()[:5000])
    (said,) = warnings(folder)
    assert path.name in said and "damaged" in said
    assert at_hand("update", folder)[0] == 0
    assert warnings(folder) == []


def report(folder, rows, name="back.csv", **cells):
    """Fill in rows of plan 1 (tensile coupons) and put them into results/."""
    with open(folder / "plans" / "001" / "plan.csv", newline="", encoding="utf-8") as source:
        planned = list(csv.DictReader(source))
    with open(folder / "results" / name, "w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, list(planned[0]))
        writer.writeheader()
        writer.writerows(planned[i] | {"limit_strain [1]": "0.2", "date": "2026-03-04"} | cells for i in rows)
    assert command("record", folder)[0] == 0


def test_a_plan_that_came_back_in_part(tmp_path):
    folder = tmp_path / "c"
    recorded(folder)
    issue(folder, 1)
    assert warnings(folder) == []                       # none back yet: it is simply pending
    report(folder, [0])
    (part,) = warnings(folder)
    assert "plan 001 has come back in part: 1 of 3 trials; awaited: P1-2, P1-3" in part and "--exclude" in part
    status, error = at_hand("plan", folder)
    assert status == 0 and part in error                # the plan says so too: what is awaited is not proposed again
    assert command("record", folder, "--exclude", "P1-2", "--why", "dropped")[0] == 0
    assert "2 of 3 trials; awaited: P1-3" in warnings(folder)[0]
    report(folder, [2], "rest.csv")
    assert [w for w in warnings(folder) if "in part" in w] == []


def test_a_section_that_is_still_awaited(tmp_path):
    folder = tmp_path / "c"
    recorded(folder)
    planned = Specimen("P-1", "component", "O", "K1", 200.0, 0.1, 601.0, 3.1, "L9", section_feature="joint land")
    with open_ledger(folder) as ledger:
        ledger.register_plan(1, "x", [planned])
    row = "P-1,component,O,K1,200,0.1,601,3.1,L9,2026-03-05,,,joint land,{},{},,no,0.05,24,24,no,"
    path = folder / "results" / "p.csv"
    path.write_text("\n".join([HEADER, row.format("", "")]) + "\n", encoding="utf-8")
    assert command("record", folder)[0] == 0
    assert any("section of P-1 has not come back yet" in w for w in warnings(folder))
    path.write_text("\n".join([HEADER, row.format("no", "40")]) + "\n", encoding="utf-8")
    assert command("record", folder)[0] == 0
    assert not any("section" in w for w in warnings(folder))


def test_a_clock_that_ran_backwards(tmp_path, monkeypatch):
    folder = tmp_path / "c"
    recorded(folder)
    yesterday = (datetime.now(UTC) - timedelta(days=1)).isoformat(timespec="milliseconds")
    monkeypatch.setattr(store, "_now", lambda: yesterday)
    assert any("the clock ran backwards: an entry of the ledger was written at" in w for w in warnings(folder))
    (folder / "results" / "b.csv").write_text("\n".join([HEADER, *SECOND]) + "\n", encoding="utf-8")
    with open_ledger(folder) as ledger:
        assert any("clock" in w for w in record_results(folder, read_definition(folder), ledger).warnings)
    monkeypatch.undo()
    assert any("the clock ran backwards at entry" in w for w in warnings(folder))      # it stays on record


def test_what_a_stopped_plan_left(tmp_path):
    folder = tmp_path / "c"
    recorded(folder)
    (folder / "plans" / ".001.partial").mkdir(parents=True)
    (said,) = warnings(folder)
    assert ".001.partial" in said and "counts for nothing" in said
    issue(folder, 1)
    assert warnings(folder) == []
