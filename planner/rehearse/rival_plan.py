"""A rival's week as a plan on disk: the same files, names and ledger entries as a plan of ours."""

from __future__ import annotations

import hashlib
from collections import Counter
from pathlib import Path

import numpy as np

from planner.acquisition.limits import Limits
from planner.acquisition.plan_file import next_number, plan_record, planned_specimen, read_plan, write_plan
from planner.acquisition.proposal import Forecast, PlanRow, Proposal
from planner.acquisition.schedule import schedule
from planner.cycle.fitting import Fit
from planner.cycle.planning import Choice
from planner.lab.errors import UserError
from planner.lab.stock import stock_on_hand
from planner.rehearse.clairvoyant import CLAIRVOYANT, clairvoyant_batch
from planner.rehearse.rivals import Batch, Formable, choose_batch
from planner.rehearse.world import World
from planner.window.window import Window


def write_rival_plan(campaign, strategy: str, *, week: int, weeks: int, fit: Fit, window: Window, formable: Formable, world: World, seed: int) -> tuple[Path, dict]:
    """Choose a rival's batch and write it; returns the plan's folder and record.  Only the clairvoyant looks at the world.

    Raises
    ------
    UserError
        When not one specimen fits.
    """
    definition = campaign.definition
    with campaign.ledger(read_only=True) as ledger:
        everything, pending = ledger.specimens(with_excluded=True), ledger.pending()
    limits = Limits.of(definition, blanks=stock_on_hand(definition, everything, pending))
    number = next_number(campaign.directory / "plans")
    if strategy == CLAIRVOYANT:
        choice = Choice.of(campaign, fit, window, everything, pending, budget=None)
        batch = clairvoyant_batch(choice, world, history=fit.specimens, number=number, seed=seed)
    else:
        batch = choose_batch(definition, limits, strategy, week=week, weeks=weeks, used=_used(campaign.directory / "plans"), formable=formable, seed=seed)
    if not batch.candidates:
        raise UserError(f"not one specimen of {strategy} fits in this week's limits", where="campaign.toml, [week] and [[stock]]",
                        fix="leave more room in [week] or more blanks in [[stock]]")
    names = {s.specimen for s in everything}, {s.furnace_load for s in everything if s.furnace_load}
    proposal = _proposal(batch, strategy, window, number=number, week=week, names=names, rng=np.random.default_rng([seed, week]))
    shares = window.to_json()
    now = {k: shares[k] for k in ("misclassification", "claimed_share", "excluded_share", "undecided_share", "pointwise_share")}
    record = plan_record(proposal, number=number, verdict=fit.verdict.name, now=now, more={"strategy": strategy})
    folder = write_plan(campaign.directory / "plans", proposal, record, number=number)
    digest = hashlib.sha256((folder / "plan.csv").read_bytes()).hexdigest()
    with campaign.ledger() as ledger:
        ledger.register_plan(number, digest, [planned_specimen(row) for row in proposal.rows], supersedes=[])
    return folder, record


def _used(plans: Path) -> Counter:
    """Count the specimens of earlier plans by type, controls apart."""
    earlier = [read_plan(folder) for folder in sorted(plans.iterdir())] if plans.is_dir() else []
    return Counter(s.specimen_type for plan in earlier for s, purpose in zip(plan.specimens, plan.purposes) if purpose != "control")


def _proposal(batch: Batch, strategy: str, window: Window, *, number: int, week: int, names, rng: np.random.Generator) -> Proposal:
    """Put the batch in forming order; a rival forecasts nothing."""
    slots = schedule([c.forming_temperature_degC for c in batch.candidates], batch.loads, week=week, number=number,
                     known_specimens=names[0], known_loads=names[1], rng=rng)
    rows = tuple(PlanRow(slot.sequence, "control" if batch.controls[slot.index] else "trial", "control" if batch.controls[slot.index] else "trial",
                         slot.specimen, slot.furnace_load, batch.candidates[slot.index], strategy, 0.0, 0.0, None, None) for slot in slots)
    h, undecided = float(window.misclassification), 0.0 if window.shares is None else float(window.shares.undecided)
    tally = batch.tally
    return Proposal(rows, tally.cost, tally.hours, len(tally.loads), len(tally.temperatures), tally.sections,
                    Forecast(h, h, 0.0, (0.0, 0.0), "none", undecided, undecided), None, (), {}, 0)
