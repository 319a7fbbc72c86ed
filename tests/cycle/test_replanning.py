"""A second look at the same week takes the place of the first; what is pending is said. Numbers at hand, all data invented."""

import contextlib
import io
import json
import re
from types import SimpleNamespace

import pytest

from planner import cli
from planner.acquisition.infeasible import NothingFits
from planner.cycle import planning
from planner.lab.ledger import open_ledger
from tests.crash.at_hand import numbers
from tests.crash.commands import fitted
from tests.crash.ground import command, proposal

LIST = "specimen,specimen_type,temper,lot,forming_temperature [degC]\nMY-{0},tensile_coupon,O,K1,{0}\n"


@pytest.fixture
def folder(tmp_path, monkeypatch):
    """A fitted campaign in which plans are three invented coupons."""
    fitted(tmp_path / "c")
    (tmp_path / "c" / "results" / "b.csv").unlink()
    scored = {"n_trials": 1, "cost": 40.0, "hours": 0.6, "misclassification": 0.09, "gain": 0.01, "gain_band_80": [0.0, 0.02], "broken_limits": []}
    monkeypatch.setattr(planning, "_scored", lambda *_, **__: dict(scored))
    return tmp_path / "c"


def plan(folder, *words, choose=proposal):
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err), numbers(choose):
        status = cli.main(["plan", str(folder), *map(str, words), "--json"])
    assert status == 0, err.getvalue()
    return json.loads(out.getvalue())


def pending(folder):
    with open_ledger(folder, read_only=True) as ledger:
        return [s.specimen for s in ledger.pending()]


def a_list(folder, temperature):
    path = folder.parent / f"list{temperature}.csv"
    path.write_text(LIST.format(temperature), encoding="utf-8")
    return path


def test_again_with_less_money_takes_the_place_of_the_plan(folder):
    assert plan(folder)["supersedes"] == []
    less = plan(folder, "--budget", 4000, "--again")
    assert (less["supersedes"], less["pending"]) == ([1], 0)
    assert pending(folder) == ["P2-1", "P2-2", "P2-3"]
    assert less["plan_notices"] == ["this plan takes the place of plan 001, of which nothing had come back: its trials are withdrawn and its blanks are free"]
    assert plan(folder, "--seed", 5, "--again")["supersedes"] == [2]
    assert pending(folder) == ["P3-1", "P3-2", "P3-3"]


def test_without_again_it_comes_on_top_and_the_plan_says_so(folder):
    plan(folder)
    more = plan(folder, "--budget", 4000)
    assert (more["supersedes"], more["pending"]) == ([], 3)
    assert len(pending(folder)) == 6
    (said,) = more["plan_notices"]
    assert said in more["notices"]
    assert "3 specimens of plan 001 are pending, and 3 blanks are reserved for them (K1 3)" in said
    assert "--exclude ID" in said and "with --again it would have taken the place of plan 001" in said
    shown = io.StringIO()
    with contextlib.redirect_stdout(shown), numbers(proposal):
        assert cli.main(["plan", str(folder), "--budget", "4000"]) == 0
    assert "3 specimens of plan 001 are pending" in " ".join(shown.getvalue().split())


def test_six_lists_leave_one_plan_pending(folder):
    plan(folder)
    for k in range(6):
        record = plan(folder, "--with", a_list(folder, 20 + k))
        assert record["supersedes"] == [k + 1] and record["pending"] == 0 and record["own_list"]["file"] == f"list{20 + k}.csv"
    assert pending(folder) == ["P7-1", "P7-2", "P7-3"]
    assert plan(folder, "--with", a_list(folder, 25))["plan_file"] == "plans/007/plan.csv"       # nothing changed: it stands
    assert plan(folder)["supersedes"] == [7]                                                     # and without a list


def test_a_list_with_other_money_or_seed_replaces_nothing_unasked(folder):
    plan(folder)
    assert plan(folder, "--with", a_list(folder, 20), "--budget", 4000)["supersedes"] == []
    assert plan(folder, "--with", a_list(folder, 21), "--budget", 4000)["supersedes"] == [2]
    assert plan(folder, "--with", a_list(folder, 21), "--budget", 4000, "--seed", 3)["supersedes"] == []


def report(folder, specimen, name="back"):
    row = f"{specimen},tensile_coupon,O,K1,20,0.2,2026-03-04"
    (folder / "results" / f"{name}.csv").write_text(f"specimen,specimen_type,temper,lot,forming_temperature [degC],limit_strain [1],date\n{row}\n", encoding="utf-8")
    assert command("record", folder)[0] == 0


def test_a_plan_that_has_begun_to_come_back_is_never_withdrawn(folder):
    plan(folder)
    report(folder, "P1-1")
    after = plan(folder, "--again")
    assert after["supersedes"] == [] and set(pending(folder)) >= {"P1-2", "P1-3"}
    (said,) = after["plan_notices"]
    assert "2 specimens of plan 001 are pending" in said and "--again" not in said
    assert plan(folder, "--again")["supersedes"] == [2]            # the newest of which nothing has come back
    report(folder, "P3-1", "more")
    assert plan(folder, "--with", a_list(folder, 20))["supersedes"] == []


def test_a_plan_of_which_all_is_excluded_needs_no_withdrawal(folder):
    plan(folder)
    for name in ("P1-1", "P1-2", "P1-3"):
        assert command("record", folder, "--exclude", name, "--why", "invented")[0] == 0
    assert plan(folder, "--again")["supersedes"] == [] and pending(folder) == ["P2-1", "P2-2", "P2-3"]


def test_where_stock_binds_the_message_says_what_is_reserved_and_how_to_free_it(folder):
    plan(folder)

    def refusing(binding):
        def choose(number):
            error = NothingFits("not one specimen fits: invented", fix="add lots")
            error.binding = binding
            raise error

        return choose

    for words, binding, said in ((("--budget", 10), ("stock",), True), (("--budget", 10), ("budget",), False), (("--again",), ("stock",), False)):
        with numbers(refusing(binding)):
            status, error = command("plan", folder, *words)
        assert status == 2
        assert ("3 specimens of plan 001 are pending" in error and "`trialwright plan DIR --again` withdraws plan 001" in error) == said
    assert pending(folder) == ["P1-1", "P1-2", "P1-3"]             # a plan that was not made withdraws nothing


def test_notices_of_the_choice_are_the_plans(folder):
    told = SimpleNamespace(**vars(proposal(1)) | {"n_trials": 3, "notices": ("no furnace load is opened: invented binds",)})
    record = plan(folder, choose=lambda number: told)
    assert record["plan_notices"] == ["no furnace load is opened: invented binds"] and record["notices"][-1:] == record["plan_notices"]
    assert "No furnace load is opened: invented binds." in (folder / "plans" / "001" / "plan.html").read_text(encoding="utf-8")


def test_a_trial_that_is_insisted_on_and_awaited_is_said_to_be_both(folder):
    first = plan(folder)
    (row, *_) = first["trials"]
    toml = folder / "campaign.toml"
    keys = {"specimen_type": f'"{row["specimen_type"]}"', "temper": f'"{row["temper"]}"'} | {
        k: row[k] for k in ("forming_temperature_degC", "strain", "braze_temperature_degC", "braze_time_min") if row.get(k) is not None}  # fmt: skip
    toml.write_text(toml.read_text(encoding="utf-8") + "\n[[insist]]\n" + "".join(f"{k} = {v}\n" for k, v in keys.items()), encoding="utf-8")
    told = plan(folder)["plan_notices"]
    assert any("[[insist]] asks for is in this plan, and P1-1" in words and "unless it is wanted once more" in words for words in told), told


@pytest.mark.parametrize(("total", "said"), [(1.0e6, False), (100.0, True)])
def test_a_plan_dearer_than_what_is_left_of_the_goals_money_says_so(folder, total, said):
    toml = folder / "campaign.toml"
    text = toml.read_text(encoding="utf-8")
    text = re.sub(r"(?m)^total_budget.*$", "", text)
    toml.write_text(text.replace("[goal]", f"[goal]\ntotal_budget = {total}") if "[goal]" in text else f"{text}\n[goal]\ntotal_budget = {total}\n", encoding="utf-8")
    told = [words for words in plan(folder, "--budget", 4000)["plan_notices"] if "goal.total_budget" in words]
    assert bool(told) is said and (not said or "this plan costs" in told[0])
