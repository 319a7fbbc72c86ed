"""Whether kept draws speak of today's code: digests of it, and the versions of what it runs on.

Light by itself, so that a command that only looks at kept draws need not load what makes them.
"""

from __future__ import annotations

import hashlib
import json
import os
import zlib
from functools import cache
from pathlib import Path
from zipfile import BadZipFile

import numpy as np

PARTS = ("joint_model", "kernel", "trace", "codewriter", "priors", "pooling", "likelihood", "rows", "fit", "native")


def versions() -> dict[str, str]:
    """Return the versions that a fit depends on, without importing the packages."""
    return dict(_versions())


@cache
def _versions() -> dict[str, str]:
    import platform
    from importlib.metadata import version

    names = ("numpy", "scipy", "pymc", "pytensor", "nutpie", "numba", "arviz-stats")
    return {"python": platform.python_version()} | {name: version(name) for name in names}


def code_digest(*paths: Path) -> str:
    """Return a digest of the syntax of Python files: comments, docstrings and layout do not count."""
    import ast

    digest = hashlib.sha256()
    for path in sorted(paths):
        tree = ast.parse(path.read_text(encoding="utf-8"))
        for node in ast.walk(tree):
            body = getattr(node, "body", None)
            if isinstance(body, list) and body and isinstance(body[0], ast.Expr) and isinstance(body[0].value, ast.Constant) \
                    and isinstance(body[0].value.value, str):
                body[0].value.value = ""
        digest.update(f"{path.name}\n{ast.dump(tree)}\n".encode())
    return digest.hexdigest()[:16]


def model_digest() -> str:
    """Return the digest of the code whose results the draws are.

    Raises
    ------
    OSError
        Where the program's own files cannot be read (`Path.glob` would pass over a folder that it cannot list, and name other code).
    """
    root = Path(__file__).parent
    listed = [root / folder / name for folder in ("responses", "handbook") for name in os.listdir(root / folder) if name.endswith(".py")]
    return code_digest(*listed, *(root / f"{n}.py" for n in PARTS))


def stated(path: Path) -> dict:
    """Return what a file of kept draws says of itself, without reading its draws.

    Raises
    ------
    ValueError
        Where it is damaged or no file of draws.
    OSError
        Where it cannot be opened.
    """
    try:
        with open(path, "rb") as file, np.load(file, allow_pickle=False) as kept:
            meta = json.loads(bytes(kept["meta"]).decode())
    except (BadZipFile, zlib.error, EOFError, KeyError, TypeError, AttributeError, NotImplementedError, RuntimeError) as error:
        raise ValueError(f"{path.name} is damaged: {error}") from error
    if not isinstance(meta, dict):
        raise ValueError(f"{path.name} is damaged: it does not say what it holds")
    return meta
