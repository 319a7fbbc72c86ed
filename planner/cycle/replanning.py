"""Which plan a new one replaces, and what is said of the plans that are still out.

A plan that is out reserves its blanks and its results count as known to come.  A second look at the same week - less money, a list
of one's own to compare - must not pile up on the first: it takes its place as long as nothing of it has come back.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from pathlib import Path

from planner.acquisition.plan_file import read_plan
from planner.lab.definition import Definition
from planner.lab.ledger_records import PlanEntry
from planner.lab.specimen import Specimen, has_measurement
from planner.lab.stock import blanks_of

WITHOUT_LIST = "inputs_without_list"
"""Key of a plan's record: the digest of what it was made from, the researcher's own list apart."""
INSISTED_BY = ("specimen_type", "temper", "forming_temperature_degC", "strain", "braze_temperature_degC", "braze_time_min")
"""What a trial insisted on is told by."""
FREES_ONE = '`trialwright record DIR --exclude ID --why "..."`'


def unreported(plans: Sequence[PlanEntry], everything: Sequence[Specimen], pending: Sequence[Specimen]) -> PlanEntry | None:
    """Return the newest plan of which nothing has come back; ``None`` where there is none.

    Parameters
    ----------
    plans : sequence of PlanEntry
        All that were issued, by number.
    everything : sequence of Specimen
        All that is recorded, excluded specimens too.
    pending : sequence of Specimen
        Planned and awaited.
    """
    gone = {number for plan in plans for number in plan.supersedes}
    came, awaited = {s.specimen for s in everything if has_measurement(s)}, {s.specimen for s in pending}
    for plan in reversed(plans):
        names = {s.specimen for s in plan.specimens}
        if plan.number not in gone and names & awaited and not names & came:
            return plan
    return None


def replaced(directory: Path, plans: Sequence[PlanEntry], out: PlanEntry | None, *, again: bool, without_list: str) -> PlanEntry | None:
    """Return the plan whose place a new one takes.

    Parameters
    ----------
    directory : Path
        Campaign folder.
    plans : sequence of PlanEntry
    out : PlanEntry or None
        From :func:`unreported`.
    again : bool
        Asked for: it is then `out`, whatever it was made from.
    without_list : str
        Digest of what the new plan is made from, the own list apart; the newest plan made from the same is replaced unasked.
    """
    if out is None or again:
        return out
    folder = Path(directory) / "plans" / f"{out.number:03d}"
    if out.number != plans[-1].number or not folder.is_dir():
        return None
    record = read_plan(folder).record
    return out if record.get(WITHOUT_LIST, record.get("inputs_digest")) == without_list else None


def replacing_words(plan: PlanEntry) -> str:
    """Say that a plan is withdrawn."""
    return f"this plan takes the place of plan {plan.number:03d}, of which nothing had come back: its trials are withdrawn and its blanks are free"


def reserved_words(definition: Definition, plans: Sequence[PlanEntry], pending: Sequence[Specimen]) -> str | None:
    """Say how many specimens of which plans are awaited and which blanks they reserve; ``None`` where none are."""
    if not pending:
        return None
    awaited = {s.specimen for s in pending}
    gone = {number for plan in plans for number in plan.supersedes}
    parts = [(sum(s.specimen in awaited for s in plan.specimens), plan.number) for plan in plans if plan.number not in gone]
    told = [f"{n} specimen{'' if n == 1 else 's'} of plan {number:03d}" for n, number in parts if n]
    blanks = Counter()
    for s in pending:
        blanks[s.lot] += blanks_of(definition, s)
    lots = ", ".join(f"{lot} {blanks[lot]}" for lot in sorted(blanks))
    return f"{' and '.join(told)} {'is' if len(pending) == 1 else 'are'} pending, and {blanks.total()} blanks are reserved for them ({lots})"


def on_top_words(reserved: str, out: PlanEntry | None) -> str:
    """Say what it means that a plan was made while specimens are pending, and how their blanks are freed."""
    instead = "" if out is None else f"; with --again it would have taken the place of plan {out.number:03d}"
    return f"{reserved}: this plan comes on top of them and counts their results as known to come; one that will never come is freed by {FREES_ONE}{instead}"


def insisted_again(definition: Definition, pending: Sequence[Specimen]) -> list[str]:
    """Say that a trial insisted on is in this plan and awaited from an earlier one as well."""
    told = []
    for trial in definition.insist:
        out = [s.specimen for s in pending if all(getattr(s, key) == getattr(trial, key) for key in INSISTED_BY)]
        if out:
            told.append(f"a {trial.specimen_type.replace('_', ' ')} of {trial.temper} that [[insist]] asks for is in this plan, and {', '.join(out[:3])} of an earlier one "
                        f"{'is' if len(out) == 1 else 'are'} awaited: take it out of [[insist]] unless it is wanted once more")
    return told


def freeing_words(reserved: str, out: PlanEntry | None) -> str:
    """Say how pending specimens could make room for a plan that stock forbids."""
    how = "" if out is None else f"`trialwright plan DIR --again` withdraws plan {out.number:03d} and frees its blanks; "
    return f"{reserved}: {how}{FREES_ONE} frees a single one"
