"""Where virtual campaigns run: this process, processes of this machine, or an existing Dask cluster.

Results come back in any order and are handed on one by one, so that whatever was finished before an interruption is kept.
"""

from __future__ import annotations

import asyncio
import concurrent.futures
import multiprocessing
import os
import queue
import re
import signal
import socket
import tempfile
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from types import ModuleType
from urllib.parse import urlsplit

from planner.lab.errors import UserError
from planner.outlook.words import counted
from planner.rehearse.job import Job, Say, run_job
from planner.rehearse.version import code_key

CONNECT_S = 10
LISTEN_S = 0.5                    # between two looks at what local processes say
TICK = re.compile(r": \d+ s$")     # a line that says only that time passes
Run = Callable[[Job, Say], dict]


def run_all(jobs: Sequence[Job], *, processes: int = 2, scheduler: str | None = None, say: Say, run: Run = run_job) -> Iterator[tuple[Job, dict]]:
    """Run jobs and yield (job, result) as they finish.

    Parameters
    ----------
    processes : local processes; 1 runs in this one.
    scheduler : address of a running Dask scheduler whose workers have the program installed; then nothing runs here.
    say : told about progress.
    run : what runs a job.

    Raises
    ------
    UserError
        When the cluster cannot be reached or a local process was killed.
    """
    if scheduler is not None:
        yield from _on_cluster(jobs, scheduler, run)
    elif min(processes, len(jobs)) <= 1:
        for job in jobs:
            yield job, run(job, say)
    else:
        yield from _in_processes(jobs, min(processes, len(jobs)), run, say)


def cores_of(processes: int) -> int:
    """Return the cores that each of so many local processes may use."""
    return max(1, (os.cpu_count() or 1) // processes)


class _Told:
    """What a worker process tells its parent, less the lines that say only that time passes."""

    lines = None                  # the parent's queue, in a worker

    def __call__(self, text: str) -> None:
        if _Told.lines is not None and not TICK.search(text):
            _Told.lines.put(text)


def _worker(cores: int, scratch: str, lines) -> None:
    """Prepare a worker: its share of the machine, scratch folders that the parent removes, and Ctrl-C left to the parent."""
    import numba

    numba.set_num_threads(min(cores, numba.config.NUMBA_NUM_THREADS))
    tempfile.tempdir = scratch
    _Told.lines = lines
    signal.signal(signal.SIGINT, signal.SIG_IGN)


def _in_processes(jobs: Sequence[Job], processes: int, run: Run, say: Say) -> Iterator[tuple[Job, dict]]:
    others = set(multiprocessing.active_children())
    spawn = multiprocessing.get_context("spawn")
    lines = spawn.Queue()
    with tempfile.TemporaryDirectory(prefix="rehearsal-", ignore_cleanup_errors=True) as scratch:
        pool = ProcessPoolExecutor(processes, mp_context=spawn, initializer=_worker,
                                   initargs=(cores_of(processes), scratch, lines))
        try:
            waiting = {pool.submit(run, job, _Told()): job for job in jobs}
            while waiting:
                finished, _ = wait(waiting, timeout=LISTEN_S, return_when=FIRST_COMPLETED)
                _pass_on(lines, say)
                for done in finished:
                    yield waiting.pop(done), done.result()
        except BrokenProcessPool:
            raise UserError("a worker process ended before its campaign was done (killed, or out of memory)",
                            fix="run the same command again: finished campaigns are kept") from None
        except BaseException:
            for child in set(multiprocessing.active_children()) - others:
                child.terminate()
            raise
        finally:
            pool.shutdown(wait=True, cancel_futures=True)
    _pass_on(lines, say)              # what was still on its way


def _pass_on(lines, say: Say) -> None:
    """Say what the workers told since the last look."""
    while True:
        try:
            say(lines.get_nowait())
        except queue.Empty:
            return


def reach(scheduler: str) -> ModuleType:
    """Return the package that speaks to a cluster, once somebody listens at the address.

    Raises
    ------
    UserError
        When nobody does, told before the cluster's own client takes its time to find out; or when the package is missing.
    """
    allowed = {"allowed": "the address of a running scheduler, such as tcp://host:8786", "fix": "start it, or leave --scheduler out"}
    try:
        parts = urlsplit(scheduler if "://" in scheduler else f"tcp://{scheduler}")
        host, port = parts.hostname, parts.port
        if parts.scheme not in ("tcp", "tls") or not host or port is None:
            raise ValueError("it names no host and port")
        socket.create_connection((host, port), timeout=CONNECT_S).close()
    except (OSError, ValueError) as error:
        raise UserError("the Dask scheduler cannot be reached", found=f"{scheduler}: {error}", where="--scheduler", **allowed) from None
    try:
        import distributed
    except ImportError:
        raise UserError("the package that speaks to a Dask cluster is not installed", where="--scheduler",
                        fix="pip install 'trialwright[cluster]', or leave --scheduler out to use local processes") from None
    return distributed


def _on_cluster(jobs: Sequence[Job], scheduler: str, run: Run) -> Iterator[tuple[Job, dict]]:
    distributed = reach(scheduler)
    try:
        client = distributed.Client(scheduler, timeout=CONNECT_S, set_as_default=False)
    except (OSError, TimeoutError, ValueError) as error:
        raise UserError("what listens there is no Dask scheduler that this version can speak to", found=f"{scheduler}: {error}",
                        where="--scheduler", fix="install the same version of distributed on both sides") from None
    # a future that the client gave up is a CancelledError of one kind or the other, by version
    lost = (distributed.scheduler.KilledWorker, OSError, asyncio.CancelledError, concurrent.futures.CancelledError)
    with client:
        same_code(client, scheduler)
        left = len(jobs)
        try:
            waiting = {client.submit(run, job, pure=False): job for job in jobs}
            for done in distributed.as_completed(list(waiting), loop=client.loop):
                result = done.result()
                left -= 1
                yield waiting[done], result
        except lost as error:
            raise _cluster_lost(scheduler, str(error) or type(error).__name__) from None
        if left:
            raise _cluster_lost(scheduler, f"{counted(left, 'campaign')} never came back")


def same_code(client, scheduler: str) -> None:
    """Refuse workers that run another version of the program: their results would be kept as if this one had made them."""
    here = code_key()
    told = client.run(code_key, on_error="return")
    others = [f"{worker}: {code if isinstance(code, str) else type(code).__name__}" for worker, code in sorted(told.items()) if code != here]
    if others:
        raise UserError(f"{len(others)} of {counted(len(told), 'worker')} of the cluster came with another version of the program, or none", found="; ".join(others[:3]), where=f"--scheduler {scheduler}",
                        allowed=f"the code that this command runs, digest {here}", fix="install the same version on every worker and start them again")


def _cluster_lost(scheduler: str, why: str) -> UserError:
    return UserError("the Dask cluster was lost before all campaigns were done", found=f"{scheduler}: {why}", where="--scheduler",
                     fix="start it again and run the same command: finished campaigns are kept")
