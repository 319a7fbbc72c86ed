"""The compiled loop as the callbacks that a sampler calls, kept compiled from one run to the next.

By way of PyMC the same loop is wrapped anew in every process, five seconds in which nothing is learnt.  Here its source and
two callbacks (log-density with gradient; what to keep of a draw) stand in one file of the user's cache, where numba keeps what
it made of it.
"""

from __future__ import annotations

import hashlib
import importlib.util
import os
import sys
import tempfile
from functools import cache
from pathlib import Path

import numpy as np

HEAD = '''"""Written by Trialwright: the joint log-likelihood with its gradient, and what a sampler calls. May be deleted at any time."""
from math import cos, erfc, exp, lgamma, log, log1p, sin, sqrt

from numba import carray, cfunc, njit, types
from numba.extending import intrinsic
from numpy import array, empty, isfinite, zeros

plain = njit(error_model="numpy")


@intrinsic
def pointer(typing_context, address):
    return types.voidptr(types.uintp), lambda context, builder, signature, args: builder.inttoptr(
        args[0], context.get_value_type(types.voidptr))


'''
CALLBACKS = '''

def on_log_density(size, at, gradient_out, value_out, numbers):
    where = carray(numbers, (4,), types.uintp)
    z, out = carray(at, (size,)), carray(gradient_out, (size,))
    F, I = carray(pointer(where[0]), (where[1],), types.float64), carray(pointer(where[2]), (where[3],), types.int64)
    value, gradient = joint(z, F, I)
    total, finite = value[()], True
    for k in range(size):
        total -= 0.5 * z[k] * z[k] + HALF_LOG_2_PI
        out[k] = gradient[k] - z[k]
        finite = finite and isfinite(out[k])
    carray(value_out, (1,))[0] = total
    if not finite:
        return 3
    return 0 if isfinite(total) else 4


def on_expand(size, expanded, at, out, numbers):
    z, kept = carray(at, (size,)), carray(out, (expanded,))
    for k in range(size):
        kept[k] = z[k]
    return 0


HALF_LOG_2_PI = 0.9189385332046727
u, p = types.uint64, types.CPointer(types.double)
log_density = cfunc(types.int64(u, p, p, p, types.voidptr), cache=CACHE, error_model="numpy")(on_log_density)
expand = cfunc(types.int64(u, u, p, p, types.voidptr), cache=CACHE, error_model="numpy")(on_expand)
'''


def cache_folder() -> Path:
    """Return where generated code is kept."""
    return Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache") / "trialwright"


@cache
def loaded(source: str):
    """Return the module of generated source with its callbacks, compiled or taken from the cache.

    Where no cache can be written it is compiled in memory.
    """
    code = source.replace("\ndef ", "\n@plain\ndef ")
    name = "joint_" + hashlib.sha256((HEAD + code + CALLBACKS).encode()).hexdigest()[:16]
    try:
        return _imported(name, _kept(name, HEAD + f"CACHE = True\n\n{code}{CALLBACKS}"))
    except (OSError, RuntimeError):                       # RuntimeError: numba finds no place to write to
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / f"{name}.py"
            path.write_text(HEAD + f"CACHE = False\n\n{code}{CALLBACKS}", encoding="utf-8")
            return _imported(name, path)


def _kept(name: str, text: str) -> Path:
    """Write the file of generated code where it is not there yet, whole or not at all."""
    path = cache_folder() / f"{name}.py"
    if path.is_file() and path.read_text(encoding="utf-8") == text:
        return path
    path.parent.mkdir(parents=True, exist_ok=True)
    aside = path.with_name(f"{name}.{os.getpid()}.part")
    aside.write_text(text, encoding="utf-8")
    os.replace(aside, path)
    return path


def _imported(name: str, path: Path):
    spec = importlib.util.spec_from_file_location(name, path)
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module                            # numba looks the module up when it reads its cache
    try:
        spec.loader.exec_module(module)
    except BaseException:
        del sys.modules[name]
        raise
    return module


def numbers(data: dict) -> tuple[np.ndarray, dict]:
    """Return what the callbacks take as their last argument, (4,) addresses and lengths of F and I, and the arrays that must live as long."""
    kept = {"F": np.ascontiguousarray(data["F"], np.float64), "I": np.ascontiguousarray(data["I"], np.int64)}
    return np.array([kept["F"].ctypes.data, kept["F"].size, kept["I"].ctypes.data, kept["I"].size], np.uintp), kept
