"""The joint log-likelihood and its gradient as one compiled loop over rows.

Writes the program that numba compiles: standard normals to parameters, then for each block of rows one loop whose body is
the traced mathematics of a row, forwards and back.  All numbers (data, priors, constants of the sheet) come in two flat arrays,
F (floats) and I (row counts and indices), so the compiled code depends on the shape of the problem alone and is found in
the cache of an earlier week.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, fields, is_dataclass, replace
from functools import cache
from textwrap import indent

import numpy as np

from models.codewriter import Constants, Writer
from models.priors import (LOAD_SPREAD, LOT_EFFECTS, LOT_SPREAD, Layout, PriorSet, group_effect, lot_levels, population,
                           temper_centring)
from models.rows import EXACT, MISSING, Observations, Sheet
from models.trace import Tape, as_traced, traced

VERSION = 2                       # of the generated code's conventions; part of the cache key
GROUPS = ("temper", "lot", "load")

SPECIAL = '''
def digamma(x):
    """Derivative of lgamma for x > 0: recurrence to x >= 8, then Abramowitz & Stegun 6.3.18."""
    s = 0.0
    while x < 8.0:
        s -= 1.0 / x
        x += 1.0
    r = 1.0 / (x * x)
    series = r * (1/12 - r * (1/120 - r * (1/252 - r * (1/240 - r * (1/132 - r * (691/32760 - r / 12))))))
    return s + log(x) - 0.5 / x - series


def log_rising(x, k):
    """ln x (x + 1) .. (x + k - 1) and its derivative by x > 0: the product where factors are few, else by gamma functions."""
    n = int(k) if k <= 24.0 else 0
    if n != k or x > 1e12:
        return lgamma(x + k) - lgamma(x), digamma(x + k) - digamma(x)
    a, a_slope, b, b_slope = (x, 1.0, 1.0, 0.0) if n % 2 else (1.0, 0.0, 1.0, 0.0)
    for m in range(n % 2, n, 2):                                      # two products, so that neither waits for the other
        a_slope = a_slope * (x + m) + a
        a *= x + m
        b_slope = b_slope * (x + (m + 1)) + b
        b *= x + (m + 1)
    return log(a * b), (a_slope * b + b_slope * a) / (a * b)


def log_ndtr(x):
    """ln of the standard normal cdf, as models.likelihood.log_ndtr has it, and its derivative; nothing is computed where it is 0 to rounding."""
    if x > 9.0:
        return 0.0, 0.0
    if x > -12.0:
        v = log(0.5 * erfc(-0.7071067811865476 * x))
        return v, exp(-0.5 * x * x - 0.9189385332046727 - v)
    r = 1.0 / (x * x)
    less = r * (1 - r * (3 - r * (15 - r * (105 - r * (945 - 10395 * r)))))
    return -0.5 * x * x - log(-x) - 0.9189385332046727 + log1p(-less), -x / (1 - less)


def log_logistic(x):
    """-ln(1 + exp(-x)) and its derivative."""
    e = exp(-abs(x))
    return min(x, 0.0) - log(1.0 + e), (e if x > 0.0 else 1.0) / (1.0 + e)
'''


@dataclass(frozen=True)
class Program:
    """Generated source and the numbers it reads."""

    source: str
    data: dict                    # {"F": (n,) float64, "I": (m,) int64}


class _RowParams:
    """Parameters as the symbols of one row: reads from `theta` and, for lots and loads, from `z`."""

    def __init__(self, tape: Tape, layout: Layout, place: dict[str, int]):
        self._tape, self._layout, self._place = tape, layout, place

    def __getattr__(self, name):
        return self._theta(str(self._place[name]))

    __getitem__ = __getattr__

    def _theta(self, where):
        return self._tape.symbol(f"theta[{where}]", f"bar[{where}]")

    def of(self, temper):
        """Return the row's temper coefficients."""
        pick = lambda place: tuple(map(pick, place)) if isinstance(place, tuple) else self._theta(f"{place} + temper")
        return _Lazy(lambda name: pick(self._place[name]))

    def lot_of(self, lot):
        """Return the row's lot effects."""
        return _Lazy(lambda name: self._effect("lot", LOT_SPREAD, "lots", self._layout.n_lots, name))

    def load_of(self, load):
        """Return the row's load effects."""
        return _Lazy(lambda name: self._effect("load", LOAD_SPREAD, "loads", self._layout.n_loads, name))

    def _effect(self, index, spreads, block, size, name):
        where = f"{self._layout.start(block) + list(spreads).index(name) * size} + {index}"
        return group_effect(self, spreads[name], self._tape.symbol(f"z[{where}]", f"grad[{where}]"))


class _Lazy:
    """Attributes from a function."""

    def __init__(self, get: Callable):
        self._get = get

    def __getattr__(self, name):
        return self._get(name)


def columns(record, prefix="") -> dict[str, np.ndarray]:
    """Return every array of a nest of records by dotted name, the indices apart."""
    out = {}
    for f in fields(record):
        value = getattr(record, f.name)
        if is_dataclass(value):
            out |= columns(value, f"{prefix}{f.name}.")
        elif f.name not in GROUPS:
            out[prefix + f.name] = value
    return out


def _symbolic(record, symbols: dict, prefix=""):
    """Return the nest of records with symbols in place of its arrays."""
    return replace(record, **{f.name: _symbolic(getattr(record, f.name), symbols, f"{prefix}{f.name}.")
                              if is_dataclass(getattr(record, f.name)) else symbols.get(prefix + f.name) for f in fields(record)})


def _prior_numbers(priors: PriorSet) -> np.ndarray:
    """Return location and scale of every prior, the first numbers of F."""
    return np.concatenate([[x for p in priors.shared for x in (p.location, p.scale)], priors.by_temper.ravel()])


def _symbolic_priors(priors: PriorSet, tape: Tape) -> PriorSet:
    """Return the priors with symbols in place of their numbers, so that a belief does not change the code."""
    symbols = [tape.symbol(f"F[{i}]")[0] for i in range(len(_prior_numbers(priors)))]
    pairs = zip(priors.shared, symbols[::2], symbols[1::2])
    by_temper = as_traced(symbols[2 * len(priors.shared):]).reshape(priors.by_temper.shape)
    return replace(priors, shared=tuple(replace(p, location=at, scale=by) for p, at, by in pairs), by_temper=by_temper)


def _population_code(layout: Layout, priors: PriorSet, constants: Constants):
    """Return statements z -> theta (and the centring's density), statements bar -> grad, the place of each parameter in theta and the length of theta."""
    tape = Tape()
    symbolic = _symbolic_priors(priors, tape)
    z = as_traced([tape.symbol(f"z[{i}]", f"grad[{i}]")[0] for i in range(layout.start("lots"))]
                  + [0.0] * (layout.size - layout.start("lots")))
    outputs, place = [], {}

    def put(value):
        if isinstance(value, tuple):
            return tuple(map(put, value))
        outputs.extend(value)
        return len(outputs) - len(value)

    values = population(z, layout, symbolic, centred=True, xp=traced)
    values["lot_levels"] = [x for levels in lot_levels(values, symbolic, xp=traced) for level in levels for x in level]
    values["lot_spreads"] = [x for name in LOT_SPREAD.values() for x in values[name]]
    for name, value in values.items():
        place[name] = put(value)
    density = sum(temper_centring(z, layout, xp=traced), 0.0)
    writer = Writer(tape, [*outputs, density], constants)
    ahead = writer.forward() + [f"theta[{i}] = {writer.name(o)}" for i, o in enumerate(writer.outputs[:-1])]
    ahead.append(f"total = {writer.name(writer.outputs[-1])}")
    return ahead, writer.reverse([*(f"bar[{i}]" for i in range(len(outputs))), "1.0"]), place, len(outputs)


def _block_code(name: str, rows: Callable, block, sheet: Sheet, layout: Layout, place: dict, constants: Constants):
    """Return the function that adds up a block and its gradient, and the block's data as a matrix (n_rows, n_columns)."""
    arrays = columns(block)
    flat = [(key, j, a if a.ndim == 1 else a[j]) for key, a in arrays.items() for j in range(1 if a.ndim == 1 else len(a))]
    tape = Tape()
    symbols: dict = {}
    for position, (key, _, _) in enumerate(flat):
        symbols.setdefault(key, []).append(tape.symbol(f"column {position}"))
    given = {s[0].index: a for s, (*_, a) in zip((s for several in symbols.values() for s in several), flat)}
    symbols = {key: s[0] if arrays[key].ndim == 1 else as_traced(s) for key, s in symbols.items()}
    parts = rows(_RowParams(tape, layout, place), _symbolic(block, symbols), sheet, xp=traced)
    output = tape.lift(sum(part[0] for part in parts))
    matrix = np.stack(tape.settle(given, output), axis=-1).astype(float)
    writer = Writer(tape, [output], constants)
    body = [f"{g} = I[i + {j}]" for j, g in enumerate(GROUPS)] + writer.forward()
    body += [f"total += {writer.name(writer.outputs[0])}", *writer.reverse(["1.0"]), f"f += {matrix.shape[1]}", f"i += {len(GROUPS)}"]
    lines = [f"def {name}(z, theta, bar, grad, F, I, n, f, i):", "    total = 0.0", *("    " + line for line in writer.scratch), "    for _ in range(n):",
             *("        " + line for line in body), "    return total"]
    return "\n".join(lines), matrix


def lot_precision(obs: Observations, layout: Layout, priors: PriorSet) -> np.ndarray:
    """Return the precision that the readings of a lot have about its level, (3, n_lots, n_tempers), by the prior medians of their scatter.

    The sampler centres the effects of lots by it (`models.priors.standard`).  A reading that only bounds a value counts a quarter.

    References
    ----------
    Papaspiliopoulos, Roberts & Skold, Statistical Science 22 (2007) 59 (partial centring).
    """
    median = {p.name: np.exp(p.location) for p in priors.shared if p.kind == "positive"}
    blocks = {"limit": (obs.formability.rows, obs.formability.censor, obs.formability.rows.log_strain_sd),
              "angle": (obs.springback.rows, obs.springback.censor, 0.0), "clad": (obs.section.rows, obs.section.clad_censor, 0.0)}
    out = np.zeros((len(LOT_EFFECTS), layout.n_lots, layout.n_tempers))
    for told, (name, (rows, censor, strain_sd)) in zip(out, blocks.items()):
        counted = np.where(censor == EXACT, 1.0, np.where(censor == MISSING, 0.0, 0.25))
        counted = counted / (median[f"{name}_sd"] ** 2 + np.square(strain_sd))
        told[:] = np.bincount(rows.lot * layout.n_tempers + rows.temper, counted, minlength=told.size).reshape(told.shape)
    return out


LOTS = '''
y, z = z, z.copy()
for j in range({n}):
    told, below, spread = 0.0, 0.0, theta[{spreads} + j // {lots}]
    for m in range({tempers}):
        told += F[{told} + j * {tempers} + m]
        below += F[{told} + j * {tempers} + m] * theta[{levels} + j // {lots} * {tempers} + m]
    variance = 1.0 / (1.0 + told * spread * spread)
    z[{first} + j] = sqrt(variance) * y[{first} + j] + spread * variance * below
    total += 0.5 * (y[{first} + j] * y[{first} + j] - z[{first} + j] * z[{first} + j] + log(variance))
'''
LOTS_BACK = '''
for j in range({n}):
    told, below, spread, e = 0.0, 0.0, theta[{spreads} + j // {lots}], grad[{first} + j] - z[{first} + j]
    for m in range({tempers}):
        told += F[{told} + j * {tempers} + m]
        below += F[{told} + j * {tempers} + m] * theta[{levels} + j // {lots} * {tempers} + m]
    variance = 1.0 / (1.0 + told * spread * spread)
    for m in range({tempers}):
        bar[{levels} + j // {lots} * {tempers} + m] += F[{told} + j * {tempers} + m] * spread * variance * e
    e *= sqrt(variance)
    bar[{spreads} + j // {lots}] += variance * (e * (below * (2.0 * variance - 1.0) / sqrt(variance) - told * spread * y[{first} + j]) - told * spread)
    grad[{first} + j] = e + y[{first} + j]
'''


def program(blocks: dict[str, Callable], obs: Observations, sheet: Sheet, layout: Layout, priors: PriorSet) -> Program:
    """Write the program for a problem.

    Parameters
    ----------
    blocks : name -> function(p, block, sheet, xp=...) that returns log-likelihoods, each one value a row.
    """
    numbers = _prior_numbers(priors)
    constants = Constants(len(numbers))
    ahead, back, place, size = _population_code(layout, priors, constants)
    functions, matrices, calls = [], [], []
    for k, (name, rows) in enumerate(blocks.items()):
        code, matrix = _block_code(name, rows, getattr(obs, name), sheet, layout, place, constants)
        functions.append(code)
        matrices.append(matrix)
        calls += [f"total += {name}(z, theta, bar, grad, F, I, I[{k}], f, i)", f"f += I[{k}] * {matrix.shape[1]}",
                  f"i += I[{k}] * {len(GROUPS)}"]
    told = lot_precision(obs, layout, priors)
    numbers = np.concatenate([numbers, constants.values, told.ravel()])
    at = {"n": len(LOT_EFFECTS) * layout.n_lots, "lots": layout.n_lots, "tempers": layout.n_tempers, "first": layout.start("lots"),
          "told": len(numbers) - told.size, "levels": place["lot_levels"], "spreads": place["lot_spreads"]}
    lots, lots_back = (text.format(**at).strip().split("\n") for text in (LOTS, LOTS_BACK))
    main = [f"theta, bar, grad = empty({size}), zeros({size}), zeros({layout.size})", *ahead, *lots,
            f"f, i = {len(numbers)}, {len(blocks)}", *calls, *lots_back, *back, "return array(total), grad"]
    source = "\n\n\n".join([SPECIAL, *functions, "def joint(z, F, I):\n" + indent("\n".join(main), "    ")]) + "\n"
    groups = [np.stack([getattr(getattr(obs, name).rows, g) for g in GROUPS], axis=-1).ravel() for name in blocks]
    floats = np.concatenate([numbers, *(m.ravel() for m in matrices)])
    ints = np.concatenate([[len(m) for m in matrices], *groups]).astype(np.int64)
    return Program(source, {"F": floats, "I": ints})


FUNCTIONS = ("exp", "log", "log1p", "sqrt", "sin", "cos", "erfc", "lgamma")


def _executed(source: str, functions: dict) -> tuple[dict, list[str]]:
    """Run generated source; return its names and which of them are its functions."""
    scope = functions | {"empty": np.empty, "zeros": np.zeros, "array": np.array}
    before = set(scope) | {"__builtins__"}
    exec(compile(source, "<joint likelihood>", "exec"), scope)
    return scope, [name for name in scope if name not in before]


@cache
def loaded(source: str) -> Callable:
    """Return the function `joint(z, F, I)` of generated source, ready for numba: its helpers are numba's already."""
    from numba import njit

    scope, names = _executed(source, {name: getattr(math, name) for name in FUNCTIONS})
    for name in names:
        if name != "joint":
            scope[name] = njit(error_model="numpy", no_cpython_wrapper=True, no_cfunc_wrapper=True)(scope[name])
    return scope["joint"]


@cache
def compiled(source: str) -> Callable:
    """Return `joint(z, F, I)` compiled, for calls from Python."""
    from numba import njit

    return njit(error_model="numpy")(loaded(source))


def interpreted(source: str) -> Callable:
    """Return `joint(z, F, I)` run by Python itself: slow for a fit, at once for a check."""
    import scipy.special

    special = {"erfc": scipy.special.erfc, "lgamma": scipy.special.gammaln}
    scope, _ = _executed(source, {name: special.get(name) or getattr(np, name) for name in FUNCTIONS})

    def joint(z, floats, ints):
        with np.errstate(all="ignore"):
            return scope["joint"](np.asarray(z), floats, ints)
    return joint
