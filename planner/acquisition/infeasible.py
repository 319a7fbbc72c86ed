"""What to tell the lab when nothing fits: which limit binds, and the least change that would free it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from planner.acquisition.candidate import Candidate
from planner.acquisition.limits import LIMITS, TOLERANCE, Limits, Tally
from planner.lab.campaign_rules import least_change_of_setting
from planner.lab.errors import UserError

WHERE = {
    "out_of_reach": "[[out_of_reach]]",
    "stock": "[[stock]] blanks",
    "furnace_loads": "[week] furnace_loads",
    "places_per_load": "[week] places_per_load",
    "tool_temperatures": "[week] tool_temperatures",
    "sections": "[week] sections",
    "hours": "[week] hours",
    "budget": "[week] budget (or --budget)",
}


@dataclass(frozen=True)
class Shortfall:
    """The least change with which one specimen would fit."""

    candidate: int
    needed: dict[str, float]
    """What would be used, by limit that binds; blanks missing for stock."""
    excess: float
    """Sum over those limits of the share by which each is passed."""


def least_change(tally: Tally, ways: Sequence[tuple[np.ndarray, int, int | None]]) -> Shortfall | None:
    """Find the specimen that is nearest to fitting.

    Parameters
    ----------
    tally : Tally
        The plan as it stands.
    ways : sequence of (candidates, load, control)
        As :meth:`Tally.demand` takes them.

    Returns
    -------
    Shortfall or None
        The one with the fewest limits to change and, among those, the smallest change; ``None`` without candidates.
    """
    best: Shortfall | None = None
    for rows, load, control in ways:
        if rows.size == 0:
            continue
        demand = tally.demand(rows, load=load, control=control)
        over, excess = np.zeros(rows.size, int), np.zeros(rows.size)
        for name, used in demand.items():
            ceiling = tally.ceiling(name)
            beyond = used > ceiling + TOLERANCE * max(1.0, abs(ceiling))
            over += np.where(beyond, 100 if name == "out_of_reach" else 1, 0)
            excess += np.where(beyond, used - (ceiling if np.isfinite(ceiling) else 0.0), 0.0) / max(ceiling, 1.0)
        i = int(np.lexsort((excess, over))[0])
        needed = {
            name: float(used[i])
            for name, used in demand.items()
            if used[i] > tally.ceiling(name) + TOLERANCE * max(1.0, abs(tally.ceiling(name)))
        }
        found = Shortfall(int(rows[i]), needed, float(excess[i]))
        if best is None or (len(found.needed), found.excess) < (len(best.needed), best.excess):
            best = found
    return best


def nothing_fits(limits: Limits, shortfall: Shortfall | None, candidate: Candidate | None, *, what: str) -> UserError:
    """Word the message.

    Parameters
    ----------
    limits : Limits
    shortfall : Shortfall or None
        From :func:`least_change`; ``None`` where there is nothing to choose from.
    candidate : Candidate or None
        The specimen it speaks of.
    what : str
        First sentence.
    """
    if shortfall is None or candidate is None:
        stock = ", ".join(f"{lot} ({limits.lot_temper[lot]}): {n}" for lot, n in limits.blanks.items()) or "none"
        return UserError(
            f"{what}: stock binds",
            found=f"blanks free for this plan: {stock}",
            where="campaign.toml, [[stock]]",
            allowed="at least one lot with blanks of a temper of [factors]",
            fix="add the lots on hand to [[stock]], then run `trialwright plan` again",
        )
    order = [name for name in LIMITS if name in shortfall.needed]
    change = " and ".join(_change(limits, name, shortfall.needed[name], candidate) for name in order)
    return UserError(
        f"{what}: {' and '.join(order)} {'binds' if len(order) == 1 else 'bind'}",
        found="; ".join(f"{WHERE[name]} = {_shown(limits, name, candidate)}" for name in order),
        where="campaign.toml",
        allowed=f"{change}: that frees {article(candidate)}",
        fix=f"change {' and '.join(WHERE[name] for name in order)}, then run `trialwright plan` again",
    )


def no_control(limits: Limits, candidate: Candidate) -> UserError:
    """Word the message of a load that cannot have its control.

    Parameters
    ----------
    limits : Limits
    candidate : Candidate
        The specimen for which the load would be opened.
    """
    control = limits.definition.control
    lots = ", ".join(f"{lot}: {n}" for lot, n in limits.blanks.items() if limits.lot_temper[lot] == control.temper) or "no lot"
    return UserError(
        f"the control of the load of {article(candidate)} does not fit: stock binds",
        found=f"blanks of {control.temper} that this plan leaves free: {lots}, less what the plan already uses",
        where="campaign.toml, [[stock]]",
        allowed=f"{limits.uses[control.specimen_type].blanks:g} more blanks of a lot of {control.temper}: that frees the load",
        fix=f"add a lot of {control.temper} to [[stock]], or set [control] loads = false, then run `trialwright plan` again",
    )


def _change(limits: Limits, name: str, needed: float, candidate: Candidate) -> str:
    if name == "stock":
        return f"{needed:g} more blanks of a lot of {candidate.temper}"
    if name == "out_of_reach":
        given = ((key, getattr(candidate, key)) for key in limits.definition.factor_ranges)
        return least_change_of_setting(limits.definition, {key: value for key, value in given if value is not None})
    if name == "budget":
        return f"a budget of at least {np.ceil(needed * 100 - 1e-6) / 100:.2f} {limits.definition.campaign.currency}"
    return f"{WHERE[name]} of at least {needed:g}"


def _shown(limits: Limits, name: str, candidate: Candidate) -> str:
    if name == "stock":
        return f"{limits.blanks.get(candidate.lot, 0)} of lot {candidate.lot}"
    if name == "out_of_reach":
        return "lists this setting"
    return f"{limits.allowed[name]:g}"


def article(candidate: Candidate) -> str:
    """Name a candidate in words."""
    text = f"a {candidate.specimen_type} of {candidate.temper} at {candidate.forming_temperature_degC:g} degC"
    return text if candidate.braze is None else f"{text} in a furnace load with its control"
