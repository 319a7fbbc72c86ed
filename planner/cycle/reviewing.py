"""The review of a campaign: gathers everything a reviewer may ask for, freezes claims, and writes the page."""

from __future__ import annotations

import datetime
import json
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np

from models import fit as sampling
from models.joint_model import row_log_likelihood
from models.rows import Conditions
from planner.acquisition.plan_file import read_plan
from planner.cycle.bagging import RESAMPLES, bagged_claims
from planner.cycle.claims import freeze_claim
from planner.cycle.fitting import Fit, conformance_of, current_fit
from planner.cycle.pace import Pace
from planner.cycle.reports import write_report
from planner.cycle.standing import claim_states, frozen_claims
from planner.cycle.window import drawn_with, window_of
from planner.cycle.without import refitted_without
from planner.lab.campaign import definition_digest
from planner.lab.errors import UserError
from planner.lab.outgrown import require_agreement
from planner.lab.tamper import changed_plans, edited_files, verify
from planner.outlook import checks, explore, frozen, review, sensitivity, verification
from planner.outlook.prior_checks import prior_checks
from planner.report.cautions import CAUTIONS
from planner.window.pictures import braze_cut
from planner.window.points import ShowGrid, box_skeleton, show_grid
from planner.window.support import extrapolated
from planner.window.window import Window

N_CORNERS = 16
CELLS = (12, 20)
"""Forming temperatures and strains of a map."""
TENSION_DRAWS = 4000
"""Draws, evenly spread, on which reweighting works."""


def write_review(campaign, *, deep: bool = False) -> dict[str, Any]:
    """Gather the review, write reports/review.html and reports/review.json, and return the record (with `page`, where it is).

    Parameters
    ----------
    campaign : Campaign
    deep : bool, default False
        Add the joint probability of the claim under posteriors refitted on resampled lots and loads, and refit without each lot and load
        that reweighting cannot leave out (tens of minutes; goes on where it stopped).
    """
    from planner.report.pages.build import review_page      # brings the drawing library in

    record, data = gather(campaign, deep=deep)
    campaign.say("drawing the page")
    record["page"] = "reports/review.html"
    write_report(campaign.directory, "review.html", review_page(record, data))
    write_report(campaign.directory, "review.json", json.dumps(record, ensure_ascii=False, indent=1, default=_plain))
    return record


def _plain(value):
    """Return numpy numbers and arrays as plain values, for JSON."""
    return value.tolist() if hasattr(value, "tolist") else str(value)


def criticism(campaign) -> dict[str, Any]:
    """Return what `check --deep` adds: predictive checks of the fit and of the priors by response and specimen type, and what the map leans on."""
    with campaign.ledger(read_only=True) as ledger:
        require_agreement(campaign.directory, campaign.definition, ledger)
    fit = current_fit(campaign)
    window = window_of(campaign, fit, ranges=False, maps=False, keep=True)
    fit = drawn_with(campaign, fit, window)
    campaign.say("checking the fit against its data")
    rng = np.random.default_rng(campaign.definition.campaign.seed)
    found = checks.predictive_checks(campaign.definition, fit.encoded, fit.params, fit.specimens, rng=rng)
    before = prior_checks(campaign.definition, fit.encoded, fit.specimens, rng=np.random.default_rng(campaign.definition.campaign.seed))
    campaign.say("leaving lots, loads and specimens out; scaling the priors")
    leaning = _leaning(fit, window)
    leaning |= {kind: refitted_without(campaign, fit, window, leaning[kind]) for kind in ("lots", "loads")}
    leaning = _worded(leaning)
    return {"predictive": found, "prior_checks": before, "sensitivity": {"priors": leaning["priors"], "lots_left_out": leaning["lots"],
                                                 "loads_left_out": leaning["loads"], "specimens": leaning["specimens"]}}


def gather(campaign, *, deep: bool = False) -> tuple[dict[str, Any], dict[str, Any]]:
    """Return the review as plain values, the keys of the contract first, and the data of the page's maps.

    Parameters
    ----------
    campaign : Campaign
    deep : bool, default False
    """
    definition = campaign.definition
    try:
        fit = current_fit(campaign)
    except UserError as error:                                     # a fit may fail on the very data that refute a claim
        with campaign.ledger(read_only=True) as ledger:
            said = claim_states(campaign.directory, ledger)
        raise UserError("\n  ".join([error.what, *said]), found=error.found, where=error.where, allowed=error.allowed, fix=error.fix) from None
    conformance = conformance_of(definition, fit.encoded, fit.params)
    window = window_of(campaign, fit, maps=False, keep=True, conformance=conformance)
    longer = drawn_with(campaign, fit, window)
    if longer is not fit:
        fit, conformance = longer, conformance_of(definition, longer.encoded, longer.params)
    record = window.to_json()
    with campaign.ledger(read_only=True) as ledger:
        history, excluded, standing = ledger.history(), ledger.excluded(), frozen_claims(campaign.directory, ledger)
        problems = [*verify(ledger), *edited_files(campaign.directory, definition, ledger), *changed_plans(campaign.directory, ledger)]
        plans, pending = ledger.plans(), {s.specimen for s in ledger.pending()}
    campaign.say("checking the fit; leaving lots, loads and specimens out; scaling the priors; storing what other R and C would claim")
    with ThreadPoolExecutor(1) as beside:               # array work of one core each
        waiting = beside.submit(_leaning, fit, window)
        data = page_data(campaign, conformance, window)
        found = checks.predictive_checks(definition, fit.encoded, fit.params, fit.specimens, rng=np.random.default_rng(definition.campaign.seed))
        before = prior_checks(definition, fit.encoded, fit.specimens, rng=np.random.default_rng(definition.campaign.seed))
        leaning = waiting.result()
    pace = None
    if deep:
        blind = sum(not row["trusted"] for kind in ("lots", "loads") for row in leaning[kind])
        again = RESAMPLES if window.claims or window.member.any() else 0
        campaign.say(f"{blind} refits without a lot or load" + (f", then {again} on resampled ones" if again else "")
                     + ": each takes about as long as an update, and how long is left is told from the first on; finished ones are kept, so the command may be "
                     "broken off and given again")
        pace = Pace(blind + again, "refits")
        leaning |= {kind: refitted_without(campaign, fit, window, leaning[kind], pace=pace) for kind in ("lots", "loads")}
    leaning = _worded(leaning)
    replaced = {number for p in plans for number in p.supersedes}
    plans = [p for p in plans if (campaign.directory / "plans" / f"{p.number:03d}").is_dir()]
    made = [read_plan(campaign.directory / "plans" / f"{p.number:03d}").record for p in plans]
    out = [*leaning["lots"], *leaning["loads"]]
    return {
        "claims": review.claims(record, fit.specimens),
        "convergence": review.convergence(fit.verdict, fit.method, fit.draws),
        "checks": found, "prior_checks": before,
        "sensitivity": {"priors": leaning["priors"], "lots_left_out": leaning["lots"], "loads_left_out": leaning["loads"],
                        "specimens": leaning["specimens"]},
        "forecasts": review.forecasts(made, now=record, reported=[not any(s.specimen in pending for s in p.specimens) for p in plans],
                                      withdrawn=[p.number in replaced for p in plans]),
        "verification": _verification(campaign, conformance, window),
        "cautions": list(CAUTIONS),
        "first": review.summary(record, [*before, *found], leaning["priors"], out, standing),
        "bagged": bagged_claims(campaign, fit, window, pace=pace) if deep else None,
        "target": review.target_words(record), "window": record, "frozen": standing, "transfer": review.transfer(fit.params, fit.specimens),
        "deviations": review.changes(history, excluded, problems), "evidence": review.evidence(Path(sampling.__file__).parents[1]),
        "campaign": {"title": definition.campaign.title, "currency": definition.campaign.currency, "tempers": list(definition.factors.tempers),
                     "specimens": len(fit.specimens), "versions": sampling.versions(), "model_digest": sampling.model_digest(), "fit": fit.key}}, data


def _worded(leaning: dict[str, list]) -> dict[str, list]:
    """Return the same, what was left out with what that does in words."""
    return leaning | {kind: [row | {"words": sensitivity.in_words(row)} for row in leaning[kind]] for kind in ("lots", "loads", "specimens")}


def _leaning(fit: Fit, window: Window) -> dict[str, list]:
    """Reweight: priors, lots, loads, single specimens."""
    n_rows = fit.encoded.observations.n_rows
    if n_rows == 0 or window.conformance is None:
        return {"priors": [], "lots": [], "loads": [], "specimens": []}
    keep = np.unique(np.linspace(0, fit.draws.n_draws - 1, min(TENSION_DRAWS, fit.draws.n_draws)).round().astype(int))
    rows = row_log_likelihood(fit.params.take(keep), fit.encoded.observations, fit.encoded.sheet)
    conforms = (window.conformance[keep] >= window.reliability).astype(np.float32)
    seen = sensitivity.Map(conforms, window.member)
    of = {s.specimen: s for s in fit.specimens}
    labels = fit.encoded.row_specimens
    brazed = [of[x].furnace_load for x in labels]
    z = fit.draws.z.reshape(fit.draws.n_draws, -1)[keep]
    return {"priors": sensitivity.power_scaling(z, fit.draws.layout, rows.sum(axis=1), seen,
                                                first=sensitivity.resting_on_prior(window.n_lots, window.n_loads)),
            "lots": sensitivity.left_out({f"lot {k}": v for k, v in sensitivity.grouped([of[x].lot for x in labels]).items()}, rows, seen),
            "loads": sensitivity.left_out({f"load {k}": v for k, v in sensitivity.grouped(brazed).items()}, rows, seen),
            "specimens": [row | {"own": ", ".join(f"{name} {text}" for name, text in of[row["what"]].extra)}
                          for row in sensitivity.left_out(sensitivity.grouped(labels), rows, seen)]}


def _verification(campaign, conformance, window: Window) -> list[dict[str, Any]]:
    goal, trials = campaign.definition.goal, []
    for one in window.claims:
        low, high = np.array([one.ranges()[key] for key in verification.KEYS], float).T
        middle = (low + high) / 2
        ends = box_skeleton(low, high)
        ends = ends[np.all(np.isclose(ends, low) | np.isclose(ends, high) | (high == low), axis=1)][:N_CORNERS] if len(ends) else middle[None]
        from_factors = window.reference.conditions.from_factors
        values = conformance(from_factors(window.box.tempers.index(one.temper), ends))
        trials.append(verification.trial(verification.hardest(one.temper, ends, values), reliability=goal.reliability, confidence=goal.confidence))
    return trials


def page_data(campaign, conformance, window: Window) -> dict[str, Any]:
    """Return what the page's maps and typed fields need: cells of each temper and, per R, the curve from rho to joint probability."""
    definition, box = campaign.definition, window.box
    grid = sorted({*explore.GRID, definition.goal.reliability})
    maps = []
    for k, temper in enumerate(box.tempers if window.shares is not None else ()):
        hot, long = braze_cut(window.claims, window.reference, k, box)
        shown = show_grid(box, k, braze_temperature=hot, braze_time=long, n_temperatures=CELLS[0], n_strains=CELLS[1])
        far = extrapolated(shown.conditions, window.support, box).reshape(shown.reachable.shape)
        maps.append({"temper": temper, "braze_temperature_degC": hot, "braze_time_min": long, "forming_temperature_degC": shown.forming_temperature.tolist(),
                     "strain": shown.strain.tolist(), "reachable": shown.reachable.tolist(), "extrapolated": far.tolist()}
                    | explore.cells(shown.conditions, conformance(shown.conditions), reliabilities=grid, split=window.split, edges=_corners(k, shown, conformance)))
    asked = [(window.reference.conditions, window.conformance)]
    curves = explore.curves(asked, reliabilities=grid, split=window.split)
    if window.joint is not None:                    # at the campaign's own R on every point that the claim was looked at
        curves[grid.index(window.reliability)] = explore.curve(window.joint.pool, reliability=window.reliability, split=window.split, longest=400)
    return {"reliabilities": grid, "reliability": window.reliability, "confidence": window.confidence, "maps": maps, "curves": curves}


def _corners(temper: int, shown: ShowGrid, conformance) -> list[np.ndarray]:
    """Return the conformance (n_draws, n_cells) at the four corners of a map's cells."""
    warm, strain = (_between(x) for x in (shown.forming_temperature, shown.strain))
    lattice = np.array([(t, e, shown.braze_temperature, shown.braze_time) for t in warm for e in strain])
    found = conformance(Conditions.from_factors(temper, lattice)).reshape(-1, len(warm), len(strain))
    ends = (slice(None, -1), slice(1, None))
    return [found[:, a, b].reshape(found.shape[0], -1) for a in ends for b in ends]


def _between(centres: np.ndarray) -> np.ndarray:
    """Return the edges of evenly spread cells."""
    half = (centres[1] - centres[0]) / 2
    return np.append(centres - half, centres[-1] + half)


def freeze(campaign) -> Path:
    """Freeze today's claims in claims/NNN.json; claims that stand unchanged are not frozen twice.

    Raises
    ------
    UserError
        When nothing is claimed, or results came in while the claim was being worked out.
    """
    with campaign.ledger(read_only=True) as ledger:
        data, known = ledger.data_digest(), ledger.specimens(with_excluded=True)        # what is excluded today was seen all the same
    fit = current_fit(campaign)
    window = window_of(campaign, fit, maps=False)
    if not window.claims:
        raise UserError("no operating range is certified yet, so nothing can be frozen", where=str(campaign.directory), allowed="at least one certified range",
                        fix=f"trialwright plan {campaign.directory}, and run the trials it proposes")
    definition = campaign.definition
    with campaign.ledger(read_only=True) as ledger:
        if ledger.data_digest() != data:
            raise UserError("results were recorded while the claim was being worked out, and it does not rest on them",
                            fix=f"trialwright review {campaign.directory} --freeze, once more")
    criteria = definition.criteria.model_dump() | {"joints": definition.component.joints}
    record = frozen.claim_record(window.to_json(), date=datetime.date.today().isoformat(), data_digest=data,
                                 definition_digest=definition_digest(definition), versions=sampling.versions(), model_digest=sampling.model_digest(),
                                 lots={s.lot for s in known}, specimens={s.specimen for s in known}, criteria=criteria)
    record = json.loads(json.dumps(record, default=_plain))
    with campaign.ledger() as ledger:
        return freeze_claim(ledger, campaign.directory, record)
