"""The verification trial against closed forms."""

import numpy as np
import pytest
from scipy.stats import beta, betabinom

from planner.outlook.verification import chance_of_passing, hardest, size_given_posterior, trial


@pytest.fixture
def draws():
    """Quantiles of Beta(9, 1): conformance as a known posterior."""
    return beta.ppf((np.arange(20_000) + 0.5) / 20_000, 9, 1)


def test_chance_of_passing_is_beta_binomial(draws):
    for n, allowed in ((29, 0), (46, 1)):
        exact = betabinom.sf(n - allowed - 1, n, 9, 1)
        assert chance_of_passing(draws, n, failures=allowed) == pytest.approx(exact, abs=1e-3)


def test_size_given_the_posterior_is_conjugate(draws):
    """After n passes the posterior is Beta(9 + n, 1): P(p >= 0.9) = 1 - 0.9^(9 + n) >= 0.95 first at n = 20."""
    assert size_given_posterior(draws, reliability=0.9, confidence=0.95) == 20
    assert size_given_posterior(np.full(10, 0.99), reliability=0.9, confidence=0.95) == 0
    assert size_given_posterior(np.full(10, 0.5), reliability=0.9, confidence=0.95) is None


def test_failures_are_part_of_the_likelihood(draws):
    """After n components with one failure the posterior is Beta(8 + n, 2): the first n with P(p >= 0.9) >= 0.95, by its closed form."""
    n = next(n for n in range(1, 200) if beta.sf(0.9, 9 + n - 1, 2) >= 0.95)
    assert size_given_posterior(draws, reliability=0.9, confidence=0.95, failures=1) == n > 20


def test_the_trial_names_the_hardest_corner_and_the_classical_sizes(draws):
    corners = np.array([[20, 0.1, 600, 3.0], [200, 0.2, 605, 5.0]])
    corner = hardest("O", corners, np.stack([draws, draws - 0.05], axis=1))
    told = trial(corner, reliability=0.95, confidence=0.95)
    assert told["corner"]["strain"] == 0.2
    assert [one["components"] for one in told["classical"]] == [59, 93, 124]      # Q1: standard zero-failure tables (from memory)
    assert told["uniform_prior_components"] == 58
    assert "59 new components" in told["words"]
