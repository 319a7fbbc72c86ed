"""Why this module exists: some mistakes show only when two tables are read together.

A control of a temper that is not in `[factors]`, a lot listed with two tempers, a
target outside the box: each table alone is fine. Every rule here yields a
`Fault` with the path of the key at fault, so that the reader can name its line.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping

from planner.lab.belief_rules import belief_faults
from planner.lab.campaign_fault import Fault, Path, closest
from planner.lab.campaign_fields import FACTOR_UNITS, factor_bounds
from planner.lab.definition import Definition
from planner.lab.specimen import BRAZED_TYPES

__all__ = ["Fault", "closest", "contradictions", "least_change_of_setting", "nearest_reachable", "unreachable"]

#: Points at which a box of ranges is tried for what is within reach, and the least share that is enough:
#: five times what the window's own points need.
N_TRIED, LEAST_REACHABLE = 4096, 0.005
#: Steps of the points through the unit cube (additive recurrence): powers of 1/x with x^5 = x + 1.
_STEPS = tuple(1.1673039782614187**-power for power in range(1, len(FACTOR_UNITS) + 1))


def contradictions(definition: Definition) -> Iterator[Fault]:
    """Yield every mistake that lies between two keys of a definition.

    Parameters
    ----------
    definition : Definition
        Read and valid key by key.

    Yields
    ------
    Fault
        In the order of the tables in the contract.
    """
    yield from _factor_faults(definition)
    yield from _component_faults(definition)
    yield from _specimen_faults(definition)
    yield from _control_faults(definition)
    yield from _stock_faults(definition)
    yield from _insist_faults(definition)
    yield from belief_faults(definition)
    yield from _target_faults(definition)


def unreachable(definition: Definition, setting: dict[str, float]) -> str | None:
    """Tell why a setting cannot be reached; None when it can.

    Parameters
    ----------
    definition : Definition
    setting : dict of str to float
        Factor values by key; a row of `[[out_of_reach]]` counts only when every
        factor it names is in the setting and inside its range.

    Returns
    -------
    str or None
        The lab's own `why` of the first row that holds.
    """
    for row in definition.out_of_reach:
        ranges = {key: getattr(row, key) for key in FACTOR_UNITS if getattr(row, key)}
        if all(
            key in setting and low <= setting[key] <= high for key, (low, high) in ranges.items()
        ):
            return row.why or "listed in [[out_of_reach]]"
    return None


def within_reach(definition: Definition, ranges: Mapping[str, tuple[float, float]]) -> bool:
    """Tell whether anything worth speaking of in a box of ranges can be reached.

    Parameters
    ----------
    definition : Definition
    ranges : mapping of factor key to (low, high)
        All four factors.

    Returns
    -------
    bool
        False where the rows of `[[out_of_reach]]` together leave less than 0.5 % of the
        box, read at evenly spread points; looking ends once enough are found.
    """
    rules = [
        [getattr(row, key) or (-math.inf, math.inf) for key in ranges]
        for row in definition.out_of_reach
        if any(getattr(row, key) for key in ranges)
    ]
    if not rules:
        return True
    enough, found = N_TRIED * LEAST_REACHABLE, 0
    for i in range(1, N_TRIED + 1):
        point = [
            low + (0.5 + i * step) % 1.0 * (high - low)
            for (low, high), step in zip(ranges.values(), _STEPS, strict=True)
        ]
        found += not any(
            all(low <= x <= high for x, (low, high) in zip(point, rule, strict=True)) for rule in rules
        )
        if found >= enough:
            return True
    return False


def nearest_reachable(definition: Definition, setting: dict[str, float]) -> tuple[str, str, float] | None:
    """Find the least change of one factor that brings a setting within reach.

    Parameters
    ----------
    definition : Definition
    setting : dict of str to float
        Factor values by key, of a setting that `[[out_of_reach]]` lists.

    Returns
    -------
    (factor key, "below" or "above", bound) or None
        Smallest in parts of the factor's range; None where no single factor is enough inside the box.
    """
    found = []
    for row in definition.out_of_reach:
        for key, (low, high) in definition.factor_ranges.items():
            pair = getattr(row, key)
            if not pair or key not in setting:
                continue
            for side, bound, step in (("below", pair[0], -1e-6), ("above", pair[1], 1e-6)):
                value = bound + step * (high - low)
                if low <= value <= high and unreachable(definition, setting | {key: value}) is None:
                    found.append((abs(value - setting[key]) / (high - low), key, side, float(bound)))
    return min(found)[1:] if found else None


def least_change_of_setting(definition: Definition, setting: dict[str, float]) -> str:
    """Word the least change of a setting that is out of reach: one factor, its bound, and what it is now."""
    change = nearest_reachable(definition, setting)
    if change is None:
        return "a setting outside every [[out_of_reach]] row"
    key, side, bound = change
    return f"least change: {key} {side} {bound:g} (now {setting[key]:g})"


def _temper_fault(definition: Definition, temper: str, path: Path) -> Iterator[Fault]:
    """Yield a fault when a temper is not among the factors'."""
    tempers = definition.factors.tempers
    if temper not in tempers:
        yield Fault(
            path, "is not one of the tempers of [factors]", temper, ", ".join(tempers),
            "use one of these, or add it to factors.tempers",
        )  # fmt: skip


def _factor_faults(definition: Definition) -> Iterator[Fault]:
    tempers = definition.factors.tempers
    if len(set(tempers)) != len(tempers):
        yield Fault(("factors", "tempers"), "names a temper twice", list(tempers), "each once")
    for key, (low, high) in definition.factor_ranges.items():
        spread = getattr(definition.factors, key).setting_sd
        if spread >= (high - low) / 2:
            yield Fault(
                ("factors", key, "setting_sd"), "is as wide as the range itself", spread,
                f"less than half the range, {(high - low) / 2:g}",
            )  # fmt: skip
    for i, row in enumerate(definition.out_of_reach):
        if not any(getattr(row, key) for key in FACTOR_UNITS):
            yield Fault(
                ("out_of_reach", i), "names no factor", None,
                "at least one of " + ", ".join(FACTOR_UNITS),
            )  # fmt: skip
        for key in FACTOR_UNITS:
            pair, (low, high) = getattr(row, key), factor_bounds(key)
            if pair and (pair[1] < low or pair[0] > high):
                yield Fault(
                    ("out_of_reach", i, key), "lies wholly beyond the hard bounds", list(pair),
                    f"{low:g} to {high:g}",
                )  # fmt: skip
    box, whole = definition.factor_ranges, False
    for i, row in enumerate(definition.out_of_reach):
        ranges = {key: getattr(row, key) for key in FACTOR_UNITS if getattr(row, key)}
        if ranges and all(
            pair[0] <= box[key][0] and pair[1] >= box[key][1] for key, pair in ranges.items()
        ):
            whole = True
            yield Fault(
                ("out_of_reach", i), "puts the whole box of [factors] out of reach", None,
                "ranges that leave a part of the box",
            )  # fmt: skip
    if not whole and not within_reach(definition, box):
        yield Fault(
            ("out_of_reach",), "rows together put the whole box of [factors] out of reach, or all but a sliver of it",
            None, f"rows that leave at least {100 * LEAST_REACHABLE:g} % of the box",
        )  # fmt: skip


def _component_faults(definition: Definition) -> Iterator[Fault]:
    features = definition.component.features
    seen: set[str] = set()
    for i, feature in enumerate(features):
        if feature.name in seen:
            yield Fault(
                ("component", "features", i, "name"), "is used twice", feature.name, "unique names"
            )
        seen.add(feature.name)
    if not any(feature.joined for feature in features):
        yield Fault(
            ("component", "features"), "marks no feature as joined", None,
            "joined = true on at least one feature: it feeds the joints",
        )  # fmt: skip
    if all(value is None for value in dict(definition.criteria).values()):
        yield Fault(
            ("criteria",), "requires nothing, so every component would conform", None,
            "at least one of " + ", ".join(type(definition.criteria).model_fields),
        )  # fmt: skip


def _specimen_faults(definition: Definition) -> Iterator[Fault]:
    if not definition.specimens:
        yield Fault(
            ("specimens",), "lists no specimen type", None,
            "at least one of " + ", ".join(type(definition.specimen_tables).model_fields),
        )  # fmt: skip


def _control_faults(definition: Definition) -> Iterator[Fault]:
    control = definition.control
    if control is None:
        return
    if control.specimen_type not in definition.specimens:
        yield Fault(
            ("control", "specimen_type"), "is not a type of [specimens]", control.specimen_type,
            ", ".join(name for name in definition.specimens if name in BRAZED_TYPES)
            or "no brazed type is listed",
            "add its table to [specimens], or set loads = false in [control]",
        )  # fmt: skip
    yield from _temper_fault(definition, control.temper or "", ("control", "temper"))


def _stock_faults(definition: Definition) -> Iterator[Fault]:
    seen: dict[str, str] = {}
    for i, entry in enumerate(definition.stock):
        yield from _temper_fault(definition, entry.temper, ("stock", i, "temper"))
        if entry.lot in seen and seen[entry.lot] != entry.temper:
            yield Fault(
                ("stock", i, "temper"), f"differs from lot {entry.lot}'s other entry", entry.temper,
                f"{seen[entry.lot]}: one lot has one temper",
            )  # fmt: skip
        elif entry.lot in seen:
            yield Fault(("stock", i, "lot"), "is listed twice", entry.lot, "one entry a lot")
        seen.setdefault(entry.lot, entry.temper)


def _insist_faults(definition: Definition) -> Iterator[Fault]:
    for i, trial in enumerate(definition.insist):
        path: Path = ("insist", i)
        yield from _temper_fault(definition, trial.temper, (*path, "temper"))
        if trial.specimen_type not in definition.specimens:
            yield Fault(
                (*path, "specimen_type"), "is not a type of [specimens]", trial.specimen_type,
                ", ".join(definition.specimens),
            )  # fmt: skip
        brazed = trial.specimen_type in BRAZED_TYPES
        for key in ("strain", "braze_temperature_degC", "braze_time_min"):
            value = getattr(trial, key)
            if brazed and value is None:
                yield Fault((*path, key), f"is missing for a {trial.specimen_type}")
            if not brazed and value is not None and key != "strain":
                yield Fault(
                    (*path, key), f"does not apply: a {trial.specimen_type} is not brazed", value,
                    "leave it out",
                )  # fmt: skip
        given = ((key, getattr(trial, key)) for key in FACTOR_UNITS)
        setting = {key: value for key, value in given if value is not None}
        why = unreachable(definition, setting)
        if why:
            yield Fault(
                path, f"insists on a setting that the rig cannot reach ({why})", setting,
                least_change_of_setting(definition, setting),
            )  # fmt: skip


def _target_faults(definition: Definition) -> Iterator[Fault]:
    target = definition.target
    if target is None:
        return
    yield from _temper_fault(definition, target.temper, ("target", "temper"))
    for key, (low, high) in definition.factor_ranges.items():
        pair = getattr(target, key)
        if pair[0] < low or pair[1] > high:
            yield Fault(
                ("target", key), "reaches outside the box of [factors]", list(pair),
                f"within [{low:g}, {high:g}]",
            )  # fmt: skip
    if not within_reach(definition, {key: getattr(target, key) for key in FACTOR_UNITS}):
        yield Fault(
            ("target",), "lies wholly in what [[out_of_reach]] lists, or all but a sliver of it", None,
            f"ranges of which the rig reaches at least {100 * LEAST_REACHABLE:g} %",
        )  # fmt: skip
