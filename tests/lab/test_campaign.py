"""The definition: the contract's example read whole, every kind of mistake named."""

from __future__ import annotations

import math
import tomllib
from dataclasses import fields
from pathlib import Path

import pytest

from planner.lab.campaign import (
    defaults_in_force,
    definition_digest,
    definition_from,
    read_definition,
)
from planner.lab.errors import UserError
from planner.lab.specimen import COLUMN_BY_NAME, Specimen
from planner.lab.template import campaign_text

EXAMPLE = Path(__file__).parent / "data" / "campaign.toml"
TEXT = EXAMPLE.read_text(encoding="utf-8")


def leaves(tree, path=""):
    """Every key path of a parsed TOML tree with its value, list entries from 1."""
    for key, value in tree.items():
        here = f"{path}{key}"
        if isinstance(value, dict):
            yield from leaves(value, here + ".")
        elif isinstance(value, list) and value and isinstance(value[0], dict):
            for i, entry in enumerate(value, start=1):
                yield from leaves(entry, f"{here}[{i}].")
        else:
            yield here, value


@pytest.mark.parametrize("text", [TEXT, campaign_text()], ids=["contract", "template"])
def test_every_key_of_the_file_is_in_force_as_written(text):
    tree = tomllib.loads(text)
    shown = {key: (value, origin) for key, value, origin in defaults_in_force(definition_from(tree))}
    for key, value in leaves(tree):
        in_force, origin = shown[key]
        assert origin == "file", key
        assert (list(in_force) if isinstance(in_force, tuple) else in_force) == value, key


def test_derived_quantities_follow_from_the_file(definition):
    assert definition.clad_thickness_um == pytest.approx(20.0)
    assert definition.joints_sound_min == math.ceil(24 * 9 / 10) == 22
    assert list(definition.factor_ranges) == [
        "forming_temperature_degC", "strain", "braze_temperature_degC", "braze_time_min",
    ]  # fmt: skip
    assert definition.control.temper == "O"
    assert list(definition.specimens) == [
        "tensile_coupon", "bend_coupon", "braze_coupon", "component"
    ]  # fmt: skip


def test_sound_share_is_taken_as_the_decimal_written():
    text = TEXT.replace("joints = 24", "joints = 10")
    assert definition_from(tomllib.loads(text)).joints_sound_min == 9  # not 10 as in binary


def test_smallest_definition_takes_documented_defaults():
    tree = {"factors": {"tempers": ["O"]}, "criteria": {"leaked": False}, "specimens": {"component": {}}}
    definition = definition_from(tree)
    assert (definition.goal.reliability, definition.goal.confidence) == (0.90, 0.95)
    assert definition.control is None  # the lab makes no braze coupons
    assert definition.week.budget is None
    assert definition.criteria.gap_max_mm is None
    assert dict((k, o) for k, _, o in defaults_in_force(definition))["goal.reliability"] == "default"


def test_digest_follows_values_not_spelling():
    tree = tomllib.loads(TEXT)
    same = tomllib.loads(TEXT.replace("reliability = 0.90", "reliability = 0.9 # as agreed"))
    other = tomllib.loads(TEXT.replace("reliability = 0.90", "reliability = 0.91"))
    digests = [definition_digest(definition_from(one)) for one in (tree, same, other)]
    assert digests[0] == digests[1] != digests[2]
    sheets = [definition_digest(definition_from(one), tables=["sheet"]) for one in (tree, other)]
    assert sheets[0] == sheets[1]


BAD = {
    "misspelt key": ("reliability = 0.90", "reliabilty = 0.90", "goal.reliabilty (line 12)", "did you mean reliability?"),
    "beyond range": ("reliability = 0.90", "reliability = 1.90", "goal.reliability (line 12)", "1.9"),
    "turned range": ("range = [0.01, 0.25]", "range = [0.25, 0.01]", "factors.strain.range", "write [0.01, 0.25]"),
    "beyond hard bounds": ("range = [592.0, 612.0]", "range = [592.0, 712.0]", "braze_temperature_degC.range", "560 to 640 degC"),
    "not finite": ("range = [1.0, 8.0]", "range = [1.0, inf]", "braze_time_min.range", "finite"),
    "temper not EN 515": ('"O", "H24"', '"O", "h 24"', "factors.tempers[2]", "write H24"),
    "temper twice": ('"O", "H24"', '"O", "O"', "factors.tempers", "each once"),
    "feature twice": ('name = "rib shoulder"', 'name = "joint land"', "component.features[3].name", "unique"),
    "share above one": ("strain_share = 1.00", "strain_share = 1.20", "features[1].strain_share", "1.2"),
    "wrong kind": ("cost = 40.0", 'cost = "40"', "tensile_coupon.cost", "'40'"),
    "bool for number": ("cost = 40.0", "cost = true", "tensile_coupon.cost", "number"),
    "gives what it cannot": ('gives = ["limit_strain"]', 'gives = ["gap"]', "tensile_coupon.gives[1]", "limit_strain"),
    "section on a coupon": ("[specimens.component.section]", "[specimens.braze_coupon.section]", "braze_coupon.section", "only a component"),
    "unknown type": ("[specimens.bend_coupon]", "[specimens.bent_coupon]", "specimens.bent_coupon", "did you mean bend_coupon?"),
    "reach, two halves": ("[sheet]", "[[out_of_reach]]\nstrain = [0.0, 0.1]\n[[out_of_reach]]\nstrain = [0.1, 0.25]\n[sheet]", "out_of_reach", "at least 0.5 %"),
    "reach, but a sliver": ("[sheet]", "[[out_of_reach]]\nstrain = [0.0, 0.1]\n[[out_of_reach]]\nstrain = [0.1001, 0.25]\n[sheet]", "out_of_reach", "together"),
    "target out of reach": ("[sheet]", "[[out_of_reach]]\nforming_temperature_degC = [150.0, 280.0]\nbraze_time_min = [0.0, 3.0]\n[[out_of_reach]]\n"
                            "braze_time_min = [2.9, 8.0]\nforming_temperature_degC = [150.0, 190.0]\n[[out_of_reach]]\nbraze_time_min = [2.9, 8.0]\n"
                            "forming_temperature_degC = [190.0, 280.0]\n[sheet]", "target", "lies wholly in what [[out_of_reach]] lists"),
    "control temper": ('temper = "O"\nforming_temperature_degC = 20.0', 'temper = "H18"\nforming_temperature_degC = 20.0', "control.temper", "O, H24"),
    "control strain": ("strain = 0.05\n", "strain = 12\n", "control.strain", "0 to 2"),
    "stock temper": ('lot = "K2"\ntemper = "H24"', 'lot = "K2"\ntemper = "H22"', "stock[2].temper", "'H22'"),
    "lot twice": ('lot = "K3"', 'lot = "K1"', "stock[3].lot", "one entry a lot"),
    "date not believed": ("counted = 2026-03-02", "counted = 1926-03-02", "stock[1].counted", "1990"),
    "insist type": ('[[insist]]\nspecimen_type = "component"', '[[insist]]\nspecimen_type = "plate"', "insist[1].specimen_type", "component"),
    "insist incomplete": ("braze_time_min = 3.0\n", "", "insist[1].braze_time_min", "missing"),
    "insist out of reach": ("braze_temperature_degC = 601.0\nbraze_time_min = 3.0", "braze_temperature_degC = 610.0\nbraze_time_min = 1.2", "insist[1]", "ramp"),
    "belief unknown": ("critical_strain =", "critcal_strain =", "beliefs.O.critcal_strain", "did you mean critical_strain?"),
    "belief of no temper": ("[beliefs.H24]", "[beliefs.H22]", "beliefs.H22", "braze"),
    "belief at zero": ("critical_strain = [0.03", "critical_strain = [0.0", "beliefs.O.critical_strain", "0 < low"),
    "belief turned": ("critical_strain = [0.03, 0.12]", "critical_strain = [0.12, 0.03]", "beliefs.O.critical_strain", "0.12"),
    "belief beyond physics": ("springback_angle_deg_at_20degC = [4.0, 14.0]", "springback_angle_deg_at_20degC = [4.0, 190.0]", "beliefs.H24.springback_angle_deg_at_20degC", "at most 180"),
    "belief a certainty": ("critical_strain = [0.03, 0.12]", "critical_strain = [0.03, 0.0301]", "beliefs.O.critical_strain", "no trial could mend it"),
    "belief deeper than the sheet": ("film_depth_um_at_reference = [10.0, 80.0]", "film_depth_um_at_reference = [10.0, 280.0]", "beliefs.braze.film_depth_um_at_reference", "sheet.thickness_um, 200"),
    "belief below the solidus": ("best_braze_temperature_degC = [598.0, 606.0]", "best_braze_temperature_degC = [570.0, 606.0]", "beliefs.braze.best_braze_temperature_degC", "at least 577 degC"),
    "belief best to a tenth": ("best_braze_temperature_degC = [598.0, 606.0]", "best_braze_temperature_degC = [601.0, 601.1]", "beliefs.braze.best_braze_temperature_degC", "4 degC apart"),
    "beliefs that multiply": ("limit_strain_ratio_250_to_20degC = [1.5, 4.5]", "limit_strain_ratio_250_to_20degC = [20.0, 40.0]", "beliefs.O.limit_strain_ratio_250_to_20degC", "250 degC"),
    "beliefs against hardness": ("critical_strain = [0.03, 0.12]", "stored_strain_of_temper = [0.5, 0.9]", "beliefs.O.stored_strain_of_temper", "harder temper"),
    "target outside box": ("strain = [0.03, 0.08]", "strain = [0.03, 0.30]", "target.strain", "[0.01, 0.25]"),
    "criterion turned": ("leaked = false", "leaked = true", "criteria.leaked", "False"),
    "formula as label": ('lot = "K3"', 'lot = "=K3"', "stock[3].lot", "formula"),
    "control character": ('core = "3003"', 'core = "30\\u000003"', "sheet.core", "control"),
    "not TOML": ("[sheet]\n", "[sheet\n", "campaign.toml", "line 40"),
}  # fmt: skip


@pytest.mark.parametrize("case", BAD, ids=list(BAD))
def test_mistakes_name_key_and_remedy(case, tmp_path):
    old, new, place, words = BAD[case]
    assert old in TEXT
    path = tmp_path / "campaign.toml"
    path.write_text(TEXT.replace(old, new, 1), encoding="utf-8")
    with pytest.raises(UserError) as caught:
        read_definition(path)
    message = str(caught.value)
    assert "campaign.toml" in message
    assert place in message
    assert words in message
    assert "trialwright check" in message


@pytest.mark.parametrize(
    "data",
    [b"\xff\xfe[\x00", b"a = [" * 3000, b"x" * 1_000_001, b"a = 1" + b"0" * 4900,
     b"a." * 2400 + b"b = 1", b"\x00", b"[[factors]]", b"factors = 3", b"criteria = [[[1]]]"],
    ids=range(9),
)  # fmt: skip
def test_no_text_makes_a_traceback(data, tmp_path):
    path = tmp_path / "campaign.toml"
    path.write_bytes(data)
    with pytest.raises(UserError):
        read_definition(path)


def test_missing_file_names_the_command(tmp_path):
    with pytest.raises(UserError, match="trialwright start"):
        read_definition(tmp_path / "nowhere")


def test_columns_and_specimen_attributes_are_the_same_list():
    named = {column.attribute for column in COLUMN_BY_NAME.values()} | {"extra"}
    assert named == {one.name for one in fields(Specimen)}
