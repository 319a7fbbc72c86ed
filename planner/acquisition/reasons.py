"""Why a trial is in the plan, in words that a researcher can argue with.

The reason names the point of the map whose doubt the trial lowers most, on top of all the other trials, and how sure one
is of it now.  What is said of the point follows from what the specimen can show there.
"""

from __future__ import annotations

from planner.acquisition.candidate import Candidate
from planner.acquisition.draft import CONTROL, INSISTED, REPRESENTATIVE
from planner.acquisition.proposal import Doubt
from planner.acquisition.reference import ReferenceMap


def doubt(candidate: Candidate, reference: ReferenceMap, point: int) -> str:
    """Say which doubt a specimen settles at a reference point.

    Parameters
    ----------
    candidate : Candidate
    reference : ReferenceMap
    point : int
        The reference point whose doubt falls most.

    Returns
    -------
    str
        For example "settles whether O at 240 degC tolerates strain 0.15; now 0.46".
    """
    temper = reference.tempers[reference.temper[point]]
    t, strain, braze_t, braze_time = reference.settings[point]
    formed = f"{temper} at {t:.0f} degC"
    brazed = f"brazed at {braze_t:.0f} degC for {braze_time:.1f} min"
    now = f"now {reference.c[point]:.2f}"
    kind = candidate.specimen_type
    if kind == "tensile_coupon":
        return f"settles whether {formed} tolerates strain {strain:.2f}; {now}"
    if kind == "bend_coupon":
        return f"settles whether {formed} and strain {strain:.2f} springs back little enough to fit up; {now}"
    if kind == "braze_coupon":
        return f"settles whether {formed} and strain {strain:.2f} keeps its core and clad when {brazed}; {now}"
    if candidate.section_feature is not None:
        look = f", and what its {candidate.section_feature} looks like inside"
    else:
        look = ""
    return f"settles whether {formed} and strain {strain:.2f} makes a sound part when {brazed}{look}; {now}"


def worded(candidate: Candidate, role: str, reference: ReferenceMap, *, point: int | None, here: int) -> str:
    """Word the reason of one row of the plan.

    Parameters
    ----------
    candidate : Candidate
    role : str
        As in ``draft``: trial, control, insisted or representative.
    reference : ReferenceMap
    point : int or None
        Reference point whose doubt falls most; ``None`` where it lowers none.
    here : int
        Reference point nearest to the specimen's own condition.
    """
    if role == CONTROL:
        return "control: the same specimen in every load, so that loads can be compared"
    told = doubt(candidate, reference, point) if point is not None else "no doubt falls by itself"
    if role == INSISTED:
        return f"insisted on by the lab; {told}"
    if role == REPRESENTATIVE:
        return f"represents the claimed and undecided region and tests the model there; now {reference.c[here]:.2f}"
    return told


def settled(role: str, reference: ReferenceMap, *, point: int | None) -> Doubt | None:
    """Return the point that :func:`worded` speaks of, or ``None`` where the reason names none."""
    if role in (CONTROL, REPRESENTATIVE) or point is None:
        return None
    place = (float(x) for x in reference.settings[point])
    return Doubt(reference.tempers[reference.temper[point]], *place, float(reference.c[point]))


def named(candidate: Candidate) -> str:
    """Name a candidate in short."""
    parts = [candidate.specimen_type, candidate.temper, candidate.lot, f"{candidate.forming_temperature_degC:g} degC"]
    if candidate.strain is not None:
        parts.append(f"strain {candidate.strain:g}")
    if candidate.braze is not None:
        parts.append(f"{candidate.braze[0]:g} degC {candidate.braze[1]:g} min")
    if candidate.section_feature is not None:
        parts.append(f"section of {candidate.section_feature}")
    return " ".join(parts)
