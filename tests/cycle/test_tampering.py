"""`check` says which record was altered behind the program's back. All data are invented."""

from __future__ import annotations

import contextlib
import io
import json
import shutil
import sqlite3

import pytest

from planner import cli
from planner.acquisition import plan_file
from planner.lab.ledger import open_ledger
from tests.crash.commands import everything
from tests.crash.ground import proposal


@pytest.fixture(scope="module")
def good(tmp_path_factory):
    """Recorded, fitted, planned and frozen; the plan carries one more file, as its page would be."""
    folder = tmp_path_factory.mktemp("tampering") / "c"
    everything(folder)
    plan = proposal(2, who="Q")
    record = plan_file.plan_record(plan, number=2, verdict="CONVERGED", now={"misclassification": 0.2}, more={"supersedes": [1]})
    with open_ledger(folder) as ledger:
        plan_file.issue_plan(ledger, folder / "plans", plan, record, number=2, supersedes=[1],
                             pages={"plan.html": b"<!doctype html>an invented page"})
    return folder


@pytest.fixture
def folder(good, tmp_path):
    return shutil.copytree(good, tmp_path / "c")


def warnings(folder):
    out = io.StringIO()
    with contextlib.redirect_stdout(out):
        assert cli.main(["check", str(folder), "--json"]) == 0
    return json.loads(out.getvalue())["warnings"]


def test_a_good_record_has_nothing_to_say(folder):
    assert warnings(folder) == []


ENTRIES = {
    "row altered": ("UPDATE revisions SET cells = replace(cells, '0.19', '0.29') WHERE specimen = 'T-001'", "(recorded T-001) was altered"),
    "reason altered": ("UPDATE revisions SET reason = 'another' WHERE specimen = 'C-003' AND kind = 'completed'", "(completed C-003) was altered"),
    "time altered": ("UPDATE revisions SET at = '2020-01-01' WHERE specimen = 'T-002'", "(recorded T-002) was altered"),
    "row removed": ("DELETE FROM revisions WHERE specimen = 'T-002'", "entries 3 to 3 of the ledger were removed"),
    "last entries removed": ("DELETE FROM documents", "the ledger ends at entry"),
    "rows reordered": ("UPDATE revisions SET sequence = 99 WHERE sequence = 3; UPDATE revisions SET sequence = 3 WHERE sequence = 4;"
                       "UPDATE revisions SET sequence = 4 WHERE sequence = 99", "entry 3 (recorded T-003) does not follow the one before it"),
    "row slipped in": ("INSERT INTO revisions SELECT 12345, 'T-999', kind, submitted, cells, reason, file, row, at, previous, chain FROM revisions LIMIT 1",
                       "were removed"),
    "file entry altered": ("UPDATE files SET digest = 'x' WHERE name = 'a.csv'", "(file a.csv) was altered"),
    "plan entry altered": ("UPDATE plans SET supersedes = '[2]' WHERE number = 1", "(plan 1) was altered"),
    "digest of an issued file altered": ("UPDATE documents SET digest = 'x' WHERE path = 'claims/001.json'", "(issued file claims/001.json) was altered"),
    "head altered": ("UPDATE head SET sequence = 3", "the ledger ends at entry"),
}  # fmt: skip


@pytest.mark.parametrize("case", ENTRIES, ids=list(ENTRIES))
def test_an_entry_changed_behind_our_back_is_named(case, folder):
    statements, words = ENTRIES[case]
    db = sqlite3.connect(folder / "ledger.sqlite")
    for (name,) in db.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
        db.execute(f"DROP TRIGGER {name}")
    db.executescript(statements)
    db.close()
    assert any(words in w for w in warnings(folder)), warnings(folder)


@pytest.mark.parametrize(("table", "statement"), [
    ("T-001", """UPDATE revisions SET cells = replace(cells, '"limit_strain": "0.19"', '"limit_strain": "0,19"') WHERE specimen = 'T-001'"""),
    ("T-001", "UPDATE revisions SET cells = '{not json' WHERE specimen = 'T-001'"),
    ("plan 001", """UPDATE plans SET rows = '[{"specimen": 3' WHERE number = 1"""),
    ("T-001", "UPDATE revisions SET cells = '[]', submitted = '[]' WHERE specimen = 'T-001'")])
def test_an_altered_entry_that_no_longer_reads_is_one_message(table, statement, folder, capsys):
    db = sqlite3.connect(folder / "ledger.sqlite")
    for (name,) in db.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
        db.execute(f"DROP TRIGGER {name}")
    changed = db.execute(statement).rowcount
    db.commit()
    db.close()
    assert changed >= 1
    for command in ("check", "update"):
        assert cli.main([command, str(folder)]) == 2
        said = capsys.readouterr().err
        assert "can no longer be read" in said and "restore ledger.sqlite from a backup" in said and table in said
        assert command != "check" or "was altered after it was written" in said


def edit(name, old, new):
    def change(folder):
        path = folder / name
        text = path.read_text(encoding="utf-8")
        assert old in text
        path.write_text(text.replace(old, new, 1), encoding="utf-8")

    return change


def remove(name):
    return lambda folder: (folder / name).unlink()


def drop_row(folder):
    path = folder / "results" / "a.csv"
    lines = path.read_text(encoding="utf-8").splitlines()
    path.write_text("\n".join(line for line in lines if not line.startswith("B-001")) + "\n", encoding="utf-8")


FILES = {
    "result cell edited": (edit("results/a.csv", ",0.19,", ",0.29,"), "a.csv was edited: limit_strain of T-001 was 0.19, now 0.29"),
    "result row dropped": (drop_row, "a.csv was edited: the row of B-001 is gone"),
    "result file no longer reads": (edit("results/b.csv", "specimen", "spezimen"), "b.csv was edited and no longer reads"),
    "result file gone": (remove("results/b.csv"), "b.csv was recorded and is not in results/"),
    "plan.csv": (edit("plans/002/plan.csv", "tensile_coupon", "bend_coupon"), "plan 002 was changed after it was issued: its plan.csv says something else now"),
    "plan.json": (edit("plans/001/plan.json", '"gain": 0.03', '"gain": 0.3'), "plan 001 was changed after it was issued: its plan.json says something else now"),
    "plan.html": (edit("plans/002/plan.html", "invented", "edited"), "plan 002 was changed after it was issued: its plan.html says something else now"),
    "plan.csv gone": (remove("plans/001/plan.csv"), "plan 001 was issued and its plan.csv is gone"),
    "plan.json gone": (remove("plans/002/plan.json"), "plan 002 was issued and its plan.json is gone"),
    "claim edited": (edit("claims/001.json", '"joint_probability": 0.96', '"joint_probability": 0.99'), "claims/001.json was changed after it was frozen"),
    "claim gone": (remove("claims/001.json"), "claims/001.json was changed after it was frozen: it is gone"),
    "claim slipped in": (lambda f: shutil.copy(f / "claims/001.json", f / "claims/002.json"), "claims/002.json stands there and the ledger does not know it"),
    "plan slipped in": (lambda f: shutil.copytree(f / "plans/002", f / "plans/007"), "plans/007 stands there and was never issued"),
    "ledger cut short": (lambda f: cut(f / "ledger.sqlite"), "damaged"),
}


def cut(path):
    data = path.read_bytes()
    path.write_bytes(data[: len(data) - 4096])


@pytest.mark.parametrize("case", FILES, ids=list(FILES))
def test_a_file_changed_behind_our_back_is_named(case, folder, capsys):
    change, words = FILES[case]
    change(folder)
    if case == "ledger cut short":                       # nothing can be read from it: one message
        assert cli.main(["check", str(folder), "--json"]) == 2
        assert words in capsys.readouterr().err
        return
    said = [w for w in warnings(folder) if words in w]
    assert len(said) == 1, warnings(folder)


def test_files_that_nobody_issued_are_nobodys_business(folder):
    (folder / "plans" / "002" / "my notes.txt").write_text("mine")
    (folder / "plans" / "sketches").mkdir()
    assert warnings(folder) == []
