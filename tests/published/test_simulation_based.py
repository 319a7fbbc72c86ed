"""Ranks, interval coverage and the joint-distribution test of the model's own prior, virtual bench, likelihood and sampler (check C5).

Talts et al., arXiv 1804.06788; Geweke, JASA 99 (2004) 799; Saeilynoja et al. 2022 (from memory). The slow evidence under
`tests/evidence` ranks every quantity on weeks of trials; here a handful of specimens serve, so that the whole of it takes seconds.
All data are invented.
"""

from types import SimpleNamespace

import numpy as np
import pytest
from scipy.stats import binom, chi2

from models.fit import Sampler
from models.joint_model import row_log_likelihood
from models.priors import unpack
from models.verdict import diagnostics
from planner.encode import encode, padded_layout, priors_of
from planner.lab.specimen import Specimen
from planner.rehearse.bench import Bench
from tests.evidence import uniformity, virtual_lab

DEFINITION = virtual_lab.definition()
PRIORS = priors_of(DEFINITION)
LAYOUT = padded_layout(len(PRIORS.tempers), 1, 1)
SOFT, CREST = DEFINITION.factors.tempers[0], max(DEFINITION.component.features, key=lambda f: f.strain_share).name
PLANNED = (Specimen("T1", "tensile_coupon", SOFT, "K", 20.0), Specimen("B1", "bend_coupon", SOFT, "K", 150.0),
           Specimen("Z1", "braze_coupon", SOFT, "K", 20.0, 0.05, 600.0, 3.0, "L"),
           Specimen("C1", "component", SOFT, "K", 150.0, 0.04, 600.0, 3.0, "L", section_feature=CREST))
L, BINS = 99, 20                  # L + 1 ranks fill the bins evenly
CHI_SQUARE = chi2.ppf(0.99, BINS - 1)
COVERED = {100: (84, 95), 200: (171, 188)}        # 95 % bands of how many 90 % intervals cover
CHAINS, STEPS = 50, 4             # successive-conditional: 200 fits
DRAWS, TUNE = 100, 200            # in each of four chains


def params(z):
    return unpack(np.atleast_2d(z), LAYOUT, PRIORS)


def specimens_of(z, planned, seed):
    """Return specimens as the virtual bench measures them where `z` is the truth."""
    bench = Bench(DEFINITION, virtual_lab.world(params(z), seed=seed, specimens=PLANNED))
    return [bench.measured(s) for s in planned]


def encoded(specimens):
    return encode(DEFINITION, specimens, lots=("K",), loads=("L",))


UNKNOWN = {"limit strain": lambda p: p.limit_level[:, 0], "springback": lambda p: p.angle_level[:, 0], "stored strain": lambda p: p.prior_strain[:, 0],
           "film": lambda p: p.film_recrystallised[:, 0], "gap": lambda p: p.gap_level[:, 0], "joints": lambda p: p.joint_level[:, 0],
           "a lot": lambda p: p.lot_limit[:, 0], "a load": lambda p: p.load_joint[:, 0]}


def quantities(z, data):
    """Return what is ranked, (n_draws,) each: an unknown of every response, of a lot and of a load, and how likely the data are."""
    p = params(z)
    return {name: of(p) for name, of in UNKNOWN.items()} | {"log-likelihood": row_log_likelihood(p, data.observations, data.sheet).sum(axis=1)}


def readings(specimens):
    """Return numbers of the data, by name; logarithms where a reading is positive."""
    out = {}
    for s in specimens:
        for name in ("limit_strain", "springback_angle_deg", "gap_mm", "film_depth_um", "clad_left_um"):
            value = getattr(s, name)
            if value is not None:
                out[f"{name}, {s.specimen_type}"] = float(np.log(value.value + 0.01))
        for name in ("cracked", "recrystallised", "joints_sound", "leaked"):
            value = getattr(s, name)
            if value is not None:
                out[f"{name}, {s.specimen_type}"] = float(value)
    return out


def binned(ranks):
    return np.bincount(np.asarray(ranks) * BINS // (L + 1), minlength=BINS)


def chi_square(counts):
    expected = counts.sum() / BINS
    return float(((counts - expected) ** 2 / expected).sum())


def test_bands_of_the_row():
    """By the functions that judge the stored evidence."""
    inside = np.flatnonzero(uniformity.tails(1000, BINS)[0] >= 0.005)              # the first bin's count, 99 %
    assert (inside.min(), inside.max()) == (33, 69) and 1000 // BINS == 50
    assert CHI_SQUARE == pytest.approx(36.19, abs=0.005)
    assert {n: tuple(binom.ppf([0.025, 0.975], n, 0.9).astype(int)) for n in COVERED} == COVERED


# 1000 data sets of one specimen each: prior, bench, encoding and likelihood agree.
@pytest.fixture(scope="module")
def thousand():
    """Ranks of 1000 truths among L draws of their posterior, the prior's draws reweighted by our likelihood; the same with its root; readings."""
    rng = np.random.default_rng(21)
    pool = rng.standard_normal((4000, LAYOUT.size))
    right, blunt, seen = {}, {}, {}
    for i in range(1000):
        z = rng.standard_normal(LAYOUT.size)
        made = specimens_of(z, [PLANNED[i % len(PLANNED)]], i)
        for name, value in readings(made).items():
            seen.setdefault(name, []).append(value)
        data = encoded(made)
        found, true = quantities(pool, data), quantities(z, data)
        for power, ranks in ((1.0, right), (0.5, blunt)):
            weight = np.exp(power * (found["log-likelihood"] - found["log-likelihood"].max()))
            weight /= weight.sum()
            for name, value in true.items():
                below = min(float(weight[found[name] < value[0]].sum()), 1.0)
                ranks.setdefault(name, []).append(int(rng.binomial(L, below)))       # of L independent draws, each below the truth with this chance
    return SimpleNamespace(right=right, blunt=blunt, seen=seen)


def test_ranks_of_a_thousand_simulations_are_uniform(thousand):
    counts = {name: binned(ranks) for name, ranks in thousand.right.items()}
    assert all(min(ranks) == 0 and max(ranks) == L for ranks in thousand.right.values())
    assert {name: chi_square(c) for name, c in counts.items() if chi_square(c) > CHI_SQUARE} == {}
    every = np.concatenate(list(counts.values()))                    # each count is outside its own band one time in a hundred
    assert ((every < 33) | (every > 69)).sum() <= binom.ppf(0.99, every.size, 0.01)


def test_a_likelihood_that_is_too_blunt_is_found(thousand):
    assert chi_square(binned(thousand.blunt["log-likelihood"])) > 2 * CHI_SQUARE


# 200 fits by the sampler itself: four in a row in each of 50 chains.
@pytest.fixture(scope="module")
def successive():
    """Geweke's successive-conditional simulator, from prior draws: data given the unknowns, unknowns given the data, and so on.

    The draw that goes on is not among those that rank the truth, so ranks are independent from step to step.
    """
    rng = np.random.default_rng(7)
    first = encoded(specimens_of(np.zeros(LAYOUT.size), PLANNED, 0))
    sampler = Sampler(first.observations, first.sheet, LAYOUT, PRIORS)
    ranks, covered, states, seen, ess = {}, {}, [], [], []
    for chain in range(CHAINS):
        z = rng.standard_normal(LAYOUT.size)
        for step in range(STEPS):
            data = encoded(specimens_of(z, PLANNED, CHAINS * step + chain))
            draws = sampler.sample(seed=int(rng.integers(1 << 31)), obs=data.observations, draws=DRAWS, tune=TUNE, cores=2)
            ess.append(diagnostics(draws.z[..., :6])[1].min())
            *rest, following = draws.z.reshape(-1, LAYOUT.size)
            true, found = quantities(z, data), quantities(np.array(rest), data)
            keep = np.linspace(0, len(rest) - 1, L).round().astype(int)
            for name, value in true.items():
                ranks.setdefault(name, []).append(uniformity.rank(value[0], found[name][keep], rng))
                low, high = np.quantile(found[name], [0.05, 0.95])
                covered.setdefault(name, []).append(bool(low <= value[0] <= high))
            z = following
            states.append(z)
            seen.append(readings(specimens_of(z, PLANNED, 100_000 + CHAINS * step + chain)))
    return SimpleNamespace(ranks=ranks, covered=covered, z=np.array(states), seen=seen, ess=np.array(ess))


def test_intervals_cover_as_often_as_they_say(successive):
    """Each quantity's count is outside its 95 % band one time in twenty."""
    outside = {n: [name for name, found in successive.covered.items() if not low <= sum(found[:n]) <= high] for n, (low, high) in COVERED.items()}
    assert all(len(names) <= binom.ppf(0.99, len(successive.covered), 0.05) for names in outside.values()), outside
    assert "log-likelihood" not in outside[200]


def test_ranks_of_the_sampler_are_uniform(successive):
    p = {name: float(uniformity.p_value(binned(ranks))) for name, ranks in successive.ranks.items()}
    assert min(p.values()) > uniformity.least_p(len(p), level=0.99), p
    assert np.median(successive.ess) >= L


def by_chain(values):
    """Return chain means of a function of the states; what a chain does not show is left out."""
    return np.array([np.mean(some) for some in np.array_split(np.asarray(values, float), CHAINS)])


def test_both_simulators_agree(successive, thousand):
    """Prior then data against successive-conditional: first and second moments of the unknowns, first ones of the data; z within 3."""
    prior = np.random.default_rng(30).standard_normal((20_000, LAYOUT.size))
    z = {}
    for name, of in UNKNOWN.items():
        a, b = of(params(prior)), of(params(successive.z))
        for power, words in ((1, name), (2, f"{name}, squared")):
            direct, chained = (a - a.mean()) ** power, by_chain((b - a.mean()) ** power)
            z[words] = (chained.mean() - direct.mean()) / np.hypot(chained.std(ddof=1) / CHAINS**0.5, direct.std() / len(direct) ** 0.5)
    for name, direct in thousand.seen.items():
        if np.ptp(direct) == 0:          # cracked braze coupons: what did not crack is not reported as such
            continue
        shown = [[one[name] for one in successive.seen[STEPS * c : STEPS * (c + 1)] if name in one] for c in range(CHAINS)]
        chained = np.array([np.mean(some) for some in shown if some])
        z[name] = (chained.mean() - np.mean(direct)) / np.hypot(chained.std(ddof=1) / len(chained) ** 0.5, np.std(direct) / len(direct) ** 0.5)
    assert len(z) >= 24 and {name: value for name, value in z.items() if not abs(value) <= 3} == {}
