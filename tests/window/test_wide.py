"""Conformance where strain scatters by half its size or more: the rule of actual strains, its accuracy and what it costs.

The references are the closed form of a normal edge in ln strain, and equal steps so fine that no edge of the draws can hide between them.
All numbers of the campaign are invented.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.special import ndtr
from scipy.stats import norm

from models.priors import Layout, prior_set, sample_prior
from models.rows import MIN_STRAIN, Conditions, Settings, Sheet
from planner.window.conformance import WIDE_AT_ONCE, Conformance, Required
from planner.window.wide import ENDS, WIDE, wide_rule

SHEET = Sheet(20.0, 10.0, np.array([1.0, 0.55, 0.2]), np.array([12.0, 8.0, 24.0]), np.array([False, True, True]))
LOW, HIGH = np.array([20.0, 0.0, 592.0, 1.0]), np.array([280.0, 0.25, 612.0, 8.0])
ALL, NO_CRACK = Required(True, 0.15, 22, 60.0, True, 24), Required(False, None, None, 40.0, False, 24)
STRAINS = np.array([1e-5, 1e-4, 2e-4, 5e-4, 1e-3, 2e-3, 4e-3, 6e-3, 8.8e-3])      # set strains that are wide at a scatter of 0.004
FINE = 0.02                        # step of ln strain of the reference


def conditions(n, seed, strain=None):
    rng = np.random.default_rng(seed)
    x = Conditions.from_factors(rng.integers(2, size=n), LOW + (HIGH - LOW) * rng.uniform(size=(n, 4)))
    return x if strain is None else replace(x, strain=np.array(strain, float))


def conformance(required=ALL, *, n_draws=20, seed=7, strain_sd=0.004):
    p = sample_prior(Layout(2, 8, 8), prior_set(("O", "H24"), (0, 2)), n_draws, np.random.default_rng(seed))
    return Conformance(p, sheet=SHEET, settings=Settings(4.0, strain_sd, 1.5, 0.2), required=required,
                       box=Conditions.from_factors([0, 0], [LOW, HIGH]))


def by_fine_steps(c, x):
    """Return the mean of conformance at exact strains, in steps of FINE over +- 6 sd of ln strain; float (n_draws, n_conditions)."""
    exact = Conformance(c.params, sheet=c.sheet, settings=replace(c.settings, strain=0.0), required=c.required, box=c.box)
    ln = np.arange(np.log(ENDS[0]), np.log(ENDS[1]) + FINE, FINE)
    out = np.empty((c.params.n_draws, len(x)))
    for i, strain in enumerate(np.maximum(x.strain, MIN_STRAIN)):
        edges = (0.5 * (ln[1:] + ln[:-1]) - np.log(strain)) / (c.settings.strain / strain)
        weight = np.diff(ndtr(edges), prepend=0.0, append=1.0)
        out[:, i] = exact(replace(x.take(np.full(len(ln), i)), strain=np.exp(ln))) @ weight
    return out


@pytest.mark.parametrize("strain_sd", [0.0005, 0.004, 0.02, 0.1])
@pytest.mark.parametrize("width", [0.045, 0.1, 0.3])
def test_rule_has_the_mean_of_a_normal_edge(strain_sd, width):
    """The mean of Phi((c - ln strain)/width) over a normal ln strain is Phi of their difference over both scatters together."""
    strain = np.geomspace(1.01e-4, strain_sd / WIDE, 60)
    sd = strain_sd / strain
    nodes, weights, starts = wide_rule(strain, sd)
    np.testing.assert_allclose(np.add.reduceat(weights, starts), 1.0, atol=1e-12)
    assert weights.min() > 0 and ENDS[0] <= nodes.min() and nodes.max() <= ENDS[1]
    for edge in np.log([0.03, 0.1, 0.25]):
        got = np.add.reduceat(weights * ndtr((edge - np.log(nodes)) / width), starts)
        np.testing.assert_allclose(got, ndtr((edge - np.log(strain)) / np.hypot(width, sd)), atol=4e-4)


@pytest.mark.parametrize("strain, sd", [(1e-4, 0.5), (1e-4, 1.0), (1e-4, 5000.0), (0.002, 2.0), (1.4, 0.5), (3.0, 0.5)])
def test_rule_counts_what_lies_beyond_an_end_as_the_end(strain, sd):
    """The mean of ln strain held between the ends, by E(X - c)+ = sd (u Phi(u) + phi(u)), u = (mean - c)/sd."""
    nodes, weights, _ = wide_rule([strain], [sd])
    u = (np.log(strain) - np.log(ENDS)) / sd
    low, high = sd * (u * ndtr(u) + norm.pdf(u))
    assert weights.sum() == pytest.approx(1.0, abs=1e-12)
    assert weights @ np.log(nodes) == pytest.approx(np.log(ENDS[0]) + low - high, abs=1e-3)


@pytest.mark.parametrize("required, strain_sd, seed", [(ALL, 0.004, 7), (NO_CRACK, 0.004, 8), (ALL, 0.02, 9), (ALL, 0.001, 10)])
def test_wide_conditions_agree_with_fine_steps(required, strain_sd, seed):
    c = conformance(required, seed=seed, strain_sd=strain_sd)
    x = conditions(len(STRAINS), seed, STRAINS * strain_sd / 0.004)
    assert (strain_sd > WIDE * x.strain).all()
    error = c(x) - by_fine_steps(c, x)
    assert np.abs(error).max() <= 5e-4 and np.sqrt(np.mean(error ** 2)) <= 1e-4


def test_other_conditions_are_not_touched_by_wide_ones():
    x = conditions(60, 4)
    x.strain[:20] = np.linspace(1e-4, 0.008, 20)
    x.strain[20:25] = 0.0
    c, rest = conformance(), np.flatnonzero((x.strain == 0) | (0.004 <= WIDE * x.strain))
    whole = c(x)
    assert len(rest) < len(x) and np.isfinite(whole).all()
    assert whole[:, rest].tobytes() == c(x.take(rest)).tobytes()


def test_a_box_from_strain_0_costs_a_few_times_more_at_most(monkeypatch):
    """Counted in conditions that reach the kernel and in its calls, because wall time depends on the machine."""
    seen, combined = [], Conformance._combined

    def counted(self, x, out):
        seen.append(len(x))
        return combined(self, x, out)

    monkeypatch.setattr(Conformance, "_combined", counted)
    x = conditions(512, 5)
    wide = int(((x.strain > 0) & (x.strain * WIDE < 0.004)).sum())
    conformance(n_draws=2)(x)
    assert wide > 10 and len(seen) == 2
    assert sum(seen) <= 4 * len(x) and sum(seen) - (len(x) - wide) <= 60 * wide
    seen.clear()
    many = conditions(2 * WIDE_AT_ONCE + 1, 6, np.linspace(1e-5, 0.0088, 2 * WIDE_AT_ONCE + 1))
    conformance(n_draws=2)(many)
    assert len(seen) == 3 and sum(seen) <= 60 * len(many) and max(seen) <= 80 * WIDE_AT_ONCE
