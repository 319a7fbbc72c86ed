"""Why this module exists: a file is judged as a whole against what the ledger holds.

Conflicts with recorded cells, and loads or lots that the file would contradict, are
collected over all its rows and raised as one error before anything is written.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from planner.lab.errors import show
from planner.lab.intake import ParsedFile
from planner.lab.merging import Comparison, Holding, compare
from planner.lab.problems import Problem, place, refusal
from planner.lab.rules import group_faults
from planner.lab.specimen import COLUMN_BY_NAME


def compare_rows(
    parsed: ParsedFile, held: Mapping[str, Holding], correct: bool
) -> list[Comparison]:
    """Compare every row of a file; raise when one contradicts the ledger."""
    steps, problems = [], []
    for row, specimen, cells in parsed.specimens:
        before = held.get(specimen.specimen)
        step = compare(
            before, cells, file=parsed.name, columns=parsed.columns, correct=correct
        )
        steps.append(step)
        for column, recorded, found in step.conflicts:
            known = COLUMN_BY_NAME.get(column)
            what = f"changes a cell recorded as {show(recorded)}" if found else (
                f"blanks a cell recorded as {show(recorded)}")  # fmt: skip
            was = before.place if before else ""
            problems.append(
                Problem(
                    place(parsed.name, row), known.header if known else column,
                    f"{what} for {show(specimen.specimen)} ({was})", found=found,
                    allowed=f"{show(recorded)}, or a correction with its reason",
                )
            )  # fmt: skip
    if problems:
        fix = (
            f"mend {parsed.name}, or `trialwright record DIR {parsed.name} --correct --why \"...\"`"
            " if the new value is right; nothing of this file was recorded"
        )
        raise refusal(problems, parsed.name, fix=fix)
    return steps


def check_groups(
    parsed: ParsedFile, held: Mapping[str, Holding], steps: Iterable[Comparison]
) -> None:
    """Hold loads and lots together in the state that the file would leave."""
    after = dict(held)
    places = {}
    for (row, specimen, _), step in zip(parsed.specimens, steps, strict=True):
        name = specimen.specimen
        before = held.get(name)
        excluded = before.excluded if before else False
        after[name] = Holding(step.cells, place(parsed.name, row), excluded=excluded)
        if step.kind != "unchanged":
            places[name] = place(parsed.name, row)
    raise_group_faults(after, places, parsed.name)


def raise_group_faults(
    after: Mapping[str, Holding], places: Mapping[str, str], name: str
) -> None:
    """Raise when a changed specimen contradicts its load or lot."""
    ordered = [n for n in after if n not in places] + list(places)
    rows = [
        (places.get(n) or after[n].place, after[n].specimen)
        for n in ordered
        if not after[n].excluded
    ]
    changed = set(places.values())
    problems = [Problem.at(where, fault) for where, fault in group_faults(rows) if where in changed]
    if problems:
        raise refusal(problems, name)
