"""The log-probability that PyMC samples is the numpy log-likelihood plus the prior, response by response.

Numpy is the second implementation; gradients are held against central differences of it.  All numbers invented.
"""

import numpy as np
import pytest

from models import joint_model, kernel
from models.priors import standard, unpack
from models.rows import EXACT, LEFT, MISSING, RIGHT
from tests.models import invented

N_Z = 6


def row_sums(y, obs, layout, priors):
    """Return by numpy what the generated function adds up at the sampler's vectors y (n, size)."""
    told = kernel.lot_precision(obs, layout, priors)
    rows = joint_model.row_log_likelihood(unpack(standard(y, layout, priors, told), layout, priors), obs, invented.SHEET)
    return rows.sum(axis=1) + np.array([invented.centring(v, layout, priors, told) for v in y])


@pytest.fixture(scope="module")
def lab():
    """A large invented lab with two tempers."""
    obs, layout, _ = invented.observations(np.random.default_rng(1), n=360, n_lots=3, n_loads=5)
    return obs, layout, invented.priors()


CASES = {
    "limit strain": ("formability", lambda b: b.censor == EXACT),
    "stopped pull or no crack": ("formability", lambda b: b.censor == RIGHT),
    "cracked": ("formability", lambda b: b.censor == LEFT),
    "angle": ("springback", lambda b: (b.rows.component == 0) & (b.censor == EXACT)),
    "gap": ("springback", lambda b: (b.rows.component == 1) & (b.censor == EXACT)),
    "angle or gap below the gauge": ("springback", lambda b: b.censor == LEFT),
    "recrystallised": ("section", lambda b: (b.state_known == 1) & (b.state_not == 0)),
    "not recrystallised": ("section", lambda b: b.state_not == 1),
    "state not judged": ("section", lambda b: b.state_known == 0),
    "film below the gauge": ("section", lambda b: b.censor == LEFT),
    "clad left": ("section", lambda b: b.clad_censor == EXACT),
    "clad not measured": ("section", lambda b: b.clad_censor == MISSING),
    "gap measured": ("counts", lambda b: b.gap_known == 1),
    "gap not measured": ("counts", lambda b: b.gap_known == 0),
    "leaked": ("counts", lambda b: b.leak_sign == 1),
    "tight": ("counts", lambda b: b.leak_sign == -1),
}


def agree(obs, layout, priors, *, rng):
    """Hold the generated function to numpy at prior draws; return the gradients."""
    written = joint_model.program(obs, invented.SHEET, layout, priors)
    run = kernel.interpreted(written.source)
    z = rng.standard_normal((N_Z, layout.size))
    rows = joint_model.row_log_likelihood(unpack(standard(z, layout, priors, kernel.lot_precision(obs, layout, priors)), layout, priors), obs, invented.SHEET)
    sums = row_sums(z, obs, layout, priors)
    assert rows.shape == (N_Z, 2 * len(obs.section.rows) + sum(len(b.rows) for b in (obs.formability, obs.springback, obs.counts)))
    gradients = []
    for i in range(N_Z):
        value, gradient = run(z[i], *written.data.values())
        assert value == pytest.approx(sums[i], rel=1e-10, abs=1e-8)
        assert np.isfinite(gradient).all()
        gradients.append(gradient)
    return z, np.array(gradients)


@pytest.mark.parametrize("case", CASES)
def test_every_response_and_every_way_it_was_seen(lab, case):
    obs, layout, priors = lab
    name, chosen = CASES[case]
    index = np.flatnonzero(chosen(getattr(obs, name)))[:15]
    assert len(index), "the invented lab has no such row"
    agree(invented.only(obs, name, index), layout, priors, rng=np.random.default_rng(3))


def test_film_and_clad_not_measured(lab):
    obs, layout, priors = lab
    section = obs.section
    n = len(section.rows)
    missing = invented.replace(section, censor=np.full(n, MISSING), film_known=np.zeros(n), clad_censor=np.full(n, MISSING))
    obs = invented.replace(invented.only(obs, ""), section=missing)
    agree(obs, layout, priors, rng=np.random.default_rng(3))


def test_joints_not_inspected_or_leak_not_tested(lab):
    obs, layout, priors = lab
    n = len(obs.counts.rows)
    half = np.arange(n) % 2
    counts = invented.replace(obs.counts, inspected=24.0 * half, sound=obs.counts.sound * half, leak_sign=obs.counts.leak_sign * (1 - half))
    agree(invented.replace(invented.only(obs, ""), counts=counts), layout, priors, rng=np.random.default_rng(3))


@pytest.mark.parametrize("blocks", [(), ("formability",), ("formability", "springback"), ("section",)])
def test_empty_blocks(lab, blocks):
    obs, layout, priors = lab
    some = invented.replace(invented.only(obs, ""), **{b: invented.take_rows(getattr(obs, b), slice(0, 9)) for b in blocks})
    agree(some, layout, priors, rng=np.random.default_rng(4))


def test_one_temper():
    obs, layout, _ = invented.observations(np.random.default_rng(2), n_tempers=1)
    assert "own" not in layout.blocks
    agree(obs, layout, invented.priors(1), rng=np.random.default_rng(5))


def test_gradient_against_central_differences(lab):
    obs, layout, priors = lab
    z, gradients = agree(obs, layout, priors, rng=np.random.default_rng(6))
    step = 1e-5
    for at, gradient in zip(z[:2], gradients):
        moved = np.repeat(at[None], 2 * layout.size, axis=0)
        moved[: layout.size] += step * np.eye(layout.size)
        moved[layout.size:] -= step * np.eye(layout.size)
        total = row_sums(moved, obs, layout, priors)
        quotient = (total[: layout.size] - total[layout.size:]) / (2 * step)
        np.testing.assert_allclose(gradient, quotient, rtol=2e-6, atol=2e-5)


def test_finite_gradients_at_no_warmth_and_at_extremes(lab):
    obs, layout, priors = lab
    cold = lambda b: invented.replace(b, rows=invented.replace(b.rows, tau=0 * b.rows.tau, tau_hi=0 * b.rows.tau, tau_lo=0 * b.rows.tau))
    obs = invented.replace(obs, formability=cold(obs.formability), springback=cold(obs.springback), section=cold(obs.section), counts=cold(obs.counts))
    written = joint_model.program(obs, invented.SHEET, layout, priors)
    run = kernel.interpreted(written.source)
    rng = np.random.default_rng(7)
    for z in (np.zeros(layout.size), 3.0 * rng.choice([-1.0, 1.0], layout.size), 4.0 * rng.uniform(-1, 1, layout.size)):
        value, gradient = run(z, *written.data.values())
        assert np.isfinite(value) and np.isfinite(gradient).all()


def test_the_code_does_not_depend_on_the_numbers(lab):
    """Other data and other beliefs of the same shape find the same compiled code."""
    obs, layout, priors = lab
    other, _, _ = invented.observations(np.random.default_rng(9), n=50, n_lots=3, n_loads=4)
    beliefs = invented.prior_set(("O", "H24"), (0, 2), beliefs={"O": {"critical_strain": (0.03, 0.09)}})
    sources = {joint_model.program(o, invented.SHEET, layout, p).source for o, p in ((obs, priors), (other, priors), (other, beliefs))}
    assert len(sources) == 1


def test_the_pymc_model_is_prior_plus_rows(lab, monkeypatch):
    """Without numba here: PyMC calls the generated function run by Python; what numba makes of it is tested with the fit."""
    obs, layout, priors = lab
    monkeypatch.setattr(kernel, "compiled", kernel.interpreted)
    written = joint_model.program(obs, invented.SHEET, layout, priors)
    model = joint_model.build(written, layout)
    logp, dlogp = model.compile_logp(mode="FAST_COMPILE"), model.compile_dlogp(mode="FAST_COMPILE")
    run = kernel.interpreted(written.source)
    for z in np.random.default_rng(8).standard_normal((3, layout.size)):
        rows = row_sums(z[None], obs, layout, priors)[0]
        assert logp({"z": z}) == pytest.approx(rows - 0.5 * z @ z - 0.5 * layout.size * np.log(2 * np.pi), rel=1e-12, abs=1e-8)
        np.testing.assert_allclose(dlogp({"z": z}), run(z, *written.data.values())[1] - z, rtol=1e-12, atol=1e-10)
