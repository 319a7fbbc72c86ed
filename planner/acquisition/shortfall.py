"""What a set of trials would need in all, and by how much the week falls short of it.

A lab that is told of one limit at a time raises the budget on Monday and learns of the hours on Tuesday.  Here a set of trials is
totalled as a whole - with the control and the set-up of every furnace load, blanks by temper - and every limit that the total breaks
is named at once, with the total that would be enough.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from planner.acquisition.candidate import Candidate
from planner.acquisition.limits import LIMITS, TOLERANCE, Limits, Needs, Tally

NO_LOT = ""
"""Lot of a control of which there is none in stock."""
SETTING_WEIGHT = 100
"""A setting that cannot be reached counts as so many limits: no money helps."""


@dataclass(frozen=True)
class Shortfall:
    """What a set of trials needs beyond what the week allows; empty where it fits."""

    needed: dict[str, float]
    """Total that would be enough, by limit that the trials break; for stock the blanks that are missing, of all tempers."""
    blanks: dict[str, int]
    """Blanks that are missing, by temper."""
    excess: float
    """Sum over those limits of the share by which each is passed."""
    beyond: Candidate | None = None
    """A trial whose setting is out of reach."""
    control_beyond: Candidate | None = None
    """A load's control whose setting is out of reach, brazed as the load would be."""

    @property
    def size(self) -> tuple[int, float]:
        """How far it is from fitting: limits to change, then by how much."""
        unreachable = (self.beyond is not None) + (self.control_beyond is not None)
        return len(self.needed) + SETTING_WEIGHT * unreachable, self.excess


def shortfall(limits: Limits, loose: Sequence[Candidate], loads: Sequence[Sequence[Candidate]]) -> Shortfall:
    """Total a set of trials and say what it breaks.

    Parameters
    ----------
    limits : Limits
    loose : sequence of Candidate
        Trials that are not brazed.
    loads : sequence of sequences of Candidate
        Trials by furnace load, without the control, which is added where the campaign asks for one.
    """
    control = limits.definition.control
    inside = [list(members) for members in loads]
    if control is not None:
        inside = [[limits.control(_control_lot(limits), members[0].braze), *members] for members in inside]
    chosen = [*loose, *(c for members in inside for c in members)]
    roomy = replace(limits, blanks={**limits.blanks, NO_LOT: 0})
    tally = Tally(roomy, Needs(roomy, chosen))
    for i in range(len(loose)):
        tally.add(i)
    at = len(loose)
    for number, members in enumerate(inside):
        tally.open(number, None)
        for i in range(at, at + len(members)):
            tally.add(i, number)
        at += len(members)
    blanks = missing_blanks(limits, chosen)
    used = {
        "stock": float(sum(blanks.values())),
        "furnace_loads": len(tally.loads),
        "places_per_load": max((tally.needs.places[load.members].sum() for load in tally.loads.values()), default=0.0),
        "tool_temperatures": len(tally.temperatures),
        "sections": tally.sections,
        "hours": tally.hours,
        "budget": tally.cost,
    }
    trials, controls = [*loose, *(c for members in loads for c in members)], [] if control is None else [members[0] for members in inside]
    beyond, control_beyond = (next((c for c in group if not limits.reachable(c)), None) for group in (trials, controls))
    needed = {n: float(used[n]) for n in LIMITS if n in used and used[n] > tally.ceiling(n) + TOLERANCE * max(1.0, abs(tally.ceiling(n)))}
    excess = sum((v - tally.ceiling(n)) / max(tally.ceiling(n), 1.0) for n, v in needed.items())
    reach = {} if beyond is control_beyond is None else {"out_of_reach": 1.0}
    return Shortfall(reach | needed, blanks, float(excess), beyond, control_beyond)


def _control_lot(limits: Limits) -> str:
    return next((lot for lot, temper in limits.lot_temper.items() if temper == limits.definition.control.temper), NO_LOT)


def missing_blanks(limits: Limits, chosen: Iterable[Candidate]) -> dict[str, int]:
    """Return how many blanks more each temper would need, by temper that lacks any; a specimen's blanks come from one lot."""
    wanted: dict[str, list[int]] = {}
    for c in chosen:
        wanted.setdefault(c.temper, []).append(limits.uses[c.specimen_type].blanks)
    missing = {}
    for temper, needs in wanted.items():
        left = [n for lot, n in limits.blanks.items() if limits.lot_temper[lot] == temper]
        over = 0
        for need in sorted(needs, reverse=True):
            fits = [i for i, n in enumerate(left) if n >= need]
            if fits:
                left[min(fits, key=left.__getitem__)] -= need            # the tightest lot that holds it
            else:
                over += need
        if over:
            missing[temper] = over - max(left, default=0)                # topping up the fullest lot
    return missing


def packed(limits: Limits, chosen: Iterable[Candidate]) -> tuple[list[Candidate], list[list[Candidate]]]:
    """Put trials into as few furnace loads as their brazes and the places of a load allow.

    Parameters
    ----------
    limits : Limits
    chosen : iterable of Candidate
        In the order in which they are put in.

    Returns
    -------
    loose : list of Candidate
    loads : list of lists of Candidate
        Controls left out; a trial for which even an empty load has no place has one of its own.
    """
    control = limits.definition.control
    room = limits.allowed["places_per_load"] - (0 if control is None else limits.uses[control.specimen_type].places)
    loose: list[Candidate] = []
    loads: list[list[Candidate]] = []
    for c in chosen:
        if c.braze is None:
            loose.append(c)
            continue
        places = limits.uses[c.specimen_type].places
        taken = (sum(limits.uses[m.specimen_type].places for m in members) for members in loads)
        into = next((m for m, n in zip(loads, taken, strict=True) if m[0].braze == c.braze and n + places <= room), None)
        if into is None:
            loads.append([c])
        else:
            into.append(c)
    return loose, loads


def nearest(limits: Limits, options: Iterable[Candidate], *, loose: Sequence[Candidate] = ()) -> tuple[Candidate, Shortfall] | None:
    """Find the specimen that is nearest to fitting beside what is already in: by itself, or in a load of its own with its control.

    Parameters
    ----------
    limits : Limits
    options : iterable of Candidate
    loose : sequence of Candidate, optional
        Trials that are already in, none of them brazed.

    Returns
    -------
    (Candidate, Shortfall) or None
        The one with the fewest limits to change and, among those, the smallest change; ``None`` without options.
    """
    alike: dict[tuple, Candidate] = {}
    for c in options:
        reach = limits.reachable(c)
        alike.setdefault((c.specimen_type, c.temper, c.forming_temperature_degC, c.section_feature is None, c.braze, reach), c)
    found = [(c, shortfall(limits, *([*loose, c], []) if c.braze is None else (loose, [[c]]))) for c in alike.values()]
    return min(found, key=lambda f: f[1].size, default=None)
