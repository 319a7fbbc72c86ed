"""What every evidence command shares: the header of its file, and work done in slices.

An evidence file is its own memory: counts made on the same code are added to, counts made on other code are thrown away.
"""

from __future__ import annotations

import argparse
import datetime
import json
import os
import sys
import tempfile
import time
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, ProcessPoolExecutor, wait
from multiprocessing import get_context
from pathlib import Path
from typing import TypeVar

ROOT = Path(__file__).resolve().parents[2]
HERE = Path(__file__).resolve().parent
if str(ROOT) not in sys.path:
    sys.path.insert(0, str(ROOT))

from models.fit import code_digest, versions  # noqa: E402  (the path must stand first)

T, R = TypeVar("T"), TypeVar("R")

#: The models and the window, without the maps for the eye, which support no number.
WINDOW_MODULES = ["models/*.py", "models/responses/*.py", "models/handbook/*.py", "planner/encode.py",
                  *(f"planner/window/{path.name}" for path in sorted((ROOT / "planner" / "window").glob("*.py")) if path.name != "pictures.py")]
#: What plans and their answers in a virtual lab run through.
CAMPAIGN_MODULES = [
    *WINDOW_MODULES, "planner/acquisition/*.py", *(f"planner/cycle/{name}.py" for name in ("fitting", "kept", "planning", "window")),
    *(f"planner/rehearse/{name}.py" for name in ("bench", "conformance", "mechanisms", "rivals", "row_values", "world")),
    "tests/evidence/virtual_lab.py"]
#: Longest slice of work, in minutes.
SLICE_MIN = 20.0
#: The files that the contract names, then those of our own.
FILES = ("calibration", "false_claims", "acquisition", "forecast", "speed", "crash", "fuzz", "large", "variants")


def module_paths(modules: Iterable[str]) -> list[Path]:
    """Return the files of modules given as paths below the project, patterns allowed (`planner/lab/*.py`)."""
    found = sorted({path for pattern in modules for path in ROOT.glob(pattern)})
    if not found:
        raise FileNotFoundError(f"no module matches {list(modules)}")
    return found


def digest_of(modules: Iterable[str]) -> str:
    """Return the digest of the syntax of these modules."""
    return code_digest(*module_paths(modules))


def header(command: str, *, seed: int, modules: Iterable[str]) -> dict:
    """Return the first keys of an evidence file."""
    modules = list(modules)
    return {"command": command, "made_on": datetime.date.today().isoformat(), "seed": seed, "versions": versions(), "modules": modules,
            "code_digest": digest_of(modules)}


def load(name: str, head: dict, *, same: Iterable[str] = ("seed", "modules", "code_digest", "versions")) -> dict:
    """Return what an evidence file says so far, where its header agrees in all of `same`; otherwise nothing."""
    path = HERE / f"{name}.json"
    try:
        record = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    agrees = all(record.get(key) == head[key] for key in same)
    return {k: v for k, v in record.items() if k not in head} if agrees else {}


def store(name: str, head: dict, record: dict) -> Path:
    """Write an evidence file whole: header first, then what was found.

    Raises
    ------
    SystemExit
        When the modules were changed since the header was made: what was found then speaks of no one code.
    """
    if digest_of(head["modules"]) != head["code_digest"]:
        raise SystemExit(f"the code was changed while {name}.json was being made; run again: {head['command']}")
    path = HERE / f"{name}.json"
    aside = path.with_name(f".{path.name}.{os.getpid()}")
    text = json.dumps(head | record, ensure_ascii=False, indent=1, allow_nan=False)
    for folder in (str(ROOT), tempfile.gettempdir()):                 # where this machine keeps things is nobody's business
        text = text.replace(f"{folder}/", "")
    aside.write_text(text + "\n", encoding="utf-8")
    os.replace(aside, path)
    return path


def unjudged(path: Path) -> str:
    """Return why the digest cannot be compared here, or nothing: syntax trees print differently under another Python."""
    made = json.loads(path.read_text(encoding="utf-8"))["versions"]["python"].split(".")[:2]
    here = [str(n) for n in sys.version_info[:2]]
    return "" if made == here else f"{path.name} was made under Python {'.'.join(made)} and is judged only there"


def stale(path: Path) -> str:
    """Return why an evidence file does not speak of today's code, or nothing."""
    try:
        record = json.loads(path.read_text(encoding="utf-8"))
        now = digest_of(record["modules"])
    except (OSError, ValueError, KeyError, TypeError) as error:
        return f"{path.name} cannot be judged: {error}"
    return "" if record.get("code_digest") == now else f"{path.name} was made on other code ({record.get('made_on')}); again: {record.get('command')}"


def arguments(parser: argparse.ArgumentParser, words=None) -> argparse.Namespace:
    """Read the command line with the option that all evidence commands share."""
    parser.add_argument("--minutes", type=float, default=SLICE_MIN, help="longest slice of work (at most 20); run again to go on")
    given = parser.parse_args(words)
    given.minutes = min(given.minutes, SLICE_MIN)
    return given


def until(minutes: float) -> float:
    """Return the moment, on `time.monotonic`, at which a slice of work ends."""
    return time.monotonic() + 60.0 * minutes


def spread(tasks: Iterable[T], run: Callable[[T], R], *, processes: int, end: float, seconds: Callable[[T], float]) -> Iterator[tuple[T, R]]:
    """Run tasks while the slice lasts; none but the first is begun that would not be done by its end.

    Parameters
    ----------
    tasks : in order.
    run : does one of them; a function of a module where there are several processes.
    processes : 1 works in this process.
    end : of the slice, from :func:`until`.
    seconds : what a task takes.
    """
    begun = 0

    def fits(task: T) -> bool:
        nonlocal begun
        fit = time.monotonic() < end and (begun == 0 or time.monotonic() + seconds(task) < end)       # a task longer than any slice is done all the same
        begun += fit
        return fit

    if processes == 1:
        yield from ((task, run(task)) for task in tasks if fits(task))
        return
    with ProcessPoolExecutor(processes, mp_context=get_context("spawn")) as pool:
        waiting, queue = {}, iter(tasks)
        while True:
            while len(waiting) < processes and (task := next((t for t in queue if fits(t)), None)) is not None:
                waiting[pool.submit(run, task)] = task
            if not waiting:
                return
            for future in wait(waiting, return_when=FIRST_COMPLETED).done:
                yield waiting.pop(future), future.result()
