"""What a campaign has cost so far, as far as the ledger tells: specimens, sections, furnace loads and tool set-ups.

A tool temperature is set up once for all specimens that are formed at it in one week.  Specimens of a plan belong to that plan's week,
others to the calendar week of their date; what has no date counts as one week, which can only be too little.  What is planned and not
reported yet is bound: its money and its week are gone too, whoever looks ahead.
"""

from __future__ import annotations

import datetime
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

from planner.lab.definition import Definition
from planner.lab.specimen import Specimen


@dataclass(frozen=True)
class Spent:
    """What was spent before today."""

    money: float
    """Specimens, sections and set-ups of everything recorded, in the campaign's currency."""
    weeks: int
    """Weeks with results."""
    furnace_loads: int
    tool_setups: int
    bound: float = 0.0
    """What the specimens still awaited add to `money`."""
    weeks_bound: int = 0
    dates: tuple[str, str] | None = None
    """First and last date of what is recorded, ISO; None where nothing is dated."""
    """Plans of which nothing is reported yet."""


def spent_so_far(definition: Definition, specimens: Iterable[Specimen], plans: Mapping[int, Iterable[str]], *, pending: Iterable[Specimen] = ()) -> Spent:
    """Add up what is recorded.

    Parameters
    ----------
    definition : Definition
        Costs as they are today.
    specimens : iterable of Specimen
        Everything recorded, excluded ones too: they were paid for.
    plans : mapping of number to specimen labels
        Issued plans.
    pending : iterable of Specimen, default none
        Planned and not reported yet.

    Returns
    -------
    Spent
    """
    plan_of = {label: number for number, labels in plans.items() for label in labels}
    recorded, awaited = list(specimens), list(pending)
    days = [one.date for one in recorded if one.date is not None]
    found = _counted(definition, recorded, plan_of)
    known = {one.specimen for one in recorded}
    more = _counted(definition, [*recorded, *(one for one in awaited if one.specimen not in known)], plan_of)
    begun = {plan_of.get(one.specimen) for one in recorded}
    return replace(found, dates=(min(days), max(days)) if days else None, bound=more.money - found.money, weeks_bound=len({plan_of.get(one.specimen) for one in awaited} - begun))


def _counted(definition: Definition, specimens: Iterable[Specimen], plan_of: Mapping[str, int]) -> Spent:
    """Add specimens up."""
    money, loads, setups, weeks, undated = 0.0, set(), set(), set(), set()
    dated = set()
    for one in specimens:
        kind = definition.specimens.get(one.specimen_type)
        if kind is None:
            continue
        cut = kind.section is not None and one.section_feature is not None
        money += kind.cost + (kind.section.cost if cut else 0.0)
        week = None if one.date is None else datetime.date.fromisoformat(one.date).isocalendar()[:2]
        loads |= {one.furnace_load} - {None}
        plan = plan_of.get(one.specimen)
        if week is None:
            undated.add(plan)
        else:
            weeks.add(week)
            dated.add(plan)
        if one.forming_temperature_degC is not None:
            setups.add((week if plan is None else plan, one.forming_temperature_degC))
    setup = definition.week.setup
    money += len(loads) * setup.furnace_load + len(setups) * setup.tool_temperature
    return Spent(money, len(weeks) + len(undated - dated), len(loads), len(setups))
