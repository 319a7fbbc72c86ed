"""Traced numbers: run a function once on symbols, and keep what it did.

A general graph compiler spends a minute or more on the joint model, nearly all of it on hundreds of small array
operations.  The mathematics of one *row* is only a few hundred scalar operations, the same for every row.  So the response
functions are run once with `xp = traced` on one symbolic row; what they did is a tape, which models.codewriter prints as the
body of a loop that numba compiles in seconds.

References
----------
Griewank & Walther, Evaluating Derivatives, 2nd ed. (2008), chapter 3 (reverse accumulation on an evaluation trace).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

# operation -> (value, derivative contribution to each argument); {0}, {1}, {2} arguments, {v} value, {g} adjoint of the value, {s} slope, where the
# operation gives it along with the value
RULES = {
    "add": ("{0} + {1}", ("{g}", "{g}")),
    "sub": ("{0} - {1}", ("{g}", "-{g}")),
    "mul": ("{0} * {1}", ("{g} * {1}", "{g} * {0}")),
    "div": ("{0} / {1}", ("{g} / {1}", "-{g} * {v} / {1}")),
    "neg": ("-{0}", ("-{g}",)),
    "exp": ("exp({0})", ("{g} * {v}",)),
    "log": ("log({0})", ("{g} / {0}",)),
    "log1p": ("log1p({0})", ("{g} / (1.0 + {0})",)),
    "sqrt": ("sqrt({0})", ("0.5 * {g} / {v}",)),
    "sin": ("sin({0})", ("{g} * cos({0})",)),
    "cos": ("cos({0})", ("-{g} * sin({0})",)),
    "abs": ("abs({0})", ("({g} if {0} >= 0.0 else -{g})",)),
    "erfc": ("erfc({0})", ("-1.1283791670955126 * {g} * exp(-{0} * {0})",)),
    "gammaln": ("lgamma({0})", ("{g} * digamma({0})",)),
    "log_rising": ("log_rising({0}, {1})", ("{g} * {s}", None)),
    "log_ndtr": ("log_ndtr({0})", ("{g} * {s}",)),
    "log_logistic": ("log_logistic({0})", ("{g} * {s}",)),
    "maximum": ("({0} if {0} >= {1} else {1})", ("({g} if {0} >= {1} else 0.0)", "(0.0 if {0} >= {1} else {g})")),
    "minimum": ("({0} if {0} <= {1} else {1})", ("({g} if {0} <= {1} else 0.0)", "(0.0 if {0} <= {1} else {g})")),
    "where": ("({1} if {0} else {2})", (None, "({g} if {0} else 0.0)", "(0.0 if {0} else {g})")),
    "gt": ("{0} > {1}", (None, None)),
    "lt": ("{0} < {1}", (None, None)),
    "eq": ("{0} == {1}", (None, None)),
}
_FOLD = {"exp": np.exp, "log": np.log, "log1p": np.log1p, "sqrt": np.sqrt, "sin": np.sin, "cos": np.cos, "abs": np.abs,
         "erfc": np.vectorize(math.erfc, otypes=[float]), "gammaln": np.vectorize(math.lgamma, otypes=[float]),
         "log_rising": lambda x, k: _FOLD["gammaln"](x + k) - _FOLD["gammaln"](x), "add": np.add, "sub": np.subtract, "mul": np.multiply,
         "div": np.divide, "neg": np.negative, "maximum": np.maximum, "minimum": np.minimum, "where": np.where, "gt": np.greater, "lt": np.less,
         "eq": np.equal}


class Tape:
    """Everything done to the symbols of one row, in order, each operation once."""

    def __init__(self):
        self.nodes: list[Number] = []
        self._seen: dict = {}

    def add(self, op: str, args: tuple, *, active: bool, adjoint: str = "") -> "Number":
        """Return the number for an operation, a known one where the same was done before."""
        key = op, args
        if key not in self._seen:
            self._seen[key] = Number(self, op, args, len(self.nodes), active, adjoint)
            self.nodes.append(self._seen[key])
        return self._seen[key]

    def symbol(self, source: str, adjoint: str = "") -> "Traced":
        """Return an input of shape (1,): `source` reads it, `adjoint` (empty for data) is the place its derivative is added to."""
        return as_traced([self.add("input", (source,), active=bool(adjoint), adjoint=adjoint)])

    def settle(self, data: dict[int, np.ndarray], output: "Number") -> list[np.ndarray]:
        """Work out what depends on data alone, and make inputs of what of it the rest needs; return those columns.

        `data` holds the column of each input by its entry's index; the columns returned are read as F[f + 0], F[f + 1] ...
        """
        values = dict(data)
        with np.errstate(all="ignore"):                               # a branch that is not taken may hold anything
            for n in self.nodes:
                if n.op == "constant":
                    values[n.index] = n.args[0]
                elif n.index not in values and not n.active and n.op in _FOLD and all(a.index in values for a in n.args):
                    values[n.index] = _FOLD[n.op](*(values[a.index] for a in n.args))
        asked = {a.index for n in self.nodes if n.index not in values for a in n.args if isinstance(a, Number)} | {output.index}
        columns = []
        for n in self.nodes:
            if n.index in values and n.index in asked and n.op != "constant":
                n.op, n.args = "input", (f"F[f + {len(columns)}]",)
                columns.append(values[n.index])
        return columns

    def lift(self, value) -> "Number":
        """Return a number or constant as an entry of the tape."""
        return value if isinstance(value, Number) else self.add("constant", (float(value),), active=False)


class Number:
    """One entry of a tape; does arithmetic."""

    __slots__ = ("tape", "op", "args", "index", "active", "adjoint", "loop")

    def __init__(self, tape, op, args, index, active, adjoint):
        self.tape, self.op, self.args, self.index, self.active, self.adjoint = tape, op, args, index, active, adjoint
        self.loop = None

    def __add__(self, other): return operate("add", self, other)
    def __radd__(self, other): return operate("add", other, self)
    def __sub__(self, other): return operate("sub", self, other)
    def __rsub__(self, other): return operate("sub", other, self)
    def __mul__(self, other): return operate("mul", self, other)
    def __rmul__(self, other): return operate("mul", other, self)
    def __truediv__(self, other): return operate("div", self, other)
    def __rtruediv__(self, other): return operate("div", other, self)
    def __neg__(self): return operate("neg", self)
    def __abs__(self): return operate("abs", self)

    def __pow__(self, power):
        if power != 2:
            raise TypeError("only squares are traced; write other powers with exp and log")
        return operate("mul", self, self)

    def __bool__(self):
        raise TypeError("a traced number has no truth value: use xp.where")


@dataclass(frozen=True)
class Loop:
    """Body of a sum over nodes."""

    at: Number                    # the argument, mean + sd x
    body: tuple[Number, ...]      # operations that depend on it, in order
    result: Number
    x: tuple[float, ...]
    log_w: tuple[float, ...]


def operate(op: str, *args):
    """Return an operation on numbers and constants: folded, simplified or put on the tape."""
    tape = next((a.tape for a in args if isinstance(a, Number)), None)
    if tape is None:
        return float(_FOLD[op](*args))
    if any(isinstance(a, np.ndarray) for a in args):
        return NotImplemented
    simple = _simplify(op, args)
    if simple is not None:
        return simple
    args = tuple(tape.lift(a) for a in args)
    differentiable = any(a.active and rule for a, rule in zip(args, RULES[op][1]))
    return tape.add(op, args, active=differentiable)


def _simplify(op, args):
    """Return the result of x + 0, x - 0, 1 x, 0 x and x / 1, or None."""
    constant = [None if isinstance(a, Number) else float(a) for a in args]
    if op == "add" and 0.0 in constant:
        return args[1] if constant[0] == 0.0 else args[0]
    if op == "sub" and constant[1] == 0.0 or op == "div" and constant[1] == 1.0:
        return args[0]
    if op == "mul" and 0.0 in constant:
        return 0.0
    if op == "mul" and 1.0 in constant:
        return args[1] if constant[0] == 1.0 else args[0]
    return None


class Traced(np.ndarray):
    """Array of traced numbers: numpy's shapes and arithmetic, comparisons kept on the tape."""

    def __gt__(self, other): return traced.apply("gt", self, other)
    def __lt__(self, other): return traced.apply("lt", self, other)


def as_traced(values) -> Traced:
    """Return an object array that is traced."""
    return np.array(values, dtype=object).view(Traced)


class _Module:
    """The array module of traced numbers: what the response functions call as `xp`."""

    def __init__(self):
        counts = {name: len(rule[1]) for name, rule in RULES.items()}
        self._elementwise = {name: np.frompyfunc(lambda *a, name=name: operate(name, *a), n, 1) for name, n in counts.items()}

    def apply(self, name, *args) -> Traced:
        """Apply an operation element by element, with numpy's broadcasting."""
        return as_traced(self._elementwise[name](*args))

    def __getattr__(self, name):
        if name not in RULES:
            raise AttributeError(f"{name} is not traced")
        return lambda *args: self.apply(name, *args)

    def clip(self, x, low, high):
        """Hold x in [low, high]."""
        return self.minimum(self.maximum(x, low), high)

    def concatenate(self, arrays, axis=0):
        """Join arrays."""
        return as_traced(np.concatenate(arrays, axis=axis))

    def log_mean(self, log_f, mean, sd, x, log_w) -> Traced:
        """Return ln sum_k w_k exp(log_f(mean + sd x_k)) of one row: a loop over k in the generated code."""
        tape = next(a.tape for a in (mean[0], sd[0]) if isinstance(a, Number))
        at = tape.add("local", (len(tape.nodes),), active=True)
        result = log_f(as_traced([at]))[0]
        inside, body = {at.index}, []
        for n in tape.nodes[at.index + 1:]:
            if any(isinstance(a, Number) and a.index in inside for a in n.args):
                inside.add(n.index)
                body.append(n)
        outside = {a.index: a for n in body for a in n.args if a.index not in inside and a.op != "constant"}
        node = tape.add("log_mean", (tape.lift(mean[0]), tape.lift(sd[0]), *outside.values()), active=True)
        node.loop = Loop(at, tuple(body), result, tuple(x), tuple(log_w))
        return as_traced([node])


traced = _Module()
