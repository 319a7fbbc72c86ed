"""Runs trials in a worker and judges what is left: every site in turn, or at a random moment."""

from __future__ import annotations

import json
import os
import random
import shutil
import socket
import subprocess
import sys
import threading
import time
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path

from tests.crash.scenarios import SCENARIOS
from tests.crash.worker import AT, CALLS

ROOT = Path(__file__).resolve().parents[2]
#: Faults at every site: killed before the call, or the call fails.
FAULTS = ("KILL", "EIO", "ENOSPC")
STUCK_S = 60.0


def strace_works() -> str:
    """Return why strace cannot be used here, or nothing."""
    if shutil.which("strace") is None:
        return "strace is not installed (Debian: apt-get install strace)"
    with subprocess.Popen(["sleep", "60"]) as asleep:
        probe = subprocess.Popen(["strace", "-o", os.devnull, "-e", "inject=fsync:error=EIO:when=1", "-p", str(asleep.pid)],
                                 stderr=subprocess.PIPE, text=True)
        said = probe.stderr.readline()
        asleep.kill()
        probe.communicate(timeout=20)
    return "" if "attached" in said else f"strace cannot trace here: {said.strip()[:200]}"


@dataclass
class Tally:
    """Counts of trials and what was found wrong."""

    trials: Counter = field(default_factory=Counter)      # fault or "random" -> trials in which it struck
    problems: list[str] = field(default_factory=list)

    def add(self, other: Tally) -> None:
        """Add another tally."""
        self.trials += other.trials
        self.problems += other.problems


class Worker:
    """A worker process, under strace where a fault is named."""

    def __init__(self, scenarios, *, fault: str | None = None):
        self.fault, self.tracer = fault, None
        ours, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        self.socket = ours
        ours.settimeout(STUCK_S)
        # a library keeps a thread of its own that forking is safe with; Python warns of any
        command = [sys.executable, "-B", "-W", "ignore::DeprecationWarning", "-m", "tests.crash.worker", str(theirs.fileno()), ",".join(scenarios)]
        environment = os.environ | {"PYTHONPATH": str(ROOT), "PYTHONDONTWRITEBYTECODE": "1", "OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}
        self.process = subprocess.Popen(command, cwd=ROOT, pass_fds=[theirs.fileno()], env=environment, stdin=subprocess.DEVNULL)
        theirs.close()
        try:
            ready = self.socket.recv(65536)
        except BaseException:
            self.close()
            raise
        assert ready, "the worker did not start"
        self.tracer = self._trace() if fault else None

    def _trace(self) -> subprocess.Popen:
        """Attach strace, which lets the fault strike at call number `AT` of every process."""
        how = "signal=SIGKILL" if self.fault == "KILL" else f"error={self.fault}"
        calls = ",".join(f"?{call}" for call in CALLS)
        command = ["strace", "-f", "-o", os.devnull, "-e", f"trace={calls}", "-e", f"inject={calls}:{how}:when={AT}", "-p", str(self.process.pid)]
        tracer = subprocess.Popen(command, stdin=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True)
        said = tracer.stderr.readline()
        if "attached" not in said:
            self.close()
            raise RuntimeError(f"strace cannot trace: {said}")
        threading.Thread(target=tracer.stderr.read, daemon=True).start()     # keep its pipe empty
        return tracer

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.close()

    def close(self) -> None:
        """End the worker."""
        self.socket.close()
        try:
            self.process.wait(timeout=20)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait()
        if self.tracer is not None:
            self.tracer.wait(timeout=20)
            self.tracer.stderr.close()

    def trial(self, **request) -> dict:
        """Run one trial; returns status and text (absent where it was killed first), fired, killed."""
        self.socket.send(json.dumps(request).encode())
        answer: dict = {}
        while "ended" not in answer:
            message = self.socket.recv(65536)
            assert message, "the worker ended"
            answer |= json.loads(message)
        return answer


def judge(name: str, folder: Path, answer: dict, what: str) -> list[str]:
    """Return what is wrong after a trial, and after the command was given again."""
    scenario, wrong = SCENARIOS[name], []
    if "status" in answer:
        status, text = answer["status"], answer["text"]
        if "Traceback" in text or status not in (0, 2):
            wrong.append(f"traceback or status {status}: {text[-600:]}")
        if status == 2 and not text.strip():
            wrong.append("exit status 2 without a message")
    for step, check in (("after", lambda: scenario.audit(folder, answer.get("status") == 0)), ("then", lambda: scenario.settle(folder))):
        try:
            wrong += [f"{step}: {w}" for w in check()]
        except Exception as error:
            wrong.append(f"{step}: {error!r}")
    return [f"{name}, {what}: {w}" for w in wrong]


def fresh(template: Path, folder: Path) -> Path:
    """Return a new copy of a prepared folder."""
    shutil.rmtree(folder, ignore_errors=True)
    shutil.copytree(template, folder)
    return folder


def every_site(worker: Worker, name: str, scratch: Path, *, control: str | None = None, calls=tuple(CALLS), deadline: float | None = None,
               first_only: bool = False) -> Tally:
    """Let the fault strike at every call of a scenario in turn; with `first_only`, until something is found wrong."""
    tally, template = Tally(), scratch / f"{name}-template"
    shutil.rmtree(template, ignore_errors=True)
    SCENARIOS[name].prepare(template)
    for call in calls:
        for at in range(1, AT):
            if deadline is not None and time.monotonic() > deadline:
                return tally
            folder = fresh(template, scratch / f"{name}-trial")
            answer = worker.trial(scenario=name, folder=str(folder), call=call, at=at, control=control)
            assert "status" in answer or answer["killed"], answer
            struck = not answer["killed"] or "status" not in answer if worker.fault == "KILL" else answer.get("fired", False)
            if worker.fault == "KILL" and not answer["killed"]:
                raise AssertionError(f"{name}: {call} was neither killed in the command nor behind it")
            if not struck:
                break
            tally.trials[worker.fault] += 1
            tally.problems += judge(name, folder, answer, f"{worker.fault} at {call} no. {at}")
            if first_only and tally.problems:
                return tally
        else:
            raise AssertionError(f"{name} makes {AT} calls and more of {call}")
    return tally


def random_kills(worker: Worker, name: str, scratch: Path, *, count: int, rng: random.Random, deadline: float | None = None,
                 timed: int = 3) -> Tally:
    """Kill a scenario at `count` random moments; a trial whose command had already ended is not counted. Its length is taken from `timed` runs."""
    tally, template = Tally(), scratch / f"{name}-template"
    shutil.rmtree(template, ignore_errors=True)
    SCENARIOS[name].prepare(template)
    times = []
    for _ in range(timed):
        folder, started = fresh(template, scratch / f"{name}-trial"), time.monotonic()
        worker.trial(scenario=name, folder=str(folder))
        times.append(time.monotonic() - started)
    longest = 1.1 * sorted(times)[timed // 2]
    while tally.trials["random"] < count and (deadline is None or time.monotonic() < deadline):
        after = rng.uniform(0.0, longest)
        folder = fresh(template, scratch / f"{name}-trial")
        answer = worker.trial(scenario=name, folder=str(folder), kill_after=after)
        if not answer["killed"]:
            tally.trials["ended first"] += 1
            if tally.trials["ended first"] > 10 * count + 100:
                raise AssertionError(f"{name} ends before it can be killed")
        else:
            tally.trials["random"] += 1
        tally.problems += judge(name, folder, answer, f"killed after {after * 1000:.2f} ms")
    return tally
