"""No plan breaks a limit: random campaigns, stocks and budgets, counted again here without the planner's arithmetic."""

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from planner.acquisition.limits import Limits, Needs, Tally
from planner.acquisition.propose import propose
from planner.lab.campaign_rules import least_change_of_setting, nearest_reachable, unreachable
from planner.lab.errors import UserError


WEEKS = st.fixed_dictionaries(
    {},
    optional={
        "budget": st.sampled_from([0.0, 24.0, 90.0, 900.0, 1500.0, 2500.0, 4000.0, 6000.0, 9000.0]),
        "hours": st.sampled_from([0.5, 8.0, 20.0, 40.0, 90.0]),
        "furnace_loads": st.sampled_from([0, 1, 2, 4, 6]),
        "places_per_load": st.sampled_from([1, 2, 3, 4, 6]),
        "tool_temperatures": st.sampled_from([1, 2, 3, 4]),
        "sections": st.sampled_from([0, 1, 3, 6, 12]),
        "setup": st.fixed_dictionaries({"furnace_load": st.sampled_from([0.0, 150.0]), "tool_temperature": st.sampled_from([0.0, 60.0])}),
    },
)
ALL_IN_STOCK = [(("K1", "O"), 40), (("K2", "H24"), 40), (("K3", "O"), 20)]
STOCKS = st.lists(
    st.tuples(st.sampled_from([("K1", "O"), ("K2", "H24"), ("K3", "O"), ("K4", "H24")]), st.sampled_from([0, 1, 5, 40, 60])),
    max_size=4,
    unique_by=lambda x: x[0],
).map(lambda found: found or ALL_IN_STOCK)


def audited(definition, rows):
    """Count a plan's use from its rows and the definition's own numbers."""
    control = definition.control
    loads, temperatures, stock = {}, set(), {}
    cost = hours = sections = 0.0
    for row in rows:
        c = row.candidate
        kind = definition.specimens[c.specimen_type]
        extra = kind.section if c.specimen_type == "component" and c.section_feature is not None else None
        cost += kind.cost + (extra.cost if extra else 0)
        hours += kind.hours + (extra.hours if extra else 0)
        sections += kind.sections + (extra.sections if extra else 0)
        temperatures.add(c.forming_temperature_degC)
        stock[c.lot] = stock.get(c.lot, 0) + kind.blanks
        assert (row.furnace_load is not None) == kind.furnace == (c.braze is not None)
        if row.furnace_load is not None:
            loads.setdefault(row.furnace_load, []).append(row)
        for rule in definition.out_of_reach:
            named = {k: v for k, v in dict(rule).items() if k != "why" and v is not None}
            assert not all(
                getattr(c, k) is not None and v[0] <= getattr(c, k) <= v[1] for k, v in named.items()
            ), f"{c} is out of reach"
    for members in loads.values():
        assert len({m.candidate.braze for m in members}) == 1
        controls = [m for m in members if m.purpose == "control"]
        assert len(controls) == (control is not None)
        for m in controls:
            got = m.candidate
            assert (got.specimen_type, got.temper, got.forming_temperature_degC, got.strain) == (
                control.specimen_type, control.temper, control.forming_temperature_degC, control.strain,
            )  # fmt: skip
        assert len(members) > len(controls)
    week = definition.week
    cost += len(loads) * week.setup.furnace_load + len(temperatures) * week.setup.tool_temperature
    places = max((sum(definition.specimens[m.candidate.specimen_type].places for m in v) for v in loads.values()), default=0)
    used = {
        "budget": cost, "hours": hours, "furnace_loads": len(loads), "places_per_load": places,
        "tool_temperatures": len(temperatures), "sections": sections,
    }  # fmt: skip
    for name, value in used.items():
        limit = getattr(week, name)
        assert limit is None or value <= limit + 1e-6, f"{name}: {value} of {limit}"
    on_hand = {s.lot: (s.temper, s.blanks) for s in definition.stock}
    for lot, n in stock.items():
        assert n <= on_hand[lot][1]
    for row in rows:
        assert on_hand[row.candidate.lot][0] == row.candidate.temper
    return used


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow], derandomize=True)
@given(
    week=WEEKS,
    stock=STOCKS,
    one_temper=st.booleans(),
    insisted=st.sampled_from([False, False, False, True]),
    control=st.sampled_from(["on", "off", "component"]),
    types=st.sampled_from([None, None, None, "bend_coupon", "component"]),
)
def test_a_plan_is_inside_every_limit_or_says_which_binds(varied, world, week, stock, one_temper, insisted, control, types):
    full = varied()
    tables = full.model_dump(mode="json", by_alias=True, exclude_none=True)
    tempers = ["O"] if one_temper else ["O", "H24"]
    lots = [{"lot": lot, "temper": t, "blanks": n} for (lot, t), n in stock if t in tempers]
    factors = {**tables["factors"], "tempers": tempers}
    specimens = {types: tables["specimens"][types]} if types else tables["specimens"]
    switch = {"loads": control != "off" and types != "bend_coupon", "temper": "O"}
    switch["specimen_type"] = "component" if control == "component" or types == "component" else "braze_coupon"
    with_insist = insisted and types != "bend_coupon"
    definition = varied(
        factors=factors, stock=lots, week=week, specimens=specimens, control=switch, target=None,
        beliefs=None, insist=tables["insist"] if with_insist else None,
    )  # fmt: skip
    reference, predictor = world(definition, n_draws=60, log2_points=5)
    try:
        proposal = propose(
            definition, reference=reference, predictor=predictor, n_candidates=60, with_optimism=False,
            rng=np.random.default_rng(4),
        )  # fmt: skip
    except UserError as error:
        assert "bind" in str(error)
        assert error.fix and error.allowed
        return
    used = audited(definition, proposal.rows)
    assert proposal.rows
    assert proposal.cost == pytest.approx(used["budget"])
    assert proposal.hours == pytest.approx(used["hours"])
    assert (proposal.furnace_loads, proposal.tool_temperatures) == (used["furnace_loads"], used["tool_temperatures"])
    assert proposal.sections == used["sections"]
    assert proposal.forecast.gain >= -1e-6


def raised(definition, world, **given):
    reference, predictor = world(definition, n_draws=60, log2_points=5)
    with pytest.raises(UserError) as error:
        propose(definition, reference=reference, predictor=predictor, n_candidates=60, rng=np.random.default_rng(1), **given)
    return str(error.value)


def test_a_budget_too_small_names_the_least_change(varied, world):
    definition = varied(insist=None, week={"budget": 30.0, "setup": {"furnace_load": 150.0, "tool_temperature": 60.0}})
    message = raised(definition, world)
    assert "budget binds" in message
    assert "85.00 EUR" in message  # a bend coupon for 25 and its tool temperature for 60


def test_an_empty_shelf_names_stock(varied, world):
    assert "stock binds" in raised(varied(insist=None, stock=[]), world)
    assert "stock binds" in raised(varied(insist=None, stock=[{"lot": "K1", "temper": "O", "blanks": 0}]), world)


def test_an_insisted_trial_that_does_not_fit_is_named(varied, world):
    message = raised(varied(week={"budget": 700.0, "setup": {"furnace_load": 150.0, "tool_temperature": 60.0}}), world)
    assert "insisted" in message and "budget binds" in message
    assert "820.00 EUR" in message  # component 420, control 130, load 150, two tool temperatures 120
    assert "no lot of it is in stock" in raised(varied(stock=[{"lot": "K2", "temper": "H24", "blanks": 9}]), world)


def test_a_load_without_its_control_is_not_opened(varied, world):
    definition = varied(insist=None, stock=[{"lot": "K2", "temper": "H24", "blanks": 80}])
    reference, predictor = world(definition)
    p = propose(definition, reference=reference, predictor=predictor, n_candidates=80, rng=np.random.default_rng(1))
    assert p.furnace_loads == 0
    assert "stock" in p.binding


def test_budget_and_blanks_given_for_the_day_replace_those_of_the_file(definition):
    limits = Limits.of(definition, blanks={"K1": 3, "K2": -1}, budget=100.0)
    assert limits.blanks == {"K1": 3, "K2": 0, "K3": 0}
    assert limits.allowed["budget"] == 100.0
    assert limits.lots_of("O") == ["K1"]


def test_the_tally_takes_back_what_it_took(definition):
    limits = Limits.of(definition)
    control = limits.control("K1", (601.0, 3.0))
    needs = Needs(limits, [control, control.at_braze((596.0, 2.0))])
    tally = Tally(limits, needs)
    tally.open(0, 0)
    tally.add(1, 0)
    assert tally.cost == 2 * 130.0 + 150.0 + 60.0
    assert not tally.broken()
    tally.remove(1, 0)
    tally.close(0)
    assert (tally.cost, tally.hours, tally.sections) == (0.0, 0.0, 0)


WEEK = {"budget": 6000.0, "hours": 90.0, "furnace_loads": 4, "places_per_load": 6, "tool_temperatures": 4, "sections": 12,
        "setup": {"furnace_load": 150.0, "tool_temperature": 60.0}}


@pytest.mark.parametrize(("name", "value", "least"), [
    ("furnace_loads", 0, 1), ("places_per_load", 1, 2), ("tool_temperatures", 1, 2), ("sections", 0, 1), ("hours", 6.0, 7.5), ("budget", 700.0, 820.0)])
def test_every_limit_names_the_least_change_and_with_it_the_trial_fits(varied, world, name, value, least):
    message = raised(varied(week=WEEK | {name: value}), world)
    assert f"{name} binds" in message and "insisted" in message
    assert (f"at least {least:g}:" if name != "budget" else "820.00 EUR") in message
    definition = varied(week=WEEK | {name: least})
    reference, predictor = world(definition, n_draws=60, log2_points=5)
    plan = propose(definition, reference=reference, predictor=predictor, n_candidates=60, with_optimism=False, rng=np.random.default_rng(1))
    assert any(row.role == "insisted" for row in plan.rows)


def test_blanks_that_are_missing_are_counted_and_with_them_the_trial_fits(varied, world):
    stock = lambda n: [{"lot": "K1", "temper": "O", "blanks": n}, {"lot": "K2", "temper": "H24", "blanks": 9}]
    message = raised(varied(stock=stock(2)), world)
    assert "stock binds" in message and "1 more blanks of a lot of O" in message           # component 2, control 1
    definition = varied(stock=stock(3))
    reference, predictor = world(definition, n_draws=60, log2_points=5)
    plan = propose(definition, reference=reference, predictor=predictor, n_candidates=60, with_optimism=False, rng=np.random.default_rng(1))
    assert any(row.role == "insisted" for row in plan.rows)


def test_a_control_without_blanks_says_what_would_free_the_load(varied, world):
    insist = [{"specimen_type": "component", "temper": "H24", "forming_temperature_degC": 200.0, "strain": 0.12, "braze_temperature_degC": 601.0,
               "braze_time_min": 3.0, "count": 1}]
    for stock in ([{"lot": "K2", "temper": "H24", "blanks": 9}], [{"lot": "K2", "temper": "H24", "blanks": 9}, {"lot": "K1", "temper": "O", "blanks": 0}]):
        message = raised(varied(insist=insist, stock=stock), world)
        assert "control" in message and "stock binds" in message and "1 more blanks of a lot of O" in message


def test_a_setting_out_of_reach_is_named(varied, world):
    insist = [{"specimen_type": "component", "temper": "O", "forming_temperature_degC": 270.0, "strain": 0.12, "braze_temperature_degC": 601.0,
               "braze_time_min": 3.0, "count": 1}]
    with pytest.raises(UserError) as error:
        raised(varied(insist=insist, out_of_reach=[{"why": "the tool cannot pass 260 degC", "forming_temperature_degC": [260.0, 280.0]}]), world)
    assert "least change: forming_temperature_degC below 260 (now 270)" in str(error.value)


def test_the_least_change_of_a_setting_out_of_reach_moves_one_factor_within_the_box(varied):
    rules = [{"why": "too slow", "braze_temperature_degC": [608.0, 612.0], "braze_time_min": [0.0, 1.5]}]
    definition = varied(insist=[], out_of_reach=rules)
    low, high = definition.factor_ranges["braze_time_min"]
    setting = {"forming_temperature_degC": 200.0, "strain": 0.1, "braze_temperature_degC": 609.0, "braze_time_min": max(1.2, low)}
    key, side, bound = nearest_reachable(definition, setting)
    assert (key, side, bound) in {("braze_time_min", "above", 1.5), ("braze_temperature_degC", "below", 608.0)}
    moved = setting | {key: bound + (1e-3 if side == "above" else -1e-3)}
    assert unreachable(definition, moved) is None
    walled = varied(insist=[], target=None, out_of_reach=[*rules, {"why": "cold", "forming_temperature_degC": [0.0, 250.0]}])
    assert "below" not in least_change_of_setting(walled, setting) or unreachable(walled, setting) is None


@pytest.mark.parametrize("seed", range(6))
def test_exchanges_leave_insisted_trials_at_their_own_braze(varied, world, seed):
    """Several brazes insisted on, few other candidates: a trial insisted on may be taken once more, yet it exists at one braze alone."""
    rng = np.random.default_rng(seed)
    insist = [{"specimen_type": "component", "temper": str(rng.choice(["O", "H24"])), "forming_temperature_degC": float(rng.choice([120.0, 160.0, 200.0])),
               "strain": float(rng.choice([0.04, 0.08, 0.12])), "braze_temperature_degC": float(rng.choice([598.0, 601.0, 604.0])), "braze_time_min": 3.0, "count": 1}
              for _ in range(5)]  # fmt: skip
    definition = varied(insist=insist, week=WEEK | {"budget": 9000.0, "hours": 200.0, "furnace_loads": 6, "places_per_load": 8})
    reference, predictor = world(definition, n_draws=60, log2_points=5)
    plan = propose(definition, reference=reference, predictor=predictor, n_candidates=40, with_optimism=False, rng=np.random.default_rng(seed))
    audited(definition, plan.rows)
    assert sum(row.role == "insisted" for row in plan.rows) == 5
