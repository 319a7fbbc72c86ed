"""Real sampling of a small invented lab, once for the whole suite; keeping and reading draws; PyMC's own sampler."""

import ctypes
import os
import sys

import numpy as np
import pytest

from models import fit, joint_model, kernel, native
from models.priors import standard, unpack
from models.verdict import CONVERGED, judge
from tests.models import invented


@pytest.fixture(scope="module")
def lab():
    return invented.observations(np.random.default_rng(21), n=150, n_lots=4, n_loads=8)


@pytest.fixture(scope="module")
def sampler(lab):
    """The one compilation of the whole joint model in the suite."""
    obs, layout, _ = lab
    said = []
    sampler = fit.Sampler(obs, invented.SHEET, layout, invented.priors(), say=said.append)
    sampler.said = said
    return sampler


@pytest.fixture(scope="module")
def draws(sampler):
    return sampler.sample(seed=3, draws=1000, tune=700)


def test_a_fit_recovers_what_made_the_data(lab, draws):
    """Of the well-informed parameters, scores of the truth under the posterior are like standard normals."""
    _, _, truth = lab
    assert draws.sampler == "nutpie" and draws.z.shape[:2] == (4, 1000)
    p = draws.params()
    names = ("limit_sd", "angle_sd", "gap_sd", "film_sd", "clad_sd", "clad_loss", "film_level", "film_exponent", "film_heat",
             "best_heat", "joint_level", "joint_hot", "time_weight", "limit_shift", "gap_level")
    scores = np.array([(getattr(truth, n) - getattr(p, n).mean(0)) / getattr(p, n).std(0) for n in names]).ravel()
    assert np.abs(scores).max() < 3.5 and (scores ** 2).mean() < 2.0
    narrower = [getattr(p, n).std() < 0.6 * getattr(fit.prior_draws(draws.layout, draws.priors, draws=500, rng=np.random.default_rng(0)).params(), n).std()
                for n in ("limit_sd", "film_level", "clad_loss", "gap_level")]
    assert all(narrower)


def test_the_fit_mixes(draws):
    verdict = judge(draws.z, draws.layout.names(), divergent=draws.divergent, energy=draws.energy)
    assert verdict.rhat < 1.02 and verdict.bfmi > 0.3 and verdict.divergences <= 8, verdict


def compiled_value(compiled, z):
    """Call the very function that nutpie samples: (log-probability, gradient)."""
    call = ctypes.CFUNCTYPE(ctypes.c_int64, ctypes.c_uint64, *[ctypes.c_void_p] * 4)(compiled.compiled_logp_func.address)
    gradient, value = np.zeros(z.size), np.zeros(1)
    assert call(z.size, z.ctypes.data, gradient.ctypes.data, value.ctypes.data, compiled.user_data.ctypes.data) == 0
    return value[0], gradient


def test_compiled_code_is_numpy_plus_prior_also_with_other_data(lab, sampler):
    obs, layout, _ = lab
    other, _, _ = invented.observations(np.random.default_rng(5), n=70, n_lots=4, n_loads=8)
    for data in (obs, other):
        written = joint_model.program(data, invented.SHEET, layout, invented.priors())
        compiled = sampler.on(written.data)
        for z in np.random.default_rng(6).standard_normal((4, layout.size)):
            standing = standard(z[None], layout, invented.priors(), kernel.lot_precision(data, layout, invented.priors()))
            rows = joint_model.row_log_likelihood(unpack(standing, layout, invented.priors()), data, invented.SHEET).sum()
            rows += invented.centring(z, layout, invented.priors(), kernel.lot_precision(data, layout, invented.priors()))
            value, gradient = compiled_value(compiled, z)
            assert value == pytest.approx(rows - 0.5 * z @ z - 0.5 * layout.size * np.log(2 * np.pi), rel=1e-10, abs=1e-8)
            np.testing.assert_allclose(gradient, kernel.interpreted(written.source)(z, *written.data.values())[1] - z, rtol=1e-9, atol=1e-8)


def test_other_data_without_compiling_again(lab, sampler):
    other, _, _ = invented.observations(np.random.default_rng(7), n=60, n_lots=4, n_loads=8)
    first = sampler.sample(seed=3, obs=other, draws=60, tune=60)
    again = sampler.sample(seed=3, obs=other, draws=60, tune=60)
    assert np.array_equal(first.z, again.z)
    wide, _, _ = invented.observations(np.random.default_rng(8), n=120, n_lots=20, n_loads=8)
    with pytest.raises(ValueError, match="lot index outside 0..7"):
        sampler.sample(seed=3, obs=wide, draws=10, tune=10)


def test_long_work_gives_signs_of_life(sampler, draws):
    assert any(text.startswith("compiling") for text in sampler.said)
    assert any(text.startswith("sampling 4 chains") for text in sampler.said)
    said = []
    with fit.heartbeat(said.append, "thinking", every=0.01):
        while len(said) < 3:
            pass
    assert said[0] == "thinking: 0 s"


@pytest.fixture
def short(lab, monkeypatch):
    """A sampler of springback alone, which compiles quickly, and its data."""
    obs, layout, _ = lab
    monkeypatch.setattr(joint_model, "BLOCKS", {"springback": joint_model.springback_rows})
    return lambda: fit.Sampler(obs, invented.SHEET, layout, invented.priors()), invented.only(obs, "springback", slice(0, 12)), layout


def test_other_versions_of_nutpie_get_the_loop_by_way_of_pymc(short, monkeypatch):
    """The same density and gradient, to rounding, and a sampler that runs."""
    make, obs, layout = short
    ours = make()._compiled
    monkeypatch.setattr(fit, "TESTED", "none")
    assert not fit.takes_callbacks()
    sampler = make()
    for z in np.random.default_rng(6).standard_normal((3, layout.size)):
        (value, gradient), (expected, along) = compiled_value(ours, z), compiled_value(sampler._compiled, z)
        assert value == pytest.approx(expected, rel=1e-12)
        np.testing.assert_allclose(gradient, along, rtol=1e-10, atol=1e-10)
    draws = sampler.sample(seed=1, obs=obs, draws=60, tune=60)
    assert draws.sampler == "nutpie" and draws.z.shape == (4, 60, layout.size) and np.isfinite(draws.z).all()


def test_generated_code_is_kept_and_mended(short, tmp_path, monkeypatch):
    """A second process reads the file; one that was cut off or changed is written anew; no folder, no harm."""
    make, _, layout = short
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    native.loaded.cache_clear()
    z = np.full(layout.size, 0.25)
    expected = compiled_value(make()._compiled, z)
    (kept,) = (tmp_path / "trialwright").glob("*.py")
    text = kept.read_text()
    kept.write_text(text[:500])
    native.loaded.cache_clear()
    assert np.array_equal(compiled_value(make()._compiled, z)[1], expected[1]) and kept.read_text() == text
    (tmp_path / "file").write_text("")
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "file"))
    native.loaded.cache_clear()
    assert np.array_equal(compiled_value(make()._compiled, z)[1], expected[1])
    native.loaded.cache_clear()


def test_pymc_draws_where_nutpie_is_missing(short, monkeypatch):
    make, few, layout = short
    monkeypatch.setitem(sys.modules, "nutpie", None)
    sampler = make()
    draws = sampler.sample(seed=1, obs=few, draws=60, tune=60, cores=1)
    assert draws.sampler == "pymc" and draws.z.shape == (4, 60, layout.size) and np.isfinite(draws.z).all()
    assert draws.energy.shape == draws.divergent.shape == (4, 60)


def test_broken_off_sampling_hands_out_nothing(sampler, monkeypatch):
    whole = sampler._with_nutpie
    monkeypatch.setattr(sampler, "_with_nutpie", lambda numbers, seed, options: whole(numbers, seed, options | {"draws": 5}))
    with pytest.raises(KeyboardInterrupt):
        sampler.sample(seed=1, draws=50, tune=20)


def small_draws():
    _, layout, _ = invented.observations(np.random.default_rng(1))
    return fit.prior_draws(layout, invented.priors(), draws=50, rng=np.random.default_rng(2))


def test_keep_and_read(tmp_path):
    draws, path = small_draws(), tmp_path / "posterior" / "x.npz"
    fit.save(draws, path, {"data": "abc"})
    kept, meta = fit.load(path, draws.priors)
    assert np.array_equal(kept.z, draws.z) and np.array_equal(kept.energy, draws.energy) and meta["data"] == "abc"
    assert kept.layout == draws.layout and kept.sampler == "prior" and [p.name for p in path.parent.iterdir()] == ["x.npz"]
    assert np.array_equal(kept.params().limit_sd, draws.params().limit_sd) and np.bincount(kept.chain).tolist() == [50] * 4


def test_a_neighbours_file_that_vanishes_while_draws_are_kept(tmp_path):
    """Two people keep draws at once: what the one is writing may be renamed while the other looks at it."""
    draws, path = small_draws(), tmp_path / "x.npz"
    (tmp_path / "y.npz.1.part").symlink_to(tmp_path / "renamed")      # listed, and gone when looked at
    old = tmp_path / "z.npz.1.part"
    old.write_text("of a process that was stopped")
    os.utime(old, (0, 0))
    fit.save(draws, path, {})
    assert fit.load(path, draws.priors) and not old.exists()


@pytest.mark.parametrize("harm", ["cut", "flipped", "empty", "text", "keys"])
def test_a_damaged_file_is_named(tmp_path, harm):
    draws, path = small_draws(), tmp_path / "x.npz"
    fit.save(draws, path, {})
    raw = bytearray(path.read_bytes())
    raw[len(raw) // 2] ^= 0xFF
    path.write_bytes({"cut": raw[: len(raw) // 2], "flipped": raw, "empty": b"", "text": b"not draws", "keys": raw}[harm])
    if harm == "keys":
        np.savez(path, z=draws.z)
    with pytest.raises(ValueError):
        fit.load(path, draws.priors)


def test_draws_of_another_model(tmp_path):
    draws, path = small_draws(), tmp_path / "x.npz"
    fit.save(draws, path, {})
    with np.load(path) as f:
        parts = dict(f)
    np.savez(path, **(parts | {"z": parts["z"][..., 1:]}))
    with pytest.raises(ValueError, match="does not fit this model"):
        fit.load(path, draws.priors)


def test_arviz_view():
    tree = fit.to_xarray(small_draws())
    assert tree.posterior["limit_sd"].shape == (4, 50) and tree.posterior["limit_level"].shape == (4, 50, 2)


def test_the_model_digest_ignores_words(tmp_path):
    path = tmp_path / "a.py"
    path.write_text('"""Words."""\nx = 1  # one\n')
    first = fit.code_digest(path)
    path.write_text('"""Other words."""\n\nx = 1\n')
    assert fit.code_digest(path) == first
    path.write_text("x = 2\n")
    assert fit.code_digest(path) != first and len(fit.model_digest()) == 16


def test_no_digest_of_models_that_cannot_be_read(monkeypatch):
    """A folder that cannot be listed must not name other code."""
    def refuse(folder):
        raise OSError(5, "injected", str(folder))

    monkeypatch.setattr(os, "listdir", refuse)
    with pytest.raises(OSError):
        fit.model_digest()
