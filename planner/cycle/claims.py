"""Frozen claims on disk: each once, under its own number, known to the ledger.

A claim is written and entered in the ledger under the ledger's write lock, the file first: whoever is stopped in between
leaves a whole claim, which the next freezing enters.  A claim that is gone or was changed is named by `check`.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from planner.cycle.reports import write_whole
from planner.lab.errors import UserError
from planner.lab.ledger import Ledger
from planner.outlook.frozen import claim_digest, score

SAME = ("data_digest", "definition_digest", "model_digest", "claims")
"""What makes two claims one."""


def freeze_claim(ledger: Ledger, directory: Path, record: Mapping[str, Any]) -> Path:
    """Write a claim as claims/NNN.json and enter it in the ledger; one that stands unchanged is not frozen twice.

    Parameters
    ----------
    ledger : Ledger
        Open for writing.
    directory : Path
        Campaign folder.
    record : mapping
        From `planner.outlook.frozen.claim_record`.

    Returns
    -------
    Path
        The claim's file.

    Raises
    ------
    UserError
        When an earlier claim cannot be read, or the disk fails.
    """
    directory, placed = Path(directory), []

    def publish() -> dict[str, str]:
        earlier, known = read_claims(directory), set(ledger.documents())
        left = [_path(one["number"]) for one in earlier if _path(one["number"]) not in known and claim_digest(one) == one["digest"]]
        same = [one for one in earlier if all(one[key] == record[key] for key in SAME)]      # not the last only: others freeze meanwhile
        if same:
            placed.append(directory / _path(same[-1]["number"]))
        else:
            number = 1 + max([one["number"] for one in earlier] + [int(Path(path).stem) for path in known if path.startswith("claims/")], default=0)
            text = json.dumps({"number": number} | dict(record), ensure_ascii=False, indent=1, sort_keys=True)
            placed.append(write_whole(directory / _path(number), text, exclusive=True))
            left.append(_path(number))
        return {path: hashlib.sha256((directory / path).read_bytes()).hexdigest() for path in left}

    ledger.register_documents(publish)
    return placed[0]


def _path(number: int) -> str:
    return f"claims/{number:03d}.json"


def read_claims(directory: Path) -> list[dict[str, Any]]:
    """Return the frozen claims of a campaign, by number.

    Raises
    ------
    UserError
        When a claim file cannot be read.
    """
    found = []
    for name in _names(Path(directory) / "claims"):
        try:
            path = Path(directory) / "claims" / name
            record = json.loads(path.read_text(encoding="utf-8"))
            record = {"number": int(path.stem)} | {key: record[key] for key in record if key != "number"}
            score(record, ())                              # whatever the e-process reads is there
            found.append(record | {"digest": str(record["digest"])})
        except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
            raise UserError("a frozen claim cannot be read", found=f"{type(error).__name__}: {error}", where=f"claims/{name}",
                            fix="restore it from a backup, or move it out of claims/") from None
    return sorted(found, key=lambda one: one["number"])


def _names(folder: Path) -> list[str]:
    """List the claim files of a folder, which need not exist."""
    try:
        return sorted(name for name in os.listdir(folder) if name.endswith(".json") and not name.startswith("."))
    except FileNotFoundError:
        return []
    except OSError as error:
        raise UserError(f"the folder claims/ cannot be read: {error.strerror or error}", where="claims",
                        fix="check the disk and the permissions of the folder") from None
