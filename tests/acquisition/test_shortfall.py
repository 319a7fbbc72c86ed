"""What does not fit is totalled once: every limit that binds is named with what would be enough, and with that it fits. Invented campaigns."""

import re

import numpy as np
import pytest

from planner.acquisition.candidates import build_pool
from planner.acquisition.infeasible import NothingFits
from planner.acquisition.propose import propose
from planner.acquisition.shortfall import missing_blanks, packed
from planner.acquisition.candidate import Candidate
from planner.acquisition.limits import Limits
from planner.lab.errors import SHOWN_CHARACTERS

WEEK = {"budget": 6000.0, "hours": 90.0, "furnace_loads": 4, "places_per_load": 6, "tool_temperatures": 4, "sections": 12,
        "setup": {"furnace_load": 150.0, "tool_temperature": 60.0}}
COLD = [{"why": "no cold tool", "forming_temperature_degC": [0.0, 30.0]}]
BRAZE = {"braze_temperature_degC": 601.0, "braze_time_min": 3.0}


def insisted(count=1, temper="O", kind="component", **more):
    return [{"specimen_type": kind, "temper": temper, "forming_temperature_degC": 200.0, "strain": 0.12, "count": count} | BRAZE | more]


def planned(definition, world):
    reference, predictor = world(definition, n_draws=60, log2_points=5)
    return propose(definition, reference=reference, predictor=predictor, n_candidates=60, with_optimism=False, rng=np.random.default_rng(1))


def refused(definition, world):
    with pytest.raises(NothingFits) as error:
        planned(definition, world)
    assert error.value.found is None or len(error.value.found) <= SHOWN_CHARACTERS          # nothing of it is cut off
    return error.value


def test_a_control_out_of_reach_is_what_is_named_and_moving_it_frees_the_trial(varied, world):
    control = {"specimen_type": "braze_coupon", "temper": "O", "forming_temperature_degC": 20.0, "strain": 0.05}
    error = refused(varied(insist=insisted(), out_of_reach=COLD, control=control), world)
    assert error.binding == ("out_of_reach",) and "the load's control, 20 degC" in error.what and "no cold tool" in error.what
    assert error.allowed.startswith("[control] forming_temperature_degC above 30 (now 20) or [control] loads = false")
    assert "braze" not in error.allowed.partition(":")[0]
    for freed in (control | {"forming_temperature_degC": 31.0}, {"loads": False}):
        assert planned(varied(insist=insisted(), out_of_reach=COLD, control=freed), world).furnace_loads >= 1


def test_a_control_that_no_setting_of_its_own_frees_can_be_turned_off(varied, world):
    walls = [{"why": "the furnace stands still", "strain": [0.0, 0.11]}, {"why": "cold", "forming_temperature_degC": [0.0, 150.0]}]
    error = refused(varied(insist=insisted(), target=None, out_of_reach=walls), world)
    assert error.allowed.startswith("[control] loads = false")


def test_the_whole_insisted_list_is_totalled_at_once_and_with_that_it_fits(varied, world):
    """30 components: 6 loads of 5 beside the control; each number is counted here by hand."""
    error = refused(varied(insist=insisted(30), week=WEEK), world)
    assert error.binding == ("furnace_loads", "hours", "budget")
    assert "30 insisted trials, in 6 furnace loads with a control each" in error.what
    cost, hours = 30 * 420 + 6 * (130 + 150) + 2 * 60, 30 * 5 + 6 * 2.5
    assert f"furnace_loads of at least 6 and [week] hours of at least {hours:g} and a budget of at least {cost:.2f} EUR" in error.allowed
    enough = WEEK | {"furnace_loads": 6, "hours": hours, "budget": float(cost)}
    assert sum(row.role == "insisted" for row in planned(varied(insist=insisted(30), week=enough), world).rows) == 30
    for name, less in (("furnace_loads", 5), ("hours", hours - 0.1), ("budget", cost - 0.01)):
        assert refused(varied(insist=insisted(30), week=enough | {name: less}), world).binding == (name,)


def test_a_list_of_several_entries_counts_every_tool_and_load(varied, world):
    three = insisted() + insisted(kind="braze_coupon", temper="H24", forming_temperature_degC=120.0, braze_time_min=4.0) + [
        {"specimen_type": "tensile_coupon", "temper": "O", "forming_temperature_degC": 90.0, "count": 2}]  # fmt: skip
    error = refused(varied(insist=three, week=WEEK | {"tool_temperatures": 2, "furnace_loads": 1, "sections": 2}), world)
    assert error.binding == ("furnace_loads", "tool_temperatures", "sections")
    assert all(f"[week] {words}" in error.allowed for words in ("furnace_loads of at least 2", "tool_temperatures of at least 4", "sections of at least 3"))


@pytest.mark.parametrize(("count", "blanks", "missing"), [(1, (0, 0), 3), (1, (2, 0), 1), (2, (1, 3), 1), (2, (0, 1), 4)])
def test_blanks_are_summed_over_specimens_and_controls_and_with_them_the_trials_fit(varied, world, count, blanks, missing):
    def stock(first, second):
        return [{"lot": "K1", "temper": "O", "blanks": first}, {"lot": "K3", "temper": "O", "blanks": second}, {"lot": "K2", "temper": "H24", "blanks": 9}]

    error = refused(varied(insist=insisted(count), stock=stock(*blanks)), world)
    assert error.binding == ("stock",)
    assert f"{missing} more blanks of a lot of O (free now: K1 {blanks[0]}, K3 {blanks[1]})" in error.allowed
    assert error.found == f"blanks free: O {sum(blanks)}"
    topped = stock(blanks[0], blanks[1] + missing) if blanks[1] >= blanks[0] else stock(blanks[0] + missing, blanks[1])
    assert sum(row.role == "insisted" for row in planned(varied(insist=insisted(count), stock=topped), world).rows) == count


def test_both_tempers_are_named_where_specimen_and_control_lack_blanks(varied, world):
    stock = [{"lot": "K1", "temper": "O", "blanks": 0}, {"lot": "K2", "temper": "H24", "blanks": 1}]
    error = refused(varied(insist=insisted(temper="H24"), stock=stock), world)
    assert "1 more blanks of a lot of O" in error.allowed and "1 more blanks of a lot of H24" in error.allowed


def test_the_control_may_come_from_another_lot_than_the_first(varied, world):
    stock = [{"lot": "K1", "temper": "O", "blanks": 2}, {"lot": "K3", "temper": "O", "blanks": 1}, {"lot": "K2", "temper": "H24", "blanks": 9}]
    rows = planned(varied(insist=insisted(), stock=stock), world).rows
    assert {(row.role, row.candidate.lot) for row in rows if row.candidate.temper == "O"} == {("insisted", "K1"), ("control", "K3")}


def test_nothing_but_brazed_specimens_and_no_control_for_them(varied, world):
    specimens = varied().model_dump(mode="json", by_alias=True, exclude_none=True)["specimens"]
    only = {name: specimens[name] for name in ("braze_coupon", "component")}
    error = refused(varied(insist=None, specimens=only, stock=[{"lot": "K2", "temper": "H24", "blanks": 9}]), world)
    assert "1 more blanks of a lot of O" in error.allowed and "furnace load with its control" in error.allowed


@pytest.mark.parametrize(("tables", "binds", "change"), [
    ({"week": WEEK | {"sections": 0}}, "sections binds", "[week] sections of at least 1 frees a "),
    ({"week": WEEK | {"furnace_loads": 0}}, "furnace_loads binds", "[week] furnace_loads of at least 1 frees a "),
    ({"out_of_reach": COLD}, "out_of_reach binds (the load's control, 20 degC", "[control] forming_temperature_degC above 30 (now 20) or [control] loads = false frees"),
    ({"stock": [{"lot": "K2", "temper": "H24", "blanks": 80}]}, "stock binds", "1 more blanks of a lot of O frees"),
])  # fmt: skip
def test_loads_that_stay_shut_are_said_with_the_limit_and_the_least_change(varied, world, tables, binds, change):
    plan = planned(varied(insist=None, **tables), world)
    assert plan.furnace_loads == 0
    (said,) = plan.notices
    assert said.startswith(f"no furnace load is opened: {binds}") and change in said


def test_a_plan_with_loads_says_nothing_of_them(varied, world):
    assert planned(varied(insist=None), world).notices == ()


def test_what_is_left_out_was_to_be_had_or_is_said_to_be_out_by_a_limit(varied, world):
    """Nothing that would bring more for its money than the plan does is called not worth its money; all are on the scale of the plan's gain."""
    for week in (WEEK | {"sections": 0}, WEEK | {"furnace_loads": 0}, WEEK | {"budget": 3000.0}, WEEK):
        plan = planned(varied(insist=None, week=week), world)
        average = plan.forecast.gain / plan.cost
        for one in plan.not_worth:
            told = [float(x) for x in re.findall(r"(\d+\.\d{3}) (?:points|a thousand)|by (\d+\.\d{3}) a", one.why) for x in x if x]
            assert "e-" not in one.why
            assert told[-1] == pytest.approx(1e5 * average, abs=6e-4)
            if one.gain >= 5e-6:
                assert told[0] == pytest.approx(100 * one.gain, abs=6e-4)
                assert told[1] == pytest.approx(1e5 * one.gain / one.cost, abs=6e-4)
            if one.gain / one.cost > average:
                assert one.why.startswith("kept out by a limit of the week")
        if week["sections"] == 0:
            out = [n for n in plan.not_worth if n.what.startswith(("braze", "component"))]
            assert out and all("limit of the week, sections:" in n.why for n in out if n.gain / n.cost > average)


def test_what_is_left_out_is_priced_with_what_it_brings_along(varied, world):
    """In a week of coupons alone a component comes with a furnace load's set-up, a control and a tool's set-up."""
    week = WEEK | {"budget": 500.0}
    plan = planned(varied(insist=None, week=week), world)
    d = varied(insist=None, week=week)
    one = next(n for n in plan.not_worth if n.what.startswith("component") and "section" not in n.what)
    bare = d.specimens["component"].cost + d.week.setup.furnace_load + d.specimens["braze_coupon"].cost
    assert plan.furnace_loads == 0
    assert one.cost in [pytest.approx(bare + n * d.week.setup.tool_temperature) for n in (0, 1, 2)]
    assert "for what it brings along: set-up, control" in one.why and f"{one.cost - d.specimens['component'].cost:g} of it" in one.why


def test_a_load_without_blanks_for_its_control_is_no_way_in(varied, world):
    """O: one blank, which the plan's one load takes for its control; a kind that would need another load is kept out by stock and not weighed without control."""
    stock = [{"lot": "K1", "temper": "O", "blanks": 1}, {"lot": "K2", "temper": "H24", "blanks": 60}]
    plan = planned(varied(insist=None, stock=stock, week=WEEK | {"places_per_load": 2}), world)
    assert plan.furnace_loads == 1
    out = [n for n in plan.not_worth if n.what.startswith(("braze", "component"))]
    average = plan.forecast.gain / plan.cost
    assert out and all(n.why.startswith("kept out by a limit of the week") for n in out if n.gain / n.cost > average)
    assert all("e-" not in n.why for n in plan.not_worth)


def test_insisted_trials_leave_the_last_blanks_of_a_small_lot_to_the_control(varied, world):
    """O: K1 4 blanks, K3 40. Two components of two blanks each from K1 would leave the load without its control."""
    stock = [{"lot": "K1", "temper": "O", "blanks": 4}, {"lot": "K3", "temper": "O", "blanks": 40}, {"lot": "K2", "temper": "H24", "blanks": 40}]
    rows = planned(varied(insist=insisted(2), stock=stock), world).rows
    assert [row.candidate.lot for row in rows if row.role == "insisted"] == ["K3", "K3"]


def test_an_insisted_coupon_takes_no_blank_that_a_component_needs(varied, world):
    """K1 2 blanks, K3 1, one of them for the control of a lot of its own: the larger specimen is cut first."""
    stock = [{"lot": "K1", "temper": "O", "blanks": 2}, {"lot": "K3", "temper": "O", "blanks": 2}, {"lot": "K2", "temper": "H24", "blanks": 9}]
    both = [{"specimen_type": "tensile_coupon", "temper": "O", "forming_temperature_degC": 90.0}, *insisted()]
    rows = planned(varied(insist=both, stock=stock), world).rows
    lots = {row.candidate.specimen_type: row.candidate.lot for row in rows if row.role == "insisted"}
    assert lots["tensile_coupon"] != lots["component"]


def test_a_week_without_a_furnace_does_not_buy_coupons_without_end(varied, world):
    """What the next coupon brings is held against the plan's average as soon as no load can be opened any more."""
    for tables in ({"week": WEEK | {"furnace_loads": 0, "hours": 900.0}}, {"stock": [{"lot": "K2", "temper": "H24", "blanks": 500}], "week": {"furnace_loads": 0}}):
        plan = planned(varied(insist=None, **tables), world)
        assert plan.furnace_loads == 0 and 3 <= plan.n_trials <= 60


def test_tools_that_can_no_longer_be_reached_are_not_offered_again(varied, world):
    """A rig that now stops at 260 degC: temperatures of old trials beyond it would fill the list with what can never be chosen."""
    d = varied(insist=None, out_of_reach=[{"why": "heater band", "forming_temperature_degC": [260.0, 300.0]}])
    reference, predictor = world(d, n_draws=60, log2_points=5)
    old = [Candidate("bend_coupon", "O", "K1", t) for t in (265.0, 270.0, 275.0, 280.0) for _ in range(3)]
    pool = build_pool(d, Limits.of(d), reference, history=old, n_candidates=120, rng=np.random.default_rng(1))
    assert not {c.forming_temperature_degC for c in pool.candidates} & {265.0, 270.0, 275.0, 280.0}


def test_trials_are_packed_by_braze_and_places(definition):
    limits = Limits.of(definition)
    one = Candidate("component", "O", "K1", 200.0, 0.1, 601.0, 3.0)
    loose, loads = packed(limits, [one] * 7 + [one.at_braze((600.0, 3.0)), Candidate("bend_coupon", "O", "K1", 20.0)])
    assert (len(loose), [len(members) for members in loads]) == (1, [5, 2, 1])
    assert missing_blanks(limits, [one] * 61) == {"O": 2} and missing_blanks(limits, [one] * 60) == {}
