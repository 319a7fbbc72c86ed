"""What kept draws depend on, and how today's data, definition and code differ from it.

Light by itself: `check` says whether the fit is still good without loading what makes one.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Iterable, Mapping
from functools import cache
from pathlib import Path
from typing import Any

from models.digest import code_digest, model_digest, stated, versions
from planner.lab.campaign import definition_digest
from planner.lab.specimen import Specimen

MODEL_TABLES = ("factors", "sheet", "component", "beliefs")
"""What of the definition the models read."""
QUICK = "-reweighted"
"""Ends the name of a reweighted fit's file."""
ENCODER = Path(__file__).resolve().parents[1] / "encode.py"


def definition_key(definition) -> str:
    """Return the digest of what the models read of a definition."""
    return definition_digest(definition, tables=MODEL_TABLES)


def fingerprints(specimens: Iterable[Specimen]) -> dict[str, str]:
    """Return a digest of each specimen's content."""
    return {s.specimen: hashlib.sha256(repr(s).encode()).hexdigest()[:16] for s in specimens}


@cache
def code_key() -> str:
    """Return the digest of the code behind draws: the model, and how rows become its arrays."""
    return f"{model_digest()}-{code_digest(ENCODER)}"


def fit_key(definition, data_digest: str) -> str:
    """Return the digest under which draws are kept."""
    parts = [data_digest, definition_key(definition), str(definition.campaign.seed), code_key(), json.dumps(versions(), sort_keys=True)]
    return hashlib.sha256("\n".join(parts).encode()).hexdigest()[:24]


def origin(definition, specimens: Iterable[Specimen]) -> dict[str, Any]:
    """Return what is written beside draws, so that they are never taken for others."""
    return {"model": code_key(), "versions": versions(), "definition": definition_key(definition),
            "tables": {name: definition_digest(definition, tables=[name]) for name in MODEL_TABLES},
            "seed": definition.campaign.seed, "specimens": fingerprints(specimens)}


def foreign(meta: Mapping[str, Any], definition) -> str:
    """Say why draws do not speak of this definition and this program, or nothing."""
    if meta["definition"] != definition_key(definition):
        tables = meta.get("tables") or {}
        changed = [f"[{name}]" for name in MODEL_TABLES if name in tables and tables[name] != definition_digest(definition, tables=[name])]
        return "the definition was changed after the fit" + (f" (in {', '.join(changed)})" if changed else "")
    if meta["model"] != code_key() or meta.get("versions") != versions():
        return "the fit was made by another version of the program or of its packages"
    return ""


def behind(meta: Mapping[str, Any], specimens: Iterable[Specimen]) -> str:
    """Say how the data differ from those that draws were made from, or nothing."""
    then, now = dict(meta["specimens"]), fingerprints(specimens)
    counts = {"recorded": len(now.keys() - then.keys()), "changed or completed": sum(then[name] != now[name] for name in then.keys() & now.keys()),
              "taken out": len(then.keys() - now.keys())}
    said = ", ".join(f"{n} {what}" for what, n in counts.items() if n)
    return f"results are newer than the fit: {said} since" if said else ""


def newest_first(folder: Path) -> list[Path]:
    """Return files of kept draws, youngest first.

    Raises
    ------
    OSError
        When the folder cannot be read; one that does not exist is empty.
    """
    try:
        dated = [(path.stat().st_mtime_ns, path) for path in map(folder.joinpath, sorted(os.listdir(folder))) if path.suffix == ".npz"]
    except FileNotFoundError:
        return []
    return [path for _, path in sorted(dated, key=lambda pair: pair[0], reverse=True)]


def read_origin(path: Path) -> dict[str, Any]:
    """Return what stands beside kept draws.

    Raises
    ------
    ValueError
        Where the file is damaged.
    OSError
        Where it cannot be opened.
    """
    meta = stated(path)
    if not all(isinstance(meta.get(name), kind) for name, kind in (("definition", str), ("model", str), ("specimens", dict))):
        raise ValueError(f"{path.name} does not say what it was drawn from")
    return meta
