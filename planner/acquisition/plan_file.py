"""The plan on disk: what the lab fills in, and what other programs read.

`plan.csv` is a result file with its measurements still blank, so that it is recorded as it stands once filled in.  `plan.json`
says the same with totals and forecast; pages and a workbook for people may lie beside them.  All appear together or not at
all: they are written in a folder aside, synced, and the folder is renamed.  A plan counts once the ledger knows it: `issue_plan` does both under the ledger's write lock, and
`take_up_plans` finishes what a command that was stopped in between had begun.  Nothing in the files depends on the clock.
"""

from __future__ import annotations

import csv
import hashlib
import io
import json
import os
import re
import shutil
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from planner.acquisition.proposal import PlanRow, Proposal
from planner.lab.cells import harmless
from planner.lab.disk import sync_folder
from planner.lab.errors import UserError
from planner.lab.ledger import Ledger
from planner.lab.specimen import COLUMNS, Specimen, number_text

_NUMBERED = re.compile(r"[0-9]{3,}")
DIGITS = 12
"""Significant digits of the numbers in the files: below them, machines differ."""
HEADER = ("sequence", "purpose", *(c.header for c in COLUMNS), "reason", "expected_gain")


@dataclass(frozen=True)
class PlanFile:
    """A plan read back."""

    number: int
    """Number of the plan."""
    record: dict[str, Any]
    """Everything in `plan.json`."""
    specimens: tuple[Specimen, ...]
    """Rows of the plan, nothing measured, in forming order."""
    purposes: tuple[str, ...]
    """``trial`` or ``control`` of each row."""


def plan_record(
    proposal: Proposal, *, number: int, verdict: str, now: Mapping[str, float], more: Mapping[str, Any] | None = None
) -> dict[str, Any]:
    """Return what `plan.json` holds.

    Parameters
    ----------
    proposal : Proposal
    number : int
        Number of the plan.
    verdict : str
        Verdict of the fit it rests on.
    now : mapping
        misclassification, claimed_share, excluded_share, undecided_share, pointwise_share of today's map.
    more : mapping, optional
        Further keys, put behind the contract's.
    """
    forecast, known = proposal.forecast, now.get("misclassification")
    blind = now.get("undecided_share", 0.0) is None        # of a failed fit no share is told, neither now nor after the batch
    record: dict[str, Any] = {
        "plan_file": f"plans/{number:03d}/plan.csv",
        "n_trials": proposal.n_trials,
        "cost": proposal.cost,
        "hours": proposal.hours,
        "furnace_loads": proposal.furnace_loads,
        "tool_temperatures": proposal.tool_temperatures,
        "sections": proposal.sections,
        "now": dict(now),
        "expected": {
            "misclassification": forecast.misclassification if known is None else known - forecast.gain,
            "undecided_share": None if blind else forecast.undecided_share,
            "gain": forecast.gain,
            "gain_band_80": list(forecast.gain_band_80),
        },
        "verdict": verdict,
        "trials": [_trial(row) for row in proposal.rows],
        "undecided_band_80": None if blind or forecast.undecided_band_80 is None else list(forecast.undecided_band_80),
        "probability_of_goal": None if blind else forecast.probability_of_goal,
        "band_method": forecast.band_method,
        "linear": None if forecast.linear_gain is None else {"gain": forecast.linear_gain, "gain_band_80": list(forecast.linear_band_80),
                                                                "simulated_gain": forecast.simulated_gain},
        "optimism_drop": None if proposal.optimism is None else proposal.optimism.drop,
        "not_worth": [{"what": n.what, "gain": n.gain, "cost": n.cost, "why": n.why} for n in proposal.not_worth],
        "binding_limits": dict(proposal.binding),
        "days_to_result": proposal.days_to_result,
    }
    record |= dict(more or {})
    return _rounded(record)


def _trial(row: PlanRow) -> dict[str, Any]:
    specimen = planned_specimen(row)
    cells = {column.attribute: getattr(specimen, column.attribute) for column in COLUMNS}
    cells["note"] = None
    return {
        "sequence": row.sequence,
        "purpose": row.purpose,
        **cells,
        "reason": row.reason,
        "expected_gain": row.expected_gain,
        "role": row.role,
        "loss_without": row.loss_without,
        "alternative": row.alternative,
        "alternative_loss": row.alternative_loss,
        "settles": None if row.settles is None else asdict(row.settles),
    }


def planned_specimen(row: PlanRow) -> Specimen:
    """Return a row of the plan as a specimen with nothing measured."""
    c = row.candidate
    return Specimen(
        specimen=row.specimen,
        specimen_type=c.specimen_type,
        temper=c.temper,
        lot=c.lot,
        forming_temperature_degC=c.forming_temperature_degC,
        strain=c.strain,
        braze_temperature_degC=c.braze_temperature_degC,
        braze_time_min=c.braze_time_min,
        furnace_load=row.furnace_load,
        section_feature=c.section_feature,
    )


def plan_csv(proposal: Proposal) -> str:
    """Return the text of `plan.csv`."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(HEADER)
    for row in proposal.rows:
        specimen = planned_specimen(row)
        values = [getattr(specimen, column.attribute) for column in COLUMNS]
        writer.writerow([_cell(v) for v in (row.sequence, row.purpose, *values, row.reason, _rounded(row.expected_gain))])
    return text.getvalue()


def plan_digest(proposal: Proposal) -> str:
    """Return the SHA-256 of `plan.csv`, by which the ledger knows the plan."""
    return hashlib.sha256(plan_csv(proposal).encode()).hexdigest()


def _cell(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, int):
        return str(value)
    if isinstance(value, float):
        return number_text(value)
    return harmless(str(value))


def _rounded(value: Any) -> Any:
    """Hold every float to the digits that are the same on every run."""
    if isinstance(value, dict):
        return {key: _rounded(v) for key, v in value.items()}
    if isinstance(value, (list, tuple)):
        return [_rounded(v) for v in value]
    if isinstance(value, float):
        return float(f"{value:.{DIGITS}g}")
    return value


def next_number(plans: Path) -> int:
    """Return the number of the next plan in a `plans` folder, which may not exist yet."""
    return max(_numbers(plans), default=0) + 1


def _numbers(plans: Path) -> list[int]:
    """Return the numbers that folders of plans carry."""
    try:
        return [int(p.name) for p in plans.iterdir() if _NUMBERED.fullmatch(p.name)] if plans.is_dir() else []
    except OSError as error:
        raise UserError(
            f"the folder of plans cannot be read: {error.strerror or error}", where="plans", fix="check the disk and the permissions of the folder"
        ) from None


def write_plan(
    plans: Path, proposal: Proposal, record: Mapping[str, Any], *, number: int, pages: Mapping[str, bytes] | None = None
) -> Path:
    """Write `plan.csv`, `plan.json` and what people read, all or nothing.

    Parameters
    ----------
    plans : Path
        The campaign's `plans` folder; made where missing.
    proposal : Proposal
    record : mapping
        From :func:`plan_record`.
    number : int
    pages : mapping of file name to bytes, optional
        Further files of the plan, such as `plan.html`.

    Returns
    -------
    Path
        The folder of the plan.

    Raises
    ------
    UserError
        When a plan of this number exists or the folder cannot be written.
    """
    folder, aside = plans / f"{number:03d}", plans / f".{number:03d}.partial"
    try:
        if not plans.is_dir():
            plans.mkdir(parents=True, exist_ok=True)
            sync_folder(plans.parent)
        if folder.exists():
            raise UserError("a plan of this number exists and is never overwritten", where=f"plans/{number:03d}",
                            fix="run `trialwright plan` again; it takes the next number")
        for left in plans.glob(".*.partial"):      # of commands that were stopped
            shutil.rmtree(left, ignore_errors=True)
        aside.mkdir()
        for name, content in (pages or {}).items():
            _write(aside / name, content)
        _write(aside / "plan.csv", plan_csv(proposal).encode())
        _write(aside / "plan.json", (json.dumps(record, ensure_ascii=False, indent=1, allow_nan=False) + "\n").encode())
        sync_folder(aside)
        aside.rename(folder)
        sync_folder(plans)
    except OSError as error:
        shutil.rmtree(aside, ignore_errors=True)
        raise UserError(
            f"the plan cannot be written: {error.strerror or error}",
            where=f"plans/{number:03d}",
            fix="free space or permissions in the campaign folder, then run `trialwright plan` again",
        ) from None
    return folder


def issue_plan(
    ledger: Ledger, plans: Path, proposal: Proposal, record: Mapping[str, Any], *, number: int, supersedes: Sequence[int] = (),
    pages: Mapping[str, bytes] | None = None,
) -> Path:
    """Write a plan and enter it in the ledger, so that neither stands without the other for longer than a stopped command.

    The folder is written while the ledger's write lock is held and the entry is committed last: whoever is stopped in
    between leaves a whole folder that the next command takes up (:func:`take_up_plans`).

    Parameters
    ----------
    ledger : Ledger
        Open for writing.
    plans, proposal, record, number, pages
        As :func:`write_plan`.
    supersedes : sequence of int, optional
        Plans that it replaces; `record` should state them under ``supersedes`` too.

    Returns
    -------
    Path
        The folder of the plan.

    Raises
    ------
    UserError
        When someone else issued this number meanwhile, or the disk fails.
    """
    ledger.register_plan(
        number, plan_digest(proposal), [planned_specimen(row) for row in proposal.rows], supersedes=supersedes,
        publish=lambda: write_plan(plans, proposal, record, number=number, pages=pages), documents=lambda: _documents(plans, number),
    )
    return plans / f"{number:03d}"


def take_up_plans(ledger: Ledger, plans: Path) -> list[int]:
    """Enter plans that were written by a command that was stopped before the ledger knew them.

    Only whole plans that say of themselves that they stand there, numbered beyond every issued plan, are taken up;
    anything else in the folder is left alone.

    Returns
    -------
    list of int
        Numbers taken up.
    """
    last = max((plan.number for plan in ledger.plans()), default=0)
    taken = []
    for number in sorted(n for n in _numbers(plans) if n > last):
        folder = plans / f"{number:03d}"
        try:
            plan, digest = read_plan(folder), hashlib.sha256((folder / "plan.csv").read_bytes()).hexdigest()
        except (UserError, OSError):
            continue
        if plan.record.get("plan_file") == f"plans/{number:03d}/plan.csv":
            ledger.register_plan(number, digest, plan.specimens, supersedes=plan.record.get("supersedes", []),
                                 documents=lambda number=number: _documents(plans, number))
            taken.append(number)
    return taken


def _documents(plans: Path, number: int) -> dict[str, str]:
    """Return the digests of the files beside `plan.csv`, by path in the campaign folder."""
    folder = plans / f"{number:03d}"
    with os.scandir(folder) as entries:
        names = sorted(one.name for one in entries if one.name != "plan.csv" and one.is_file(follow_symlinks=False))
    return {f"plans/{folder.name}/{name}": hashlib.sha256((folder / name).read_bytes()).hexdigest() for name in names}


def _write(path: Path, content: bytes) -> None:
    with path.open("xb") as file:
        file.write(content)
        file.flush()
        os.fsync(file.fileno())


def read_plan(folder: Path) -> PlanFile:
    """Read a plan back.

    Parameters
    ----------
    folder : Path
        Folder of the plan, such as `plans/003`.

    Raises
    ------
    UserError
        When it is missing or damaged.
    """
    where = f"plans/{folder.name}/plan.json"
    try:
        record = json.loads((folder / "plan.json").read_text(encoding="utf-8"))
        attributes = [column.attribute for column in COLUMNS]
        trials = [{k: t[k] for k in attributes if t[k] is not None} for t in record["trials"]]
        specimens = tuple(Specimen(**t) for t in trials)
        purposes = tuple(str(t["purpose"]) for t in record["trials"])
        _ = record["now"]["misclassification"], record["n_trials"], record["cost"], record["plan_file"], record["expected"]["gain"]      # what reviews read
        return PlanFile(int(folder.name), record, specimens, purposes)
    except OSError as error:
        raise UserError(f"the plan cannot be read: {error.strerror or error}", where=where) from None
    except (ValueError, KeyError, TypeError):
        raise UserError(
            "the plan is damaged", where=where, fix="restore the file, or move its folder away and plan again"
        ) from None
