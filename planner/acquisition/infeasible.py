"""What to tell the lab when trials do not fit: which limits bind, and the least change that would free them.

A message names every limit that a set of trials breaks, with the total that would be enough (``shortfall``), so that one change of
`campaign.toml` is enough too.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np

from planner.acquisition.candidate import Candidate
from planner.acquisition.limits import LIMITS, Limits
from planner.acquisition.shortfall import Shortfall, nearest, packed, shortfall
from planner.lab.campaign import unreachable
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
OF_CONTROL = ("forming_temperature_degC", "strain")
"""Settings that [control] fixes; how it is brazed follows from its load."""


class NothingFits(UserError):
    """Trials that do not fit; ``binding`` names the limits, in the order of ``LIMITS``."""

    binding: tuple[str, ...] = ()


def nothing_fits(limits: Limits, short: Shortfall | None, *, what: str, frees: str = "") -> NothingFits:
    """Word the message.

    Parameters
    ----------
    limits : Limits
    short : Shortfall or None
        ``None`` where there is nothing to choose from.
    what : str
        First sentence.
    frees : str
        What the change would free.
    """
    if short is None:
        return _worded(
            ("stock",),
            f"{what}: stock binds",
            found=_free_by_temper(limits, set(limits.lot_temper.values())),
            where="campaign.toml, [[stock]]",
            allowed=f"at least one lot with blanks of a temper of [factors]{_free_by_lot(limits, set(limits.lot_temper.values()))}",
            fix="add the lots on hand to [[stock]], then run `trialwright plan` again",
        )
    order = [name for name in LIMITS if name in short.needed]
    if not order:                                   # enough blanks in sum
        tempers = set(limits.lot_temper.values())
        return _worded(
            ("stock",),
            f"{what}: stock binds, for no lot holds enough blanks for it",
            found=_free_by_temper(limits, tempers),
            where="campaign.toml, [[stock]]",
            allowed=f"the blanks of a specimen come from one lot{_free_by_lot(limits, tempers)}",
            fix="add a larger lot to [[stock]], then run `trialwright plan` again",
        )
    change = [WHERE[name] for name in order if name != "out_of_reach"]
    change += ["[control] or [[out_of_reach]]"] if short.control_beyond is not None else []
    change += ["the trial or [[out_of_reach]]"] if short.beyond is not None else []
    return _worded(
        tuple(order),
        f"{what}: {binding_words(limits, short)}",
        found=", ".join(_shown(limits, name, short) for name in order),
        where="campaign.toml",
        allowed=f"{change_words(limits, short)}: that frees {frees}",
        fix=f"change {' and '.join(change)}, then run `trialwright plan` again",
    )


def insisted_do_not_fit(limits: Limits, insisted: Sequence[Candidate], failed: Candidate) -> NothingFits:
    """Word the message of trials that the lab insists on and that do not fit: all limits that their total breaks.

    Parameters
    ----------
    limits : Limits
    insisted : sequence of Candidate
        The whole list, one entry a specimen.
    failed : Candidate
        The first of them that did not fit.
    """
    loose, loads = packed(limits, insisted)
    short = shortfall(limits, loose, loads)
    if len(insisted) == 1 or not short.needed:
        what, frees = f"the insisted trial ({article(failed)}) does not fit", article(failed)
    else:
        inside = f", in {len(loads)} furnace load{'s' if len(loads) > 1 else ''}{_with_controls(limits, len(loads))}" if loads else ""
        what, frees = f"the {len(insisted)} insisted trials{inside}, do not fit together", "them all"
    return nothing_fits(limits, short, what=what, frees=frees)


def _with_controls(limits: Limits, n_loads: int) -> str:
    return "" if limits.definition.control is None else " with its control" if n_loads == 1 else " with a control each"


def no_specimen_fits(limits: Limits, options: Iterable[Candidate]) -> NothingFits:
    """Word the message of a week in which nothing fits, by the specimen that is nearest to fitting.

    Parameters
    ----------
    limits : Limits
    options : iterable of Candidate
        What could be made, controls left out.
    """
    what = "not one specimen fits in this week's limits"
    found = nearest(limits, options)
    return nothing_fits(limits, None, what=what) if found is None else nothing_fits(limits, found[1], what=what, frees=article(found[0]))


def no_load_opened(limits: Limits, options: Iterable[Candidate], insisted: Sequence[Candidate] = ()) -> str:
    """Say why no furnace load can be opened, and the least change with which one could.

    Parameters
    ----------
    limits : Limits
    options : iterable of Candidate
        Brazed specimens that could be made, controls left out.
    insisted : sequence of Candidate
        Trials that are in whatever happens, none of them brazed.
    """
    found = nearest(limits, options, loose=insisted)
    if found is None or not found[1].needed:
        return "no furnace load is opened: stock binds; no lot holds enough blanks for a specimen and the load's control"
    candidate, short = found
    return f"no furnace load is opened: {binding_words(limits, short)}; {change_words(limits, short)} frees {article(candidate)}"


def binding_words(limits: Limits, short: Shortfall) -> str:
    """Name the limits that bind; where a setting is out of reach, whose it is."""
    order = [name for name in LIMITS if name in short.needed]
    told = f"{' and '.join(order)} {'binds' if len(order) == 1 else 'bind'}"
    if short.control_beyond is not None:
        told += f" (the load's control, {_setting(short.control_beyond)}, cannot be reached: {_why(limits, short.control_beyond)})"
    return told


def change_words(limits: Limits, short: Shortfall) -> str:
    """Word the least change of every limit that binds."""
    parts = [words for name in LIMITS if name in short.needed for words in _changes(limits, name, short)]
    return " and ".join(parts)


def _changes(limits: Limits, name: str, short: Shortfall) -> list[str]:
    if name == "stock":
        return [f"{n} more blanks of a lot of {temper}{_free_by_lot(limits, {temper})}" for temper, n in short.blanks.items()]
    if name == "out_of_reach":
        told = [] if short.beyond is None else [least_change_of_setting(limits.definition, _given(limits, short.beyond))]
        return told if short.control_beyond is None else [*told, _change_of_control(limits, short.control_beyond)]
    if name == "budget":
        return [f"a budget of at least {np.ceil(short.needed[name] * 100 - 1e-6) / 100:.2f} {limits.definition.campaign.currency}"]
    return [f"{WHERE[name]} of at least {short.needed[name]:g}"]


def _given(limits: Limits, candidate: Candidate) -> dict[str, float]:
    values = {key: getattr(candidate, key) for key in limits.definition.factor_ranges}
    return {key: value for key, value in values.items() if value is not None}


def _why(limits: Limits, candidate: Candidate) -> str:
    return unreachable(limits.definition, _given(limits, candidate)) or ""


def _change_of_control(limits: Limits, control: Candidate) -> str:
    """Word the least change of [control] that brings a load's control within reach."""
    definition, setting, found = limits.definition, _given(limits, control), []
    for row in definition.out_of_reach:
        for key in OF_CONTROL:
            low, high = definition.factor_ranges[key]
            for side, bound, step in zip(("below", "above"), getattr(row, key) or (), (-1e-6, 1e-6), strict=False):
                value = bound + step * (high - low)
                if low <= value <= high and unreachable(definition, setting | {key: value}) is None:
                    found.append((abs(value - setting[key]) / (high - low), key, side, float(bound)))
    if not found:
        return "[control] loads = false"
    _, key, side, bound = min(found)
    return f"[control] {key} {side} {bound:g} (now {setting[key]:g}) or [control] loads = false"


def _setting(candidate: Candidate) -> str:
    hot, long = candidate.braze
    return f"{candidate.forming_temperature_degC:g} degC to strain {candidate.strain:g}, brazed at {hot:g} degC for {long:g} min"


def _shown(limits: Limits, name: str, short: Shortfall) -> str:
    if name == "stock":
        return _free_by_temper(limits, set(short.blanks))
    if name == "out_of_reach":
        return f"[[out_of_reach]] lists {'the load control' if short.beyond is None else 'the trial'}"
    return f"{name} {limits.allowed[name]:g}"


def _free_by_temper(limits: Limits, tempers: set[str]) -> str:
    """Say in short how many blanks are free: messages repeat no more than 80 characters of what was found."""
    free = {temper: sum(n for lot, n in limits.blanks.items() if limits.lot_temper[lot] == temper) for temper in sorted(tempers)}
    return "blanks free: " + (", ".join(f"{temper} {n}" for temper, n in free.items()) or "none")


def _free_by_lot(limits: Limits, tempers: set[str]) -> str:
    told = ", ".join(f"{lot} {n}" for lot, n in limits.blanks.items() if limits.lot_temper[lot] in tempers)
    return f" (free now: {told})" if told else ""


def _worded(binding: tuple[str, ...], what: str, **more: str) -> NothingFits:
    error = NothingFits(what, **more)
    error.binding = binding
    return error


def article(candidate: Candidate) -> str:
    """Name a candidate in words."""
    text = f"a {candidate.specimen_type} of {candidate.temper} at {candidate.forming_temperature_degC:g} degC"
    return text if candidate.braze is None else f"{text} in a furnace load with its control"
