"""What a campaign has cost so far, as far as the ledger tells: specimens, sections, furnace loads and tool set-ups.

A tool temperature is set up once for all specimens that are formed at it in one week.  Specimens of a plan belong to that plan's week,
others to the calendar week of their date; what has no date counts as one week, which can only be too little.
"""

from __future__ import annotations

import datetime
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from planner.lab.definition import Definition
from planner.lab.specimen import Specimen


@dataclass(frozen=True)
class Spent:
    """What was spent before today."""

    money: float
    """Specimens, sections and set-ups of everything recorded, in the campaign's currency."""
    weeks: int
    """Weeks with results; at least 1 once a plan was issued."""
    furnace_loads: int
    tool_setups: int


def spent_so_far(definition: Definition, specimens: Iterable[Specimen], plans: Mapping[int, Iterable[str]]) -> Spent:
    """Add up what is recorded.

    Parameters
    ----------
    definition : Definition
        Costs as they are today.
    specimens : iterable of Specimen
        Everything recorded, excluded ones too: they were paid for.
    plans : mapping of number to specimen labels
        Issued plans.

    Returns
    -------
    Spent
    """
    plan_of = {label: number for number, labels in plans.items() for label in labels}
    money, loads, setups, weeks = 0.0, set(), set(), set()
    for one in specimens:
        kind = definition.specimens.get(one.specimen_type)
        if kind is None:
            continue
        cut = kind.section is not None and one.section_feature is not None
        money += kind.cost + (kind.section.cost if cut else 0.0)
        week = None if one.date is None else datetime.date.fromisoformat(one.date).isocalendar()[:2]
        loads |= {one.furnace_load} - {None}
        weeks |= {week} - {None}
        if one.forming_temperature_degC is not None:
            setups.add((plan_of.get(one.specimen, week), one.forming_temperature_degC))
    setup = definition.week.setup
    money += len(loads) * setup.furnace_load + len(setups) * setup.tool_temperature
    return Spent(money, max(len(weeks), 1 if plans else 0), len(loads), len(setups))
