"""Published yes/no data through the likelihoods of cracks, joints and leaks (checks H6-H8)."""

import csv
from pathlib import Path

import numpy as np
import pytest
from scipy.optimize import approx_fprime, minimize
from scipy.special import expit, gammaln, ndtr

from models.likelihood import beta_binomial_logpmf, log_logistic, log_ndtr, log_normal_mean, normal_logpdf
from models.pooling import pooled

DATA = Path(__file__).parent / "data"
UNDISPERSED = 1e7                 # concentration at which the beta-binomial is a binomial to 1e-5


def read(name):
    with open(DATA / name, newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    return {key: np.array([float(row[key]) for row in rows]) for key in rows[0]}


def hessian(f, at, *, step=1e-4):
    """Return second derivatives by central differences."""
    n = len(at)
    e = step * np.eye(n)
    return np.array([[(f(at + e[i] + e[j]) - f(at + e[i] - e[j]) - f(at - e[i] + e[j]) + f(at - e[i] - e[j])) / (4 * step * step)
                      for j in range(n)] for i in range(n)])


# H6. Lesnoff et al. (2004), R package lme4 (published): disease by herd as leaks by furnace load.
class Herds:
    """Binomial counts with a herd's effect in the logit, the effect integrated out."""

    def __init__(self):
        d = read("cbpp.csv")
        self.herd, self.cases, self.size = d["herd"].astype(int) - 1, d["incidence"], d["size"]
        self.x = np.column_stack([np.ones(len(self.herd)), *(d["period"] == k for k in (2, 3, 4))]).astype(float)
        self.member = np.eye(15)[:, self.herd]

    def by_herd(self, beta, effect):
        """Return each herd's log-likelihood (..., 15) given its effect (..., 15)."""
        eta = self.x @ beta + effect[..., self.herd]
        return beta_binomial_logpmf(self.cases, self.size, eta, UNDISPERSED) @ self.member.T

    def quadrature(self, p):
        return -2.0 * log_normal_mean(lambda u: self.by_herd(p[:4], u), np.zeros(15), np.full(15, np.exp(p[4])), 61).sum()

    def laplace(self, p):
        """Second-order expansion about each herd's mode, found by Newton's steps; counts as yes/no of ours."""
        ways = self.member @ (gammaln(self.size + 1) - gammaln(self.cases + 1) - gammaln(self.size - self.cases + 1))

        def joint(z):
            eta = self.x @ p[:4] + pooled(0.0, np.exp(p[4]), z)[self.herd]
            return ways + self.member @ log_binomial(log_logistic, self.cases, self.size, eta) + normal_logpdf(z, 0.0, 1.0)
        z, step = np.zeros(15), 1e-3
        for _ in range(15):
            up, mid, down = joint(z + step), joint(z), joint(z - step)
            bend = (up - 2 * mid + down) / step**2
            z = z - (up - down) / (2 * step) / bend
        return -2.0 * (joint(z) + 0.5 * np.log(2 * np.pi / -bend)).sum()


@pytest.mark.parametrize(("way", "expected", "sd", "deviance"), [
    ("quadrature", [-1.39923, -0.99140, -1.12782, -1.57947], 0.64752, 183.9667),
    ("laplace", [-1.39834, -0.99192, -1.12820, -1.57973], 0.64206, 184.0531)])
def test_counts_with_a_random_herd(way, expected, sd, deviance):
    at = getattr(Herds(), way)
    found = minimize(at, [-1.4, -1.0, -1.1, -1.6, -0.4], method="BFGS", jac="3-point", options={"gtol": 2e-3, "finite_diff_rel_step": 1e-3})
    assert found.x[:4] == pytest.approx(expected, abs=1e-3)
    assert np.exp(found.x[4]) == pytest.approx(sd, abs=1e-3)
    assert found.fun == pytest.approx(deviance, abs=1e-3)


def test_the_nodes_of_a_component_are_enough_for_a_herd():
    """The joint model integrates a component's own effect with seven nodes: at the estimate they lose less than 0.05 of the deviance."""
    from models.joint_model import N_COMPONENT_NODES

    herds, p = Herds(), np.array([-1.39923, -0.99140, -1.12782, -1.57947, np.log(0.64752)])
    few = -2.0 * log_normal_mean(lambda u: herds.by_herd(p[:4], u), np.zeros(15), np.full(15, np.exp(p[4])), N_COMPONENT_NODES).sum()
    assert few == pytest.approx(183.9667, abs=0.05)


# H7. Bliss (1935), Dobson; BUGS Beetles (published, in part from memory).  The third link, cloglog, is none of ours.
LINKS = {"logit": (lambda eta: log_logistic(eta), expit), "probit": (lambda eta: log_ndtr(eta), ndtr)}


def log_binomial(log_p, k, n, eta):
    return k * log_p(eta) + (n - k) * log_p(-eta)


def deviance(k, n, p):
    with np.errstate(divide="ignore", invalid="ignore"):
        parts = np.where(k > 0, k * np.log(k / (n * p)), 0.0) + np.where(k < n, (n - k) * np.log((n - k) / (n * (1 - p))), 0.0)
    return 2.0 * parts.sum()


def maximum(log_p, k, n, x):
    """Return coefficients of intercept and centred regressor, rotated back, with their standard errors."""
    middle = x.mean()
    def loss(b):
        return -log_binomial(log_p, k, n, b[0] + b[1] * (x - middle)).sum()
    found = minimize(loss, [0.0, 0.0], method="BFGS", options={"gtol": 1e-8})
    polished = found.x - np.linalg.solve(hessian(loss, found.x), approx_fprime(found.x, loss, 1e-7))
    turn = np.array([[1.0, -middle], [0.0, 1.0]])
    cov = turn @ np.linalg.inv(hessian(loss, polished)) @ turn.T
    return turn @ polished, np.sqrt(np.diag(cov))


@pytest.mark.parametrize(("link", "expected", "errors", "misfit"), [
    ("logit", (-60.7175, 34.2703), (5.1807, 2.9121), 11.2322), ("probit", (-34.9353, 19.7279), None, 10.1198)])
def test_beetles_by_maximum_likelihood(link, expected, errors, misfit):
    d, (log_p, cdf) = read("beetles.csv"), LINKS[link]
    beta, se = maximum(log_p, d["killed"], d["n"], d["logdose"])
    assert beta == pytest.approx(expected, abs=1e-3)
    if errors:
        assert se == pytest.approx(errors, abs=1e-3) and -beta[0] / beta[1] == pytest.approx(1.77172, abs=1e-4)
    assert deviance(d["killed"], d["n"], cdf(beta[0] + beta[1] * d["logdose"])) == pytest.approx(misfit, abs=1e-3)


@pytest.mark.parametrize(("link", "means", "sd"), [("logit", (-61.328, 34.614), 2.938), ("probit", (-35.129, 19.837), None)])
def test_beetles_posterior_means_under_a_flat_prior(link, means, sd):
    d, (log_p, _) = read("beetles.csv"), LINKS[link]
    middle = d["logdose"].mean()
    level, slope = np.meshgrid(np.linspace(-0.5, 2.5, 401), np.linspace(8, 52, 801), indexing="ij")
    total = sum(log_binomial(log_p, k, n, level + slope * (x - middle)) for k, n, x in zip(d["killed"], d["n"], d["logdose"]))
    weight = np.exp(total - total.max())
    weight /= weight.sum()
    found = (weight * (level - slope * middle)).sum(), (weight * slope).sum()
    assert found == pytest.approx(means, abs=2e-3 * abs(means[0]) ** 0.5)
    if sd:
        assert ((weight * slope**2).sum() - found[1] ** 2) ** 0.5 == pytest.approx(sd, abs=2e-3)


# H8. Dalal, Fowlkes & Hoadley (1989); Montgomery & Runger (published, in part from memory).
def test_o_rings_any_damage():
    d = read("orings.csv")
    any_damage = (d["Total"] > 0).astype(float)
    beta, se = maximum(log_logistic, any_damage, np.ones_like(any_damage), d["Temperature"])
    assert beta == pytest.approx((15.0429, -0.2322), abs=1e-4) and se == pytest.approx((7.3786, 0.1082), abs=1e-4)
    assert deviance(any_damage, 1.0, expit(beta[0] + beta[1] * d["Temperature"])) == pytest.approx(20.315, abs=1e-3)
    assert np.exp(log_logistic(beta[0] + beta[1] * np.array([31.0, 53.0]))) == pytest.approx((0.99961, 0.9392), abs=1e-4)


# Montgomery & Runger's variant of 24 flights (from memory, degF and damage), which differs from the 23 above.
TEMPERATURES = np.array([53.0, 56, 57, 63, 66, 67, 67, 67, 68, 69, 70, 70, 70, 70, 72, 73, 75, 75, 76, 76, 78, 79, 80, 81])
DAMAGED = np.array([1.0, 1, 1, 0, 0, 0, 0, 0, 0, 0, 0, 1, 1, 1, 0, 0, 0, 1, 0, 0, 0, 0, 0, 0])


def test_o_rings_of_24_flights():
    beta, se = maximum(log_logistic, DAMAGED, np.ones(24), TEMPERATURES)
    assert beta == pytest.approx((10.875, -0.17132), rel=1e-4) and se[1] == pytest.approx(0.08344, rel=1e-3)
    assert log_binomial(log_logistic, DAMAGED, np.ones(24), beta[0] + beta[1] * TEMPERATURES).sum() == pytest.approx(-11.515, abs=1e-3)


def test_o_rings_counted():
    d = read("orings.csv")
    beta, se = maximum(log_logistic, d["Total"], np.full(23, 6.0), d["Temperature"])
    assert beta == pytest.approx((11.6630, -0.21623), abs=1e-4) and se[1] == pytest.approx(0.05318, abs=1e-5)
    assert deviance(d["Total"], 6.0, expit(beta[0] + beta[1] * d["Temperature"])) == pytest.approx(16.912, abs=1e-3)
