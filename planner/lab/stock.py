"""Why this module exists: a plan may only use blanks that are really there.

Blanks on hand follow from the definition's count, the rows recorded since that
count, and the specimens of issued plans that are still to come.
"""

from __future__ import annotations

from collections.abc import Iterable

from planner.lab.definition import Definition
from planner.lab.errors import UserError
from planner.lab.specimen import Specimen, has_measurement


def stock_on_hand(
    definition: Definition, specimens: Iterable[Specimen], pending: Iterable[Specimen]
) -> dict[str, int]:
    """Return how many blanks of each lot a new plan may use.

    Parameters
    ----------
    definition : Definition
        `[[stock]]` and the blanks that a specimen of each type uses.
    specimens : iterable of Specimen
        Everything recorded, *excluded specimens too*: they used up their blanks.
    pending : iterable of Specimen
        Specimens of issued plans not yet reported.

    Returns
    -------
    dict of str to int
        By lot, in the order of `[[stock]]`; never below 0. An entry with `counted`
        loses the blanks of rows dated after that day; one without is what is there
        now. Pending specimens are subtracted from both.

    Raises
    ------
    UserError
        When a measured row of a counted lot has no date.
    """
    recorded, planned = list(specimens), list(pending)
    to_come = {specimen.specimen for specimen in planned}
    on_hand = {}
    for entry in definition.stock:
        left = entry.blanks
        for specimen in recorded if entry.counted else ():
            if specimen.lot != entry.lot or specimen.specimen in to_come:
                continue
            if specimen.date is None and has_measurement(specimen):
                raise UserError(
                    f"specimen {specimen.specimen} of lot {entry.lot} has no date, but the lot was "
                    f"counted on {entry.counted}, so its stock cannot be told",
                    where=f"campaign.toml, [[stock]] lot {entry.lot}",
                    fix="fill its date in its result file and `trialwright record DIR`, or leave "
                    "`counted` out",
                )
            if specimen.date is not None and specimen.date > entry.counted.isoformat():
                left -= blanks_of(definition, specimen)
        left -= sum(blanks_of(definition, one) for one in planned if one.lot == entry.lot)
        on_hand[entry.lot] = max(left, 0)
    return on_hand


def blanks_of(definition: Definition, specimen: Specimen) -> int:
    """Return how many blanks a specimen uses up (1 where its type is not listed)."""
    kind = definition.specimens.get(specimen.specimen_type)
    return kind.blanks if kind else 1
