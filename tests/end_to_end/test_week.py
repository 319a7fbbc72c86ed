"""A researcher's week through the command line, on the demo campaign at its start (invented data): nothing mocked."""

import csv
import io
import json
import shutil
import subprocess
import sys
from collections import Counter
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
DEMO = ROOT / "campaigns_demo" / "cold_plate_start"
SHARES = ("misclassification", "claimed_share", "excluded_share", "undecided_share", "pointwise_share")


def run(*words, expect=0):
    done = subprocess.run([sys.executable, "-m", "planner.cli", *map(str, words)], cwd=ROOT, capture_output=True, text=True)
    assert done.returncode == expect, done.stderr
    assert "Traceback" not in done.stderr
    return done


def copy_of(demo: Path, to: Path) -> Path:
    shutil.copytree(demo, to, ignore=shutil.ignore_patterns("ledger.sqlite*", "posterior", "plans", "claims", "reports"))
    return to


@pytest.fixture(scope="module")
def week(tmp_path_factory):
    """The demo after `plan`: folder and what `plan --json` printed."""
    folder = copy_of(DEMO, tmp_path_factory.mktemp("week") / "campaign")
    return folder, json.loads(run("plan", folder, "--json").stdout)


def test_the_fit_converged_and_the_plan_says_what_it_rests_on(week):
    _, plan = week
    assert plan["verdict"] == "CONVERGED"
    assert set(SHARES) <= set(plan["now"])
    assert plan["now"]["claimed_share"] + plan["now"]["excluded_share"] + plan["now"]["undecided_share"] == pytest.approx(1, abs=1e-9)
    assert 0 < plan["expected"]["gain"] < plan["now"]["misclassification"]
    assert abs(plan["now"]["misclassification"] - plan["expected"]["gain"] - plan["expected"]["misclassification"]) < 1e-9
    low, high = plan["expected"]["gain_band_80"]
    assert low <= plan["expected"]["gain"] <= high


def test_the_plan_keeps_every_limit_when_counted_anew(week):
    folder, plan = week
    import tomllib

    d = tomllib.loads((folder / "campaign.toml").read_text(encoding="utf-8"))
    rows, types, limits = plan["trials"], d["specimens"], d["week"]
    cost = hours = sections = 0.0
    for row in rows:
        kind = types[row["specimen_type"]]
        cost, hours, sections = cost + kind["cost"], hours + kind.get("hours", 0), sections + kind.get("sections", 0)
        if row["specimen_type"] == "component" and row["section_feature"]:
            extra = kind["section"]
            cost, hours, sections = cost + extra["cost"], hours + extra.get("hours", 0), sections + extra.get("sections", 1)
    temperatures = {row["forming_temperature_degC"] for row in rows}
    loads = {row["furnace_load"] for row in rows if row["furnace_load"]}
    cost += len(loads) * limits["setup"]["furnace_load"] + len(temperatures) * limits["setup"]["tool_temperature"]
    assert cost == pytest.approx(plan["cost"]) and cost <= limits["budget"]
    assert hours == pytest.approx(plan["hours"]) and hours <= limits["hours"]
    assert sections <= limits["sections"] and len(temperatures) <= limits["tool_temperatures"] and len(loads) <= limits["furnace_loads"]
    for load in loads:
        inside = [row for row in rows if row["furnace_load"] == load]
        assert len({(row["braze_temperature_degC"], row["braze_time_min"]) for row in inside}) == 1
        assert sum(types[row["specimen_type"]].get("places", 1) for row in inside) <= limits["places_per_load"]
        assert sum(row["purpose"] == "control" for row in inside) == 1
    stock = {s["lot"]: s for s in d["stock"]}
    for lot, used in Counter(row["lot"] for row in rows for _ in range(types[row["specimen_type"]].get("blanks", 1))).items():
        assert used <= stock[lot]["blanks"]
    assert all(stock[row["lot"]]["temper"] == row["temper"] for row in rows)


def test_unchanged_inputs_return_the_same_bytes(week):
    folder, plan = week
    before = {p.name: p.read_bytes() for p in (folder / "plans" / "001").iterdir()}
    assert json.loads(run("plan", folder, "--json").stdout) == plan
    assert {p.name: p.read_bytes() for p in (folder / "plans" / "001").iterdir()} == before
    assert sorted(p.name for p in (folder / "plans").iterdir()) == ["001"]


def test_a_fresh_copy_gets_an_equal_plan(week, tmp_path):
    folder, plan = week
    copy = copy_of(DEMO, tmp_path / "copy")
    assert json.loads(run("plan", copy, "--json").stdout) == plan
    names = {p.name for p in (folder / "plans/001").iterdir()}
    assert names == {"plan.csv", "plan.json", "plan.html", "bench_sheet.html", "plan.xlsx"}
    assert all((copy / "plans/001" / name).read_bytes() == (folder / "plans/001" / name).read_bytes() for name in names)


def test_the_plan_comes_back_filled_in(week, tmp_path):
    folder, plan = week
    again = shutil.copytree(folder, tmp_path / "filled")
    table = list(csv.DictReader(io.StringIO((folder / "plans/001/plan.csv").read_text(encoding="utf-8"))))
    one = next(row for row in table if row["purpose"] == "control")
    one |= {"recrystallised": "no", "film_depth [um]": "31", "clad_left [um]": "24", "date": "2026-11-01"}
    with open(again / "results" / "plan1_back.csv", "w", newline="", encoding="utf-8") as f:
        writer = csv.DictWriter(f, fieldnames=list(table[0]))
        writer.writeheader()
        writer.writerows(table)
    assert json.loads(run("record", again, "--json").stdout)["recorded"] == len(table)
    checked = json.loads(run("check", again, "--json").stdout)
    assert checked["pending"] == len(table) - 1
    update = json.loads(run("update", again, "--quick", "--json").stdout)
    assert update["method"] in ("reweighted", "full") and update["verdict"] == "CONVERGED"


def test_conditions_come_back_in_order_with_the_five_columns(week, tmp_path):
    folder, _ = week
    header = "temper,forming_temperature [degC],strain [1],braze_temperature [degC],braze_time [min]"
    (tmp_path / "in.csv").write_text(f"{header}\nO,200,0.05,600,3\nH14,20,0.15,600,3\nO,20,0.1,601,4\nO,20,0.1,601,60\n", encoding="utf-8")
    said = json.loads(run("window", folder, "--conditions", tmp_path / "in.csv", "--out", tmp_path / "out.csv", "--json").stdout)
    assert set(SHARES) | {"verdict", "claims"} <= set(said)
    assert said["claims"] == json.loads(run("window", folder, "--json").stdout)["claims"]
    assert any("1 of 4 conditions lie outside the ranges of [factors]" in line and line.endswith("condition 4") for line in said["notices"])
    rows = list(csv.DictReader(io.StringIO((tmp_path / "out.csv").read_text(encoding="utf-8"))))
    assert [row["temper"] for row in rows] == ["O", "H14", "O", "O"]
    for row in rows:
        assert 0 <= float(row["conformance_mean"]) <= 1 and 0 <= float(row["probability_conforming"]) <= 1
        assert {row[name] for name in ("pointwise_claim", "joint_claim", "extrapolated")} <= {"true", "false"}
    assert rows[-1]["joint_claim"] == "false" and rows[-1]["extrapolated"] == "true"
    refused = run("window", folder, "--conditions", tmp_path / "in.csv", "--out", tmp_path / "none" / "out.csv", expect=2)
    assert "there is no such folder" in refused.stderr


def test_start_check_plan_from_the_prior_alone(tmp_path):
    folder = tmp_path / "new"
    run("start", folder)
    assert "nothing" not in run("check", folder).stderr
    plan = json.loads(run("plan", folder, "--json").stdout)
    assert plan["verdict"] == "PRIOR_ONLY" and plan["now"]["claimed_share"] == 0 and plan["n_trials"] > 0
    assert "PRIOR_ONLY" in run("plan", folder).stdout


def test_a_budget_too_small_for_one_specimen_names_the_limit(week):
    folder, _ = week
    done = run("plan", folder, "--budget", "5", expect=2)
    assert "budget" in done.stderr and done.stdout == ""


@pytest.mark.parametrize(
    "words, said",
    [
        (("plan", "nowhere"), "trialwright start"),
        (("plan", DEMO, "--budget", "-3"), "positive"),
        (("window", DEMO, "--conditions", "x.csv"), "--out"),
        (("record", DEMO, "--exclude", "a", "--include", "b", "--why", "w"), "together"),
    ],
)
def test_mistakes_end_with_two_and_one_message(words, said):
    done = run(*words, expect=2)
    assert said in done.stderr and done.stdout == ""
