"""Why this module exists: a belief becomes a prior to the letter, so one that cannot be true must not get in.

A range can be impossible by itself (a film deeper than the sheet, brazing below the solidus) or contradict another one (a soft
temper that brings more cold work than a hard one). Each is refused with the reason; what is merely unusual is let through.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from itertools import combinations

from planner.lab.bounds import HARD_BOUNDS
from planner.lab.campaign_fault import Fault, closest
from planner.lab.definition import Definition

Pair = tuple[float, float]

SOLIDUS_DEGC = 577.0
"""Solidus of the clad, above which braze time counts."""
NARROWEST = 1.01
"""Least ratio of a belief's ends; nearer together it would be a certainty, which no trial could mend. Rule of thumb."""
NARROWEST_DEGC = 4.0
"""Least width of a range of the best braze temperature: smooth departures of the joints over heat move it by more than a narrower one allows."""
#: Beliefs about a temper, with the upper end that physics allows.
TEMPER_BELIEFS = {
    "limit_strain_at_20degC": HARD_BOUNDS["limit_strain"][1],
    "limit_strain_ratio_250_to_20degC": 100.0,
    "springback_angle_deg_at_20degC": HARD_BOUNDS["springback_angle"][1],
    "critical_strain": HARD_BOUNDS["strain"][1],
    "stored_strain_of_temper": HARD_BOUNDS["strain"][1],
}
#: Beliefs about the braze.
BRAZE_BELIEFS = {
    "best_braze_temperature_degC": HARD_BOUNDS["braze_temperature"][1],
    "film_depth_um_at_reference": 10_000.0,
}


def belief_faults(definition: Definition) -> Iterator[Fault]:
    """Yield every belief that is unknown, impossible, too narrow or contradicted by another.

    Parameters
    ----------
    definition : Definition
        Read and valid key by key; every belief is a rising pair of positive numbers.
    """
    tempers = definition.factors.tempers
    for owner, beliefs in definition.beliefs.items():
        if owner != "braze" and owner not in tempers:
            yield Fault(("beliefs", owner), "is neither a temper of [factors] nor braze", owner, ", ".join((*tempers, "braze")))
            continue
        for key, pair in beliefs.items():
            yield from _alone(owner, key, pair, definition.sheet.thickness_um)
    yield from _warm_faults(definition.beliefs)
    yield from _stored_faults({t: definition.beliefs.get(t, {}).get("stored_strain_of_temper") for t in tempers})


def _alone(owner: str, key: str, pair: Pair, thickness: float) -> Iterator[Fault]:
    """Yield what is wrong with one belief by itself."""
    known, path, (low, high) = BRAZE_BELIEFS if owner == "braze" else TEMPER_BELIEFS, ("beliefs", owner, key), pair
    if key not in known:
        near = closest(key, list(known))
        yield Fault(path, "is no belief that the model uses", key, ", ".join(known), f"did you mean {near}?" if near else None)
        return
    if high > known[key]:
        yield Fault(path, "goes beyond what is possible", list(pair), f"at most {known[key]:g}")
    elif key == "film_depth_um_at_reference" and high > thickness:
        yield Fault(path, "is deeper than the sheet is thick", list(pair), f"at most sheet.thickness_um, {thickness:g}")
    if key == "best_braze_temperature_degC":
        if low < SOLIDUS_DEGC:
            yield Fault(path, "lies below the solidus of the clad, where no filler melts", list(pair), f"at least {SOLIDUS_DEGC:g} degC")
        if high - low < NARROWEST_DEGC:
            yield Fault(path, "is narrower than what the joints may depart from their formula allows to know", list(pair), f"ends at least {NARROWEST_DEGC:g} degC apart")
    elif high < NARROWEST * low:
        yield Fault(path, "is too narrow for a 90 % range: no trial could mend it", list(pair), f"an upper end of at least {NARROWEST:g} times the lower")


def _warm_faults(beliefs: Mapping[str, Mapping[str, Pair]]) -> Iterator[Fault]:
    """Yield a fault where limit strain at 20 degC and its ratio together say more at 250 degC than any sheet can bear."""
    most = HARD_BOUNDS["limit_strain"][1]
    for temper, own in beliefs.items():
        cold, ratio = own.get("limit_strain_at_20degC"), own.get("limit_strain_ratio_250_to_20degC")
        if cold and ratio and math.sqrt(cold[0] * cold[1] * ratio[0] * ratio[1]) > most:
            yield Fault(
                ("beliefs", temper, "limit_strain_ratio_250_to_20degC"),
                f"and limit_strain_at_20degC {list(cold)} together mean a limit strain of {math.sqrt(cold[0] * cold[1] * ratio[0] * ratio[1]):.2g} at 250 degC",
                list(ratio), f"ranges whose middles multiply to at most {most:g}",
            )  # fmt: skip


def _stored_faults(stored: Mapping[str, Pair | None]) -> Iterator[Fault]:
    """Yield a fault where a temper wholly brings more cold work than one that EN 515 calls harder (same family of tempers)."""
    stated = [(t, pair) for t, pair in stored.items() if pair]
    for (one, first), (other, second) in combinations(stated, 2):
        soft, hard = ((one, first), (other, second)) if hardness(one) < hardness(other) else ((other, second), (one, first))
        if hardness(soft[0]) < hardness(hard[0]) and _family(soft[0]) in ("O", _family(hard[0])) and soft[1][0] > hard[1][1]:
            yield Fault(
                ("beliefs", soft[0], "stored_strain_of_temper"), f"is wholly above that of {hard[0]}, a harder temper of the same family",
                list(soft[1]), f"a range that begins at or below {hard[1][1]:g}, the upper end of {hard[0]}'s",
            )  # fmt: skip


def hardness(temper: str) -> float:
    """Return the order of hardness that a designation states (EN 515): O 0, H111 0.5, else its second digit."""
    return 0.0 if temper == "O" else 0.5 if temper == "H111" else float(temper[2]) if temper[2:3].isdigit() else 0.0


def _family(temper: str) -> str:
    return "O" if temper in ("O", "H111") else temper[:2]
