"""Why these few functions exist: exp, log and the normal cdf in a form that the processor's vector unit runs eight or more at a time.

The special functions of libraries are calls, and a loop that calls cannot be vectorised.  These are plain float32
polynomials (fits of our own, errors stated and tested), used in the inner loops of the conformance kernel and its tables.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from pathlib import Path

import numpy as np
from llvmlite import ir
from numba import njit, types
from numba.extending import intrinsic

F = np.float32
LOG2_E, LN_2 = F(1.4426950408889634), F(0.6931471805599453)
E0, E1, E2, E3, E4, E5 = (F(x) for x in (0.9999999, 0.69315462, 0.24014077, 0.05586328, 0.00894621, 0.00189511))
L0, L1, L2, L3, L4, L5, L6, L7, L8 = (F(x) for x in (
    0.4054651, 0.66666617, -0.22222137, 0.09879175, -0.04940962, 0.02596733, -0.01433834, 0.01024383, -0.00615147))
P0, P1, P2, P3, P4, P5, P6 = (F(x) for x in (
    1.59573854, 7.27792419e-2, -1.61643912e-4, -8.13654953e-5, 4.37083319e-6, -9.30495356e-8, 7.08672737e-10))


def compiled(**options) -> Callable:
    """Return numba's decorator with its disk cache on, or off where no cache directory can be written.

    Notes
    -----
    Compiled code holds what it took from other files too (functions, constants), but numba looks only at a function's own file
    to tell whether its cache is out of date.  Here every source of the two packages' arithmetic counts.
    """
    def decorate(function):
        try:
            made = njit(cache=True, **options)(function)
        except RuntimeError:          # numba found no place for a cache: compile in memory
            return njit(**options)(function)
        kept = getattr(made._cache, "_cache_file", None)
        if hasattr(kept, "_source_stamp"):
            kept._source_stamp = _sources()
        return made
    return decorate


@cache
def _sources() -> tuple:
    here = Path(__file__).resolve()
    files = sorted([*here.parent.glob("*.py"), *(here.parents[2] / "models").rglob("*.py")])
    return tuple((file.name, file.stat().st_mtime_ns, file.stat().st_size) for file in files)


def plain(array, kind) -> np.ndarray:
    """Return an array as numba's compiled code expects it: one type, contiguous, writable (else a second compilation)."""
    return np.require(array, kind, ["C", "W", "A"])


def aligned(shape) -> np.ndarray:
    """Return an empty float32 array that starts on a cache line, so that a row of 16 numbers is one line."""
    size = int(np.prod(shape))
    room = np.empty(size + 16, np.float32)
    skip = (-room.ctypes.data % 64) // 4
    return room[skip:skip + size].reshape(shape)


@intrinsic
def _floor(context, x):
    def emit(_context, builder, signature, args):
        kind = args[0].type
        function = builder.module.declare_intrinsic("llvm.floor", [kind])
        return builder.call(function, args)
    return types.float32(types.float32), emit


@intrinsic
def _power_of_two(context, n):
    """2**n for a whole float32 n within -126 .. 127, written straight into the exponent bits."""
    def emit(_context, builder, signature, args):
        whole = builder.fptosi(args[0], ir.IntType(32))
        bits = builder.shl(builder.add(whole, ir.Constant(ir.IntType(32), 127)), ir.Constant(ir.IntType(32), 23))
        return builder.bitcast(bits, ir.FloatType())
    return types.float32(types.float32), emit


@intrinsic
def _exponent(context, x):
    """The binary exponent of a positive float32, as float32."""
    def emit(_context, builder, signature, args):
        whole = ir.IntType(32)
        bits = builder.lshr(builder.bitcast(args[0], whole), ir.Constant(whole, 23))
        return builder.sitofp(builder.sub(bits, ir.Constant(whole, 127)), ir.FloatType())
    return types.float32(types.float32), emit


@intrinsic
def _mantissa(context, x):
    """The mantissa of a positive float32, within [1, 2)."""
    def emit(_context, builder, signature, args):
        whole = ir.IntType(32)
        bits = builder.and_(builder.bitcast(args[0], whole), ir.Constant(whole, 0x7FFFFF))
        return builder.bitcast(builder.or_(bits, ir.Constant(whole, 0x3F800000)), ir.FloatType())
    return types.float32(types.float32), emit


@intrinsic
def two_words(context, array, at):
    """Return array[at] (lower half) and array[at + 1] (upper half) of a flat uint32 array as one uint64."""
    def emit(context, builder, signature, args):
        data = context.make_array(signature.args[0])(context, builder, args[0]).data
        whole = builder.load(builder.bitcast(builder.gep(data, [args[1]]), ir.IntType(64).as_pointer()))
        whole.align = 4
        return whole
    return types.uint64(array, types.uint64), emit


@njit(fastmath=True, error_model="numpy", inline="always")
def exp32(x):
    """e**x within 4e-6 relative for |x| <= 80; held at the ends beyond."""
    t = min(max(x, F(-80.0)), F(80.0)) * LOG2_E
    whole = _floor(t)
    f = t - whole
    return _power_of_two(whole) * (E0 + f * (E1 + f * (E2 + f * (E3 + f * (E4 + f * E5)))))


@njit(fastmath=True, error_model="numpy", inline="always")
def log32(x):
    """ln x within 1e-6 for 1e-37 < x < 1e38."""
    m = _mantissa(x) - F(1.5)
    series = L0 + m * (L1 + m * (L2 + m * (L3 + m * (L4 + m * (L5 + m * (L6 + m * (L7 + m * L8)))))))
    return _exponent(x) * LN_2 + series


@njit(fastmath=True, error_model="numpy", inline="always")
def phi32(x):
    """Normal cdf within 2e-6 everywhere, and within 3 % relative down to -5: the logistic of an odd polynomial."""
    z = min(max(x, F(-7.0)), F(7.0))
    s = z * z
    return F(1.0) / (F(1.0) + exp32(-z * (P0 + s * (P1 + s * (P2 + s * (P3 + s * (P4 + s * (P5 + s * P6))))))))


def row_sum(n_outer: int, n_inner: int, lanes: int) -> Callable:
    """Return a compiled function that adds up n_outer x n_inner rows of `lanes` numbers with a weight each.

    Notes
    -----
    Call it as (source, first, outer_step, inner_step, weights, at, target, to), flat float32 arrays and uint64 places:
    target[to:to + lanes] = sum over r, c of weights[at + r n_inner + c] source[first + r outer_step + c inner_step:...].
    Written as vector instructions because compilers do not find them in so short a loop.
    """
    vector = ir.VectorType(ir.FloatType(), lanes)

    @intrinsic
    def sum_rows(context, source, first, outer_step, inner_step, weights, at, target, to):
        def emit(context, builder, signature, args):
            data = lambda i: context.make_array(signature.args[i])(context, builder, args[i]).data
            element = lambda i, place: builder.gep(data(i), [place])
            whole = lambda pointer: builder.bitcast(pointer, vector.as_pointer())
            count = lambda n: ir.Constant(ir.IntType(64), n)
            undefined, zeros = ir.Constant(vector, ir.Undefined), ir.Constant(ir.VectorType(ir.IntType(32), lanes), [0] * lanes)
            parts = [None] * n_inner                    # a sum for each inner step: the processor need not wait for one to go on
            for r in range(n_outer):
                for c in range(n_inner):
                    place = builder.add(args[1], builder.add(builder.mul(args[2], count(r)), builder.mul(args[3], count(c))))
                    row = builder.load(whole(element(0, place)))
                    row.align = 4
                    weight = builder.load(element(4, builder.add(args[5], count(r * n_inner + c))))
                    spread = builder.shuffle_vector(builder.insert_element(undefined, weight, ir.Constant(ir.IntType(32), 0)), undefined, zeros)
                    part = builder.fmul(row, spread, flags=("contract",))
                    parts[c] = part if parts[c] is None else builder.fadd(parts[c], part, flags=("contract",))
            total = parts[0]
            for part in parts[1:]:
                total = builder.fadd(total, part, flags=("contract",))
            builder.store(total, whole(element(6, args[7]))).align = 4
            return context.get_dummy_value()
        whole = types.uint64
        return types.void(source, whole, whole, whole, weights, whole, target, whole), emit

    return sum_rows
