"""From today's fit to next week's plan on disk, once and only once for the same inputs."""

from __future__ import annotations

import hashlib
import json
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from models import fit as sampling
from models.verdict import CONVERGED, PRIOR_ONLY
from planner.acquisition.candidate import Candidate
from planner.acquisition.forecast_record import measured
from planner.acquisition.infeasible import NothingFits
from planner.acquisition.limits import Limits
from planner.acquisition.own_list import score_list
from planner.acquisition.plan_file import issue_plan, next_number, plan_digest, plan_record, read_plan, take_up_plans
from planner.acquisition.predictor import FittedPredictor
from planner.acquisition.propose import propose
from planner.acquisition.reference import ReferenceMap
from planner.acquisition.threads import one_blas_thread
from planner.cycle.fitting import Fit, current_fit
from planner.cycle.listed import read_list
from planner.cycle.replanning import WITHOUT_LIST, freeing_words, insisted_again, on_top_words, replaced, replacing_words, reserved_words, unreported
from planner.cycle.standing import plan_states
from planner.cycle.window import drawn_with, failed, window_of
from planner.lab.campaign import definition_digest
from planner.lab.errors import UserError
from planner.lab.specimen import Specimen, has_measurement
from planner.lab.stock import stock_on_hand
from planner.outlook.review import forecasts, is_fresh
from planner.outlook.spent import spent_so_far
from planner.report.pages.plan_page import bench_sheet, plan_page
from planner.report.plan_workbook import plan_workbook
from planner.window.window import Window

PLAN_DRAWS = 1250                 # draws that the choice works on; claims use all of them
PEOPLE = {"page": "plan.html", "bench_sheet": "bench_sheet.html", "workbook": "plan.xlsx"}


@dataclass(frozen=True)
class PlanResult:
    """A plan that stands on disk."""

    record: dict[str, Any]        # what plan.json holds
    folder: Path
    existing: bool                # True: inputs unchanged, nothing written
    window: Window | None
    seconds: dict

    @property
    def trials(self):
        """The rows as a pandas table."""
        import pandas

        return pandas.DataFrame(self.record["trials"])

    def _repr_html_(self) -> str:
        return self.trials.to_html(escape=True, index=False)


def make_plan(campaign, *, budget, seed: int, again: bool, own_list, without_claims: bool, papers: bool = True) -> PlanResult:
    """Return the plan of today's inputs, making it where it does not exist.

    Without `papers` (nobody will read it: a rehearsal) pages, bench sheet and workbook, the maps and ranges on them, and the test on
    other chains are left out; the choice is the same.
    """
    with campaign.ledger() as ledger:
        for stopped in take_up_plans(ledger, campaign.directory / "plans"):
            campaign.say(f"! plan {stopped:03d} was written by a command that was stopped; it counts as issued")
        data, everything, pending = ledger.data_digest(), ledger.specimens(with_excluded=True), ledger.pending()
        plans, awaited = ledger.plans(), plan_states(campaign.directory, ledger)
    for words in awaited:
        campaign.say(f"! {words}")
    # taken now: if someone else issues it while we compute, ours rests on a stale state and is refused
    number = max(next_number(campaign.directory / "plans"), max((p.number for p in plans), default=0) + 1)
    listed = None if own_list is None else read_list(own_list, campaign.definition)
    inputs, without_list = (_inputs(campaign, data, budget=budget, seed=seed, without_claims=without_claims, own_list=x) for x in (listed and listed.digest, None))
    existing = _existing(campaign, plans, inputs)
    if existing is not None and not again:
        return existing
    out = unreported(plans, everything, pending)
    gone = replaced(campaign.directory, plans, out, again=again, without_list=without_list)
    if gone is not None:
        dropped = {s.specimen for s in gone.specimens}
        pending = [s for s in pending if s.specimen not in dropped]
        campaign.say(f"plan {gone.number:03d}, of which nothing has come back, is replaced")
    superseded = [] if gone is None else [gone.number]
    reserved = reserved_words(campaign.definition, plans, pending)
    clock = time.perf_counter
    fit = current_fit(campaign)
    if fit.verdict.name not in (CONVERGED, PRIOR_ONLY) and not without_claims:
        raise failed(campaign, fit)
    started = clock()
    window = window_of(campaign, fit, keep=True, ranges=papers, maps=papers, lots_seen=papers, allow_failed=without_claims)
    fit = drawn_with(campaign, fit, window)
    seconds = dict(fit.seconds) | {"window": clock() - started}
    started = clock()
    choice = Choice.of(campaign, fit, window, everything, pending, budget=budget)
    try:
        proposal = _proposal(choice, fit, everything, plans, number, seed=seed, papers=papers, now=_now(window))
    except NothingFits as error:
        if reserved is None or "stock" not in error.binding:
            raise
        fix = f"{error.fix}; {freeing_words(reserved, out if gone is None else None)}"
        raise UserError(error.what, found=error.found, where=error.where, allowed=error.allowed, fix=fix) from None
    past = _past(campaign, plans, {s.specimen for s in pending}, {s.specimen for s in everything if has_measurement(s)}, _now(window))
    own = {} if listed is None else {"own_list": _scored(choice, listed, now=_now(window)["misclassification"], shrinkage=proposal.shrinkage) | {"file": Path(own_list).name}}
    seconds["acquisition"] = clock() - started
    told = [*([] if gone is None else [replacing_words(gone)]), *([] if reserved is None else [on_top_words(reserved, out if gone is None else None)]),
            *insisted_again(campaign.definition, pending), *_beyond_the_goal(campaign.definition, everything, plans, pending, cost=proposal.cost),
            *proposal.notices]
    record = plan_record(proposal, number=number, verdict=fit.verdict.name, now=_now(window),
                         more={"notices": [*_notices(fit, window), *told], "plan_notices": told, "inputs_digest": inputs, WITHOUT_LIST: without_list, "pending": len(pending),
                               "supersedes": superseded, "past_forecasts": past, "forecast_record": _forecast_record()} | own | {key: f"plans/{number:03d}/{name}" for key, name in PEOPLE.items() if papers})
    started = clock()
    pages = _pages(campaign.definition, record, window, budget=budget, seed=seed, digest=plan_digest(proposal)) if papers else {}
    seconds["pages"] = clock() - started
    with campaign.ledger() as ledger:
        folder = issue_plan(ledger, campaign.directory / "plans", proposal, record, number=number, supersedes=superseded, pages=pages)
    return PlanResult(record, folder, False, window, seconds)


def _beyond_the_goal(definition, everything, plans, pending, *, cost: float) -> list[str]:
    """Say that a plan costs more than what is left of the goal's money."""
    total = definition.goal.total_budget
    if total is None:
        return []
    spent = spent_so_far(definition, everything, {p.number: [s.specimen for s in p.specimens] for p in plans}, pending=pending)
    left = max(total - spent.money - spent.bound, 0.0)
    if cost <= left:
        return []
    money = definition.campaign.currency
    return [f"this plan costs {cost:.0f} {money}, and {left:.0f} {money} of goal.total_budget, {total:.0f}, are left after what is recorded and pending"
            + (f"; --budget {left:.0f} --again keeps within it" if left > 0 else "")]


def _forecast_record() -> dict[str, Any] | None:
    """Return how forecasts fared in simulated weeks, with whether that was this code (None: the evidence is not at hand, or cannot be judged under this Python)."""
    told = measured()
    return told and told.to_json() | {"fresh": is_fresh(Path(sampling.__file__).parents[1], "forecast")}


def _past(campaign, plans, pending: set[str], reported: set[str], now) -> dict[str, Any] | None:
    """Return how this campaign's own forecasts fared, over plans of which nothing is awaited any more; None before the first."""
    there = [p for p in plans if (campaign.directory / "plans" / f"{p.number:03d}").is_dir()]
    made = [(p, read_plan(campaign.directory / "plans" / f"{p.number:03d}").record) for p in there]
    made = [(p, record) for p, record in made if record["now"].get("misclassification") is not None]
    done = [any(s.specimen in reported for s in p.specimens) and not any(s.specimen in pending for s in p.specimens) for p, _ in made]
    gone = {number for p in plans for number in p.supersedes}
    rows = [] if now["misclassification"] is None else forecasts([record for _, record in made], now=now, reported=done, withdrawn=[p.number in gone for p, _ in made])
    came = [row for row in rows if row["gain_came"] is not None]
    return {"plans": len(came), "gain_expected": sum(r["gain_expected"] for r in came), "gain_came": sum(r["gain_came"] for r in came),
            "inside_band": sum(r["inside_band"] for r in came)} if came else None


def _pages(definition, record: dict[str, Any], window: Window, *, budget, seed: int, digest: str) -> dict[str, bytes]:
    """Return what people read and fill in, by file name."""
    maps = [one.to_json() for one in window.maps]
    return {
        PEOPLE["page"]: plan_page(record, definition, window=window.to_json(), maps=maps, budget=budget).encode(),
        PEOPLE["bench_sheet"]: bench_sheet(record, definition, seed=seed, digest=digest).encode(),
        PEOPLE["workbook"]: plan_workbook(record, definition),
    }


def _inputs(campaign, data: str, **options) -> str:
    """Return the digest of everything that a plan depends on."""
    text = json.dumps([data, definition_digest(campaign.definition), options], sort_keys=True, default=str)
    return hashlib.sha256(text.encode()).hexdigest()[:24]


def _existing(campaign, plans, inputs: str) -> PlanResult | None:
    """Return the newest issued plan if it was made from the same inputs."""
    if not plans:
        return None
    folder = campaign.directory / "plans" / f"{plans[-1].number:03d}"
    if not folder.is_dir():
        return None
    record = read_plan(folder).record
    return PlanResult(record, folder, True, None, {}) if record.get("inputs_digest") == inputs else None


def _scored(choice: Choice, listed, *, now: float | None, shrinkage: float | None) -> dict[str, Any]:
    """Score the researcher's own list; its expected H is today's less its gain, as that of our plan."""
    return choice.score([one for _, one, _ in listed.specimens], stated=now, shrinkage=shrinkage).to_json()


@dataclass(frozen=True)
class Choice:
    """What our plan, a rival that shares our candidates, and the researcher's own list are scored on."""

    definition: object
    reference: ReferenceMap
    predictor: FittedPredictor
    limits: Limits
    pending: tuple

    @classmethod
    def of(cls, campaign, fit: Fit, window: Window, everything, pending, *, budget) -> "Choice":
        """Gather the map on a share of the draws, the predictor and the week's limits."""
        definition = campaign.definition
        campaign.say("choosing next week's trials")
        limits = Limits.of(definition, blanks=stock_on_hand(definition, everything, pending), budget=budget)
        keep = _thinned(fit.draws.n_draws)
        reference = ReferenceMap.of(window.reference.conditions, window.conformance[keep], tempers=definition.factors.tempers,
                                    ranges=definition.factor_ranges, reliability=definition.goal.reliability,
                                    chain=fit.draws.chain[keep], claimed=window.member)
        predictor = FittedPredictor(definition, fit.encoded, fit.params.take(keep))
        return cls(definition, reference, predictor, limits, tuple((_candidate(s), s.furnace_load) for s in pending))

    def score(self, specimens, *, stated: float | None = None, shrinkage: float | None = None):
        """Score a list of specimens; `stated` is H now as it is printed, `shrinkage` that of our own plan."""
        return score_list(specimens, reference=self.reference, predictor=self.predictor, limits=self.limits, pending=self.pending, stated=stated,
                          shrinkage=shrinkage)


def _proposal(choice: Choice, fit: Fit, everything, plans, number: int, *, seed: int, papers: bool, now: dict[str, float | None]):
    """Choose the batch."""
    reported = {s.specimen for s in everything if has_measurement(s)}
    week = 1 + sum(any(s.specimen in reported for s in plan.specimens) for plan in plans)
    names = [s.specimen for s in everything] + [s.specimen for plan in plans for s in plan.specimens]
    loads = [s.furnace_load for s in everything if s.furnace_load] + [s.furnace_load for p in plans for s in p.specimens if s.furnace_load]
    with one_blas_thread():              # threads would add up in another order on another run
        return propose(choice.definition, reference=choice.reference, predictor=choice.predictor, limits=choice.limits, history=fit.specimens,
                       pending=choice.pending, known_specimens=names, known_loads=loads, number=number, week=week, stated=now["misclassification"],
                       stated_undecided=now["undecided_share"], with_optimism=papers,
                       rng=np.random.default_rng([seed, number]))


def _thinned(n_draws: int) -> np.ndarray:
    return np.unique(np.linspace(0, n_draws - 1, min(PLAN_DRAWS, n_draws)).round().astype(int))


def _candidate(s: Specimen) -> Candidate:
    return Candidate(s.specimen_type, s.temper, s.lot, s.forming_temperature_degC, s.strain, s.braze_temperature_degC, s.braze_time_min,
                     s.section_feature)


def _now(window: Window) -> dict[str, float | None]:
    found = window.to_json()
    return {name: found[name] for name in ("misclassification", "claimed_share", "excluded_share", "undecided_share", "pointwise_share")}


def _notices(fit: Fit, window: Window) -> list[str]:
    notes = list(window.notices)
    if fit.verdict.name not in (CONVERGED, PRIOR_ONLY):
        notes.insert(0, f"{fit.verdict.name}: planned without claims; the draws behind this plan did not pass")
    return notes
