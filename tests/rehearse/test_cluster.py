"""A real scheduler and a worker in a process of its own: toy jobs, what goes wrong there, and a virtual campaign that comes out as it does here.

Nothing is mocked: a worker imports the program, not these tests.
"""

import operator
import os
import threading
import time
from dataclasses import replace
from types import SimpleNamespace

import dask
import distributed
import pytest

from planner.cycle import fitting, open_campaign
from planner.lab.errors import UserError
from planner.rehearse import rehearsal
from planner.rehearse.job import Job, run_job
from planner.rehearse.runner import run_all

SMALL = {"n_points": 128, "n_nodes": 128, "cores": 1}


@pytest.fixture(scope="module")
def scheduler():
    """The address of a scheduler with one worker process; a job whose worker dies is given up at once."""
    with (dask.config.set({"distributed.scheduler.allowed-failures": 0}),
          distributed.LocalCluster(n_workers=1, threads_per_worker=1, processes=True, dashboard_address=None, protocol="tcp", silence_logs=50) as cluster):
        yield cluster.scheduler_address


@pytest.fixture
def job(folder):
    """The first week's fit, window and verdict of a campaign with three specimens, on a truth of the prior (invented)."""
    campaign = open_campaign(folder)
    campaign.record()
    truth = rehearsal._truth(campaign, rehearsal.read_truth("prior"), None, 0, 6)
    return Job(**rehearsal._common(campaign, 0, True, SMALL), truth=truth, strategy="space_filling", repeat=0, seed=6)


def toys(*values):
    return [SimpleNamespace(name=f"toy {value}", seed=value) for value in values]


def test_jobs_run_on_the_worker(scheduler):
    found = dict((job.seed, result) for job, result in run_all(toys(2, 3, 5), scheduler=scheduler, say=print, run=operator.attrgetter("name")))
    assert found == {2: "toy 2", 3: "toy 3", 5: "toy 5"}
    ((_, process),) = run_all(toys(1), scheduler=scheduler, say=print, run=lambda job: os.getpid())
    assert process != os.getpid()


def test_jobs_of_one_name_and_seed_are_told_apart(scheduler):
    """Two rehearsals at once, of other truths or definitions, name their campaigns alike: neither may be given the other's result."""
    alike = [SimpleNamespace(name="ours-0000", seed=1, says=text) for text in ("one", "other")]
    found = {}

    def ask(job):
        ((_, found[job.says]),) = run_all([job], scheduler=scheduler, say=print, run=lambda job: (time.sleep(0.5), job.says)[1])

    both = [threading.Thread(target=ask, args=(job,)) for job in alike]
    for one in both:
        one.start()
    for one in both:
        one.join()
    assert found == {"one": "one", "other": "other"}


def test_workers_of_another_version_are_refused(scheduler, monkeypatch):
    monkeypatch.setattr("planner.rehearse.runner.code_key", lambda: f"digest {os.getpid()}")     # another one on the worker than here
    with pytest.raises(UserError, match="1 of 1 worker of the cluster came with another version"):
        list(run_all(toys(1), scheduler=scheduler, say=print, run=operator.attrgetter("name")))


def test_a_message_to_the_user_comes_back_as_one(job, scheduler):
    with pytest.raises(UserError, match="campaign.toml"):
        list(run_all([replace(job, definition="no definition")], scheduler=scheduler, say=print))


def test_a_virtual_campaign_is_the_same_here_and_there(job, scheduler, monkeypatch):
    """Really sampled, mapped and judged, once in this process and once on the worker; with fewer draws than a campaign takes."""
    def briefly(job, *_):
        fitting.current_fit.__kwdefaults__["draws"] = 300
        return run_job(job)

    monkeypatch.setitem(fitting.current_fit.__kwdefaults__, "draws", 300)          # put back afterwards
    ((_, there),) = run_all([job], scheduler=scheduler, say=print, run=briefly)
    ((_, here),) = run_all([job], processes=1, say=print, run=briefly)
    assert there.pop("seconds") > 0 and here.pop("seconds") > 0
    assert there == here and [row["week"] for row in here["weeks"]] == [0] and 0 < here["weeks"][0]["misclassification"] < 0.5


def test_a_worker_that_dies_is_one_message(scheduler):
    with pytest.raises(UserError, match="lost before all campaigns were done"):
        list(run_all(toys(4), scheduler=scheduler, say=print, run=lambda job: os._exit(1)))
