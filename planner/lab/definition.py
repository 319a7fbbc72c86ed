"""Why this module exists: what is being decided, as one frozen record.

`Definition` is a whole `campaign.toml`. The few quantities that several rooms of
the house need and that follow from the file alone (clad thickness, sound joints
required, the control in force) are its properties.
"""

from __future__ import annotations

from fractions import Fraction
from typing import Annotated

from pydantic import Field

from planner.lab.campaign_fields import FACTOR_UNITS, PositiveRange, Table
from planner.lab.campaign_tables import (
    Campaign,
    Component,
    Control,
    Criteria,
    Factors,
    Gauges,
    Goal,
    Insist,
    OutOfReach,
    Sheet,
    SpecimenTables,
    SpecimenType,
    Stock,
    Target,
    Week,
)


class Definition(Table):
    """A whole campaign definition, `campaign.toml` key by key."""

    campaign: Campaign = Campaign()
    goal: Goal = Goal()
    factors: Factors
    out_of_reach: Annotated[tuple[OutOfReach, ...], Field(max_length=200)] = ()
    sheet: Sheet = Sheet()
    component: Component = Component()
    criteria: Criteria
    specimen_tables: SpecimenTables = Field(alias="specimens")
    control_table: Control = Field(default=Control(), alias="control")
    gauges: Gauges = Gauges()
    week: Week = Week()
    stock: Annotated[tuple[Stock, ...], Field(max_length=5000)] = ()
    insist: Annotated[tuple[Insist, ...], Field(max_length=1000)] = ()
    beliefs: dict[str, dict[str, PositiveRange]] = {}
    target: Target | None = None

    @property
    def specimens(self) -> dict[str, SpecimenType]:
        """Specimen types this lab can make, by name, in the contract's order."""
        tables = self.specimen_tables
        return {
            name: table
            for name in type(tables).model_fields
            if (table := getattr(tables, name)) is not None
        }

    @property
    def control(self) -> Control | None:
        """The control of every load with its temper filled in; None when off.

        Left out altogether, it is on where the lab can make braze coupons.
        """
        table = self.control_table
        absent = "control_table" not in self.model_fields_set
        if not table.loads or (absent and table.specimen_type not in self.specimens):
            return None
        return table.model_copy(update={"temper": table.temper or self.factors.tempers[0]})

    @property
    def clad_thickness_um(self) -> float:
        """Nominal clad thickness of one side, um."""
        return self.sheet.thickness_um * self.sheet.clad_share

    @property
    def joints_sound_min(self) -> int | None:
        """Least number of sound joints that passes; None when not required.

        The share is taken as the decimal written in the file, so that 0.9 of 10
        joints is 9 and not 10.
        """
        share = self.criteria.sound_share_min
        if share is None:
            return None
        exact = Fraction(repr(share)) * self.component.joints
        return -(-exact.numerator // exact.denominator)

    @property
    def factor_ranges(self) -> dict[str, tuple[float, float]]:
        """Range of each factor by key, in the program's fixed order."""
        return {key: getattr(self.factors, key).range for key in FACTOR_UNITS}
