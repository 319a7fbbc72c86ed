"""Where the joint claim needs more draws the window goes on to a longer fit, and everything behind it uses that one. Fits and windows are invented."""

from types import SimpleNamespace

import numpy as np
import pytest

from models.verdict import CONVERGED, NOT_MIXED, Verdict
from planner.cycle import window as cycle_window
from planner.lab.errors import UserError

FIRST = 100


def fit_of(draws, verdict=CONVERGED):
    z = np.zeros((4, draws, 2))
    return SimpleNamespace(draws=SimpleNamespace(z=z, n_draws=4 * draws), may_claim=True, verdict=Verdict(verdict, "invented.", 1.0, 1000.0, 1.0, 0))


@pytest.fixture
def campaign(monkeypatch, tmp_path):
    """A campaign whose window is settled by twice the first draws."""
    made = SimpleNamespace(fits=[], say=lambda text: None, directory=tmp_path, longer=fit_of(2 * FIRST))

    def built(campaign, fit, asked, **_):
        half = np.arange(fit.draws.n_draws // 2)
        verdict = "MORE_DRAWS" if fit.draws.z.shape[1] == FIRST else "CLAIMED"
        return SimpleNamespace(joint=SimpleNamespace(verdict=verdict), split=SimpleNamespace(order=half, certify=half))

    def current(campaign, *, draws=FIRST, **_):
        campaign.fits.append(draws)
        return campaign.longer

    monkeypatch.setattr(cycle_window, "_built", built)
    monkeypatch.setattr(cycle_window, "current_fit", current)
    return made


def test_the_longer_fit_is_the_one_behind_the_window(campaign):
    first = fit_of(FIRST)
    window = cycle_window.window_of(campaign, first)
    assert window.joint.verdict == "CLAIMED" and campaign.fits == [2 * FIRST]
    assert cycle_window.drawn_with(campaign, first, window) is campaign.longer
    assert cycle_window.drawn_with(campaign, campaign.longer, window) is campaign.longer


def test_a_longer_fit_that_fails_claims_nothing(campaign):
    campaign.longer = fit_of(2 * FIRST, NOT_MIXED)
    with pytest.raises(UserError, match="NOT_MIXED"):
        cycle_window.window_of(campaign, fit_of(FIRST))
    assert cycle_window.window_of(campaign, fit_of(FIRST), allow_failed=True).joint.verdict == "CLAIMED"


def test_the_last_fit_as_it_is_stays_as_it_is(campaign):
    first = fit_of(FIRST)
    window = cycle_window.window_of(campaign, first, sample_on=False)
    assert window.joint.verdict == "MORE_DRAWS" and campaign.fits == []
    assert cycle_window.drawn_with(campaign, first, window) is first
