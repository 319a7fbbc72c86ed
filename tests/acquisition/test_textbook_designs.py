"""Textbook designs and values of information through the planner's own search and batch update (checks D2, D4, D5, D6)."""

from dataclasses import dataclass

import numpy as np
import pytest
from scipy.stats import beta, norm

from planner.acquisition import search
from planner.acquisition.design_criteria import PointDesign, efficiency, information_gain, sensitivity
from planner.acquisition.gain import NO_LOAD, LinearGain
from planner.acquisition.measurements import Measurements
from planner.acquisition.outcomes import two_outcome_gain
from planner.acquisition.scatter import Scatter


def probit(eta):
    p, density = norm.cdf(eta), norm.pdf(eta)
    return p, density**2 / (p * norm.sf(eta))


def cloglog(eta):
    p = -np.expm1(-np.exp(eta))
    return p, np.exp(2 * eta - np.exp(eta)) / p


# D2. Ford, Torsney & Wu, JRSS B 54 (1992) 569 (from memory).
@pytest.mark.parametrize(("link", "support", "chances"), [
    (probit, (-1.1381013, 1.1381013), (0.12754, 0.87246)), (cloglog, (-1.33774, 0.97963), (0.23083, 0.93029))])
def test_local_d_optimum_of_other_links_d2(link, support, chances):
    eta = np.linspace(-3, 3, 60_001)
    regressors = np.sqrt(link(eta)[1])[:, None] * np.column_stack([np.ones_like(eta), eta])
    design = PointDesign(regressors, 2)
    assert search.greedy(design) == 2
    search.exchange(design, passes=20)
    found = np.sort(eta[design.chosen])
    assert found == pytest.approx(support, abs=1e-4) and link(found)[0] == pytest.approx(chances, abs=1e-4)
    exact = np.sqrt(link(np.array(support))[1])[:, None] * np.column_stack([np.ones(2), support])
    best = exact.T @ exact / 2
    assert efficiency(design.information, best) >= 0.99
    assert sensitivity(regressors, best).max() == pytest.approx(2.0, abs=1e-5)


@dataclass
class Counts:
    """A number of runs to spread over cells, worth minus a variance: what `search` needs to know of it."""

    variance: object              # function of the counts (n_cells,)
    cells: int
    runs: float                   # or the money for them
    costs: np.ndarray | None = None

    def __post_init__(self):
        self.n = np.ones(self.cells, int)        # every cell once: the variance is finite
        self.costs = np.ones(self.cells) if self.costs is None else self.costs

    def value(self):
        return -self.variance(self.n)

    def _after(self, remove, add):
        n = self.n.copy()
        n[add] += 1
        if remove is not None:
            n[remove] -= 1
        return -self.variance(n) if n.min() > 0 and self.costs @ n <= self.runs + 1e-9 else -np.inf

    def next_step(self):
        worth = [(self._after(None, i) - self.value()) / cost for i, cost in enumerate(self.costs)]
        return (None, int(np.argmax(worth))) if np.isfinite(max(worth)) else None

    def take(self, step):
        remove, add = step
        self.n[add] += 1
        if remove is not None:
            self.n[remove] -= 1

    def moves(self):
        yield from range(self.cells)

    def propose(self, move):
        offers = [self._after(move, i) if i != move else -np.inf for i in range(self.cells)]
        best = int(np.argmax(offers))
        return (offers[best], (move, best)) if np.isfinite(offers[best]) else None


def placed(variance, cells, runs):
    design = Counts(variance, cells, runs)
    search.greedy(design)
    search.exchange(design, passes=20)
    return design


# D4. Elfving (1952), Hoel & Levine (1964): extrapolation to 2 from [-1, 1] (from memory).
@pytest.mark.parametrize(("points", "runs", "expected", "variance"), [
    ((-1, 1), 40, (0.25, 0.75), 4.0), ((-1, 0, 1), 70, (1 / 7, 3 / 7, 3 / 7), 49.0)])
def test_extrapolation_d4(points, runs, expected, variance):
    rows = np.vander(np.array(points, float), len(points), increasing=True)
    c = 2.0 ** np.arange(len(points))
    of = lambda n: float(c @ np.linalg.solve(rows.T @ (n[:, None] * rows), c))
    if len(points) == 3:
        expected = (3 / 7 - 2 / 7, 3 / 7, 3 / 7)
    design = placed(of, len(points), runs)
    assert design.n / runs == pytest.approx(expected, abs=1e-12)
    assert runs * -design.value() == pytest.approx(variance, abs=1e-6)


def test_neyman_allocation_d4():
    """Neyman (1934) (from memory): strata of weight 0.6 and 0.4 with spreads 10 and 20, 70 runs: 30 and 40, variance 2.8."""
    design = placed(of_strata, 2, 70)
    assert design.n.tolist() == [30, 40] and -design.value() == pytest.approx(2.8, abs=1e-6)


W, S = np.array([0.6, 0.4]), np.array([10.0, 20.0])


def of_strata(n):
    return float((W**2 * S**2 / n).sum())


@pytest.mark.parametrize(("costs", "money", "expected"), [((1.0, 4.0), 2200.0, (600, 400)), ((9.0, 1.0), 1300.0, (100, 400)), ((4.0, 4.0), 2800.0, (300, 400))])
def test_allocation_by_cost_d4(costs, money, expected):
    """Neyman (1934) (from memory): with costs c the runs go as W S / sqrt(c). Bought, as our batches are, by the fall that money buys."""
    assert np.array(expected) / sum(expected) == pytest.approx(W * S / np.sqrt(costs) / (W * S / np.sqrt(costs)).sum(), abs=1e-12)
    design = Counts(of_strata, 2, money, costs=np.array(costs))
    search.greedy(design)
    search.exchange(design, passes=20)
    assert design.n.tolist() == list(expected)


# D6. Raiffa & Schlaifer (1961), unit normal loss (from memory).
def loss(u):
    return norm.pdf(u) - u * norm.sf(u)


def test_value_of_sample_information_d6():
    """What n readings are worth, from the share of the variance that the batch update says they explain."""
    assert loss(np.array([0, 0.5, 1, 2])) == pytest.approx([0.398942, 0.197797, 0.083315, 0.0084907], abs=1e-6)
    x = norm.ppf((np.arange(400) + 0.5) / 400)
    theta = 2.0 + 4.0 * (x / x.std())
    most, perfect, values = 50, 4.0 * loss(0.5), []
    assert perfect == pytest.approx(0.791186, abs=1e-6)
    for n, expected in ((1, 0.061245), (5, 0.349778), (10, 0.497830), (50, 0.711254), (1000, 0.786808)):
        each = max(n // most, 1)                 # a reading here may stand for several: their mean
        readings = n // each
        m = Measurements(np.tile(theta[:, None], readings), np.full(readings, 100.0 / each), np.arange(readings), np.array(["gap"] * readings),
                         np.zeros(readings, bool), np.zeros((readings, 3)), np.zeros((readings, 4)))
        gain = LinearGain(theta[:, None], np.zeros(1), m, lots=np.zeros(readings, int), shrinkage=0.0, dtype=np.float64)
        share = float(gain.condition([(i, NO_LOAD) for i in range(readings)]).share[0])
        moved = 4.0 * np.sqrt(share)
        values.append(moved * loss(2.0 / moved))
        assert values[-1] == pytest.approx(expected, abs=1e-6)
    assert np.all(np.diff(values) > 0) and 0 < values[0] and values[-1] < perfect


# D5(c). Lindley (1956); Chaloner & Verdinelli (1995) (from memory): nats that one yes/no tells of its own chance.
OF_A_YES_NO = [((1, 1), 0.193147, 0.202733), ((2, 3), 0.089678, 0.091161)]


def information(p):
    """Return the nats by which the weights that our update gives the draws leave even weights, on average over yes and no."""
    m = Measurements(p[:, None], np.array([np.mean(p * (1 - p))]), np.zeros(1, int), np.array(["leaked"]), np.ones(1, bool), np.zeros((1, 3)), np.zeros((1, 4)))
    weights, _ = Scatter.of(m, np.zeros(1, int), np.eye(1)).weights(m.F, np.array([[1.0], [0.0]]))
    told = (weights * np.log(p.size * weights)).sum(axis=1)
    return float(p.mean() * told[0] + (1 - p.mean()) * told[1])


@pytest.mark.parametrize(("prior", "expected", "linear"), OF_A_YES_NO)
def test_information_of_one_yes_no_d5(prior, expected, linear):
    """The planner reweights by outcomes exactly; its closed form in nats is of the linear update, which knows the chance's second moments alone."""
    p = beta(*prior).ppf((np.arange(200_000) + 0.5) / 200_000)
    assert information(p) == pytest.approx(expected, abs=1e-6)
    second_moments = information_gain(np.array([[p.var()]]), np.array([np.mean(p * (1 - p))]))
    assert second_moments == pytest.approx(linear, abs=1e-5) and 0 < second_moments - expected < 0.01
    assert prior != (1, 1) or expected == pytest.approx(np.log(2) - 0.5, abs=1e-6)


@pytest.mark.parametrize(("prior", "expected", "linear"), OF_A_YES_NO)
def test_information_estimated_from_few_draws_loses_its_bias_d5(prior, expected, linear):
    rng = np.random.default_rng(3)
    found = {n: np.array([information(rng.beta(*prior, n)) for _ in range(4000)]) for n in (8, 32, 128)}
    bias = [abs(x.mean() - expected) for x in found.values()]
    assert bias[0] > 2 * bias[1] > 4 * bias[2]
    many = np.array([information(rng.beta(*prior, 4000)) for _ in range(200)])
    assert abs(many.mean() - expected) < 3 * many.std() / np.sqrt(many.size)


def test_what_one_yes_no_of_an_unknown_share_is_worth():
    """Beta(1, 1): a yes/no on a share asked whether it exceeds 1/2.  H falls from 1/2 to 1/4 (derived: P(p > 1/2 | yes) = 3/4)."""
    p = (np.arange(4000) + 0.5) / 4000
    assert float(two_outcome_gain((p > 0.5)[:, None], p)) == pytest.approx(0.25, abs=1e-6)
