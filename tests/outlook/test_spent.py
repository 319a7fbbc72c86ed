"""Money already spent, counted by hand on invented rows."""

from pathlib import Path

import pytest

from planner.lab.campaign import read_definition
from planner.lab.specimen import Specimen
from planner.outlook.spent import spent_so_far

DEFINITION = read_definition(Path(__file__).parents[1] / "acquisition" / "data" / "campaign.toml")
TOOL, LOAD = DEFINITION.week.setup.tool_temperature, DEFINITION.week.setup.furnace_load
COUPON, PART = DEFINITION.specimens["tensile_coupon"], DEFINITION.specimens["component"]


def coupon(label, warm, date=None):
    return Specimen(label, "tensile_coupon", "O", "K1", warm, 0.1, date=date)


def part(label, warm, load, *, cut=None, date=None):
    return Specimen(label, "component", "O", "K1", warm, 0.1, 600.0, 3.0, load, date, section_feature=cut)


def test_nothing_is_nothing():
    assert spent_so_far(DEFINITION, [], {}).money == 0.0
    assert spent_so_far(DEFINITION, [], {1: ["a"]}).weeks == 0           # a plan is no result


def test_weeks_are_calendar_weeks_and_plans_without_a_date():
    rows = [coupon("x", 20.0, "2026-03-02"), coupon("P1-1", 20.0, "2026-03-04"), coupon("P1-2", 20.0), coupon("P2-1", 20.0), coupon("P2-2", 20.0)]
    assert spent_so_far(DEFINITION, rows, {1: ["P1-1", "P1-2"], 2: ["P2-1", "P2-2"]}).weeks == 2


def test_what_is_planned_and_not_reported_is_bound():
    """A week of which one coupon came back: its tool is paid for, its load is not; and a week of which nothing came back."""
    rows = [coupon("P1-1", 20.0, "2026-03-02")]
    waiting = [coupon("P1-2", 20.0), part("P1-3", 20.0, "P1-L1", cut="joint land"), coupon("P2-1", 150.0)]
    found = spent_so_far(DEFINITION, rows, {1: ["P1-1", "P1-2", "P1-3"], 2: ["P2-1"]}, pending=waiting)
    assert (found.weeks, found.weeks_bound) == (1, 1)
    assert found.money == pytest.approx(COUPON.cost + TOOL)
    assert found.bound == pytest.approx(2 * COUPON.cost + PART.cost + PART.section.cost + LOAD + TOOL)
    assert spent_so_far(DEFINITION, rows, {1: ["P1-1"]}).bound == 0.0


def test_a_tool_temperature_is_set_up_once_a_week():
    week = [coupon("a", 20.0, "2026-03-02"), coupon("b", 20.0, "2026-03-06"), coupon("c", 200.0, "2026-03-03"), coupon("d", 20.0, "2026-03-09")]
    found = spent_so_far(DEFINITION, week, {})
    assert TOOL > 0 and found.tool_setups == 3 and found.weeks == 2
    assert found.money == pytest.approx(4 * COUPON.cost + 3 * TOOL)


def test_specimens_of_a_plan_share_its_set_ups_whatever_their_dates():
    rows = [coupon("P1-1", 20.0, "2026-03-02"), coupon("P1-2", 20.0, "2026-03-20"), coupon("x", 20.0, "2026-03-02"), coupon("y", 20.0), coupon("z", 20.0)]
    found = spent_so_far(DEFINITION, rows, {1: ["P1-1", "P1-2"]})
    assert found.tool_setups == 3                          # the plan's, the dated one's, the undated ones'
    assert found.money == pytest.approx(5 * COUPON.cost + 3 * TOOL)


def test_loads_and_sections_are_in_it():
    rows = [part("a", 20.0, "L1", cut="joint land"), part("b", 20.0, "L1"), part("c", 20.0, "L2")]
    found = spent_so_far(DEFINITION, rows, {})
    assert (found.furnace_loads, found.tool_setups) == (2, 1)
    assert found.money == pytest.approx(3 * PART.cost + PART.section.cost + 2 * LOAD + TOOL)
