"""Result files: the contract's example read whole, and a registry of bad rows."""

from __future__ import annotations

import datetime
import os
import zipfile

import pytest
import xlsxwriter

from planner.lab.errors import UserError
from planner.lab.intake import read_results
from planner.lab.specimen import Measured, cells_of, specimen_of


@pytest.fixture
def read(write, definition):
    def from_rows(rows, **options):
        return read_results(write("week1.csv", rows, **options), definition)

    return from_rows


def by_id(parsed):
    return {specimen.specimen: specimen for _, specimen, _ in parsed.specimens}


def test_the_contracts_example_reads_whole(read, example):
    parsed = read(list(example.values()))
    found = by_id(parsed)
    assert len(found) == 11
    assert [row for row, _, _ in parsed.specimens] == list(range(2, 13))
    assert parsed.warnings == []
    assert found["T-002"].limit_strain == Measured(0.42, 1)
    assert found["B-002"].springback_angle_deg == Measured(0.5, -1)
    assert found["Z-001"].recrystallised is False
    assert found["C-003"].section_feature == "joint land"
    assert (found["C-003"].joints_sound, found["C-003"].joints_inspected) == (22, 24)
    assert found["C-002"].cracked is True


def test_cells_and_specimens_are_the_same_thing(read, example):
    for _, specimen, cells in read(list(example.values())).specimens:
        assert cells_of(specimen) == cells
        assert specimen_of(cells) == specimen


# name: (specimen of the example, changed cells, column in the message, found, words)
BAD_ROWS = {
    "percent for strain": ("Z-001", {"strain [1]": "12"}, "strain [1]", "12", "looks like percent"),
    "percent for limit strain": ("T-001", {"limit_strain [1]": ">19"}, "limit_strain [1]", ">19", "percent"),
    "fahrenheit": ("Z-001", {"braze_temperature [degC]": "1112"}, "braze_temperature [degC]", "1112", "degF"),
    "kelvin": ("Z-001", {"braze_temperature [degC]": "874"}, "braze_temperature [degC]", "874", "kelvin"),
    "forming kelvin": ("T-001", {"forming_temperature [degC]": "523"}, "forming_temperature [degC]", "523", "degF"),
    "seconds": ("Z-001", {"braze_time [min]": "186"}, "braze_time [min]", "186", "seconds"),
    "gap in um": ("C-001", {"gap [mm]": "60"}, "gap [mm]", "60", "micrometres"),
    "film beyond sheet": ("Z-001", {"film_depth [um]": "201"}, "film_depth [um]", "201", "0 to 200 um"),
    "clad beyond factor": ("Z-001", {"clad_left [um]": "31"}, "clad_left [um]", "31", "0 to 30 um"),
    "springback": ("B-001", {"springback_angle [deg]": "181"}, "springback_angle [deg]", "181", "0 to 180"),
    "negative": ("C-001", {"gap [mm]": "-0.1"}, "gap [mm]", "-0.1", "0 to 50"),
    "zero": ("B-001", {"springback_angle [deg]": "0"}, "springback_angle [deg]", "0", "<0.5"),
    "zero without a gauge": ("T-001", {"limit_strain [1]": "0"}, "limit_strain [1]", "0", "<x"),
    "nan": ("C-001", {"gap [mm]": "nan"}, "gap [mm]", "nan", "number"),
    "inf": ("C-001", {"gap [mm]": "1e999"}, "gap [mm]", "1e999", "finite"),
    "decimal comma": ("C-001", {"gap [mm]": "0,06"}, "gap [mm]", "0,06", "semicolons"),
    "words": ("C-001", {"gap [mm]": "small"}, "gap [mm]", "small", "number"),
    "formula": ("C-001", {"note": "=cmd|' /C calc'!A0"}, "note", "=cmd", "formula"),
    "formula label": ("C-001", {"lot": "@K1"}, "lot", "@K1", "formula"),
    "control character": ("C-001", {"note": "a\x07b"}, "note", "a\\u0007b", "control"),
    "too long": ("C-001", {"note": "x" * 501}, "note", "xxx", "500"),
    "censored condition": ("Z-001", {"strain [1]": ">0.04"}, "strain [1]", ">0.04", "only measurements"),
    "flag": ("C-001", {"leaked": "maybe"}, "leaked", "maybe", "yes or no"),
    "flag of three": ("Z-001", {"recrystallised": "maybe"}, "recrystallised", "maybe", "1 or 0, partly"),
    "partly elsewhere": ("C-001", {"leaked": "partly"}, "leaked", "partly", "yes or no"),
    "count": ("C-001", {"joints_sound": "23.5"}, "joints_sound", "23.5", "whole"),
    "sound above inspected": ("C-001", {"joints_inspected": "20"}, "joints_sound", "24", "0 to 20"),
    "inspected above joints": ("C-001", {"joints_inspected": "25"}, "joints_inspected", "25", "0 to 24"),
    "inspected missing": ("C-001", {"joints_inspected": ""}, "joints_inspected", "", "joints_sound"),
    "date": ("C-001", {"date": "04.03.2026"}, "date", "04.03.2026", "2026-03-02"),
    "no day": ("C-001", {"date": "2026-02-30"}, "date", "2026-02-30", "calendar"),
    "future": ("C-001", {"date": "2999-01-01"}, "date", "2999-01-01", "tomorrow"),
    "too old": ("C-001", {"date": "1989-12-31"}, "date", "1989-12-31", "1990"),
    "date of a counted lot": ("T-001", {"date": ""}, "date", "", "counted"),
    "temper unknown": ("T-001", {"temper": "H18"}, "temper", "H18", "O, H24"),
    "temper of a lot": ("T-001", {"temper": "H24"}, "temper", "H24", "one lot has one temper"),
    "type": ("T-001", {"specimen_type": "tensile"}, "specimen_type", "tensile", "did you mean tensile_coupon"),
    "no lot": ("T-001", {"lot": ""}, "lot", None, "every row"),
    "no label": ("T-001", {"specimen": ""}, "specimen", None, "label"),
    "no forming temperature": ("T-001", {"forming_temperature [degC]": ""}, "forming_temperature [degC]", "", "set value"),
    "no load": ("Z-001", {"furnace_load": ""}, "furnace_load", "", "brazed row"),
    "no braze time": ("C-001", {"braze_time [min]": ""}, "braze_time [min]", "", "brazed row"),
    "no strain": ("C-001", {"strain [1]": ""}, "strain [1]", "", "component"),
    "braze on a coupon": ("T-001", {"braze_temperature [degC]": "600"}, "braze_temperature [degC]", "600", "not brazed"),
    "load on a coupon": ("B-001", {"furnace_load": "L01"}, "furnace_load", "L01", "not brazed"),
    "after a crack": ("C-002", {"gap [mm]": "0.1"}, "gap [mm]", "0.1", "cracked in forming"),
    "film after a crack": ("Z-003", {"film_depth [um]": "9"}, "film_depth [um]", "9", "cracked in forming"),
    "no feature": ("C-003", {"section_feature": ""}, "section_feature", "", "joint land"),
    "wrong feature": ("C-003", {"section_feature": "joint lnd"}, "section_feature", "joint lnd", "did you mean joint land"),
}  # fmt: skip


@pytest.mark.parametrize("case", BAD_ROWS, ids=list(BAD_ROWS))
def test_a_bad_row_names_file_row_column_value(case, read, example):
    specimen, changes, column, found, words = BAD_ROWS[case]
    rows = [dict(row) for row in example.values()]
    number = 2 + list(example).index(specimen)
    rows[number - 2].update(changes)
    with pytest.raises(UserError) as caught:
        read(rows)
    message = str(caught.value)
    assert f"week1.csv, row {number}, column {column}" in message
    if found is not None:
        assert f"'{found[:20]}" in message
    assert words in message
    assert "trialwright record" in message


HEADERS = {
    "unknown": ({"colour": "red"}, "colour"),
    "misspelt": ({"film_dept [um]": "4"}, "did you mean film_depth"),
    "no unit": ({"braze_temperature_measured": "600"}, "no unit"),
    "unit on text": ({"note [mm]": "x"}, "takes no unit"),
    "wrong unit": ({"forming_temperature_measured [mm]": "6"}, "does not fit"),
    "twice": ({"Gap [um]": "60"}, "repeats the column"),
}


@pytest.mark.parametrize("case", HEADERS, ids=list(HEADERS))
def test_bad_headers_are_named(case, read, example):
    extra, words = HEADERS[case]
    with pytest.raises(UserError, match="week1.csv") as caught:
        read([example["C-001"] | extra])
    assert words in str(caught.value)
    assert "row 1" in str(caught.value)


def test_all_problems_of_a_file_come_in_one_message(read, example):
    rows = [dict(example["C-001"], specimen=f"C-{i}", **{"gap [mm]": "x"}) for i in range(15)]
    with pytest.raises(UserError) as caught:
        read(rows)
    assert "15 problems" in str(caught.value)
    assert "and 5 more" in str(caught.value)


def test_rows_of_a_load_share_the_braze_condition(read, example):
    rows = [example["Z-001"], example["Z-002"] | {"braze_time [min]": "3.2"}]
    with pytest.raises(UserError, match="row 3, column braze_time.*load L01 in week1.csv, row 2"):
        read(rows)
    # one that cracked while being formed was not brazed, so its cells do not count
    read([example["C-003"], example["C-002"] | {"braze_time [min]": "9"}])


def test_own_and_plan_columns(read, example):
    row = example["T-001"] | {
        "x_operator": "invented", "sequence": "3", "purpose": "trial", "reason": "=why", "expected_gain": "-",
    }  # fmt: skip
    ((_, specimen, cells),) = read([row]).specimens
    assert specimen.extra == (("x_operator", "invented"),)
    assert "reason" not in cells
    assert "sequence" not in cells


def test_measured_settings_are_kept(read, example):
    row = example["C-001"] | {"braze_temperature_measured [K]": "876.15"}
    ((_, specimen, _),) = read([row]).specimens
    assert specimen.braze_temperature_measured_degC == pytest.approx(603.0)


def test_unusual_values_are_noted_once_a_file(read, example):
    rows = [example["T-001"] | {"specimen": f"T-{i}", "forming_temperature [degC]": "300"} for i in range(4)]
    warnings = read(rows).warnings
    assert len(warnings) == 1
    assert "rows 2, 3, 4, 5: " in warnings[0]
    assert "20 to 280 degC" in warnings[0]
    (kept,) = read([example["B-001"] | {"limit_strain [1]": "0.05"}]).warnings
    assert "limit_strain is not in `gives` of bend_coupon" in kept
    (below,) = read([example["B-001"] | {"springback_angle [deg]": "0.3"}]).warnings
    assert "<0.5 would say so" in below


# specimen of the example, changed cells, words of the note; None: nothing to note
UNUSUAL = {
    "limit strain in percent": ("T-001", {"limit_strain [1]": "1.8"}, "limit_strain above 1 looks like percent"),
    "strain in percent": ("Z-001", {"strain [1]": "1.5"}, "strain above 1 looks like percent"),
    "springback": ("B-001", {"springback_angle [deg]": "170"}, "springback_angle above 45 deg"),
    "gap": ("C-001", {"gap [mm]": "30"}, "gap above 5 mm"),
    "film": ("Z-001", {"film_depth [um]": "199"}, "film_depth above half of the sheet's 200 um"),
    "clad": ("Z-001", {"clad_left [um]": "22.1"}, "clad_left above 1.1 x the nominal clad of 20 um"),
    "censored": ("B-001", {"springback_angle [deg]": ">50"}, "springback_angle above 45 deg"),
    "all at the edge": ("Z-001", {"film_depth [um]": "100", "clad_left [um]": "22"}, None),
    "usual angle": ("B-001", {"springback_angle [deg]": "45"}, None),
    "usual gap": ("C-001", {"gap [mm]": "5"}, None),
}  # fmt: skip


@pytest.mark.parametrize("case", UNUSUAL, ids=list(UNUSUAL))
def test_what_is_hardly_believable_is_noted_and_kept(case, read, example):
    specimen, changes, words = UNUSUAL[case]
    parsed = read([example[specimen] | changes])
    found = [w for w in parsed.warnings if "recorded as written" in w]
    assert [w for w in found if "row 2: " in w and words in w] == found if words else found == []
    assert len(found) == (words is not None) and len(parsed.specimens) == 1


SHIFTED = {
    "a decimal comma, the rest blank": ("B-1,bend_coupon,O,K3,20,8,7,,", "8,7"),
    "a censored one": ("B-1,bend_coupon,O,K3,20,<0,5,,", "<0,5"),
    "a comma too many": ("B-1,bend_coupon,O,K3,,20,8.7,,", "too many"),
    "in a note": ("B-1,bend_coupon,O,K3,20,8.7,,bent, then dropped", "in a text without quotes"),
    "blank cells behind": ("B-1,bend_coupon,O,K3,20,8.7,,,,,", "too many"),
}  # fmt: skip


@pytest.mark.parametrize("case", SHIFTED, ids=list(SHIFTED))
def test_a_row_with_more_cells_than_the_header_is_refused(case, folder, definition):
    line, words = SHIFTED[case]
    path = folder / "results" / "week1.csv"
    header = "specimen,specimen_type,temper,lot,forming_temperature [degC],springback_angle [deg],section_feature,note\n"
    path.write_text(header + "B-0,bend_coupon,O,K3,20,8.7\n" + line + "\n", encoding="utf-8")
    with pytest.raises(UserError, match="week1.csv, row 3: has .* cells under a header of 8, so its columns may be shifted") as caught:
        read_results(path, definition)
    assert words in str(caught.value)
    path.write_text(header.replace(",", ";") + "B-1;bend_coupon;O;K3;20;8,7;;\n", encoding="utf-8")
    assert by_id(read_results(path, definition))["B-1"].springback_angle_deg == Measured(8.7)


def test_counts_in_a_file_of_decimal_commas(write, definition, example):
    row = {k: v.replace(".", ",") if "[" in k else v for k, v in example["C-001"].items()}
    path = write("german.csv", [row | {"joints_inspected": "24,0", "joints_sound": "23,0"}], delimiter=";")
    assert by_id(read_results(path, definition))["C-001"].joints_sound == 23
    with pytest.raises(UserError, match="is not a whole number"):
        read_results(write("half.csv", [row | {"joints_sound": "23,5"}], delimiter=";"), definition)
    with pytest.raises(UserError, match="one decimal comma in a number"):
        read_results(write("twice.csv", [row | {"joints_sound": "2,3,0"}], delimiter=";"), definition)


def test_header_only_is_recorded_as_empty_with_a_warning(read):
    parsed = read([])
    assert parsed.specimens == []
    assert "header only" in parsed.warnings[0]


def test_semicolons_decimal_commas_and_a_byte_order_mark(folder, definition, write, example):
    rows = [{k: v.replace(".", ",") if "[" in k else v for k, v in r.items()} for r in example.values()]
    path = write("german.csv", rows, delimiter=";")
    path.write_bytes(b"\xef\xbb\xbf" + path.read_bytes())
    plain = read_results(write("plain.csv", list(example.values())), definition)
    assert by_id(read_results(path, definition)) == by_id(plain)


def test_rows_of_one_specimen_that_agree_are_one(read, example):
    late = {k: example["C-003"][k] for k in example["C-003"]}
    early = late | {"recrystallised": "", "film_depth [um]": "", "section_feature": ""}
    parsed = read([early, example["T-001"], late])
    assert by_id(parsed)["C-003"].film_depth_um == Measured(72.0)
    assert len(parsed.specimens) == 2
    with pytest.raises(UserError, match="contradicts row 2"):
        read([early, late | {"gap [mm]": "0.06"}])


def test_absent_columns_are_taken_from_the_ledger(write, definition, example):
    first = read_results(write("a.csv", [example["C-001"]]), definition)
    known = {"C-001": first.specimens[0][2]}
    late = [{"specimen": "C-001", "section_feature": "joint land", "film_depth [um]": "30"}]
    path = write("b.csv", late, headers=list(late[0]))
    ((_, specimen, _),) = read_results(path, definition, known=known).specimens
    assert (specimen.lot, specimen.film_depth_um) == ("K1", Measured(30.0))
    with pytest.raises(UserError, match="has no column"):
        read_results(path, definition)


FILES = {
    "utf-16": ("a.csv", "specimen,lot\n".encode("utf-16"), "UTF-16"),
    "latin-1": ("a.csv", "specimen,lot\nz\xfcrich,K1\n".encode("latin-1"), "row 2"),
    "nul": ("a.csv", b"specimen,lot\na\0,K1\n", "NUL"),
    "empty": ("a.csv", b"", "no header"),
    "tabs": ("a.csv", b"specimen\tlot\n", "tabs"),
    "open quote": ("a.csv", b'specimen,lot\n"a,K1\n', "CSV"),
    "huge cell": ("a.csv", b"specimen,lot\n" + b"x" * 200_000, "CSV"),
    "million columns": ("a.csv", b"," * 1_000_000, "header"),
    "wide row": ("a.csv", b"specimen\na" + b"," * 1_000, "columns"),
    "workbook named csv": ("a.csv", b"PK\x03\x04", "name it .xlsx"),
    "no workbook": ("a.xlsx", b"specimen,lot\n", "workbook"),
    "kind": ("a.txt", b"specimen\n", "neither"),
    "control in name": ("a\x1b.csv", b"specimen\n", "rename"),
}  # fmt: skip


@pytest.mark.parametrize("case", FILES, ids=list(FILES))
def test_files_that_are_refused_with_a_reason(case, tmp_path, definition):
    name, data, words = FILES[case]
    path = tmp_path / name
    path.write_bytes(data)
    with pytest.raises(UserError, match=words):
        read_results(path, definition)


def test_links_out_of_the_folder_and_devices_are_refused(folder, definition, tmp_path_factory):
    outside = tmp_path_factory.mktemp("outside") / "a.csv"
    outside.write_text("specimen\n")
    link = folder / "results" / "a.csv"
    link.symlink_to(outside)
    with pytest.raises(UserError, match="link out"):
        read_results(link, definition, folder=folder / "results")
    pipe = folder / "results" / "b.csv"
    os.mkfifo(pipe)
    with pytest.raises(UserError, match="ordinary(.|\n)*next: put the file itself there"):
        read_results(pipe, definition, folder=folder / "results")


def workbook(path, rows, **cells):
    with xlsxwriter.Workbook(path) as book:
        sheet = book.add_worksheet("rows")
        day = book.add_format({"num_format": "yyyy-mm-dd"})
        for i, row in enumerate(rows):
            for j, value in enumerate(row):
                if isinstance(value, datetime.date):
                    sheet.write_datetime(i, j, datetime.datetime.combine(value, datetime.time()), day)
                elif value is not None:
                    sheet.write(i, j, value)
        for place, value in cells.items():
            if value == "#N/A":
                sheet.write_formula(place, "=NA()", None, value)
            else:
                sheet.write(place, value)
        book.add_worksheet("notes").write(0, 0, "x")
    return path


HEADER = ["specimen", "specimen_type", "temper", "lot", "forming_temperature [degC]", "strain [1]",
          "date", "cracked", "gap [mm]", "joints_inspected", "joints_sound", "braze_temperature [degC]",
          "braze_time [min]", "furnace_load"]  # fmt: skip
ROW = [101, "component", "O", "K1", 20, 0.05, datetime.date(2026, 3, 3), False, "<0.01", 24, 23, 601, 3, 7]


def test_a_workbook_comes_typed(tmp_path, definition):
    path = workbook(tmp_path / "a.xlsx", [HEADER, [None] * 4, ROW])
    parsed = read_results(path, definition)
    ((row, specimen, _),) = parsed.specimens
    assert row == 3
    assert (specimen.specimen, specimen.furnace_load) == ("101", "7")
    assert (specimen.cracked, specimen.date) == (False, "2026-03-03")
    assert (specimen.joints_sound, specimen.gap_mm) == (23, Measured(0.01, -1))
    assert "only the first sheet" in parsed.warnings[0]


def test_workbooks_that_are_refused(tmp_path, definition):
    with pytest.raises(UserError, match="#N/A"):
        read_results(workbook(tmp_path / "a.xlsx", [HEADER, ROW], I2="#N/A"), definition)
    with pytest.raises(UserError, match="reaches too far"):
        read_results(workbook(tmp_path / "b.xlsx", [HEADER, ROW], XFD1048576="x"), definition)
    with pytest.raises(UserError, match="date or time"):
        bad = ROW[:4] + [datetime.date(2026, 1, 20)] + ROW[5:]
        read_results(workbook(tmp_path / "c.xlsx", [HEADER, bad]), definition)
    bomb = tmp_path / "d.xlsx"
    with zipfile.ZipFile(bomb, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("xl/worksheets/sheet1.xml", b" " * 70_000_000)
    assert bomb.stat().st_size < 100_000
    with pytest.raises(UserError, match="once unpacked"):
        read_results(bomb, definition)


def with_member(path, member, change):
    """Rewrite one member of a workbook."""
    with zipfile.ZipFile(path) as archive:
        members = {name: archive.read(name) for name in archive.namelist()}
    members[member] = change(members[member])
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in members.items():
            archive.writestr(name, content)
    return path


def test_workbooks_that_would_exhaust_the_memory_are_never_opened(tmp_path, definition):
    path = workbook(tmp_path / "a.xlsx", [HEADER, ROW])
    sheet = "xl/worksheets/sheet1.xml"
    with_member(path, sheet, lambda xml: xml.replace(b'r="A2"', b'r="A9999999991"'))
    with pytest.raises(UserError, match="cell reference"):
        read_results(path, definition)
    many = [HEADER, *[[f"s{i}", "component"] for i in range(2000)]]
    path = workbook(tmp_path / "b.xlsx", many)
    swollen = b"component" + b"x" * 2_000_000
    with_member(path, "xl/sharedStrings.xml", lambda xml: xml.replace(b"component", swollen))
    with pytest.raises(UserError, match="repeats a long text"):
        read_results(path, definition)
