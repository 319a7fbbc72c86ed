"""A plan's workbook: what is locked, what may be chosen, no formula from anybody's text, and back through `record`. All invented."""

import io
import json
import re
import subprocess
import sys
import zipfile
from dataclasses import replace
from pathlib import Path
from xml.sax.saxutils import escape

import pytest

from planner.acquisition.plan_file import HEADER, plan_csv, write_plan
from planner.lab.intake import read_results
from planner.lab.specimen import COLUMN_BY_NAME
from planner.report.pages.sheet_fields import measured_of
from planner.report.plan_workbook import plan_workbook

ROOT = Path(__file__).resolve().parents[2]
SHEET, STYLES = "xl/worksheets/sheet1.xml", "xl/styles.xml"
VALUES = {"limit_strain": 0.21, "springback_angle": ">4.5", "recrystallised": "partly", "film_depth": "<5", "clad_left": 17.5, "cracked": "no", "gap": 0.08,
          "joints_inspected": 24, "joints_sound": 23, "leaked": "no", "date": "2026-03-02", "note": "read twice"}  # fmt: skip


def part(data, name):
    with zipfile.ZipFile(io.BytesIO(data)) as book:
        return book.read(name).decode()


def cells(data):
    """Style and content of every cell, by reference."""
    pattern = r'<c r="([A-Z]+\d+)" s="(\d+)"(?: t="(\w+)")?(?:/>|>(.*?)</c>)'
    return {ref: (int(style), kind, inner) for ref, style, kind, inner in re.findall(pattern, part(data, SHEET))}


def letter(j):
    return (chr(64 + j // 26) if j >= 26 else "") + chr(65 + j % 26)


def reference(i, name):
    """Where the cell of a column stands in row i (0: the first trial)."""
    return f"{letter(HEADER.index(COLUMN_BY_NAME[name].header))}{i + 2}"


def filled(data, values):
    """Fill cells as a spreadsheet would save them, without a library: {reference: value}."""
    text = part(data, SHEET)
    for ref, value in values.items():
        inner = f'<v>{value}</v>' if isinstance(value, (int, float)) else f'<is><t>{escape(value)}</t></is>'
        kind = "" if isinstance(value, (int, float)) else ' t="inlineStr"'
        text, n = re.subn(rf'<c r="{ref}" s="(\d+)"/>', lambda m: f'<c r="{ref}" s="{m.group(1)}"{kind}>{inner}</c>', text)
        assert n == 1, ref
    held = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(data)) as old, zipfile.ZipFile(held, "w", zipfile.ZIP_DEFLATED) as new:
        for name in old.namelist():
            new.writestr(name, text if name == SHEET else old.read(name))
    return held.getvalue()


@pytest.fixture(scope="module")
def book(pages):
    return pages["plan.xlsx"]


def test_planned_cells_are_locked_and_measured_ones_open(book, record, hostile):
    text, found = part(book, SHEET), cells(book)
    assert "<sheetProtection sheet=\"1\"" in text
    unlocked = {n for n, xf in enumerate(re.findall(r"<xf (?:[^>]*/>|[^>]*>.*?</xf>)", part(book, STYLES).partition("<cellXfs")[2])) if 'locked="0"' in xf}
    for i, trial in enumerate(record["trials"]):
        open_names = {*measured_of(trial, hostile), "date", "note"}
        for name in COLUMN_BY_NAME:
            if COLUMN_BY_NAME[name].header not in HEADER:
                continue
            assert (found[reference(i, name)][0] in unlocked) == (name in open_names), (trial["specimen"], name)
    assert all(found[f"{letter(j)}1"][0] not in unlocked for j in range(len(HEADER)))


def test_open_cells_say_what_they_may_hold(book, record, hostile):
    checks = re.findall(r"<dataValidation .*?</dataValidation>", part(book, SHEET))
    at = {re.search(r'sqref="(\w+)"', c).group(1): c for c in checks}
    for i, trial in enumerate(record["trials"]):
        for name in {*measured_of(trial, hostile), "date", "note"}:
            check = at[reference(i, name)]
            kind = COLUMN_BY_NAME[name].kind
            assert f'type="{ {"flag": "list", "date": "date", "count": "whole", "measured": "custom", "text": "textLength"}[kind] }"' in check
            if name == "recrystallised":
                assert "yes,no,partly" in check and "yes or no or partly, or blank" in check


def test_what_was_really_reached_has_cells_of_its_own(book, record, hostile, tmp_path):
    """Behind the columns of plan.csv; the furnace's only for what is brazed, and they come back."""
    headers = [COLUMN_BY_NAME[n].header for n in ("forming_temperature_measured", "braze_temperature_measured", "braze_time_measured")]
    at = {name: letter(len(HEADER) + n) for n, name in enumerate(headers)}
    brazed = [i for i, t in enumerate(record["trials"]) if t["furnace_load"] is not None]
    checks = "".join(re.findall(r"<dataValidation .*?</dataValidation>", part(book, SHEET)))
    for i, _ in enumerate(record["trials"]):
        assert [f'sqref="{at[name]}{i + 2}"' in checks for name in headers] == [True, i in brazed, i in brazed]
    (tmp_path / "back.xlsx").write_bytes(filled(book, {f"{at[headers[0]]}{brazed[0] + 2}": 151.5, f"{at[headers[1]]}{brazed[0] + 2}": 601.0}))
    read = read_results(tmp_path / "back.xlsx", hostile).specimens[brazed[0]][1]
    assert (read.forming_temperature_measured_degC, read.braze_temperature_measured_degC, read.braze_time_measured_min) == (151.5, 601.0, None)


def test_filled_in_it_is_recorded_as_it_stands(book, record, hostile, hostile_text, tmp_path):
    """Through the command line, as the lab would; every cell comes back with its unit and censoring."""
    values = {reference(i, name): VALUES[name] for i, t in enumerate(record["trials"]) for name in [*measured_of(t, hostile), "date", "note"]}
    folder = tmp_path / "campaign"
    (folder / "results").mkdir(parents=True)
    (folder / "campaign.toml").write_text(hostile_text, encoding="utf-8")
    (folder / "results" / "back.xlsx").write_bytes(filled(book, values))
    done = subprocess.run([sys.executable, "-m", "planner.cli", "record", str(folder), "--json"], cwd=ROOT, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout)["recorded"] == len(record["trials"])
    parsed = read_results(folder / "results" / "back.xlsx", hostile).specimens
    for (_, specimen, held), trial in zip(parsed, record["trials"], strict=True):
        assert specimen.lot == trial["lot"] and specimen.furnace_load == trial["furnace_load"]
        assert specimen.forming_temperature_degC == trial["forming_temperature_degC"] and specimen.strain == trial["strain"]
        for name in measured_of(trial, hostile):
            assert held[name] == {"recrystallised": "partly"}.get(name, str(VALUES[name])), name


def test_empty_it_is_recorded_too(book, hostile, record, tmp_path):
    (tmp_path / "plan.xlsx").write_bytes(book)
    assert len(read_results(tmp_path / "plan.xlsx", hostile).specimens) == len(record["trials"])


@pytest.mark.parametrize("sign", list("=+-@"))
def test_text_never_becomes_a_formula(record, hostile, proposal, sign):
    evil = f"{sign}HYPERLINK(\"x\")"
    trials = [t | {"lot": evil, "reason": evil} for t in record["trials"]]
    book = plan_workbook(record | {"trials": trials}, hostile)
    assert "<f>" not in part(book, SHEET).partition("<dataValidations")[0] and "hyperlink" not in part(book, SHEET)
    assert escape(evil) in part(book, "xl/sharedStrings.xml")
    rows = tuple(replace(row, reason=evil, candidate=replace(row.candidate, lot=evil)) for row in proposal.rows)
    assert not re.search(rf'(^|,)"?{re.escape(sign)}HYPER', plan_csv(replace(proposal, rows=rows)), re.MULTILINE)


def test_the_same_plan_is_the_same_bytes(book, record, hostile):
    assert plan_workbook(record, hostile) == book
    assert "2026-01-01T00:00:00Z" in part(book, "docProps/core.xml")


def test_they_are_written_with_the_plan_or_not_at_all(proposal, record, pages, tmp_path):
    files = {name: content if isinstance(content, bytes) else content.encode() for name, content in pages.items()}
    folder = write_plan(tmp_path, proposal, record, number=3, pages=files)
    assert {p.name for p in folder.iterdir()} == {*files, "plan.csv", "plan.json"}
    assert all((folder / name).read_bytes() == content for name, content in files.items())

