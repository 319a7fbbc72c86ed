"""Positive controls: each takes one safeguard out on purpose; the crash tests must then find something.

A control is applied inside the process that is to be stopped, never in the one that judges.
"""

from __future__ import annotations

import contextlib
import json

import numpy as np

from models import fit
from planner.acquisition import plan_file
from planner.cycle import claims
from planner.lab.ledger import Ledger
from planner.lab.store import Store


@contextlib.contextmanager
def _no_transaction(self):
    yield                                            # every statement is committed by itself


@contextlib.contextmanager
def _unguarded(self, action):
    yield                                            # disk errors come through as they are


def _plan_in_place(plans, proposal, record, *, number, pages=None):
    folder = plans / f"{number:03d}"
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "plan.csv").write_text(plan_file.plan_csv(proposal), encoding="utf-8")
    (folder / "plan.json").write_text(json.dumps(record), encoding="utf-8")
    return folder


def _save_in_place(draws, path, meta):
    path.parent.mkdir(parents=True, exist_ok=True)
    meta = meta | {"layout": [1, 1, 1], "sampler": draws.sampler, "seconds": {}}
    np.savez(path, z=draws.z, divergent=draws.divergent, energy=draws.energy, meta=np.frombuffer(json.dumps(meta).encode(), np.uint8))


def _write_in_place(path, text, **_):
    path.parent.mkdir(exist_ok=True)
    path.write_text(text, encoding="utf-8")
    return path


def _never_remembered(self, documents):
    """Forget the files that were issued."""


def apply(name: str | None) -> None:
    """Take a safeguard out of this process."""
    if name == "no_transaction":
        Store.writing = _no_transaction
    elif name == "unguarded":
        Store.guarded = _unguarded
    elif name == "plan_in_place":
        plan_file.write_plan = _plan_in_place
    elif name == "save_in_place":
        fit.save = _save_in_place
    elif name == "claim_in_place":
        claims.write_whole = _write_in_place
    elif name == "claim_not_remembered":
        Ledger._remember = _never_remembered
    elif name is not None:
        raise ValueError(name)


WRITES = ("write", "pwrite64", "fdatasync", "fsync", "ftruncate", "rename", "unlink", "mkdir")
#: control -> (scenario, fault, calls) in which it must be found out
CONTROLS = {
    "no_transaction": ("record_first", "KILL", WRITES),
    "unguarded": ("record_completion", "EIO", WRITES),
    "plan_in_place": ("plan", "KILL", WRITES),
    "save_in_place": ("draws", "KILL", WRITES),
    "claim_in_place": ("review_freeze", "KILL", ("write",)),
    "claim_not_remembered": ("review_freeze", "EIO", ("unlink",)),
}
