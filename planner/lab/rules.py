"""Why this module exists: a row can be well written and still not make sense.

The contract's rules about one specimen, and about specimens that share a lot or a
furnace load. Each rule yields a `RowFault` naming its column; what is merely unusual
is a note. Intake applies them to a file, the ledger to the state after it.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

from planner.lab.bounds import CLAD_LEFT_FACTOR, HARD_BOUNDS, bound_text, likely_cause
from planner.lab.campaign_fields import FACTOR_UNITS
from planner.lab.campaign_rules import closest
from planner.lab.cells import CellFault
from planner.lab.definition import Definition
from planner.lab.specimen import (
    BRAZE_CONDITIONS,
    BRAZE_OUTCOMES,
    BRAZED_TYPES,
    COLUMN_BY_NAME,
    MEASUREMENTS,
    TYPES,
    Column,
    Measured,
    Specimen,
    has_measurement,
    went_through_furnace,
)
from planner.lab.unusual import unusual_measurements


@dataclass(frozen=True)
class RowFault:
    """One broken rule of a row."""

    column: str  #: column name
    what: str
    found: object = None
    allowed: str | None = None
    key: str | None = None  #: key of campaign.toml that the rule rests on; None: on the row alone


def hard_bounds(column: str, definition: Definition) -> tuple[float, float] | None:
    """Return the hard bounds of a column, None where it has none; the sheet bounds film and clad."""
    if column == "film_depth":
        return (0.0, definition.sheet.thickness_um)
    if column == "clad_left":
        return (0.0, CLAD_LEFT_FACTOR * definition.clad_thickness_um)
    return HARD_BOUNDS.get(column)


def check_bounds(column: Column, value: float | Measured, definition: Definition) -> None:
    """Refuse a value beyond its hard bounds, with the likely cause.

    Raises
    ------
    CellFault
    """
    name = column.name
    number = value.value if isinstance(value, Measured) else value
    bounds = hard_bounds(name, definition)
    if bounds and not bounds[0] <= number <= bounds[1]:
        raise CellFault(
            f"{number:g} lies beyond the hard bounds",
            allowed=bound_text(bounds, column.unit), cause=likely_cause(name, number),
        )  # fmt: skip
    if isinstance(value, Measured) and number == 0:
        gauge = getattr(definition.gauges, column.attribute, 0.0)
        least = f"<{gauge:g}" if gauge else "<x with x the smallest value the gauge can tell"
        raise CellFault("zero cannot be measured", allowed=f"write {least}; blank if not measured")


def row_faults(specimen: Specimen, definition: Definition) -> Iterator[RowFault]:
    """Yield every rule of the contract that one row breaks.

    Parameters
    ----------
    specimen : Specimen
        The whole row, cells of earlier files filled in.
    definition : Definition

    Yields
    ------
    RowFault
    """
    if specimen.specimen_type not in TYPES:
        near = closest(specimen.specimen_type, TYPES)
        hint = f" (did you mean {near}?)" if near else ""
        yield RowFault(
            "specimen_type", "is no specimen type", specimen.specimen_type, ", ".join(TYPES) + hint
        )
        return
    yield from definition_faults(specimen, definition, lot_tempers(definition))
    for entry in definition.stock:
        if entry.lot == specimen.lot and entry.counted and not specimen.date and (
            has_measurement(specimen)
        ):
            yield RowFault(
                "date", f"is blank, but lot {entry.lot} was counted on {entry.counted}", "",
                "the date of the trial, so that its stock can be told",
            )  # fmt: skip
    if specimen.forming_temperature_degC is None:
        yield RowFault("forming_temperature", "is blank", "", "the set value (20 for ambient)")
    if specimen.specimen_type in BRAZED_TYPES:
        yield from _brazed_faults(specimen, definition)
    else:
        for name in BRAZE_CONDITIONS:
            value = getattr(specimen, COLUMN_BY_NAME[name].attribute)
            if value is not None:
                yield RowFault(
                    name, f"is filled, but a {specimen.specimen_type} is not brazed", value, "blank"
                )
    yield from _joint_faults(specimen)


def lot_tempers(definition: Definition) -> dict[str, str]:
    """Return the temper of every lot in `[[stock]]`."""
    return {entry.lot: entry.temper for entry in definition.stock}


def definition_faults(
    specimen: Specimen, definition: Definition, stocked: Mapping[str, str]
) -> Iterator[RowFault]:
    """Yield the rules of a row that rest on the definition, so that an edit of it can break them.

    Parameters
    ----------
    specimen : Specimen
        Of a known type.
    definition : Definition
    stocked : mapping of lot to temper
        Of `lot_tempers`.

    Yields
    ------
    RowFault
        With the `key` of campaign.toml.
    """
    tempers = definition.factors.tempers
    if specimen.temper not in tempers:
        yield RowFault(
            "temper", "is not one of the tempers of [factors]", specimen.temper,
            ", ".join(tempers), "factors.tempers",
        )  # fmt: skip
    temper = stocked.get(specimen.lot, specimen.temper)
    if temper != specimen.temper:
        yield RowFault(
            "temper", f"differs from lot {specimen.lot} in [[stock]]", specimen.temper,
            f"{temper}: one lot has one temper", "stock",
        )  # fmt: skip
    feature = specimen.section_feature
    if feature is not None and specimen.specimen_type == "component" and not specimen.cracked:
        features = [one.name for one in definition.component.features]
        if feature not in features:
            near = closest(feature, features)
            yield RowFault(
                "section_feature", "is no feature of [component]", feature,
                ", ".join(features) + (f" (did you mean {near}?)" if near else ""),
                "component.features",
            )  # fmt: skip
    inspected, joints = specimen.joints_inspected, definition.component.joints
    if inspected is not None and inspected > joints:
        yield RowFault(
            "joints_inspected", "is more than the component has", inspected, f"0 to {joints}",
            "component.joints",
        )  # fmt: skip
    for name, measured in (("film_depth", specimen.film_depth_um), ("clad_left", specimen.clad_left_um)):
        bounds = hard_bounds(name, definition) if measured is not None else None
        if bounds and measured.value > bounds[1]:
            yield RowFault(name, "is more than the sheet allows", measured, bound_text(bounds, "um"), "sheet")


def _brazed_faults(specimen: Specimen, definition: Definition) -> Iterator[RowFault]:
    """Rules of braze coupons and components."""
    if specimen.strain is None:
        yield RowFault("strain", f"is blank on a {specimen.specimen_type}", "", "the set strain")
    outcomes = [name for name in BRAZE_OUTCOMES if _filled(specimen, name)]
    if specimen.cracked:
        for name in outcomes + (["gap"] if _filled(specimen, "gap") else []):
            yield RowFault(
                name, "is filled on a specimen that cracked in forming",
                getattr(specimen, COLUMN_BY_NAME[name].attribute),
                "blank: it was not brazed. Cracked found only after the braze is a note",
            )  # fmt: skip
        return
    if outcomes or any(_filled(specimen, name) for name in BRAZE_CONDITIONS):
        for name in ("braze_temperature", "braze_time", "furnace_load"):
            if not _filled(specimen, name):
                yield RowFault(name, "is blank on a brazed row", "", "filled on every brazed row")
    if specimen.specimen_type != "component":
        return
    if specimen.section_feature is None:
        if specimen.recrystallised is not None or specimen.film_depth_um is not None:
            yield RowFault(
                "section_feature", "is blank, but the row speaks of a section", "",
                ", ".join(feature.name for feature in definition.component.features),
            )  # fmt: skip


def _joint_faults(specimen: Specimen) -> Iterator[RowFault]:
    """Rules of the joint counts."""
    inspected, sound = specimen.joints_inspected, specimen.joints_sound
    if sound is not None and inspected is None:
        yield RowFault("joints_inspected", "is blank, but joints_sound is filled", "", "a count")
    elif sound is not None and inspected is not None and sound > inspected:
        yield RowFault("joints_sound", "is more than were inspected", sound, f"0 to {inspected}")


def _filled(specimen: Specimen, name: str) -> bool:
    """Tell whether a column of the row is filled."""
    return getattr(specimen, COLUMN_BY_NAME[name].attribute) is not None


def row_notes(specimen: Specimen, definition: Definition) -> Iterator[str]:
    """Yield what is unusual but accepted, worded alike for every row it applies to."""
    for key, (low, high) in definition.factor_ranges.items():
        value = getattr(specimen, key)
        if key == "strain" and specimen.specimen_type == "tensile_coupon":
            continue  # where the pull stops, not a setting of the part
        if value is not None and not low <= value <= high:
            unit = "" if FACTOR_UNITS[key] == "1" else f" {FACTOR_UNITS[key]}"
            yield f"{key} lies outside the range {low:g} to {high:g}{unit}; it informs the model"
    kind = definition.specimens.get(specimen.specimen_type)
    if kind is None:
        yield f"{specimen.specimen_type} is not a type of [specimens]; the row is kept"
    else:
        gives = {*kind.gives, *(kind.section.gives if kind.section else ())}
        if "joints_sound" in gives:
            gives.add("joints_inspected")
        if specimen.specimen_type in BRAZED_TYPES:
            gives.add("cracked")
        for name in MEASUREMENTS:
            if _filled(specimen, name) and name not in gives:
                yield f"{name} is not in `gives` of {specimen.specimen_type}; it is kept"
    for name in ("springback_angle_deg", "film_depth_um", "gap_mm"):
        measured, gauge = getattr(specimen, name), getattr(definition.gauges, name)
        if measured is not None and measured.censor == 0 and measured.value < gauge:
            yield f"{name} is below what the gauge tells; <{gauge:g} would say so"
    limit, stop = specimen.limit_strain, specimen.strain
    if specimen.specimen_type == "tensile_coupon" and limit is not None and stop is not None:
        if limit.censor == 0 and limit.value > stop:
            yield "limit_strain lies above the strain at which the pull stopped"
        if limit.censor == 1 and limit.value != stop:
            yield "limit_strain >x differs from the strain at which the pull stopped"
    yield from unusual_measurements(specimen, definition)
    if specimen.section_feature and specimen.specimen_type != "component":
        yield "section_feature has no meaning on a coupon; it is kept"
    if specimen.joints_inspected == 0:
        yield "joints_inspected is 0: no joint was judged"
    if not has_measurement(specimen):
        yield "nothing is measured yet"


def group_faults(
    rows: Iterable[tuple[str, Specimen]],
) -> Iterator[tuple[str, RowFault]]:
    """Yield broken rules between specimens that share a load or a lot.

    Parameters
    ----------
    rows : iterable of (place, Specimen)
        `place` names the row for messages. The first row of a load or lot sets what
        the others must agree with.

    Yields
    ------
    (place, RowFault)
    """
    loads: dict[str, tuple[str, Specimen]] = {}
    lots: dict[str, tuple[str, Specimen]] = {}
    for place, specimen in rows:
        first_place, first = lots.setdefault(specimen.lot, (place, specimen))
        if first.temper != specimen.temper:
            yield place, RowFault(
                "temper", f"differs from lot {specimen.lot} in {first_place}", specimen.temper,
                f"{first.temper}: one lot has one temper",
            )  # fmt: skip
        if not specimen.furnace_load or not went_through_furnace(specimen):
            continue
        first_place, first = loads.setdefault(specimen.furnace_load, (place, specimen))
        for name in ("braze_temperature", "braze_time"):
            attribute = COLUMN_BY_NAME[name].attribute
            value, set_value = getattr(specimen, attribute), getattr(first, attribute)
            if value != set_value:
                yield place, RowFault(
                    name, f"differs from load {specimen.furnace_load} in {first_place}", value,
                    f"{set_value:g}: all rows of a load share the braze condition as set"
                    if set_value is not None else "blank",
                )  # fmt: skip
