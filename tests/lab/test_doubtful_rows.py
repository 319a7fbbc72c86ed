"""Rows and cells that a spreadsheet, a copy or a decimal comma has changed on their way: refused with the reason, or named."""

from __future__ import annotations

import datetime
import zipfile

import pytest
import xlsxwriter

from planner.lab.cells import CellFault, read_text
from planner.lab.errors import UserError
from planner.lab.intake import read_results
from planner.lab.specimen import Measured

HEADER = ["specimen", "specimen_type", "temper", "lot", "forming_temperature [degC]", "strain [1]",
          "date", "cracked", "gap [mm]", "joints_inspected", "joints_sound", "braze_temperature [degC]",
          "braze_time [min]", "furnace_load"]  # fmt: skip
ROW = [101, "component", "O", "K1", 20, 0.05, datetime.date(2026, 3, 3), False, "<0.01", 24, 23, 601, 3, 7]
HEAD = ("specimen,specimen_type,temper,lot,forming_temperature [degC],strain [1],braze_temperature [degC],braze_time [min],furnace_load,section_feature,"
        "recrystallised,film_depth [um],clad_left [um],cracked,gap [mm],joints_inspected,joints_sound")  # fmt: skip


def test_rows_that_end_early_are_named(folder, definition):
    """A spreadsheet may leave blank cells at a row's end out: recorded, and said once for all such rows."""
    path = folder / "results" / "a.csv"
    path.write_text(HEAD + "\nT1,tensile_coupon,O,Z9,20\n\nT2,tensile_coupon,O,Z9,20,,,,,,,,,,,,\nT3,tensile_coupon,O,Z9,20\n", encoding="utf-8")
    parsed = read_results(path, definition)
    assert len(parsed.specimens) == 3
    assert [w for w in parsed.warnings if "fewer cells" in w] == ["a.csv, rows 2, 5: has fewer cells than the header; those missing at its end count as blank"]


def test_a_decimal_comma_that_hides_in_a_short_row_is_refused(folder, definition):
    """Film 48,5 without the blank cells behind it reads as film 48 and clad 5."""
    path = folder / "results" / "a.csv"
    row = "Z1,braze_coupon,O,Z9,20,0.04,601,3.1,L01,,no,48,5"
    path.write_text(f"{HEAD}\n{row}\n", encoding="utf-8")
    with pytest.raises(UserError, match=r"a.csv, row 2: has 13 cells under a header of 17.*decimal comma(.|\n)*48,5"):
        read_results(path, definition)
    path.write_text(f"{HEAD}\n{row},,,,\n", encoding="utf-8")               # whole: it says what it says
    assert read_results(path, definition).specimens[0][1].clad_left_um == Measured(5.0)


def test_whole_micrometres_are_no_cut_decimal_where_cells_behind_them_fit(folder, definition):
    """A spreadsheet that drops blank last columns writes film 21 and clad 24 of a component without the comma of its note."""
    path = folder / "results" / "a.csv"
    path.write_text(HEAD + ",leaked,note\nC1,component,O,Z9,20,0.05,601,3,L01,rib shoulder,no,21,24,no,0.04,24,23,no\n", encoding="utf-8")
    parsed = read_results(path, definition.model_copy(update={"component": definition.component.model_copy(update={"joints": 24})}))
    ((_, one, _),) = parsed.specimens
    assert (one.film_depth_um, one.clad_left_um, one.joints_sound) == (Measured(21.0), Measured(24.0), 23) and any("fewer cells" in w for w in parsed.warnings)


def test_a_file_whose_rows_end_early_by_habit_need_not_end_its_last_line(folder, definition):
    path = folder / "results" / "a.csv"
    rows = ["T1,tensile_coupon,O,Z9,20", "C1,component,O,Z9,20,0.04,601,3.1,L01,,,,,no,0.06,24,22", "T2,tensile_coupon,O,Z9,20"]
    path.write_text("\n".join([HEAD, *rows]), encoding="utf-8")
    assert len(read_results(path, definition).specimens) == 3


def test_a_file_that_was_cut_is_refused(folder, definition):
    """The last row ends early, as no other does, and there is no line end: 2 of 24 joints sound, or 22?"""
    rows = ["C1,component,O,Z9,20,0.04,601,3.1,L01,,,,,no,0.06,24,22", "C2,component,O,Z9,20,0.04,601,3.1,L01,,,,,no,0.06,24"]
    path = folder / "results" / "a.csv"
    path.write_text("\n".join([HEAD, *rows]), encoding="utf-8")
    with pytest.raises(UserError, match="row 3: ends early, and the file ends without a line end"):
        read_results(path, definition)


@pytest.mark.parametrize("value", [datetime.date(2026, 3, 1), datetime.time(1, 12), datetime.timedelta(hours=30)])
def test_a_label_that_a_spreadsheet_made_a_date_is_refused(value):
    """Specimen 3-1 becomes the first of March."""
    with pytest.raises(CellFault, match="formatted as a date") as caught:
        read_text(value, label=True)
    assert "as text" in caught.value.cause
    assert read_text(datetime.date(2026, 3, 1)) == "2026-03-01"              # a note may hold one


def rewritten(path, changes):
    """Write a workbook anew with some text of its members changed."""
    with zipfile.ZipFile(path) as old:
        members = {name: old.read(name) for name in old.namelist()}
    with zipfile.ZipFile(path, "w") as new:
        for name, content in members.items():
            for member, before, after in changes:
                if name == member:
                    assert before in content
                    content = content.replace(before, after)
            new.writestr(name, content)
    return path


def with_a_formula(path):
    """Write the row with its strain as a formula, its value beside it."""
    with xlsxwriter.Workbook(path) as book:
        sheet = book.add_worksheet()
        for i, row in enumerate([HEADER, ROW]):
            for j, value in enumerate(row):
                sheet.write(i, j, "2026-03-03" if isinstance(value, datetime.date) else value)
        sheet.write_formula("F2", "=0.01*5", None, 0.05)
    return path


SHEET, BOOK = "xl/worksheets/sheet1.xml", "xl/workbook.xml"


@pytest.mark.parametrize("kept", [b"", b"<v></v>", b"<v/>"])
def test_a_formula_without_its_value_is_refused(tmp_path, definition, kept):
    """A library that writes formulas cannot work them out: the cell would read as not measured."""
    path = with_a_formula(tmp_path / "a.xlsx")
    rewritten(path, [(SHEET, b"<v>0.05</v>", kept)])
    with pytest.raises(UserError, match="holds a formula whose value was not saved(.|\n)*") as caught:
        read_results(path, definition)
    assert "cell F2" in str(caught.value) and "save it" in str(caught.value)


def test_formulas_behind_the_cells_are_none_of_them(tmp_path, definition):
    """A list of allowed values may name its source by a formula, behind a last cell of inline text."""
    path = rewritten(with_a_formula(tmp_path / "a.xlsx"), [
        (SHEET, b"<f>0.01*5</f>", b""), (SHEET, b"</sheetData>", b"</sheetData><extLst><ext><xm:f>Sheet2!$A$1</xm:f></ext></extLst>"), (BOOK, b' fullCalcOnLoad="1"', b"")])
    assert not read_results(path, definition).warnings


def test_formulas_that_no_spreadsheet_worked_out_are_named(tmp_path, definition):
    """Our own writer states a value for them, right or 0; once a spreadsheet has saved the file the mark is gone."""
    path = with_a_formula(tmp_path / "a.xlsx")
    assert any("no spreadsheet has worked them out" in w for w in read_results(path, definition).warnings)
    rewritten(path, [(BOOK, b' fullCalcOnLoad="1"', b"")])
    assert not read_results(path, definition).warnings


@pytest.mark.parametrize(("column", "value"), [("gap [mm]", "0.00006"), ("springback_angle [deg]", "0.0001"), ("film_depth [um]", "0.00007"),
                                               ("clad_left [um]", "1e-9"), ("limit_strain [1]", "1e-300")])
def test_what_no_gauge_reads_is_named(write, example, definition, column, value):
    name = {"gap [mm]": "C-001", "film_depth [um]": "C-003", "clad_left [um]": "C-003", "limit_strain [1]": "T-001", "springback_angle [deg]": "B-001"}[column]
    path = write("a.csv", [example[name] | {column: value}])
    assert any("finer than gauges read" in w for w in read_results(path, definition).warnings)
