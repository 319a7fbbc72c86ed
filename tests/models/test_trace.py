"""Traced numbers: every derivative rule against a difference quotient, and the rules of simplification."""

import math

import numpy as np
import pytest
import scipy.special
import scipy.stats

from models import kernel, likelihood, trace
from models.codewriter import Constants, Writer
from models.trace import RULES, Tape, as_traced, traced

POINTS = {"gammaln": (2.3,), "log": (0.7,), "sqrt": (0.7,), "log1p": (-0.4,), "log_rising": (0.7, 5.0)}
NO_SLOPE = {"log_rising": {1}}    # arguments that are data
SPECIAL = {name: getattr(math, name) for name in kernel.FUNCTIONS}
exec(kernel.SPECIAL, SPECIAL)


def evaluate(tape, outputs, values):
    """Return value and gradient of the sum of the outputs at x = values."""
    constants = Constants()
    writer = Writer(tape, outputs, constants)
    lines = writer.scratch + writer.forward() + ["total = " + " + ".join(writer.name(o) for o in writer.outputs)] + writer.reverse(["1.0"] * len(outputs))
    scope = SPECIAL | {"empty": np.empty, "x": list(values), "grad": [0.0] * len(values), "F": constants.values}
    exec("\n".join(lines), scope)
    return scope["total"], np.array(scope["grad"])


@pytest.mark.parametrize("name", [n for n in RULES if n not in ("gt", "lt", "eq", "where")])
def test_every_rule_against_a_difference_quotient(name):
    at = np.array(POINTS.get(name, (0.7, -1.3)[: len(RULES[name][1])]))
    run = lambda x: evaluate(*build(name, len(at)), x)
    _, gradient = run(at)
    step = 1e-6
    for i in set(range(len(at))) - NO_SLOPE.get(name, set()):
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
    x = np.concatenate([10.0 ** np.linspace(-7, 4, 300), np.linspace(0.5, 12, 300)])
    ours = np.array([SPECIAL["digamma"](v) for v in x])
    assert np.abs(ours - scipy.special.digamma(x)).max() <= 1e-8
    assert np.abs(ours / scipy.special.digamma(x) - 1).max() <= 1e-9


@pytest.mark.parametrize("k", [0.0, 1.0, 2.0, 7.0, 24.0, 25.0, 300.0, 2.5])
def test_log_rising_against_scipy(k):
    x = 10.0 ** np.linspace(-9, 6, 200)
    ours = np.array([SPECIAL["log_rising"](v, k) for v in x])
    gammaln, digamma = scipy.special.gammaln, scipy.special.digamma
    rounding = 1e-15 * np.abs(gammaln(x + k))                         # what the difference of the two loses
    assert (np.abs(ours[:, 0] - (gammaln(x + k) - gammaln(x))) <= 1e-12 + 1e-12 * np.abs(ours[:, 0]) + 4 * rounding).all()
    np.testing.assert_allclose(ours[:, 1], digamma(x + k) - digamma(x), rtol=1e-8, atol=1e-8)


def test_log_ndtr_and_its_slope_against_scipy():
    x = np.concatenate([np.linspace(-40, 12, 2001), [-500.0, -1e9, -12.000001, -11.999999]])
    ours = np.array([SPECIAL["log_ndtr"](v) for v in x])
    theirs = scipy.special.log_ndtr(x)
    assert (np.abs(ours[:, 0] - theirs) <= 1e-15 + 1e-10 * np.abs(theirs)).all()
    near = x > -500.0
    np.testing.assert_allclose(ours[near, 1], np.exp(scipy.stats.norm.logpdf(x) - theirs)[near], rtol=1e-9, atol=1e-15)
    np.testing.assert_allclose(ours[~near, 1], -x[~near] - 1 / x[~near], rtol=1e-9)


def test_log_logistic_and_its_slope():
    x = np.concatenate([np.linspace(-800, 800, 801), np.linspace(-5, 5, 101)])
    ours = np.array([SPECIAL["log_logistic"](v) for v in x])
    np.testing.assert_allclose(ours[:, 0], likelihood.log_logistic(x), rtol=1e-13, atol=3e-16)
    np.testing.assert_allclose(ours[:, 1], scipy.special.expit(-x), rtol=1e-13, atol=1e-300)


def test_what_depends_on_data_alone_is_worked_out_once():
    """ln of a column and the branch that it chooses become columns; what nobody needs does not."""
    tape = Tape()
    x, a, b = tape.symbol("x[0]", "grad[0]"), tape.symbol("column 0"), tape.symbol("column 1")
    out = (x * traced.log(a * 2.0) + traced.where(b > 0, x, 3.0) * a)[0]
    given = {a[0].index: np.array([1.5, 2.5]), b[0].index: np.array([-1.0, 1.0])}
    columns = tape.settle(given, out)
    assert sorted(map(tuple, columns)) == sorted([(1.5, 2.5), tuple(np.log([3.0, 5.0])), (False, True)])
    constants = Constants(3)
    writer = Writer(tape, [out], constants)
    scope = SPECIAL | {"x": [0.7], "grad": [0.0], "F": [float(c[1]) for c in columns] + constants.values, "f": 0}
    exec("\n".join([*writer.forward(), f"total = {writer.name(writer.outputs[0])}", *writer.reverse(["1.0"])]), scope)
    assert scope["total"] == pytest.approx(0.7 * np.log(5.0) + 0.7 * 2.5) and scope["grad"] == [pytest.approx(np.log(5.0) + 2.5)]
