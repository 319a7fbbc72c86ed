"""Numbers at hand in place of costly ones, so that whole commands can be stopped at every site they write at.

The commands run as they are; only sampling, judging, mapping and choosing, and whether the program's own evidence speaks of its code,
return invented results at once. What is read from the folder and what is written to it is untouched.
"""

from __future__ import annotations

import contextlib
import dataclasses
from types import SimpleNamespace
from unittest import mock

import numpy as np

from models import fit as sampling
from models.verdict import CONVERGED, Verdict
from planner.cycle.claims import read_claims
from planner.cycle import fitting, planning, reviewing, window
from planner.report.pages import build

DRAWS = 25
RANGES = {"forming_temperature_degC": (180.0, 240.0), "strain": (0.03, 0.08), "braze_temperature_degC": (598.0, 606.0), "braze_time_min": (2.0, 4.0)}
SHARES = {f"{name}_share": 0.25 for name in ("claimed", "excluded", "undecided", "pointwise")}
PAGE = "<!doctype html><html><body>" + "an invented page; " * 20_000 + "</body></html>"


class Sampler:
    """Stands in for the compiled model."""

    def __init__(self, obs, sheet, layout, priors, **_):
        self.layout, self.priors = layout, priors

    def sample(self, *, seed, draws, **_):
        """Return draws that differ by a counter."""
        z = np.linspace(-1.0, 1.0, 4 * draws * self.layout.size).reshape(4, draws, -1)
        return sampling.Draws(z, np.zeros((4, draws), bool), np.ones((4, draws)), self.layout, self.priors, "nutpie", {})


@dataclasses.dataclass(frozen=True)
class Window:
    """An invented window with one claim."""

    verdict: str = CONVERGED
    notices: tuple = ()
    conformance: object = None
    claims: tuple = (SimpleNamespace(temper="O"),)
    maps: tuple = ()

    def to_json(self):
        """Return what `planner.window.window.Window.to_json` would."""
        claim = {"temper": "O", "ranges": {k: list(v) for k, v in RANGES.items()}, "joint_probability": 0.96, "error": 0.003, "verdict": "CERTIFIED",
                 "share_of_temper": 0.02, "extrapolated": False}
        return {"verdict": self.verdict, "misclassification": 0.1, **SHARES, "claims": [claim], "reliability": 0.9, "confidence": 0.95,
                "monte_carlo_error": {}, "without_extrapolated": SHARES, "lots_seen": None, "extrapolated_share": 0.1, "joint_claim": None, "target": None,
                "n_lots": 2, "n_loads": 2, "lot_spread_rests_on_prior": True, "notices": list(self.notices)}


def _window(*_, **__):
    return Window()


def _judged(*_):
    return Verdict(CONVERGED, "invented: all well.", 1.0, 4000.0, 1.0, 0)


@contextlib.contextmanager
def numbers(proposal):
    """Put invented numbers in the place of costly ones; `proposal(number)` is what the choice returns."""
    choice = SimpleNamespace(of=lambda *_, **__: None)
    with contextlib.ExitStack() as stack:
        put = lambda *where, **what: stack.enter_context(mock.patch.multiple(*where, **what))
        stack.enter_context(mock.patch.dict(fitting.current_fit.__kwdefaults__, draws=DRAWS))
        put(sampling, Sampler=Sampler)
        put(fitting, judge_draws=_judged)
        put(planning, window_of=_window, drawn_with=lambda campaign, fit, window: fit, Choice=choice, is_fresh=lambda root, name: True, _proposal=lambda choice, fit, everything, plans, number, **_: proposal(number))
        put(window, window_of=_window)
        put(build, review_page=lambda record, data: PAGE)
        put(reviewing, window_of=_window, gather=_gathered)
        yield


def _gathered(campaign, **asked):
    """Return what the page needs; the campaign's own state is read as the review reads it."""
    with campaign.ledger(read_only=True) as ledger:
        problems = [*reviewing.verify(ledger), *reviewing.edited_files(campaign.directory, campaign.definition, ledger),
                    *reviewing.changed_plans(campaign.directory, ledger)]
    claims = read_claims(campaign.directory)
    record = {"claims": [], "window": Window().to_json(), "frozen": [{"number": one["number"]} for one in claims], "deviations": {"problems": problems}}
    return record, {}
