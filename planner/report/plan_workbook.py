"""The plan as a workbook: the shop floor's sheet, which knows what each cell may hold.

It has the rows and columns of `plan.csv`, and behind them room for the temperatures and times that were really reached.  What is planned is locked, cells that the lab fills are open and offer or check what they
may hold; filled in and put into `results/`, it is recorded as it stands.  Text is always written as text, never as a formula, and
nothing in the file depends on the clock.
"""

from __future__ import annotations

import datetime
import io
from collections.abc import Mapping
from typing import Any

import xlsxwriter

from planner.lab.bounds import CLAD_LEFT_FACTOR, FIRST_YEAR, HARD_BOUNDS, TEXT_CHARACTERS
from planner.lab.campaign import Definition
from planner.lab.specimen import BRAZE_CONDITIONS, COLUMNS, OPTIONAL_COLUMNS, PLAN_COLUMNS, Column
from planner.report.pages.sheet_fields import choices, measured_of

CREATED = datetime.datetime(2026, 1, 1)
"""Stands in the file's properties, so that the same plan gives the same bytes."""
HUE, PALE, LINE = "#24557a", "#e6edf3", "#b9c6d1"
BEFORE, BEHIND = PLAN_COLUMNS[:2], PLAN_COLUMNS[2:]
WIDTHS = {"specimen": 11, "specimen_type": 15, "furnace_load": 11, "date": 11, "section_feature": 16, "note": 30, "reason": 70}
ALWAYS_OPEN = ("date", "note")


def plan_workbook(record: Mapping[str, Any], definition: Definition) -> bytes:
    """Return the bytes of `plan.xlsx`.

    Parameters
    ----------
    record : mapping
        What `plan.json` holds.
    definition : Definition

    Returns
    -------
    bytes
        One sheet, protected without a password.
    """
    held = io.BytesIO()
    book = xlsxwriter.Workbook(held, {"in_memory": True, "strings_to_formulas": False, "strings_to_urls": False, "strings_to_numbers": False})
    blind = {} if record["verdict"] == "CONVERGED" else {"comments": f"{record['verdict']}: nothing is claimed"}
    book.set_properties({"title": f"{definition.campaign.title}: {record['plan_file']}", "created": CREATED} | blind)
    styles = _styles(book)
    sheet = book.add_worksheet("plan")
    headers = [*BEFORE, *(c.header for c in COLUMNS), *BEHIND, *(c.header for c in OPTIONAL_COLUMNS)]
    for j, header in enumerate(headers):
        sheet.write_string(0, j, header, styles["header"])
        sheet.set_column(j, j, WIDTHS.get(header.split(" [")[0], max(9, len(header) * 0.62)))
    for i, trial in enumerate(record["trials"], start=1):
        _row(sheet, i, trial, definition, styles)
    sheet.set_row(0, 32)
    sheet.freeze_panes(1, len(BEFORE) + 1)
    sheet.protect("", {"format_columns": True, "format_rows": True, "sort": True, "autofilter": True})
    sheet.set_landscape()
    sheet.set_paper(9)
    sheet.fit_to_pages(1, 0)
    sheet.repeat_rows(0)
    book.close()
    return held.getvalue()


def _styles(book: xlsxwriter.Workbook) -> dict[str, Any]:
    """Return the cell formats by name."""
    plain = {"border": 1, "border_color": LINE, "valign": "top"}
    return {
        "header": book.add_format(plain | {"bold": True, "font_color": "#ffffff", "bg_color": HUE, "text_wrap": True, "locked": True}),
        "locked": book.add_format(plain | {"bg_color": PALE, "locked": True}),
        "unused": book.add_format(plain | {"pattern": 17, "fg_color": LINE, "bg_color": "#ffffff", "locked": True}),
        "open": book.add_format(plain | {"locked": False}),
        "date": book.add_format(plain | {"locked": False, "num_format": "yyyy-mm-dd"}),
    }


def _row(sheet: Any, i: int, trial: Mapping[str, Any], definition: Definition, styles: Mapping[str, Any]) -> None:
    """Write one specimen: what is planned locked, what is measured open."""
    open_cells = {*measured_of(trial, definition), *ALWAYS_OPEN}
    for j, name in enumerate(BEFORE):
        _write(sheet, i, j, trial[name], styles["locked"])
    for j, column in enumerate(COLUMNS, start=len(BEFORE)):
        value = trial[column.attribute]
        if column.name in open_cells:
            sheet.write_blank(i, j, None, styles["date" if column.kind == "date" else "open"])
            sheet.data_validation(i, j, i, j, _allowed(column, i, j, definition))
        elif value is None:
            sheet.write_blank(i, j, None, styles["unused"])
        else:
            _write(sheet, i, j, value, styles["locked"])
    for j, name in enumerate(BEHIND, start=len(BEFORE) + len(COLUMNS)):
        _write(sheet, i, j, trial[name], styles["locked"])
    for j, column in enumerate(OPTIONAL_COLUMNS, start=len(BEFORE) + len(COLUMNS) + len(BEHIND)):
        reached = trial["furnace_load"] is not None or column.name not in BRAZE_CONDITIONS
        sheet.write_blank(i, j, None, styles["open" if reached else "unused"])
        if reached:
            sheet.data_validation(i, j, i, j, _allowed(column, i, j, definition))


def _write(sheet: Any, i: int, j: int, value: Any, style: Any) -> None:
    """Write a number as a number and anything else as text."""
    if isinstance(value, (int, float)) and not isinstance(value, bool):
        sheet.write_number(i, j, value, style)
    else:
        sheet.write_string(i, j, "" if value is None else str(value), style)


def _allowed(column: Column, i: int, j: int, definition: Definition) -> dict[str, Any]:
    """Return what an open cell may hold: a list to choose from, or limits."""
    name = column.name
    if column.kind == "flag":
        return {"validate": "list", "source": list(choices(name)), "error_title": name, "error_message": f"{' or '.join(choices(name))}, or blank where it was not looked at"}
    if column.kind == "date":
        return {"validate": "date", "criteria": ">=", "value": datetime.date(FIRST_YEAR, 1, 1), "error_title": name, "error_message": "a date such as 2026-03-02"}
    if column.kind == "count":
        most = definition.component.joints
        return {"validate": "integer", "criteria": "between", "minimum": 0, "maximum": most, "error_title": name,
                "error_message": f"a whole number from 0 to {most}, the joints of a component"}
    if column.kind == "number":
        low, high = HARD_BOUNDS[name]
        return {"validate": "decimal", "criteria": "between", "minimum": low, "maximum": high, "input_title": column.header[:32],
                "input_message": "Where it was measured: it then counts instead of what was set.", "error_title": name,
                "error_message": f"a number from {low:g} to {high:g}, or blank where it was not measured"}
    if column.kind == "measured":
        high = _highest(name, definition)
        cell = xlsxwriter.utility.xl_rowcol_to_cell(i, j)
        number = f'IF(OR(LEFT({cell},1)=">",LEFT({cell},1)="<"),VALUE(MID({cell},2,20)),VALUE({cell}))'
        return {"validate": "custom", "value": f"=AND({number}>0,{number}<={high:g})", "input_title": column.header[:32],
                "input_message": "A number; " + ("> before it where the pull stopped there without a neck." if name == "limit_strain"
                                                 else "< before it where it lies below what the gauge resolves, > where it lies beyond."),
                "error_title": name, "error_message": f"a number above 0 and at most {high:g}, which may begin with > or <"}
    return {"validate": "length", "criteria": "<=", "value": TEXT_CHARACTERS, "error_title": name, "error_message": f"at most {TEXT_CHARACTERS} characters"}


def _highest(name: str, definition: Definition) -> float:
    """Return the hard upper bound of a measurement."""
    if name == "film_depth":
        return definition.sheet.thickness_um
    if name == "clad_left":
        return CLAD_LEFT_FACTOR * definition.clad_thickness_um
    return HARD_BOUNDS[name][1]
