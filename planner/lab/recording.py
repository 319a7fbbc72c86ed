"""Why this module exists: recording a folder is reading what is new in it, file by file.

The one way from `results/` into the ledger, used by `record` and by every command
that first takes in what the lab has added.
"""

from __future__ import annotations

import datetime
from collections.abc import Callable, Iterable
from pathlib import Path

from planner.lab.definition import Definition
from planner.lab.errors import UserError, printable
from planner.lab.intake import read_results
from planner.lab.ledger import Ledger, RecordOutcome
from planner.lab.outgrown import disagreement, require_agreement, sentence
from planner.lab.tables import file_digest
from planner.lab.template import RESULTS_FOLDER, filled_template, result_files, unread_files


def record_results(
    directory: str | Path,
    definition: Definition,
    ledger: Ledger,
    *,
    files: Iterable[str | Path] | None = None,
    correct: bool = False,
    why: str | None = None,
    today: datetime.date | None = None,
    tell: Callable[[str], None] = lambda text: None,
) -> RecordOutcome:
    """Record the new result files of a campaign folder.

    Parameters
    ----------
    directory : path
        Campaign folder.
    definition : Definition
    ledger : Ledger
        Open for writing.
    files : iterable of path, optional
        Only these (a bare name is looked for in `results/` too). Default: every file
        of `results/`; those already recorded are not read again.
    correct, why
        As `Ledger.record`.
    today : date, optional
        Default: the machine's date.
    tell : callable, optional
        Told of each file as soon as it is on disk, then of each of its warnings (they
        begin with "! "): what was recorded before a file that is refused is said too.

    Returns
    -------
    RecordOutcome
        Summed over files. Files are recorded in the order of their names, each whole
        or not at all; a refused file stops the run and those before it stay recorded.

    Raises
    ------
    UserError
        Also when recorded specimens no longer fit the definition, before any file is
        read; awaited ones once the files are recorded, for they may bring the results.
        With `correct`, which mends rows, both are warnings.
    """
    directory = Path(directory)
    if not correct:
        require_agreement(directory, definition, ledger, awaited=False)
    home = directory / RESULTS_FOLDER
    named = list(files or ())
    given = bool(named)
    paths = [_found(directory, Path(one)) for one in named] or result_files(directory)
    outcome = RecordOutcome()
    for path in paths:
        inside = home if path.parent.resolve() == home.resolve() else None
        digest = file_digest(path, folder=inside)
        if not given and ledger.is_current(printable(path.name), digest):
            rows = next(entry.rows for entry in ledger.files() if entry.digest == digest)
            outcome += RecordOutcome(unchanged=rows)
            continue
        parsed = read_results(path, definition, folder=inside, known=ledger.known(), today=today)
        done = ledger.record(parsed, correct=correct, why=why)
        if inside is None:
            done += RecordOutcome(warnings=(_elsewhere(parsed.name),))
        tell(f"{parsed.name}: {done.words}")
        outcome += _told(done, tell)
    outcome += _told(RecordOutcome(warnings=() if given else tuple(_others(directory))), tell)
    if correct:
        left = disagreement(directory, definition, ledger)
        return outcome + RecordOutcome(warnings=() if left is None else (sentence(left),))
    require_agreement(directory, definition, ledger, recorded=False)
    return outcome


def _told(outcome: RecordOutcome, tell: Callable[[str], None]) -> RecordOutcome:
    """Tell every warning."""
    for warning in outcome.warnings:
        tell(f"! {warning}")
    return outcome


def _others(directory: Path) -> list[str]:
    """Name what lies in `results/` and is not read."""
    names = [printable(path.name) for path in unread_files(directory)]
    return [f"{name}: not read; results are .csv or .xlsx files" for name in names] + filled_template(directory)


def _elsewhere(name: str) -> str:
    return f"{name}: read from outside {RESULTS_FOLDER}/; put it there too, so that `check` can hold the record against it"


def _found(directory: Path, path: Path) -> Path:
    """Find a named file, as given or in `results/`."""
    for candidate in (path, directory / RESULTS_FOLDER / path.name):
        if candidate.exists():
            return candidate
    raise UserError(
        "there is no such result file", found=str(path),
        fix=f"name a file of {RESULTS_FOLDER}/ or give its path",
    )  # fmt: skip
