"""Commands given on a definition that was edited behind recorded rows, or given wrongly: one message, exit status 2, the way out. All data are invented."""

from __future__ import annotations

import contextlib
import io
import json

import pytest

from planner import cli
from planner.cycle import open_campaign
from planner.lab.errors import UserError
from planner.lab.ledger import open_ledger
from planner.lab.specimen import Specimen
from tests.crash.commands import at_hand
from tests.crash.ground import HEADER, command, recorded

RENAMED = ('name = "joint land"', 'name = "joint flat"')
NO_BENDS = ('[specimens.bend_coupon]\ncost = 25.0\nhours = 0.4\ngives = ["springback_angle"]\nbend_radius_mm = 2.5\nbend_angle_deg = 90.0\n', "")
SECTIONED = "C-9,component,O,K1,250,0.10,601,3.1,L01,2026-03-04,,,joint land,no,40,,no,0.06,24,24,no,"
EVERY = [("update",), ("window",), ("plan",), ("budget", "--weeks", "1"), ("review",), ("rehearse", "--weeks", "1", "--repeats", "1"), ("record",),
         ("check", "--deep")]  # fmt: skip


def edit(folder, before, after):
    path = folder / "campaign.toml"
    text = path.read_text(encoding="utf-8")
    assert before in text
    path.write_text(text.replace(before, after), encoding="utf-8")


def warnings(folder):
    out = io.StringIO()
    with contextlib.redirect_stdout(out):
        assert cli.main(["check", str(folder), "--json"]) == 0
    return json.loads(out.getvalue())["warnings"]


@pytest.fixture
def folder(tmp_path):
    """Rows recorded, one of them with a section at a feature, and two trials awaited."""
    folder = tmp_path / "c"
    recorded(folder)
    (folder / "results" / "s.csv").write_text(f"{HEADER}\n{SECTIONED}\n", encoding="utf-8")
    with open_ledger(folder) as ledger:
        ledger.register_plan(1, "x", [Specimen("P-1", "bend_coupon", "O", "K1", 20.0), Specimen("P-2", "tensile_coupon", "O", "K1", 20.0)])
    assert command("record", folder)[0] == 0
    return folder


@pytest.mark.parametrize("change, words, specimen", [(RENAMED, "key component.features", "C-9"), (NO_BENDS, "key specimens", "P-1")],
                         ids=["recorded", "awaited"])  # fmt: skip
def test_no_command_works_on_rows_that_the_definition_outgrew(folder, change, words, specimen):
    edit(folder, *change)
    for name, *options in EVERY:
        status, error = at_hand(name, folder, *options)
        assert (status, words in error, specimen in error, error.count("next:")) == (2, True, True, 1), (name, error)
    (said,) = [w for w in warnings(folder) if "no longer fits the definition" in w]
    assert words in said and specimen in said and "--exclude ID" in said and "\n" not in said
    assert command("record", folder, "--exclude", specimen, "--why", "invented")[0] == 0
    assert not [w for w in warnings(folder) if "no longer" in w]
    assert at_hand("update", folder)[0] == 0


def test_a_good_campaign_is_not_held_up(folder):
    assert at_hand("update", folder)[0] == 0
    assert not [w for w in warnings(folder) if "no longer" in w]


@pytest.mark.parametrize("options, words", [
    (["--exclude", "", "--why", "c"], "--exclude: no specimen is named"), (["--include", " ", "--why", "c"], "--include: no specimen is named"),
    (["--exclude", "", "--include", "T-001", "--why", "c"], "cannot go together"), (["--why", "x"], "--why: a reason is given"),
    (["a.csv", "--why", "x"], "--correct, --exclude ID or --include ID")])  # fmt: skip
def test_record_does_nothing_on_half_a_wish(folder, options, words):
    (folder / "results" / "new.csv").write_text(f"{HEADER}\n{SECTIONED.replace('C-9', 'C-10')}\n", encoding="utf-8")
    status, error = command("record", folder, *options)
    assert status == 2 and words in error
    with open_ledger(folder, read_only=True) as ledger:
        assert len(ledger.files()) == 2 and ledger.excluded() == {}


@pytest.mark.parametrize("name, meant", [("plan", "plan"), ("record", "record"), ("start", "check")])
def test_the_definitions_path_is_not_the_folder(folder, name, meant):
    status, error = command(name, folder / "campaign.toml")
    assert status == 2 and f"next: give the folder: trialwright {meant} {folder}\n" in error and "start" not in error
    status, error = command(name, folder / "results" / "s.csv")
    assert status == 2 and "this is a file, not a campaign folder" in error


def test_a_definition_that_is_no_file_says_what_to_do(tmp_path):
    (tmp_path / "campaign.toml").mkdir()
    with pytest.raises(UserError, match=r"is not an ordinary file(.|\n)*next: move it away"):
        open_campaign(tmp_path)
