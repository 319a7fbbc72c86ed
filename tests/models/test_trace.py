"""Traced numbers: every derivative rule against a difference quotient, and the rules of simplification."""

import math

import numpy as np
import pytest
import scipy.special

from models import kernel, likelihood, trace
from models.codewriter import Constants, Writer
from models.trace import RULES, Tape, as_traced, traced

POINTS = {"gammaln": (2.3,), "log": (0.7,), "sqrt": (0.7,), "log1p": (-0.4,)}


def evaluate(tape, outputs, values):
    """Return value and gradient of the sum of the outputs at x = values."""
    constants = Constants()
    writer = Writer(tape, outputs, constants)
    lines = writer.scratch + writer.forward() + ["total = " + " + ".join(writer.name(o) for o in writer.outputs)] + writer.reverse(["1.0"] * len(outputs))
    scope = {name: getattr(math, name) for name in kernel.FUNCTIONS} | {"digamma": scipy.special.digamma, "empty": np.empty}
    scope |= {"x": list(values), "grad": [0.0] * len(values), "F": constants.values}
    exec("\n".join(lines), scope)
    return scope["total"], np.array(scope["grad"])


@pytest.mark.parametrize("name", [n for n in RULES if n not in ("gt", "lt", "eq", "where")])
def test_every_rule_against_a_difference_quotient(name):
    at = np.array(POINTS.get(name, (0.7, -1.3)[: len(RULES[name][1])]))
    run = lambda x: evaluate(*build(name, len(at)), x)
    _, gradient = run(at)
    step = 1e-6
    for i in range(len(at)):
        up, down = at.copy(), at.copy()
        up[i], down[i] = up[i] + step, down[i] - step
        assert gradient[i] == pytest.approx((run(up)[0] - run(down)[0]) / (2 * step), rel=1e-7, abs=1e-8)


def build(name, n):
    tape = Tape()
    x = [tape.symbol(f"x[{i}]", f"grad[{i}]") for i in range(n)]
    return tape, list(traced.apply(name, *x))


def test_the_branch_not_taken_leaves_no_trace_in_the_gradient():
    """log(0) on the other branch must not spoil the derivative, as 0 x inf does in array code."""
    tape = Tape()
    x, y = tape.symbol("x[0]", "grad[0]"), tape.symbol("x[1]", "grad[1]")
    value, gradient = evaluate(tape, list(traced.where(x > 0, 1.0 / x, y * y)), (2.0, 3.0))
    assert value == 0.5 and gradient.tolist() == [-0.25, 0.0]


def test_a_sum_over_nodes_becomes_a_loop():
    """ln E exp(a (m + s Z)) = a m + a^2 s^2 / 2, value and gradient; a enters the loop from outside."""
    tape = Tape()
    m, s, a = (tape.symbol(f"x[{i}]", f"grad[{i}]") for i in range(3))
    out = 2.0 * likelihood.log_normal_mean(lambda eta: a * eta, m, s, 25, xp=traced)
    value, gradient = evaluate(tape, list(out), (0.3, 0.8, 1.1))
    assert value == pytest.approx(2 * (1.1 * 0.3 + 0.5 * (1.1 * 0.8) ** 2), rel=1e-12)
    assert gradient == pytest.approx([2 * 1.1, 2 * 1.1**2 * 0.8, 2 * (0.3 + 1.1 * 0.8**2)], rel=1e-10)
    plain = likelihood.log_normal_mean(lambda eta: 1.1 * eta, np.array([[0.3]]), np.array([[0.8]]), 25)
    assert 2 * plain == pytest.approx(value, rel=1e-12)


def test_simplification_and_sharing():
    tape = Tape()
    x = tape.symbol("x[0]", "grad[0]")
    assert (0.0 + x)[0] is x[0] and (1.0 * x)[0] is x[0] and (x / 1.0)[0] is x[0] and (x - 0.0)[0] is x[0]
    assert (0.0 * x)[0] == 0.0 and traced.exp(as_traced([0.0]))[0] == 1.0
    assert traced.exp(x)[0] is traced.exp(x)[0]
    size = len(tape.nodes)
    traced.exp(x)
    assert len(tape.nodes) == size


def test_what_cannot_be_traced_is_refused():
    x = Tape().symbol("x[0]")
    with pytest.raises(TypeError, match="truth value"):
        bool(x[0])
    with pytest.raises(TypeError, match="squares"):
        x ** 3
    with pytest.raises(AttributeError, match="cosh"):
        trace.traced.cosh


def test_digamma_against_scipy():
    scope = {"log": math.log}
    exec(kernel.DIGAMMA, scope)
    x = np.concatenate([10.0 ** np.linspace(-7, 4, 300), np.linspace(0.5, 12, 300)])
    ours = np.array([scope["digamma"](v) for v in x])
    assert np.abs(ours - scipy.special.digamma(x)).max() <= 1e-8
    assert np.abs(ours / scipy.special.digamma(x) - 1).max() <= 1e-9
