"""What the lab writes down of one planned specimen: the same cells on the bench sheet and unlocked in the workbook."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from planner.lab.campaign import Definition
from planner.lab.specimen import COLUMN_BY_NAME, MEASUREMENTS

STRAINED_THEN_BRAZED = "braze_coupon"
SHORT = {          # in the order in which they are looked at
    "limit_strain": "limit strain [1]",
    "springback_angle": "springback [deg]",
    "cracked": "cracked",
    "gap": "gap [mm]",
    "joints_inspected": "joints inspected",
    "joints_sound": "sound",
    "leaked": "leaked",
    "recrystallised": "recrystallised",
    "film_depth": "film depth [um]",
    "clad_left": "clad left [um]",
}
"""Measurements in the words of a sheet."""


def measured_of(trial: Mapping[str, Any], definition: Definition) -> list[str]:
    """Return the names of the columns that a planned specimen's measurements fill, in the order of a result file.

    Parameters
    ----------
    trial : mapping
        A row of the plan's record.
    definition : Definition
    """
    kind = definition.specimens[trial["specimen_type"]]
    gives = set(kind.gives)
    if kind.section is not None and trial["section_feature"]:
        gives |= set(kind.section.gives)
    if "joints_sound" in gives:
        gives.add("joints_inspected")
    if trial["specimen_type"] == STRAINED_THEN_BRAZED:
        gives.add("cracked")                       # one that breaks while being strained is recorded as cracked
    return [name for name in MEASUREMENTS if name in gives]


def choices(name: str) -> tuple[str, ...]:
    """Return what a yes/no cell may hold; nothing for other cells."""
    if COLUMN_BY_NAME[name].kind != "flag":
        return ()
    return ("yes", "no", "partly") if name == "recrystallised" else ("yes", "no")


def fields_of(trial: Mapping[str, Any], definition: Definition) -> list[dict[str, Any]]:
    """Return the writing fields of a specimen: words and, for yes/no, the boxes to tick."""
    mine = measured_of(trial, definition)
    return [{"name": name, "words": words, "choices": choices(name)} for name, words in SHORT.items() if name in mine]
