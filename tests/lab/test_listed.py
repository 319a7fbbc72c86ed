"""Bad input, one test an item: refused with the reason and the place, or, where it is merely unusual, kept with a warning that names its row.

What would exhaust the memory is tested in one bounded process in tests/fuzz/test_bounds.py. All data are invented.
"""

from __future__ import annotations

import datetime
import json
import os

import pytest

from planner import cli
from planner.lab.campaign import read_definition
from planner.lab.errors import UserError
from planner.lab.intake import read_results
from planner.lab.ledger import open_ledger
from planner.lab.recording import record_results
from planner.lab.specimen import Measured

TOMORROW = (datetime.date.today() + datetime.timedelta(days=1)).isoformat()
LATER = (datetime.date.today() + datetime.timedelta(days=3)).isoformat()

REFUSED_CELLS = {
    "NaN": ("film_depth [um]", "NaN", "number"),
    "inf": ("gap [mm]", "inf", "number"),
    "minus inf": ("strain [1]", "-inf", "number"),
    "overflow": ("braze_time [min]", "1e999", "number"),
    "=cmd": ("gap [mm]", "=cmd|' /C calc'!A0", "number"),
    "=cmd in a label": ("lot", "=cmd|' /C calc'!A0", "formula"),
    "@ in a note": ("note", "@SUM(A1)", "formula"),
    "date in the future": ("date", LATER, "tomorrow"),
    "no such day": ("date", "2026-02-30", "date"),
    "percent for strain": ("strain [1]", "12", "percent"),
    "percent sign": ("strain [1]", "12 %", "number"),
    "decimal comma in a comma file": ("gap [mm]", "0,06", "comma"),
    "control character": ("lot", "K\x071", "control"),
    "direction mark": ("specimen", "C\u202e001", "control"),
    "zero film": ("film_depth [um]", "0", "<"),
}


@pytest.mark.parametrize("case", REFUSED_CELLS, ids=list(REFUSED_CELLS))
def test_a_cell_is_refused_with_its_row_and_column(case, folder, definition, write, example):
    column, text, words = REFUSED_CELLS[case]
    path = write("week.csv", [example["T-001"], example["C-003"] | {column: text}])
    with open_ledger(folder) as ledger:
        with pytest.raises(UserError) as refused:
            record_results(folder, definition, ledger)
        assert ledger.counts()["rows"] == 0 and ledger.files() == []      # the good row is not half-recorded
    said = str(refused.value)
    assert "row 3" in said and column.split(" [")[0] in said, said
    assert words in said.lower(), said
    assert path.exists()


def whole_file(name, data, words):
    return pytest.param(name, data, words, id=words)


@pytest.mark.parametrize("name, data, words", [
    whole_file("a.csv", "specimen,lot\nC-1,K1\n".encode("utf-16"), "UTF-16"),
    whole_file("a.csv", "specimen,lot\nC-1,K1\n".encode("utf-16-be"), "NUL"),
    whole_file("a.csv", b"a," * 1_000_000 + b"\n", "columns"),
    whole_file("a.csv", b"specimen,note\nC-1," + b"a" * 29_000_000, "field limit"),
    whole_file("a.csv", b"specimen,note\nC-1," + b"a" * 31_000_000, "too large"),
    whole_file("a\x07b.csv", b"specimen\n", "control characters"),
    whole_file("a\nb.csv", b"specimen\n", "control characters"),
    whole_file("a\u202eb.csv", b"specimen\n", "control characters"),
])  # fmt: skip
def test_a_file_is_refused_whole(name, data, words, folder, capsys):
    (folder / "results" / name).write_bytes(data)
    assert cli.main(["record", str(folder)]) == 2
    out, error = capsys.readouterr()
    assert words in error and out == ""
    assert "\x07" not in error and "\u202e" not in error


@pytest.mark.parametrize("make, words", [
    (lambda path, out: path.symlink_to(out), "link out of its folder"),
    (lambda path, out: path.symlink_to("/dev/zero"), "link out of its folder"),
    (lambda path, out: os.mkfifo(path), "not an ordinary file"),
    (lambda path, out: path.mkdir(), "not an ordinary file"),
    (lambda path, out: path.symlink_to(path), "cannot be read|symbolic links"),
], ids=["link out", "device behind a link", "pipe", "folder", "link to itself"])  # fmt: skip
@pytest.mark.parametrize("command", ["record", "check"])
def test_what_is_no_file_of_the_folder_is_refused(make, words, command, folder, tmp_path_factory, capsys):
    outside = tmp_path_factory.mktemp("outside") / "a.csv"
    outside.write_text("specimen\n")
    make(folder / "results" / "week.csv", outside)
    assert cli.main([command, str(folder)]) == 2
    error = capsys.readouterr().err
    assert "week.csv" in error and any(w in error for w in words.split("|")), error


def test_a_device_named_on_the_command_line_is_refused(folder, capsys):
    os.symlink("/dev/zero", folder / "zero.csv")
    assert cli.main(["record", str(folder), str(folder / "zero.csv")]) == 2
    assert "not an ordinary file" in capsys.readouterr().err


def test_a_definition_that_is_a_device_or_deep_is_refused(folder, capsys):
    definition = folder / "campaign.toml"
    text = definition.read_bytes()
    for data, words in ((b"a = " + b"[\n" * 30000 + b"]\n" * 30000, "deep"), (text.decode().encode("utf-16"), "UTF-8"), (b"a = " + b"9" * 9000, "campaign.toml")):
        definition.write_bytes(data)
        assert cli.main(["check", str(folder)]) == 2
        assert words in capsys.readouterr().err
    definition.write_bytes(b"\xef\xbb\xbf" + text)
    assert read_definition(folder).campaign.seed > 0
    definition.unlink()
    definition.symlink_to("/dev/zero")
    assert cli.main(["check", str(folder)]) == 2
    assert "ordinary" in capsys.readouterr().err


UNUSUAL = {
    "outside a factor range": ("C-001", {"forming_temperature [degC]": "300"}, "20 to 280 degC"),
    "not in gives": ("B-001", {"limit_strain [1]": "0.05"}, "not in `gives`"),
    "below the gauge": ("B-001", {"springback_angle [deg]": "0.3"}, "<0.5"),
    "date of tomorrow": ("T-001", {"date": TOMORROW}, None),
}


@pytest.mark.parametrize("case", UNUSUAL, ids=list(UNUSUAL))
def test_the_merely_unusual_is_kept_with_a_warning_that_names_its_row(case, folder, definition, write, example):
    label, changes, words = UNUSUAL[case]
    write("week.csv", [example["Z-001"], example[label] | changes])
    with open_ledger(folder) as ledger:
        outcome = record_results(folder, definition, ledger)
        assert outcome.recorded == 2
        kept = {s.specimen for s in ledger.specimens()}
    assert label in kept
    if words is not None:
        assert any(words in w and "row 3" in w for w in outcome.warnings), outcome.warnings


def test_semicolons_decimal_commas_and_a_byte_order_mark_are_read(folder, capsys):
    text = "specimen;specimen_type;temper;lot;forming_temperature [degC];limit_strain [1];date\nT-9;tensile_coupon;O;K1;20,5;>0,19;2026-03-02\n"
    (folder / "results" / "german.csv").write_bytes(b"\xef\xbb\xbf" + text.encode())
    assert cli.main(["record", str(folder), "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["recorded"] == 1
    with open_ledger(folder) as ledger:
        (one,) = ledger.specimens()
    assert (one.forming_temperature_degC, one.limit_strain) == (20.5, Measured(0.19, 1))


def test_nothing_is_dropped_in_silence(folder, capsys):
    """Blank rows are no rows; everything else of the folder is recorded or named."""
    header = "specimen,specimen_type,temper,lot,forming_temperature [degC],limit_strain [1],date"
    (folder / "results" / "a.csv").write_text(f"{header}\n,,,,,,\nT-9,tensile_coupon,O,K1,20,0.2,2026-03-03\n")
    (folder / "results" / "notes.txt").write_text("x")
    (folder / "results" / "empty.csv").write_text("specimen,specimen_type,temper,lot\n")
    assert cli.main(["record", str(folder), "--json"]) == 0
    said = json.loads(capsys.readouterr().out)
    assert said["recorded"] == 1
    assert any("notes.txt" in w for w in said["warnings"]) and any("empty.csv" in w and "header only" in w for w in said["warnings"])


def test_own_list_and_conditions_go_through_the_same_gate(folder, definition):
    path = folder / "list.csv"
    path.write_bytes("specimen,lot\n".encode("utf-16"))
    with pytest.raises(UserError, match="UTF-16"):
        read_results(path, definition)
