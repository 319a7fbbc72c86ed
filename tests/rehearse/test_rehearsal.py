"""Whole virtual campaigns with a mocked sampler: files, resumption, determinism, what is printed, what is refused.

The mock hands out prior draws in place of a fit, under a verdict that allows no claim; what a claim is worth is checked on a
referee of its own.
"""

import asyncio
import concurrent.futures
import json
import operator
import os
import socket
import sys
import time
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from models import fit as sampling
from models.verdict import FEW_DRAWS, Verdict
from planner import cli
from planner.cycle import fitting, open_campaign
from planner.lab.errors import UserError
from planner.rehearse import rehearsal, rehearse
from planner.rehearse.job import Job, run_job
from planner.rehearse.referee import Referee
from planner.rehearse.runner import run_all
from planner.window.decision import halves

ROW = {"week", "strategy", "truth", "cost", "misclassification", "actual_misclassification", "claimed_share", "false_claim"}
SMALL = {"n_points": 128, "n_nodes": 128}
DRAWS = 40
RESULT = {"strategy": "ours", "truth": "prior", "repeat": 0, "seed": 1, "ended": "week 1: no stock", "seconds": 1.0, "weeks": [{
    "week": 0, "strategy": "ours", "truth": "prior", "repeat": 0, "cost": 0.0, "misclassification": 0.1, "actual_misclassification": 0.2,
    "claimed_share": 0.0, "false_claim": False, "conforming_share": 0.3, "claimed_share_of_conforming": 0.0}]}


@pytest.fixture(autouse=True)
def mocked_sampler(monkeypatch):
    """Prior draws instead of a fit."""

    def few(campaign, encoded, specimens, key, draws):
        rng = np.random.default_rng([campaign.definition.campaign.seed, len(specimens)])
        drawn = sampling.prior_draws(encoded.layout, encoded.priors, draws=DRAWS, rng=rng)
        return fitting.Fit(drawn, encoded, Verdict(FEW_DRAWS, "mocked", 1.0, 100.0, 1.0, 0), specimens, key, "full", {})

    monkeypatch.setattr(fitting, "_full", few)


class Numbered:
    """Stands in for a job."""

    def __init__(self, value):
        self.value, self.name, self.seed = value, str(value), 0


def negative(job, *_):
    return -job.value


def slept(job, *_):
    time.sleep(job.value)
    return job.value


def counted(calls):
    """Run rivals and note it; ours, which takes longer, is given."""

    def run(job, say):
        calls.append(job.name)
        return run_job(job, say) if job.strategy != "ours" else RESULT

    return run


def test_a_week_of_ours_and_of_a_rival(folder, capsys):
    lines = []
    campaign = open_campaign(folder, say=lines.append)
    found = rehearse(campaign, weeks=1, against="space-filling", repeats=1, processes=1, **SMALL)
    assert [(r["strategy"], r["week"]) for r in found.weeks] == [("ours", 0), ("ours", 1), ("space_filling", 0), ("space_filling", 1)]
    for row in found.weeks:
        assert row.keys() >= ROW and row["truth"] == "prior" and row["false_claim"] is False and row["claimed_share"] == 0.0
        assert 0.0 <= row["actual_misclassification"] <= 1.0
        assert row["cost"] == 0.0 if row["week"] == 0 else 0.0 < row["cost"] <= 2200.0
    first, second = found.weeks[0], found.weeks[2]
    assert first["actual_misclassification"] == second["actual_misclassification"]       # the same truth and start
    assert found.weeks[1]["forecast_gain"] is not None and found.weeks[1]["specimens"] > 3
    assert sorted(p.name for p in found.folder.iterdir()) == ["ours-0000.json", "space_filling-0000.json"]
    assert found.folder.parent == folder / "reports" / "rehearsal"
    assert sorted(os.listdir(folder / "results")) == ["start.csv"] and not (folder / "plans").exists()
    assert any("1 of 2" in line for line in lines)
    record = found.to_json()
    json.dumps(record, allow_nan=False)
    assert [(s["strategy"], s["week"]) for s in record["summary"]] == [(r["strategy"], r["week"]) for r in found.weeks]


def test_resumes_and_adds_to_what_is_there(folder, monkeypatch):
    monkeypatch.setattr(rehearsal, "code_key", lambda: "one version")
    campaign, calls = open_campaign(folder), []
    options = {"weeks": 1, "processes": 1, "run": counted(calls), **SMALL}
    only = lambda repeats: rehearse(campaign, against="factorial", repeats=repeats, **options)
    first = only(1)
    assert calls == ["ours-0000", "factorial-0000"]
    (first.folder / "factorial-0000.json").write_text("{ cut off")
    again = only(1)
    assert calls[2:] == ["factorial-0000"] and again.fresh == 1
    strip = lambda c: {k: v for k, v in c.items() if k != "seconds"}
    assert [strip(c) for c in again.campaigns] == [strip(c) for c in first.campaigns]     # the same campaign, run twice
    rehearse(campaign, repeats=1, **options)
    assert len(calls) == 3
    other = lambda **changes: rehearse(campaign, repeats=1, **options | {"run": lambda job, say: first.campaigns[0]} | changes).folder
    assert other() == first.folder and other(seed=99) != first.folder and other(weeks=2) != first.folder
    monkeypatch.setattr(rehearsal, "code_key", lambda: "another version")
    assert other() != first.folder


def test_local_processes_give_the_same():
    """A spawned process cannot import a test, so the work is a function of the standard library."""
    alone = list(run_all([2, 3], processes=1, say=3, run=operator.mul))
    apart = sorted(run_all([2, 3], processes=2, say=3, run=operator.is_))
    assert alone == [(2, 6), (3, 9)] and apart == [(2, False), (3, False)]


def test_local_processes_tell_how_far_they_are():
    """All that they say but the lines of which each only says that time passes."""
    heard = []
    jobs = [operator.methodcaller("__call__", text) for text in ("ours on truth 1: sampling 4 chains", "ours on truth 2: sampling: 15 s")]
    assert [result for _, result in run_all(jobs, processes=2, say=heard.append, run=operator.call)] == [None, None]
    assert heard == ["ours on truth 1: sampling 4 chains"]


def test_progress_counts_refits_and_says_how_long_is_left(folder):
    lines = []
    rehearse(open_campaign(folder, say=lines.append), weeks=1, repeats=1, processes=1, **SMALL)
    assert any("2 refits lie ahead" in line for line in lines)
    weeks = [line for line in lines if "judged after week" in line]
    assert "after week 0 of 1" in weeks[0] and "1 of 2 refits done, about 1 min to go" in weeks[0] and "2 of 2 refits done" in weeks[1]


def test_pending_specimens_are_measured_before_the_first_week(folder, definition):
    """The virtual campaign of the truth counts them among its data from the start."""
    campaign = open_campaign(folder)
    campaign.record()
    start = tuple(campaign.specimens())
    common = rehearsal._common(campaign, 1, True, SMALL)
    assert common["pending"] == ()
    awaited = (replace(start[0], specimen="P001-01"), replace(start[-1], specimen="P001-02"))
    source = rehearsal.read_truth("prior")
    job = Job(**common | {"pending": awaited}, truth=rehearsal._truth(campaign, source, None, 0, 3), strategy="space_filling", repeat=0, seed=3)
    weeks = run_job(job)["weeks"]
    without = run_job(replace(job, pending=()))["weeks"]
    assert weeks[0]["specimens"] == without[0]["specimens"] + 2


def test_a_claim_is_held_against_the_truth(definition, world):
    """A claim of the whole box is false, and a claim of truly conforming points is not."""

    class Everything:
        def __init__(self, keep):
            self.keep = keep

        def members(self, judged):
            return self.keep(judged)

    class Window:
        reliability, misclassification, shares = definition.goal.reliability, 0.1, None

    referee = Referee(definition, world("wide_window"), seed=3, n_points=128, n_nodes=256)
    encoded = fitting.encode(definition, [])
    draws = sampling.prior_draws(encoded.layout, encoded.priors, draws=10, rng=np.random.default_rng(1))
    fit = fitting.Fit(draws, encoded, Verdict(FEW_DRAWS, "", 1.0, 1.0, 1.0, 0), (), "", "prior", {})
    Window.split = halves(draws.chain)
    Window.joint = Everything(lambda judged: np.ones(len(judged.c), bool))
    all_of_it = referee.verdict(fit, Window)
    assert all_of_it["false_claim"] and all_of_it["claimed_share_of_conforming"] == 1.0
    assert all_of_it["worst_claimed_conformance"] == referee.truth.min()
    Window.joint = Everything(lambda judged: referee.conforms)
    right = referee.verdict(fit, Window)
    assert not right["false_claim"] and right["worst_claimed_conformance"] >= definition.goal.reliability
    Window.joint = None
    assert referee.verdict(fit, Window)["worst_claimed_conformance"] is None
    assert 0.2 < referee.conforming_share < 1.0


@pytest.mark.parametrize("options, what", [
    ({"weeks": 0}, "out of range"), ({"repeats": 0}, "out of range"), ({"seed": -1}, "seed"), ({"against": "luck"}, "no such strategy"),
    ({"truth": "nowhere.toml"}, "cannot be read"), ({"truth": "posterior"}, "no truth can be drawn")])
def test_options_that_make_no_sense_are_refused(folder, options, what):
    with pytest.raises(UserError, match=what):
        rehearse(open_campaign(folder), **{"weeks": 1, "repeats": 1, "processes": 1, "run": lambda job, say: {}} | options)


@pytest.mark.parametrize("address", ["no address", "tcp://127.0.0.1:1", "tcp://host", "inproc://here:1", "127.0.0.1:99999999"])
def test_an_unreachable_cluster_is_one_message(folder, address):
    with pytest.raises(UserError, match="--scheduler: the Dask scheduler cannot be reached"):
        rehearse(open_campaign(folder), weeks=1, repeats=1, scheduler=address, **SMALL)


def test_an_unreachable_cluster_is_told_before_anything_is_fitted_or_announced(folder, monkeypatch):
    said = []
    monkeypatch.setattr(rehearsal, "_fit_for", lambda *_: pytest.fail("a fit was asked for first"))
    with pytest.raises(UserError, match="cannot be reached"):
        rehearse(open_campaign(folder, say=said.append), weeks=1, repeats=1, scheduler="tcp://127.0.0.1:1", **SMALL)
    assert said == []


def test_a_truth_file_is_held_against_the_campaigns_tempers(folder, tmp_path):
    path = tmp_path / "truth.toml"
    path.write_text('mechanism = "no_window_temper"\n[parameters]\ntemper = 7\n')
    with pytest.raises(UserError, match="temper is the place of no temper"):
        rehearse(open_campaign(folder), weeks=1, repeats=1, truth=str(path), **SMALL)


class Lost(concurrent.futures.CancelledError):
    """As the cluster's client raises it once the scheduler is gone."""


class Killed(Exception):
    """As the cluster's client raises it when a worker died on a job again and again."""


@pytest.fixture
def listening():
    """An address where somebody listens."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        yield f"tcp://127.0.0.1:{server.getsockname()[1]}"


@pytest.mark.parametrize("error", [Lost("gone"), Killed("gone"), OSError("gone"), asyncio.CancelledError("gone"), None])
def test_a_cluster_lost_on_the_way_is_one_message(monkeypatch, listening, error):
    """With a stand-in for the cluster's client: the first job comes back, the second never does."""

    class Client:
        loop = None

        def __init__(self, *_, **__):
            self.jobs = []

        def __enter__(self):
            return self

        def __exit__(self, *_):
            return None

        def run(self, code_key, on_error):
            return {}

        def submit(self, run, job, **_):
            self.jobs.append(job)
            return Future(run, job, len(self.jobs))

    class Future:
        def __init__(self, run, job, number):
            self.run, self.job, self.number = run, job, number

        def result(self):
            if self.number > 1:
                raise error
            return self.run(self.job)

    some = lambda futures, loop: futures if error is not None else futures[:1]
    monkeypatch.setitem(sys.modules, "distributed", SimpleNamespace(Client=Client, as_completed=some, scheduler=SimpleNamespace(KilledWorker=Killed)))
    found = []
    with pytest.raises(UserError, match="--scheduler: the Dask cluster was lost before all campaigns were done") as caught:
        for _, result in run_all([Numbered(2), Numbered(3)], scheduler=listening, say=3, run=negative):
            found.append(result)
    assert found == [-2] and "finished campaigns are kept" in str(caught.value)
    assert ("1 campaign never came back" if error is None else "gone") in str(caught.value)


def test_without_the_clusters_package_the_extra_is_named(monkeypatch, listening):
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(UserError, match="is not installed(.|\n)*trialwright\\[cluster\\]"):
        list(run_all([Numbered(2)], scheduler=listening, say=3, run=negative))


def test_a_scheduler_that_goes_away_is_one_message():
    distributed = pytest.importorskip("distributed", reason="the extra `cluster` is not installed")
    with distributed.LocalCluster(n_workers=1, threads_per_worker=1, processes=False, dashboard_address=":0", protocol="tcp") as cluster:
        jobs = run_all([Numbered(0.0), Numbered(60.0)], scheduler=cluster.scheduler_address, say=3, run=slept)
        assert next(jobs)[1] == 0.0
        cluster.close()
        with pytest.raises(UserError, match="the Dask cluster was lost"):
            list(jobs)


def test_command_line(folder, capsys, monkeypatch):
    monkeypatch.setattr("planner.rehearse.rehearsal.run_all", lambda jobs, **_: [(job, RESULT) for job in jobs])
    command = ["rehearse", str(folder), "--weeks", "1", "--repeats", "1"]
    assert cli.main([*command, "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["weeks"] == RESULT["weeks"]
    assert cli.main(command) == 0
    shown = capsys.readouterr().out
    assert "ours" in shown and "ended early" in shown
    assert cli.main([*command, "--against", "luck"]) == 2
    assert "no such strategy" in capsys.readouterr().err


def test_unequal_spending_is_said():
    """Without a weekly budget a rival may spend less than our plan does; at one and the same budget nothing is said."""
    row = lambda strategy, week, cost: {"strategy": strategy, "repeat": 0, "week": week, "cost": cost, "misclassification": 0.1}
    rows = [row("ours", 1, 6000.0), row("ours", 2, 12000.0), row("factorial", 1, 4000.0), row("factorial", 2, 8000.0), row("space_filling", 1, 5990.0)]
    (told,) = rehearsal.remarks(rows)
    assert told.startswith("Factorial had spent 6000 where ours had spent 9000") and "not at equal spend" in told
