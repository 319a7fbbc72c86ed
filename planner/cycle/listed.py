"""The researcher's own list of trials, read and held to what a list is: trials that are still to be made.

It has a plan's columns.  A result file says what was done; a list says what could be, so that what is welcome in the one is a
mistake in the other.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from planner.lab.campaign import Definition
from planner.lab.cells import is_blank, read_text
from planner.lab.errors import UserError
from planner.lab.headers import read_header
from planner.lab.intake import ParsedFile, read_results
from planner.lab.problems import Problem, place, refusal
from planner.lab.specimen import BRAZED_TYPES, COLUMN_BY_NAME, MEASUREMENTS, Specimen, cell_text
from planner.lab.tables import read_grid

FIX = "mend {name}, then run `trialwright plan DIR --with {name}` again"


def read_list(path: str | Path, definition: Definition) -> ParsedFile:
    """Read a list of trials.

    Parameters
    ----------
    path : path
        CSV or XLSX with the columns of a plan.
    definition : Definition

    Raises
    ------
    UserError
        When it cannot be read, is empty, or holds something that is no trial still to be made.
    """
    uncounted = [entry.model_copy(update={"counted": None}) for entry in definition.stock]         # a trial to come has no date
    try:
        listed = read_results(path, definition.model_copy(update={"stock": type(definition.stock)(uncounted)}))
    except UserError as error:
        fix = error.fix if error.fix and "trialwright record" not in error.fix else FIX.format(name=Path(path).name)
        raise UserError(error.what, found=error.found, where=error.where, allowed=error.allowed, fix=fix) from None
    if not listed.specimens:
        raise UserError("the list holds no trial", where=listed.name, allowed="one row a trial, with the columns of a plan's plan.csv",
                        fix=f"fill in the trials, then run `trialwright plan DIR --with {listed.name}` again")
    problems = [p for row, specimen, _ in listed.specimens for p in _problems(specimen, definition, place(listed.name, row))]
    problems += _one_label(path, listed.name)
    if problems:
        raise refusal(problems, listed.name, fix=FIX.format(name=listed.name))
    return listed


def _one_label(path: str | Path, name: str) -> Iterator[Problem]:
    """Yield rows whose label stands in an earlier row: read as a result file says it, two rows that agree would be one trial."""
    grid = read_grid(path)
    at = next(i for i, field in enumerate(read_header(grid)) if field.name == "specimen")
    first: dict[str, int] = {}
    for row, cells in enumerate(grid.rows[1:], start=2):
        if at >= len(cells) or is_blank(cells[at]):
            continue
        label = read_text(cells[at], label=True)
        if first.setdefault(label, row) != row:
            yield Problem(place(name, row), "specimen", f"stands in row {first[label]} too, and a trial has one row", label, "a label of its own for every trial, replicates too")


def _problems(specimen: Specimen, definition: Definition, where: str) -> Iterator[Problem]:
    """Yield what keeps a row from being a trial that this campaign could make."""
    kind = specimen.specimen_type
    if kind not in definition.specimens:
        yield Problem(where, "specimen_type", "is not a type of [specimens], so that its cost is not known", kind, ", ".join(definition.specimens))
    for name in MEASUREMENTS:
        column = COLUMN_BY_NAME[name]
        value = getattr(specimen, column.attribute)
        if value is not None:
            yield Problem(where, column.header, "is filled, but a list holds trials that are still to be made", cell_text(value), "blank")
    if kind != "component" and specimen.section_feature is not None:
        yield Problem(where, COLUMN_BY_NAME["section_feature"].header, f"is filled on a {kind.replace('_', ' ')}, which has no features", specimen.section_feature, "blank")
    if kind in BRAZED_TYPES and specimen.braze_temperature_degC is None and not specimen.cracked:
        yield Problem(where, COLUMN_BY_NAME["braze_temperature"].header, f"is blank on a {kind}, which is brazed", None,
                      "braze_temperature, braze_time and furnace_load filled")
