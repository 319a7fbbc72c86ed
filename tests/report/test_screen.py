"""The screen: words, numbers and pictures that survive 100 columns without colour. All records are invented."""

import io

import pytest
from rich.console import Console

from planner.report import check_view, criticism_view, plan_view, screen
from planner.report.cautions import CAUTIONS, VERDICTS
from planner.report.picture import BLOCKS, share_bar, temper_map, window_maps
from planner.report.terminal import Progress


def _print(renderable, width=100, encoding="utf-8"):
    raw = io.TextIOWrapper(io.BytesIO(), encoding=encoding)
    console = Console(file=raw, width=width, color_system=None, force_terminal=False)
    console.print(renderable)
    raw.flush()
    lines = raw.buffer.getvalue().decode(encoding).splitlines()
    assert all(len(line) <= width for line in lines)
    return "\n".join(line.rstrip() for line in lines)


@pytest.fixture
def a_map():
    kind = [[-1, -1, 0, 0], [1, 0, 0, -1], [1, 1, 1, 0]]
    return {
        "temper": "H24",
        "braze_temperature_degC": 601.5,
        "braze_time_min": 3.2,
        "forming_temperature_degC": [50.0, 150.0, 250.0],
        "strain": [0.04, 0.1, 0.16, 0.22],
        "kind": kind,
        "reachable": [[True] * 4, [True] * 4, [True] * 4],
        "extrapolated": [[False] * 4, [False] * 4, [False, False, True, False]],
    }


@pytest.fixture
def a_claim():
    ranges = {
        "forming_temperature_degC": [183.0, 240.0],
        "strain": [0.04, 0.105],
        "braze_temperature_degC": [598.0, 605.5],
        "braze_time_min": [2.0, 4.0],
    }
    return {"temper": "H24", "ranges": ranges, "joint_probability": 0.9621, "error": 0.004, "extrapolated": False}


@pytest.fixture
def a_window(a_claim):
    of = {"claimed_share": 0.11, "excluded_share": 0.52, "undecided_share": 0.37, "pointwise_share": 0.17}
    return {
        "verdict": "CONVERGED",
        "misclassification": 0.142,
        **of,
        "claims": [a_claim],
        "reliability": 0.9,
        "monte_carlo_error": {"misclassification": 0.002, "claimed_share": 0.007},
        "without_extrapolated": {**of, "claimed_share": 0.08},
        "lots_seen": None,
        "joint_claim": {
            "verdict": "CLAIMED",
            "words": "every point of the claimed region conforms with probability at least 0.95",
            "joint_probability": 0.9611,
            "points_checked": 3120,
            "ess": 1740.2,
        },
        "target": {**a_claim, "joint_probability": 0.71, "verdict": "NOT_CERTIFIED"},
        "notices": ["lot spread rests on the prior: 2 lots and 3 furnace loads seen"],
    }


def test_the_map_is_exact_to_the_character(a_map):
    assert _print(temper_map(a_map)).splitlines() == [
        "H24  brazed at 601.5 degC for 3.2 min",
        "forming temperature [degC]",
        "  250 │█████ ░░",
        "      │██░░░░ ·",
        "   50 │ · ·░░░░",
        "      └────────",
        "       0.040.160.22",
        "       strain [1]",
    ]


def test_the_legend_names_every_kind_that_occurs(a_map):
    shown = _print(window_maps([a_map]))
    for word in ("claimed:", "claimed by extrapolation", "undecided", "excluded"):
        assert word in shown
    assert "out of reach" not in shown
    a_map["reachable"][0][0] = False
    assert "out of reach" in _print(window_maps([a_map]))
    assert BLOCKS.unreachable in _print(window_maps([a_map]))


def test_maps_of_two_tempers_of_full_size_stand_side_by_side(a_map):
    wide = {
        **a_map,
        "strain": [0.01 * i for i in range(1, 21)],
        "forming_temperature_degC": [20.0 * i for i in range(1, 13)],
        **{key: [[a_map[key][0][0]] * 20] * 12 for key in ("kind", "reachable", "extrapolated")},
    }
    shown = _print(window_maps([{**wide, "temper": "O"}, wide])).splitlines()
    assert shown[0].startswith("O  brazed") and "H24  brazed" in shown[0]
    assert sum(line.count("│") == 2 for line in shown) == 12


def test_terminals_without_unicode(a_map, a_window):
    shown = _print(screen.window(a_window, [a_map], ascii_only=True), encoding="utf-8")
    picture = shown.split("share of the factor box")[0]
    assert picture.isascii() and "##" in picture


def test_the_bar_has_the_three_shares():
    bar = share_bar(0.1, 0.4, 0.5, width=60).plain
    assert (bar.count("█"), bar.count("░"), bar.count("·")) == (6, 24, 30)


def test_the_whole_window(a_window, a_map):
    shown = _print(screen.window(a_window, [a_map]))
    assert "CONVERGED: the fit converged" in shown
    assert "! lot spread rests on the prior" in shown
    assert "11.0 % ± 0.7" in shown and "8.0 %" in shown and "14.2 % ± 0.2" in shown
    assert "0.961 on 3120 points, 1740 effective draws" in shown
    assert "183 .. 240" in shown and "0.962 ± 0.004" in shown
    flat = " ".join(shown.split())
    assert "at every setting in these ranges at least 90 % of new components conform, with probability 0.962" in flat
    assert "with probability 0.710. (not certified as a whole)" in flat
    for unit in ("[degC]", "[1]", "[min]"):
        assert unit in shown


def test_a_window_without_claims_says_so(a_window):
    none = dict.fromkeys(("claimed_share", "excluded_share", "undecided_share", "pointwise_share"))
    bare = {**a_window, **none, "claims": [], "joint_claim": None, "target": None, "verdict": "DIVERGED"}
    shown = _print(screen.window(bare))
    assert "DIVERGED" in shown and "not given" in shown and "14.2 %" in shown
    early = _print(screen.window({**a_window, "claims": []}))
    assert "No operating range can be certified yet" in early


def test_lots_seen_get_their_own_column(a_window):
    seen = {key: a_window[key] for key in a_window if key.endswith("_share")} | {"claimed_share": 0.19}
    shown = _print(screen.shares({**a_window, "lots_seen": seen}))
    assert "for lots seen" in shown and "19.0 %" in shown


def test_extrapolating_ranges_carry_a_mark(a_claim):
    shown = _print(screen.operating_ranges([{**a_claim, "extrapolated": True}]))
    assert "*" in shown and "* extrapolates" in shown


@pytest.fixture
def a_plan():
    trial = {
        "sequence": 1,
        "purpose": "trial",
        "specimen": "W02-001",
        "specimen_type": "component",
        "temper": "O",
        "lot": "K1",
        "forming_temperature_degC": 240.0,
        "strain": 0.15,
        "braze_temperature_degC": 601.0,
        "braze_time_min": 3.0,
        "furnace_load": "W02-L1",
        "section_feature": "joint land",
        "reason": "settles whether O at 240 degC tolerates strain 0.15; now 0.46",
        "expected_gain": 0.0061,
    }
    coupon = {
        "sequence": "2",
        "purpose": "control",
        "specimen": "W02-002",
        "specimen_type": "tensile_coupon",
        "temper": "H24",
        "lot": "K2",
        "forming_temperature [degC]": "20",
        "strain [1]": "",
        "furnace_load": "",
        "reason": "",
        "expected_gain": "",
    }
    return {
        "plan_file": "plans/001/plan.csv",
        "n_trials": 2,
        "cost": 5870.0,
        "hours": 66.5,
        "furnace_loads": 1,
        "tool_temperatures": 2,
        "sections": 1,
        "now": {"misclassification": 0.142, "undecided_share": 0.37},
        "expected": {"misclassification": 0.097, "undecided_share": 0.29, "gain": 0.045, "gain_band_80": [0.028, 0.061]},
        "verdict": "CONVERGED",
        "trials": [trial, coupon],
        "notices": ["the budget binds"],
    }


def test_the_plan(a_plan):
    shown = _print(plan_view.plan(a_plan, currency="EUR", limits={"budget": 6000.0, "hours": None}))
    flat = " ".join(shown.split())
    for words in (
        "W02-001",
        "component, section at",
        "form at 240 degC",
        "braze 601",
        "W02-L1",
        "0.61",
        "tensile coupon",
        "(control)",
        "pull at 20 degC",
        "5870 EUR",
        "6000 EUR",
        "no limit",
        "! the budget binds",
        "plans/001/plan.csv",
    ):
        assert words in shown, words
    assert "falls from 14.2 % to 9.7 % (a gain of 4.5 points, 80 % band 2.8 to 6.1)" in flat
    assert "undecided share from 37.0 % to 29.0 %" in flat


def test_what_is_said_of_a_plan_stands_on_the_screen_once(a_plan):
    """Below a window its notices are the window's; the plan's own still stand, and a pending plan is not forgotten in the forecast."""
    told = {**a_plan, "notices": ["of the window", "of the plan"], "plan_notices": ["of the plan"], "pending": 3}
    below, alone = (" ".join(_print(plan_view.plan(told, heading=heading)).split()) for heading in (False, True))
    assert "! of the plan" in below and "of the window" not in below
    assert alone.count("of the plan") == 1 and "! of the window" in alone
    assert "beyond what the pending specimens bring, 80 % band" in below
    assert "pending" not in _print(plan_view.plan(a_plan, heading=False))


def test_a_plan_without_claims_or_trials(a_plan):
    bare = {**a_plan, "trials": [], "now": {"misclassification": 0.142, "undecided_share": None}}
    shown = _print(plan_view.plan(bare))
    assert "holds no trial" in shown and "undecided" not in shown


def test_the_check_report():
    record = {
        "rows": 44,
        "specimens": {"tensile_coupon": 20, "component": 4},
        "files": ["a.csv", "b.csv"],
        "excluded": [],
        "pending": 3,
        "warnings": ["results/a.csv row 7: strain 0.4 lies outside the factor range"],
        "definition": [
            {"key": "goal.reliability", "value": 0.9, "origin": "campaign.toml"},
            {"key": "factors.strain.range", "value": [0.01, 0.25], "origin": "default"},
        ],
        "priors": [
            {
                "quantity": "limit_strain_at_20degC",
                "temper": "O",
                "low": 0.12,
                "high": 0.28,
                "unit": "1",
                "reason": "the lab's own 90 % range",
                "origin": "[beliefs.O]",
            }
        ],
        "prior_predictive": [
            {"quantity": "springback_angle", "temper": "O", "at": "20 degC", "low": 1, "median": 2, "high": 4, "unit": "deg"}
        ],
    }
    shown = _print(check_view.check(record))
    for words in (
        "rows in the ledger",
        "tensile coupon",
        "24",
        "goal.reliability",
        "0.01, 0.25",
        "limit strain at 20degC",
        "0.12 .. 0.28",
        "[beliefs.O]",
        "springback angle",
        "! results/a.csv row 7",
    ):
        assert words in shown, words
    assert "No warnings" in _print(check_view.check({**record, "warnings": []}))


def test_the_criticism_of_a_fit():
    """A check by response and specimen type; what reweighting could not tell is said with its reason."""
    check = {"response": "film depth, braze coupon", "n": 40, "mean_rank": 0.5, "inside_80": 0.8, "p": 0.4, "words": "as the model expects"}
    group = {"what": "lot K1", "rows": 9, "k_hat": 0.44, "effective_draws": 217.4, "trusted": False, "by": None}
    prior = {"what": "film shift", "k_hat": 0.9, "effective_draws": 55.0, "trusted": False, "loud": False, "change": None}
    told = {"what": "load L1", "rows": 3, "k_hat": 0.2, "effective_draws": 2900.0, "trusted": True, "by": "reweighting", "misclassification": 0.123,
            "contribution": 0.02, "words": "the map is surer for it"}
    heavy = {"what": "C-007", "rows": 4, "k_hat": 1.31, "effective_draws": 12.0, "trusted": False, "by": None, "words": "it weighs too much"}
    before = {"response": "gap, component", "n": 30, "observed": 0.31, "low": 0.02, "median": 0.06, "high": 0.2, "unit": "mm", "p": 0.002, "words": "higher than the priors expect"}
    shown = " ".join(_print(criticism_view.criticism({"predictive": [check, check], "prior_checks": [before], "sensitivity": {
        "priors": [prior], "lots_left_out": [group], "loads_left_out": [told], "specimens": [told | {"what": "C-001"}, heavy]}})).split())  # fmt: skip
    for words in ("Did the priors expect such data?", "0.31 mm", "0.02 to 0.20 mm", "higher than the priors expect", "Weigh too much for reweighting, so look at these first: C-007 (k-hat 1.31)",
                  "+2.00 points the map is surer for it", "the map is surer for it (told by reweighting)", "judged over all 2 checks at once", "film depth, braze coupon", "reweighting leaves 217 effective draws", "weighs too much for reweighting; refit"):
        assert words in shown, words


def test_cautions_cover_what_can_hurt():
    shown = _print(screen.cautions()).lower()
    for word in ("hot", "sharp", "furnace", "flux", "atmosphere", "pressure", "local codes", "licensed"):
        assert word in shown
    assert len(CAUTIONS) == 6


@pytest.mark.parametrize("verdict", sorted(VERDICTS))
def test_every_verdict_has_words(verdict):
    assert VERDICTS[verdict] in " ".join(_print(screen.verdict_line(verdict)).split())


def test_labels_with_brackets_are_not_taken_for_markup(a_plan):
    a_plan["trials"][0]["lot"] = "[red]K1"
    a_plan["trials"][0]["reason"] = "lot [7] is new"
    shown = _print(plan_view.plan(a_plan))
    assert "[red]K1" in shown and "lot [7] is" in shown


class Somebody:
    """A standard error that somebody looks at."""

    def __init__(self):
        self.text = ""

    def write(self, text):
        self.text += text

    def flush(self):
        pass

    def isatty(self):
        return True


@pytest.mark.parametrize("looking", [True, False])
def test_what_is_said_to_stay_stays_and_is_said_once(monkeypatch, looking):
    """A warning about a row stands on the terminal when the command is done; the spinner's lines do not."""
    stream = Somebody() if looking else io.StringIO()
    monkeypatch.setattr("sys.stderr", stream)
    monkeypatch.setenv("TERM", "xterm")
    with Progress() as say:
        assert (say.status is not None) is looking
        say("! a.csv, row 2: [gap] above 5 mm is unusual")
        say("a.csv, row 2: [gap] above 5 mm is unusual")
        say("sampling")
    text = stream.text if looking else stream.getvalue()
    assert text.count("[gap] above 5 mm is unusual") == 1
