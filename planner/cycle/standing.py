"""How a campaign stands: what is stale, what was interrupted, what has come back only in part.

Each is a sentence that names the next step; `check` prints all of them, the other commands those that matter to them.
"""

from __future__ import annotations

from pathlib import Path

from planner.cycle.claims import read_claims
from planner.cycle.kept import QUICK, behind, fit_key, foreign, newest_first, read_origin
from planner.lab.errors import UserError, printable
from planner.lab.ledger import Ledger
from planner.lab.outgrown import disagreement, sentence
from planner.lab.specimen import has_measurement
from planner.outlook.frozen import score

LISTED = 6
"""Most labels that a sentence repeats."""
SET = {"forming_temperature_degC": ("forming temperature", " degC", 0.051), "strain": ("strain", "", 0.00051),
       "braze_temperature_degC": ("braze temperature", " degC", 0.051), "braze_time_min": ("braze time", " min", 0.0051)}
"""What a plan sets: word, unit, and the difference that rounding on a bench sheet can make."""


def states(directory: Path, definition, ledger: Ledger) -> list[str]:
    """Return every sentence about a campaign's state.

    Parameters
    ----------
    directory : Path
        Campaign folder.
    definition : Definition
        In force today.
    ledger : Ledger
        Open, for reading at least.

    Raises
    ------
    UserError
        When a folder cannot be read.
    """
    fault = disagreement(directory, definition, ledger)
    return [*([] if fault is None else [sentence(fault)]), *filter(None, [ledger.store.clock_fault()]), *fit_state(directory, definition, ledger), *plan_states(directory, ledger),
            *departures(ledger), *claim_states(directory, ledger)]


def claim_states(directory: Path, ledger: Ledger) -> list[str]:
    """Say how the frozen claims stand that later components have tested, or may soon."""
    try:
        return [f"frozen claim {one['number']:03d}: {one['words']}" for one in frozen_claims(directory, ledger) if one["lots"] or one["waiting"]]
    except UserError as error:
        return [str(error)]


def frozen_claims(directory: Path, ledger: Ledger) -> list[dict]:
    """Return how every frozen claim stands, from the ledger alone: a claim can be refuted while the fit fails.

    Raises
    ------
    UserError
        When a claim file cannot be read.
    """
    claims = read_claims(Path(directory))
    if not claims:
        return []
    first = {}
    for entry in ledger.history():
        first.setdefault(entry.specimen, entry)
    made = sorted(ledger.specimens(), key=lambda s: first[s.specimen].sequence)            # as recorded: which came first counts
    return [score(one, made, files={name: entry.file for name, entry in first.items()}) for one in claims]


def departures(ledger: Ledger) -> list[str]:
    """Say which planned trials came back with other settings than planned."""
    plans = ledger.plans()
    gone = {number for plan in plans for number in plan.supersedes}
    held, said = {s.specimen: s for s in ledger.specimens()}, []
    for plan in plans:
        if plan.number in gone:
            continue
        found = [f"{printable(one.specimen)} ({', '.join(other)})" for one in plan.specimens
                 if (done := held.get(one.specimen)) is not None and (other := _otherwise(one, done))]
        if found:
            more = f" and {len(found) - LISTED} more" if len(found) > LISTED else ""
            said.append(f"plan {plan.number:03d}: set otherwise than planned: {'; '.join(found[:LISTED])}{more}; the models take what was recorded")
    return said


def _otherwise(planned, done) -> list[str]:
    """Name the settings of a specimen that differ from its plan's; one that cracked in forming need not have been brazed."""
    found = [f"{word} {getattr(done, key)} instead of {getattr(planned, key)}" for key, word in (("temper", "temper"), ("lot", "lot"))
             if getattr(done, key) != getattr(planned, key)]
    for key, (word, unit, near) in SET.items():
        was, now = getattr(planned, key), getattr(done, key)
        if was is not None and now is None and done.cracked and key.startswith("braze"):
            continue
        if (was is None) != (now is None) or (was is not None and abs(now - was) > near):
            found.append(f"{word} {'none' if now is None else f'{now:g}{unit}'} instead of {'none' if was is None else f'{was:g}{unit}'}")
    return found


def fit_state(directory: Path, definition, ledger: Ledger) -> list[str]:
    """Say whether the kept fit is of today's data, definition and program; nothing where it is, or where none was made yet."""
    directory = Path(directory)
    renew = f"; `trialwright update {directory}` renews it"
    try:
        files = newest_first(directory / "posterior")
    except OSError as error:
        raise UserError(f"the folder posterior/ cannot be read: {printable(error.strerror or str(error))}", where=printable(str(directory), limit=200),
                        fix="check the disk and the permissions of the folder") from None
    if not files:
        return []
    key = fit_key(definition, ledger.data_digest())
    damaged, said = [], []
    for path in files:
        try:
            meta = read_origin(path)
        except (OSError, ValueError):
            damaged.append(f"posterior/{path.name} is damaged and is not used" + renew.replace("renews it", "fits anew where that is needed"))
            continue
        if path.stem.removesuffix(QUICK) == key:
            return damaged
        if not said:
            specimens = [s for s in ledger.specimens() if has_measurement(s)]
            said = [words + renew for words in (foreign(meta, definition), behind(meta, specimens)) if words]
            if not said and meta.get("seed") != definition.campaign.seed:
                said = ["the campaign's seed was changed after the fit" + renew]
    return damaged + said


def plan_states(directory: Path, ledger: Ledger) -> list[str]:
    """Say which plans have come back only in part, and which of their sections are still awaited."""
    plans = ledger.plans()
    gone = {number for plan in plans for number in plan.supersedes}
    pending, held = {s.specimen for s in ledger.pending()}, {s.specimen: s for s in ledger.specimens()}
    sentences = []
    for plan in plans:
        if plan.number in gone:
            continue
        awaited = [s.specimen for s in plan.specimens if s.specimen in pending]
        if 0 < len(awaited) < len(plan.specimens):
            sentences.append(
                f"plan {plan.number:03d} has come back in part: {len(plan.specimens) - len(awaited)} of {len(plan.specimens)} trials; awaited: {_listed(awaited)}; "
                f'a trial that will never come is freed by `trialwright record {directory} --exclude ID --why "..."`')
        waiting = [s.specimen for s in plan.specimens if s.section_feature and uncut(held.get(s.specimen))]
        if waiting:
            sentences.append(f"plan {plan.number:03d}: the planned section of {_listed(waiting)} has not come back yet; record it when it does, in a file of its own")
    return sentences


def uncut(specimen: Specimen | None) -> bool:
    """Tell whether a component came back without the section that was planned for it."""
    return (specimen is not None and has_measurement(specimen) and not specimen.cracked
            and specimen.recrystallised is None and specimen.film_depth_um is None)


def _listed(labels: list[str]) -> str:
    more = f" and {len(labels) - LISTED} more" if len(labels) > LISTED else ""
    return ", ".join(map(printable, labels[:LISTED])) + more
