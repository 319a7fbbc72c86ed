"""The ledger: append-only, whole files, completions, corrections, plans, tamper evidence."""

from __future__ import annotations

import hashlib
import os
import shutil
import sqlite3
import time

import pytest

from planner.lab.errors import UserError
from planner.lab.ledger import open_ledger
from planner.lab.recording import record_results
from planner.lab.specimen import Measured, Specimen
from planner.lab.stock import stock_on_hand
from planner.lab.tamper import changed_plans, edited_files, verify


@pytest.fixture
def ledger(folder):
    with open_ledger(folder) as one:
        yield one


@pytest.fixture
def record(folder, definition, ledger):
    def now(**options):
        return record_results(folder, definition, ledger, **options)

    return now


def numbers(outcome):
    return (outcome.recorded, outcome.completed, outcome.corrected, outcome.unchanged)


def test_recording_twice_changes_nothing(record, write, example, ledger):
    write("week1.csv", list(example.values()))
    assert numbers(record()) == (11, 0, 0, 0)
    digest, entries = ledger.data_digest(), len(ledger.history())
    assert numbers(record()) == (0, 0, 0, 11)
    write("copy.csv", list(example.values()))
    assert numbers(record()) == (0, 0, 0, 22)
    assert (ledger.data_digest(), len(ledger.history())) == (digest, entries)
    assert ledger.counts() == {"rows": 11, "specimens": 11, "files": 1, "excluded": 0, "pending": 0}


def test_a_late_section_completes_a_row(record, write, example, ledger):
    blank = {"section_feature": "", "recrystallised": "", "film_depth [um]": ""}
    write("week1.csv", [example["C-003"] | blank, example["T-001"]])
    record()
    write("week2.csv", [example["C-003"]])
    assert numbers(record()) == (0, 1, 0, 2)
    assert {s.specimen: s for s in ledger.specimens()}["C-003"].film_depth_um == Measured(72.0)
    assert [one.kind for one in ledger.history("C-003")] == ["recorded", "completed"]
    # the first file may grow later, though its own cells of C-003 are still blank
    write("week1.csv", [example["C-003"] | blank, example["T-001"], example["T-003"]])
    assert numbers(record()) == (1, 0, 0, 3)
    assert verify(ledger) == []


def test_a_changed_or_blanked_cell_needs_a_correction(record, write, example, ledger, folder, definition):
    write("week1.csv", [example["C-001"], example["T-001"]])
    record()
    write("week1.csv", [example["C-001"] | {"gap [mm]": "0.07"}, example["T-001"], example["T-003"]])
    with pytest.raises(UserError, match=r"week1.csv, row 2, column gap \[mm\].*'0.06'") as caught:
        record()
    assert "--correct --why" in str(caught.value)
    assert len(ledger.specimens()) == 2  # T-003 of the refused file is not half-recorded
    assert edited_files(folder, definition, ledger) == [
        "week1.csv was edited: gap of C-001 was 0.06, now 0.07"
    ]
    with pytest.raises(UserError, match="reason"):
        record(correct=True)
    assert numbers(record(correct=True, why="misread dial")) == (1, 0, 1, 1)
    assert ledger.history("C-001")[-1].reason == "misread dial"
    assert edited_files(folder, definition, ledger) == []
    write("week3.csv", [example["C-001"] | {"gap [mm]": ""}])
    with pytest.raises(UserError, match="blanks a cell"):
        record()


def test_an_edited_file_is_reported_only_where_it_alters_or_drops(
    record, write, example, ledger, folder, definition
):
    write("week1.csv", [example["C-001"], example["T-001"]])
    record()
    write("week1.csv", [example["C-001"] | {"note": "seen again"}, example["T-001"]])
    assert edited_files(folder, definition, ledger) == []
    path = write("week1.csv", [example["C-001"]])
    assert edited_files(folder, definition, ledger) == ["week1.csv was edited: the row of T-001 is gone"]
    path.unlink()
    assert "is not in results" in edited_files(folder, definition, ledger)[0]


def test_loads_and_lots_agree_across_files(record, write, example, ledger):
    write("week1.csv", [example["Z-001"]])
    record()
    other = example["Z-002"] | {"braze_time [min]": "4"}
    write("week2.csv", [other])
    with pytest.raises(UserError, match="week2.csv, row 2.*load L01 in week1.csv, row 2"):
        record()
    write("week2.csv", [example["T-001"] | {"lot": "free"}, example["T-003"] | {"lot": "free"}])
    with pytest.raises(UserError, match="one lot has one temper"):
        record()
    assert len(ledger.specimens()) == 1


def test_exclusions_are_entries_with_a_reason(record, write, example, ledger):
    write("week1.csv", [example["C-001"], example["T-001"]])
    record()
    before = ledger.data_digest()
    with pytest.raises(UserError, match="reason"):
        ledger.exclude("T-001", "")
    with pytest.raises(UserError, match="did you mean T-001"):
        ledger.exclude("T-01", "slipped")
    ledger.exclude("T-001", "slipped in the grips")
    assert [one.specimen for one in ledger.specimens()] == ["C-001"]
    assert ledger.excluded() == {"T-001": "slipped in the grips"}
    assert ledger.data_digest() != before
    ledger.include("T-001", "grips were fine")
    assert ledger.data_digest() == before
    assert [one.kind for one in ledger.history("T-001")] == ["recorded", "excluded", "included"]


def planned(name, lot="K1"):
    return Specimen(name, "component", "O", lot, 20.0, 0.1, 601.0, 3.0, "L77")


def test_plans_and_pending(record, write, example, ledger, folder, definition):
    rows = [planned("P1"), planned("P2"), planned("P3", "K3")]
    plan = folder / "plans" / "001" / "plan.csv"
    plan.parent.mkdir(parents=True)
    plan.write_text("invented")
    ledger.register_plan(1, hashlib.sha256(b"invented").hexdigest(), rows)
    ledger.register_plan(1, hashlib.sha256(b"invented").hexdigest(), rows)
    with pytest.raises(UserError, match="plan 001"):
        ledger.register_plan(1, "other", rows)
    assert ledger.pending() == rows
    write("week1.csv", [example["C-001"] | {"specimen": "P1", "furnace_load": "L77"},
                        example["C-001"] | {"specimen": "P2", "cracked": "", "gap [mm]": "",
                                            "joints_inspected": "", "joints_sound": "", "leaked": "",
                                            "date": ""}])  # fmt: skip
    record()
    assert [one.specimen for one in ledger.pending()] == ["P2", "P3"]
    ledger.exclude("P3", "plate was lost")
    assert [one.specimen for one in ledger.pending()] == ["P2"]
    ledger.register_plan(2, "b", [planned("P9")], supersedes=[1])
    assert [one.specimen for one in ledger.pending()] == ["P9"]
    assert changed_plans(folder, ledger) == ["plan 002 was issued and its plan.csv is gone"]
    plan.write_text("tampered")
    assert "plan 001 was changed" in changed_plans(folder, ledger)[0]
    assert verify(ledger) == []


def test_stock_on_hand_by_the_contracts_words(definition):
    used = Specimen("a", "component", "O", "K1", date="2026-03-03", cracked=False)
    on_the_day = Specimen("b", "component", "O", "K1", date="2026-03-02", cracked=False)
    uncounted = Specimen("c", "component", "H24", "K2", date="2026-03-09", cracked=False)
    stock = stock_on_hand(definition, [used, on_the_day, uncounted], [planned("p"), planned("q", "K3")])
    # K1: 80 - 2 (later than the count) - 2 pending; K2 says what is there now; K3: 40 - 2 pending
    assert stock == {"K1": 76, "K2": 80, "K3": 38}
    with pytest.raises(UserError, match="has no date"):
        stock_on_hand(definition, [Specimen("d", "component", "O", "K1", cracked=True)], [])
    many = [planned(f"p{i}") for i in range(50)]
    assert stock_on_hand(definition, [], many)["K1"] == 0


def test_nothing_can_be_overwritten(record, write, example, ledger):
    write("week1.csv", [example["C-001"]])
    record()
    for statement in ("UPDATE revisions SET cells = '{}'", "DELETE FROM files"):
        with pytest.raises(sqlite3.IntegrityError, match="append-only"):
            ledger.store.db.execute(statement)


TAMPERINGS = {
    "altered": ("UPDATE revisions SET cells = replace(cells, '0.06', '0.01')", "altered"),
    "removed": ("DELETE FROM revisions WHERE sequence = 3", "removed"),
    "last removed": ("DELETE FROM revisions WHERE sequence = 4", "ends at entry 3"),
    "file altered": ("UPDATE files SET digest = 'x'", "file week1.csv"),
    "reordered": (
        "UPDATE revisions SET sequence = 99 WHERE sequence = 2;"
        "UPDATE revisions SET sequence = 2 WHERE sequence = 3;"
        "UPDATE revisions SET sequence = 3 WHERE sequence = 99",
        "does not follow",
    ),
}


@pytest.mark.parametrize("case", TAMPERINGS, ids=list(TAMPERINGS))
def test_tampering_is_found(case, record, write, example, ledger):
    statement, words = TAMPERINGS[case]
    write("week1.csv", [example["C-001"], example["T-001"], example["T-003"]])
    record()
    assert verify(ledger) == []
    ledger.store.db.executescript(
        "DROP TRIGGER revisions_update; DROP TRIGGER revisions_delete; DROP TRIGGER files_update;"
        + statement
    )
    assert any(words in problem for problem in verify(ledger))


def test_reading_makes_no_file_and_refuses_to_write(folder):
    with open_ledger(folder, read_only=True) as ledger:
        assert ledger.specimens() == []
        with pytest.raises(UserError, match="reading only"):
            ledger.exclude("a", "b")
    assert not (folder / "ledger.sqlite").exists()


def test_disk_errors_are_messages(folder, record, write, example, ledger, monkeypatch):
    write("week1.csv", [example["C-001"]])
    ledger.store.db.execute("PRAGMA max_page_count = 1")
    write("big.csv", [example["T-001"] | {"specimen": f"T{i}", "note": "n" * 400} for i in range(200)])
    with pytest.raises(UserError, match="full"):
        record(files=["big.csv"])
    assert ledger.specimens() == []
    with pytest.raises(UserError, match="trialwright start"):
        open_ledger(folder / "nowhere")
    (folder / "other").mkdir()
    (folder / "other" / "ledger.sqlite").write_bytes(b"no database at all, but long enough" * 40)
    with pytest.raises(UserError, match="not a database"):
        open_ledger(folder / "other")


@pytest.mark.skipif(os.geteuid() == 0, reason="the superuser may write anywhere")
def test_a_read_only_folder_is_a_message(folder):
    folder.chmod(0o500)
    try:
        with pytest.raises(UserError, match="permissions|written"):
            open_ledger(folder)
    finally:
        folder.chmod(0o700)


def test_a_newer_ledger_is_not_misread(folder):
    open_ledger(folder).close()
    with sqlite3.connect(folder / "ledger.sqlite") as db:
        db.execute("PRAGMA user_version = 99")
    db.close()
    with pytest.raises(UserError, match="schema 99"):
        open_ledger(folder)


def test_a_thousand_rows_record_within_a_second(record, write, example):
    rows = [example["C-001"] | {"specimen": f"C-{i:04d}"} for i in range(1000)]
    write("big.csv", rows)
    start = time.perf_counter()
    assert record().recorded == 1000
    assert time.perf_counter() - start <= 1.0


def test_an_edit_back_to_an_earlier_value_is_an_edit(record, write, example, folder, definition, ledger):
    """A colleague saves an old copy of the file over the corrected one: not taken for something known."""
    first, second = example["C-001"], example["C-001"] | {"gap [mm]": "0.07"}
    write("week1.csv", [first])
    record()
    old = (folder / "results" / "week1.csv").read_bytes()
    write("week1.csv", [second])
    record(correct=True, why="dial read again")
    write("week1.csv", [first, example["T-001"]])
    with pytest.raises(UserError, match=r"week1.csv, row 2, column gap \[mm\].*'0.07'"):
        record()
    assert edited_files(folder, definition, ledger) == ["week1.csv was edited: gap of C-001 was 0.07, now 0.06"]
    (folder / "results" / "week1.csv").write_bytes(old)                    # byte for byte what was recorded first
    with pytest.raises(UserError, match="changes a cell recorded as '0.07'"):
        record()
    assert numbers(record(correct=True, why="the first reading was right")) == (0, 0, 1, 0)
    assert ledger.specimens()[0].gap_mm == Measured(0.06) and edited_files(folder, definition, ledger) == []
    assert numbers(record()) == (0, 0, 0, 1)
    shutil.copy(folder / "results" / "week1.csv", folder / "results" / "copy.csv")      # a copy under another name says nothing new
    assert numbers(record()) == (0, 0, 0, 2)


def test_each_file_is_told_once_it_is_on_disk(record, write, example, folder):
    """Also where a later one is refused: what was recorded, and what was odd about it, is not lost with the refusal."""
    write("a.csv", [example["C-001"] | {"gap [mm]": "7"}])
    write("b.csv", [example["T-001"] | {"temper": "O9"}])
    told = []
    with pytest.raises(UserError, match="b.csv"):
        record(tell=told.append)
    assert told[0] == "a.csv: 1 recorded" and told[1].startswith("! a.csv, row 2: gap above 5 mm is unusual") and len(told) == 2


def test_rows_in_the_template_are_not_passed_over_in_silence(record, folder, write, example):
    header = (folder / "results" / "TEMPLATE.csv")
    write("TEMPLATE.csv", [])
    assert record().warnings == ()
    write("TEMPLATE.csv", [example["T-001"]])
    told = []
    outcome = record(tell=told.append)
    assert outcome.recorded == 0 and "TEMPLATE.csv: not read, and rows stand in it" in outcome.warnings[0] and told == [f"! {outcome.warnings[0]}"]
    header.write_text(header.read_text().splitlines()[0] + "\n,,,\n;;\n")
    assert record().warnings == ()


def test_a_file_from_elsewhere_is_asked_for(record, write, example, folder, tmp_path_factory):
    path = tmp_path_factory.mktemp("stick") / "week7.csv"
    write("week7.csv", [example["T-001"]]).rename(path)
    assert "read from outside results/" in record(files=[path]).warnings[-1]


def test_a_file_of_results_named_by_another_path_is_from_there(folder, definition, write, example, monkeypatch):
    """From inside results/, with the campaign as `..`."""
    write("week7.csv", [example["T-001"]])
    monkeypatch.chdir(folder / "results")
    with open_ledger("..") as ledger:
        assert record_results("..", definition, ledger, files=["week7.csv"]).warnings == ()


def test_only_a_spreadsheets_own_temporary_files_are_passed_over(record, write, example):
    write("~old.csv", [example["T-001"]])
    write("~$old.csv", [example["T-003"]])
    assert numbers(record()) == (1, 0, 0, 0)


def test_names_with_control_characters_are_shown_harmless(record, folder):
    (folder / "results" / "ev\x1b[2Jil.txt").write_text("x")
    assert record().warnings == ("ev\\u001b[2Jil.txt: not read; results are .csv or .xlsx files",)
