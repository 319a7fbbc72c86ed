"""Why this module exists: every table of `campaign.toml`, key by key.

An attribute has the name of its key. The default of a key stands beside it and
is printed by `check` with the value in force; a key without one must be given
wherever its table is. `definition.py` puts the tables together, and rules that
look at two tables at once are in `campaign_rules.py`.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, field_validator

from planner.lab.campaign_fields import (
    Day,
    Flag,
    Hours,
    Label,
    Money,
    Number,
    Positive,
    Range,
    Share,
    Some,
    Spread,
    Table,
    Temper,
    Text,
    Whole,
    fault,
    within,
)

FormingTemperature = within("forming_temperature_degC")
Strain = within("strain")
BrazeTemperature = within("braze_temperature_degC")
BrazeTime = within("braze_time_min")


class Campaign(Table):
    """[campaign]: name, seed and money."""

    title: Text = "Untitled campaign"
    seed: Annotated[int, Field(strict=True, ge=0, lt=2**63)] = 1  #: every random choice follows
    currency: Annotated[Label, Field(max_length=12)] = "EUR"


class Goal(Table):
    """[goal]: how good is good enough. Defaults: 0.90 / 0.95 / 0.10, 12 weeks."""

    reliability: Share = 0.90  #: R, least share of components that must conform
    confidence: Annotated[Number, Field(ge=0.5, lt=1)] = 0.95  #: C
    undecided_share_max: Share = 0.10
    weeks_max: Annotated[int, Field(strict=True, ge=1, le=520)] = 12
    total_budget: Money | None = None  #: None: no limit
    worth_per_percent: Money | None = None  #: None: not stated


class FormingTemperatureFactor(Table):
    """[factors.forming_temperature_degC] in degC. Default range: common practice, no source."""

    range: Annotated[Range, FormingTemperature] = (20.0, 250.0)
    setting_sd: Spread = 0.0


class StrainFactor(Table):
    """[factors.strain], true strain. Default range: common practice, no source."""

    range: Annotated[Range, Strain] = (0.01, 0.25)
    setting_sd: Spread = 0.0


class BrazeTemperatureFactor(Table):
    """[factors.braze_temperature_degC] in degC. Default: peak metal 590 to 610, common practice."""

    range: Annotated[Range, BrazeTemperature] = (590.0, 610.0)
    setting_sd: Spread = 0.0


class BrazeTimeFactor(Table):
    """[factors.braze_time_min] in min. Default range: common practice, no source."""

    range: Annotated[Range, BrazeTime] = (1.0, 8.0)
    setting_sd: Spread = 0.0


class Factors(Table):
    """[factors]: the box that is searched. `tempers` has no default."""

    tempers: Annotated[tuple[Temper, ...], Field(min_length=1, max_length=20)]
    forming_temperature_degC: FormingTemperatureFactor = FormingTemperatureFactor()
    strain: StrainFactor = StrainFactor()
    braze_temperature_degC: BrazeTemperatureFactor = BrazeTemperatureFactor()
    braze_time_min: BrazeTimeFactor = BrazeTimeFactor()


class OutOfReach(Table):
    """[[out_of_reach]]: a setting in *all* ranges given cannot be reached."""

    why: Text = ""
    forming_temperature_degC: Range | None = None
    strain: Range | None = None
    braze_temperature_degC: Range | None = None
    braze_time_min: Range | None = None


class Sheet(Table):
    """[sheet]. Defaults: 3003 core, 4045 clad, 200 um, 10 % on one side."""

    core: Label = "3003"
    clad: Literal["4343", "4045", "4047"] = "4045"  #: the fillers whose silicon is tabulated
    thickness_um: Annotated[Number, Field(gt=0, le=10_000)] = 200.0
    clad_share: Annotated[Number, Field(gt=0, lt=0.5)] = 0.10
    clad_sides: Annotated[int, Field(strict=True, ge=1, le=2)] = 1


class Feature(Table):
    """[[component.features]]: carries `strain_share` x the component's strain."""

    name: Label
    count: Annotated[int, Field(strict=True, ge=1, le=100_000)] = 1
    strain_share: Annotated[Number, Field(gt=0, le=1)] = 1.0
    joined: Flag = False


class Component(Table):
    """[component]. Default: 24 joints, one joined feature that carries the whole strain."""

    joints: Annotated[int, Field(strict=True, ge=1, le=10_000)] = 24
    leak_test_pressure_kPa: Positive | None = None  #: None: not stated
    features: Annotated[tuple[Feature, ...], Field(min_length=1, max_length=50)] = (
        Feature(name="whole component", joined=True),
    )


class Criteria(Table):
    """[criteria]: a component conforms when all given hold; None: not required."""

    cracked: Literal[False] | None = None
    gap_max_mm: Annotated[Number, Field(gt=0, le=50)] | None = None
    sound_share_min: Annotated[Number, Field(gt=0, le=1)] | None = None
    film_depth_max_um: Annotated[Number, Field(gt=0, le=10_000)] | None = None
    leaked: Literal[False] | None = None


class Section(Table):
    """[specimens.component.section]: cut one and look. Defaults: all it can give."""

    cost: Money = 0.0
    hours: Hours = 0.0
    gives: Annotated[
        tuple[Literal["recrystallised", "film_depth", "clad_left"], ...], Field(min_length=1)
    ] = ("recrystallised", "film_depth")
    sections: Some = 1
    days_to_result: Whole = 0


class SpecimenType(Table):
    """[specimens.TYPE]: what one costs and what it tells.

    Defaults: cost 1 (one unit of money), no hands-on hours, one blank, one place in a
    load, results the same day, no section.
    """

    cost: Annotated[Number, Field(gt=0, le=1e12)] = 1.0
    hours: Hours = 0.0
    gives: tuple[str, ...] = ()
    furnace: Flag = False
    sections: Whole = 0
    blanks: Annotated[int, Field(strict=True, ge=1, le=10_000)] = 1
    places: Annotated[int, Field(strict=True, ge=1, le=10_000)] = 1
    days_to_result: Annotated[int, Field(strict=True, ge=0, le=3650)] = 0
    section: None = None  #: only a component has one

    @field_validator("gives")
    @classmethod
    def _something_given(cls, gives: tuple[str, ...]) -> tuple[str, ...]:
        if not gives or len(set(gives)) != len(gives):
            raise fault("names nothing, or something twice", allowed="one or more, each once")
        return gives


class TensileCoupon(SpecimenType):
    """Pulled to necking, or stopped before it."""

    gives: tuple[Literal["limit_strain"], ...] = ("limit_strain",)
    furnace: Literal[False] = False


class BendCoupon(SpecimenType):
    """The reference bend of the springback angle. Default: 90 degrees over 2.5 mm."""

    gives: tuple[Literal["springback_angle"], ...] = ("springback_angle",)
    furnace: Literal[False] = False
    bend_radius_mm: Annotated[Number, Field(gt=0, le=1000)] = 2.5
    bend_angle_deg: Annotated[Number, Field(gt=0, le=180)] = 90.0


class BrazeCoupon(SpecimenType):
    """Strained coupon, simulated braze, one section."""

    gives: tuple[Literal["recrystallised", "film_depth", "clad_left", "cracked"], ...] = (
        "recrystallised", "film_depth", "clad_left",
    )  # fmt: skip
    furnace: Literal[True] = True
    sections: Whole = 1


class ComponentType(SpecimenType):
    """Formed plates, fixtured and brazed."""

    gives: tuple[
        Literal[
            "cracked", "gap", "joints_sound", "joints_inspected", "leaked",
            "recrystallised", "film_depth", "clad_left",
        ], ...
    ] = ("cracked", "gap", "joints_sound", "leaked")  # fmt: skip
    furnace: Literal[True] = True
    section: Section | None = None  # type: ignore[assignment]


class SpecimenTables(Table):
    """[specimens]: the types this lab can make; at least one."""

    tensile_coupon: TensileCoupon | None = None
    bend_coupon: BendCoupon | None = None
    braze_coupon: BrazeCoupon | None = None
    component: ComponentType | None = None


class Control(Table):
    """[control]: the same specimen in every load. Default: a braze coupon, strain 0.05, 20 degC."""

    loads: Flag = True
    specimen_type: Literal["braze_coupon", "component"] = "braze_coupon"
    temper: Temper | None = None  #: default: the first of [factors] tempers
    forming_temperature_degC: Annotated[Number, FormingTemperature] = 20.0
    strain: Annotated[Number, Strain] = 0.05


class Gauges(Table):
    """[gauges]: smallest value each can tell. Default 0: no limit known."""

    springback_angle_deg: Annotated[Number, Field(ge=0, le=180)] = 0.0
    film_depth_um: Annotated[Number, Field(ge=0, le=10_000)] = 0.0
    gap_mm: Annotated[Number, Field(ge=0, le=50)] = 0.0


class Setup(Table):
    """[week.setup]: paid once each, whatever is in it. Default 0."""

    furnace_load: Money = 0.0
    tool_temperature: Money = 0.0


class Week(Table):
    """[week]: what one week's plan may use; None: no limit."""

    budget: Money | None = None
    hours: Hours | None = None
    furnace_loads: Whole | None = None
    places_per_load: Whole | None = None
    tool_temperatures: Whole | None = None
    sections: Whole | None = None
    setup: Setup = Setup()


class Stock(Table):
    """[[stock]]: blanks of one lot, on hand on the date `counted` or (without it) now."""

    lot: Label
    temper: Temper
    blanks: Whole
    counted: Day | None = None


class Insist(Table):
    """[[insist]]: trials the lab wants this week."""

    specimen_type: Literal["tensile_coupon", "bend_coupon", "braze_coupon", "component"]
    temper: Temper
    forming_temperature_degC: Annotated[Number, FormingTemperature]
    strain: Annotated[Number, Strain] | None = None
    braze_temperature_degC: Annotated[Number, BrazeTemperature] | None = None
    braze_time_min: Annotated[Number, BrazeTime] | None = None
    count: Annotated[int, Field(strict=True, ge=1, le=1000)] = 1


class Target(Table):
    """[target]: a range the lab would like to certify as a whole."""

    temper: Temper
    forming_temperature_degC: Annotated[Range, FormingTemperature]
    strain: Annotated[Range, Strain]
    braze_temperature_degC: Annotated[Range, BrazeTemperature]
    braze_time_min: Annotated[Range, BrazeTime]
