"""The window of a fit."""

from __future__ import annotations

from models.verdict import CONVERGED, PRIOR_ONLY
from planner.cycle.fitting import Fit, conformance_of, current_fit, required_of
from planner.lab.errors import UserError
from planner.window.box import factor_box
from planner.window.build import Asked, build_window
from planner.window.conformance import Conformance, LotsSeen
from planner.window.points import corners
from planner.window.window import LEAST_GROUPS, Window

MORE_DRAWS, MOST_DRAWS = 2, 5000        # times as many draws a chain, as long as a chain has fewer than this


def window_of(campaign, fit: Fit, *, claims: bool = True, ranges: bool = True, maps: bool = True, keep: bool = False, lots_seen: bool = True,
              allow_failed: bool = False, sample_on: bool = True, conformance: Conformance | None = None) -> Window:  # fmt: skip
    """Return the window; where the joint claim needs more draws they are taken, unless `sample_on` is False; `drawn_with` gives the fit that it then rests on.

    `claims`, `ranges`, `maps` and `keep` as in `planner.window.build.Asked`; `lots_seen`: also the claim for the lots seen,
    where their spread rests on the prior; `conformance` is that of the fit where someone else needs it too: its
    tables are then built once.

    Raises
    ------
    UserError
        When the fit failed and `allow_failed` is False: no claim without CONVERGED.
    """
    while True:
        if fit.verdict.name not in (CONVERGED, PRIOR_ONLY) and not allow_failed:
            raise failed(campaign, fit)
        claiming = claims and fit.may_claim
        asked = Asked(claims=claiming, ranges=ranges and claiming, maps=maps, conformance=keep)
        window = _built(campaign, fit, asked, lots_seen=lots_seen, conformance=conformance)
        wanting = window.joint is not None and window.joint.verdict == "MORE_DRAWS" and fit.draws.z.shape[1] < MOST_DRAWS
        if not (wanting and sample_on):
            return window
        campaign.say("the joint claim needs more effective draws: sampling on")
        fit, conformance = current_fit(campaign, draws=MORE_DRAWS * fit.draws.z.shape[1]), None


def drawn_with(campaign, fit: Fit, window: Window) -> Fit:
    """Return the fit whose draws a window rests on: `fit`, or the longer one that `window_of` went on to."""
    return current_fit(campaign) if window.split.order.size + window.split.certify.size > fit.draws.n_draws else fit


def failed(campaign, fit: Fit) -> UserError:
    """Return the refusal of a claim on a failed fit."""
    return UserError(f"{fit.verdict.name}: the fit failed twice, so no window is claimed. {fit.verdict.words}",
                     found="at fault: " + ", ".join(fit.verdict.worst), where=str(campaign.directory),
                     allowed="claims only with CONVERGED",
                     fix=f"look at `trialwright check {campaign.directory}`, exclude or correct rows that contradict each other, or plan without "
                         f"claims: trialwright plan {campaign.directory} --without-claims")


def _built(campaign, fit: Fit, asked: Asked, *, lots_seen: bool = True, conformance: Conformance | None = None) -> Window:
    campaign.say("mapping conformance and certifying the claim")
    definition, params = campaign.definition, fit.params
    conformance = conformance or conformance_of(definition, fit.encoded, params)
    seen = None
    if lots_seen and min(len(fit.encoded.lots), len(fit.encoded.loads)) < LEAST_GROUPS and fit.encoded.lots:
        tempers = definition.factors.tempers
        of_lot = {s.lot: s.temper for s in fit.specimens}
        lots = [[i for i, lot in enumerate(fit.encoded.lots) if of_lot[lot] == t] for t in tempers]
        seen = LotsSeen(params, lots, sheet=fit.encoded.sheet, settings=fit.encoded.settings, required=required_of(definition),
                        box=corners(factor_box(definition)))
    return build_window(definition, conformance, chains=fit.draws.chain, specimens=fit.specimens, verdict=fit.verdict.name,
                        seed=definition.campaign.seed, asked=asked, conformance_of_lots_seen=seen)
