"""The virtual lab's bench: specimens as set go in, result rows as a lab would write them come out.

Honours what each type gives, the gauges' smallest values, pulls that stop before a neck, parts that crack in forming, and
sections.  Everything planned for a week is reported at the end of that week.
"""

from __future__ import annotations

import csv
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path

import numpy as np

from planner.lab.bounds import CLAD_LEFT_FACTOR, HARD_BOUNDS
from planner.lab.specimen import BRAZED_TYPES, COLUMNS, OPTIONAL_COLUMNS, Measured, Specimen, cells_of
from planner.rehearse.world import World

DIGITS = 4                        # significant digits that a lab writes down
LEAST = 1e-4                      # no gauge tells less, in the unit of its column
AMBIENT_BRAZE = (600.0, 3.0)      # stands in where a specimen is not brazed; nothing of it is measured
OUTCOMES = ("limit_strain", "springback_angle_deg", "recrystallised", "film_depth_um", "clad_left_um", "cracked", "gap_mm",
            "joints_inspected", "joints_sound", "leaked")


class Bench:
    """Measures specimens of a campaign in a world.

    Parameters
    ----------
    definition : campaign definition (what each type gives, gauges, features).
    world : the truth.
    """

    def __init__(self, definition, world: World):
        self.definition, self.world = definition, world
        features = sorted(definition.component.features, key=lambda f: -f.strain_share)
        self.feature = {f.name: i for i, f in enumerate(features)}

    def can_make(self, s: Specimen) -> bool:
        """Tell whether a specimen's conditions say enough to make it."""
        if s.specimen_type not in self.definition.specimens or s.forming_temperature_degC is None:
            return False
        needed = (s.strain, s.braze_temperature_degC, s.braze_time_min, s.furnace_load)
        return s.specimen_type not in BRAZED_TYPES or None not in needed

    def measured(self, s: Specimen) -> Specimen:
        """Return a specimen with what this world shows of it, whatever was measured on it before."""
        part, brazed = s.specimen_type == "component", s.specimen_type in BRAZED_TYPES
        braze = (s.braze_temperature_degC, s.braze_time_min) if brazed else AMBIENT_BRAZE
        seen, strain = self.world.make(s.specimen, temper=s.temper, lot=s.lot, load=s.furnace_load if brazed else None, component=part,
                                       settings=(s.forming_temperature_degC, (s.strain or 0.0) if brazed else 0.0, *braze))
        blank = replace(s, **dict.fromkeys(OUTCOMES), forming_temperature_measured_degC=None, braze_temperature_measured_degC=None,
                        braze_time_measured_min=None, extra=())
        kind = self.definition.specimens[s.specimen_type]
        if s.specimen_type == "tensile_coupon":
            return replace(blank, limit_strain=self._limit(float(seen.limit_strain[0]), s.strain))
        if s.specimen_type == "bend_coupon":
            return replace(blank, springback_angle_deg=self._value("springback_angle_deg", float(seen.angle[0]), HARD_BOUNDS["springback_angle"][1]))
        top = max(f.strain_share for f in self.definition.component.features) if part else 1.0
        if strain * top > seen.limit_strain[0]:
            return replace(blank, cracked=True)
        gives = set(kind.gives)
        out = {"cracked": False} if "cracked" in gives else {}
        if part:
            out |= self._component(seen, gives)
            gives = gives | (set(kind.section.gives) if kind.section is not None and s.section_feature is not None else set())
        return replace(blank, **out, **self._section(seen, self.feature.get(s.section_feature, 0) if part else 0, gives))

    def _component(self, seen, gives: set[str]) -> dict:
        out = {}
        if "gap" in gives:
            out["gap_mm"] = self._value("gap_mm", float(seen.gap[0]), HARD_BOUNDS["gap"][1])
        if gives & {"joints_sound", "joints_inspected"}:
            out |= {"joints_inspected": self.world.n_joints, "joints_sound": int(seen.sound[0])}
        if "leaked" in gives:
            out["leaked"] = bool(seen.leaked[0])
        return out

    def _section(self, seen, feature: int, gives: set[str]) -> dict:
        out = {}
        if "recrystallised" in gives:
            out["recrystallised"] = bool(seen.recrystallised[0, feature])
        if "film_depth" in gives:
            out["film_depth_um"] = self._value("film_depth_um", float(seen.film[0, feature]), self.definition.sheet.thickness_um)
        if "clad_left" in gives:
            out["clad_left_um"] = self._value("clad_left_um", float(seen.clad_left[0, feature]), CLAD_LEFT_FACTOR * self.definition.clad_thickness_um)
        return out

    def _limit(self, limit: float, stop: float | None) -> Measured:
        stop = HARD_BOUNDS["limit_strain"][1] if stop is None else stop
        return Measured(stop, 1) if limit > stop else Measured(_rounded(max(limit, LEAST)))

    def _value(self, attribute: str, value: float, most: float) -> Measured:
        least = max(getattr(self.definition.gauges, attribute, 0.0), LEAST)
        if value < least:
            return Measured(least, -1)
        return Measured(most, 1) if value > most else Measured(_rounded(value))


def _rounded(value: float) -> float:
    return float(np.format_float_positional(value, precision=DIGITS, fractional=False))


def write_results(path: Path, specimens: Iterable[Specimen]) -> None:
    """Write specimens as a result file."""
    with path.open("x", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow([c.header for c in COLUMNS + OPTIONAL_COLUMNS])
        writer.writerows([[cells.get(c.name, "") for c in COLUMNS + OPTIONAL_COLUMNS] for cells in map(cells_of, specimens)])


def answer_plan(plan: Path, target: Path, specimens: Iterable[Specimen], bench: Bench) -> list[Specimen]:
    """Fill a plan file in as the lab would and put it where results are read.

    Parameters
    ----------
    plan : `plan.csv` of a plan; it is not touched.
    target : the result file to write: the plan's own columns with its measurements filled.
    specimens : the plan's rows as specimens.

    Returns
    -------
    list of Specimen
        As measured, in the plan's order.
    """
    made = {s.specimen: bench.measured(s) for s in specimens}
    with plan.open(encoding="utf-8", newline="") as source, target.open("x", encoding="utf-8", newline="") as file:
        reader = csv.DictReader(source)
        writer = csv.DictWriter(file, reader.fieldnames, lineterminator="\n")
        writer.writeheader()
        for row in reader:
            cells = cells_of(made[row["specimen"]])
            writer.writerow(row | {c.header: cells[c.name] for c in COLUMNS if c.name in cells})
    return list(made.values())
