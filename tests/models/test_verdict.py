"""The gates on a fit: closed forms, and published good and bad chains."""

from pathlib import Path

import numpy as np
import pytest

import models.verdict
from models.verdict import CONVERGED, DIVERGED, FEW_DRAWS, NOT_MIXED, diagnostics, judge

# ArviZ's example data (Apache License 2.0): centred and non-centred fits of the eight schools, 4 x 500 draws, as float32
EIGHT = Path(__file__).parent / "data" / "eight_schools_draws.npz"


def ar1(rho, shape, rng):
    """Return stationary AR(1) series with unit variance along the second axis."""
    x = rng.standard_normal(shape)
    for t in range(1, shape[1]):
        x[:, t] = rho * x[:, t - 1] + np.sqrt(1 - rho * rho) * x[:, t]
    return x


def verdict(quantities, *, divergent=None, energy=None):
    shape = quantities.shape[:2]
    energy = np.random.default_rng(0).standard_normal(shape) if energy is None else energy
    divergent = np.zeros(shape, bool) if divergent is None else divergent
    return judge(quantities, [f"q{i}" for i in range(quantities.shape[-1])], divergent=divergent, energy=energy)


def test_good_chains_converge():
    v = verdict(np.random.default_rng(1).standard_normal((4, 1000, 3)))
    assert v.name == CONVERGED and v.converged and v.worst == ()


def test_two_chains_apart():
    """Vehtari et al. (2021): two of four chains shifted by one sd; rank R-hat near sqrt(1 + 2/7) = 1.1339."""
    x = np.random.default_rng(2).standard_normal((4, 10_000, 2))
    x[2:, :, 1] += 1.0
    rhat = diagnostics(x)[0]
    assert rhat[1] == pytest.approx(np.sqrt(1 + 2 / 7), abs=0.01) and rhat[0] < 1.01
    v = verdict(x)
    assert v.name == NOT_MIXED and v.worst[0] == "q1" and not v.converged


@pytest.mark.parametrize("rho, rel", [(0.9, 0.15), (0.5, 0.05)])
def test_effective_draws_of_ar1(rho, rel):
    """ESS/N = (1 - rho)/(1 + rho) (Geyer)."""
    x = ar1(rho, (4, 10_000), np.random.default_rng(3))[..., None]
    assert diagnostics(x)[1, 0] == pytest.approx(40_000 * (1 - rho) / (1 + rho), rel=rel)


def test_few_draws():
    v = verdict(np.random.default_rng(4).standard_normal((4, 80, 1)))
    assert v.name == FEW_DRAWS and v.ess < 400


def test_energy_gate():
    """E-BFMI of AR(1) energies is 2(1 - rho) (Betancourt 2016): 0.2 at rho 0.9 fails, 1 at rho 0.5 passes."""
    x, rng = np.random.default_rng(5).standard_normal((4, 5000, 1)), np.random.default_rng(6)
    slow, quick = verdict(x, energy=ar1(0.9, (4, 5000), rng)), verdict(x, energy=ar1(0.5, (4, 5000), rng))
    assert slow.name == NOT_MIXED and slow.bfmi == pytest.approx(0.2, abs=0.03)
    assert quick.name == CONVERGED and quick.bfmi == pytest.approx(1.0, abs=0.06)


@pytest.mark.filterwarnings("ignore::RuntimeWarning")
def test_what_is_no_number_passes_no_gate():
    x = np.random.default_rng(1).standard_normal((4, 1000, 3))
    assert verdict(x, energy=np.ones((4, 1000))).name == NOT_MIXED          # E-BFMI 0/0
    x[2, 17, 1] = np.nan
    assert verdict(x).name != CONVERGED


def test_divergences():
    x = np.random.default_rng(7).standard_normal((4, 2500, 1))
    few, many = np.zeros((4, 2500), bool), np.zeros((4, 2500), bool)
    few[0, :3], many[0, :30] = True, True
    assert verdict(x, divergent=few).name == CONVERGED
    v = verdict(x, divergent=many)
    assert v.name == DIVERGED and v.divergences == 30


def test_published_chains():
    """The centred eight schools must fail (48 divergences), the non-centred must pass the gates it has draws for."""
    with np.load(EIGHT) as f:
        bad = judge(f["centered_eight"].astype(float), ["tau", "mu", *"ABCDEFGH"], divergent=f["centered_eight_diverging"],
                    energy=f["centered_eight_energy"].astype(float))
        good = judge(f["non_centered_eight"].astype(float), ["tau", "mu", *"ABCDEFGH"], divergent=f["non_centered_eight_diverging"],
                     energy=f["non_centered_eight_energy"].astype(float))
        told = {name: diagnostics(f[name].astype(float))[:, 0] for name in ("centered_eight", "non_centered_eight")}       # of tau
        energies = [judge(f["centered_eight"][i : i + 1].astype(float), [*"0123456789"], divergent=f["centered_eight_diverging"][i : i + 1],
                          energy=f["centered_eight_energy"][i : i + 1].astype(float)).bfmi for i in range(4)]
        well = [judge(f["non_centered_eight"][i : i + 1].astype(float), [*"0123456789"], divergent=f["non_centered_eight_diverging"][i : i + 1],
                      energy=f["non_centered_eight_energy"][i : i + 1].astype(float)).bfmi for i in range(4)]
    assert bad.name == DIVERGED and bad.divergences == 48 and bad.rhat == pytest.approx(1.06, abs=0.01)
    assert bad.bfmi == pytest.approx(0.270, abs=0.005) and "tau" in bad.worst
    assert told["centered_eight"][0] == pytest.approx(1.06, abs=0.005) and told["centered_eight"][1] == pytest.approx(67, abs=0.5)
    assert told["non_centered_eight"][0] == pytest.approx(1.00, abs=0.005) and told["non_centered_eight"][1] == pytest.approx(1115, abs=0.5)
    assert energies == pytest.approx([0.361, 0.280, 0.344, 0.270], abs=5e-4)
    assert well == pytest.approx([1.06, 1.06, 1.09, 1.01], abs=5e-3)
    assert good.name == CONVERGED and good.divergences == 0 and good.bfmi == pytest.approx(1.01, abs=0.01)


@pytest.mark.parametrize(("rhat", "bulk", "tail", "bfmi", "name"), [
    (1.0099, 400, 400, 0.3, CONVERGED), (1.0101, 5000, 5000, 1.0, NOT_MIXED), (1.0, 399, 5000, 1.0, FEW_DRAWS), (1.0, 5000, 399, 1.0, FEW_DRAWS),
    (1.0, 5000, 5000, 0.299, NOT_MIXED)])
def test_where_the_gates_stand(monkeypatch, rhat, bulk, tail, bfmi, name):
    """R-hat above 1.01 fails (Vehtari et al. 2021), as does less than 400 effective draws in all, bulk or tail (100 a chain; from memory),
    or an E-BFMI below 0.3 (Betancourt 2016)."""
    monkeypatch.setattr(models.verdict, "diagnostics", lambda x: np.array([[1.0, rhat], [9000.0, bulk], [9000.0, tail]]))
    monkeypatch.setattr(models.verdict.array_stats, "bfmi", lambda *_, **__: np.array([1.0, bfmi]))
    assert verdict(np.random.default_rng(1).standard_normal((4, 50, 2))).name == name


def test_a_constant_is_no_fault():
    x = np.random.default_rng(8).standard_normal((4, 1000, 2))
    x[..., 1] = 1.0
    assert verdict(x).name == CONVERGED
