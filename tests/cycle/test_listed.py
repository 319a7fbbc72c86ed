"""The researcher's own list: what is no trial still to be made is refused, with a fix that fits. All invented."""

import shutil
from pathlib import Path

import pytest

from planner import cli
from planner.cycle.listed import read_list
from planner.lab.campaign import read_definition
from planner.lab.errors import UserError

DATA = Path(__file__).resolve().parents[1] / "lab" / "data"
HEADER = ("specimen,specimen_type,temper,lot,forming_temperature [degC],strain [1],braze_temperature [degC],braze_time [min],furnace_load,"
          "limit_strain [1],gap [mm]")  # fmt: skip
GOOD = ["A-1,tensile_coupon,O,K1,20,,,,,,", "A-2,component,O,K1,200,0.1,601,3,L1,,"]


@pytest.fixture
def folder(tmp_path):
    """A campaign without bend coupons."""
    (tmp_path / "c" / "results").mkdir(parents=True)
    text = (DATA / "campaign.toml").read_text(encoding="utf-8")
    before, _, rest = text.partition("[specimens.bend_coupon]")
    (tmp_path / "c" / "campaign.toml").write_text(before + rest[rest.index("[specimens.braze_coupon]") :], encoding="utf-8")
    return tmp_path / "c"


def refused(folder, *rows, header=HEADER):
    path = folder.parent / "mine.csv"
    path.write_text("\n".join([header, *rows]) + "\n", encoding="utf-8")
    with pytest.raises(UserError) as error:
        read_list(path, read_definition(folder))
    assert "record" not in str(error.value) and "trialwright plan DIR --with mine.csv" in error.value.fix
    return str(error.value)


def test_a_list_of_trials_is_read(folder):
    path = folder.parent / "mine.csv"
    path.write_text("\n".join([HEADER, *GOOD]) + "\n", encoding="utf-8")
    assert [s.specimen for _, s, _ in read_list(path, read_definition(folder)).specimens] == ["A-1", "A-2"]


def test_a_type_that_the_campaign_does_not_have(folder, capsys):
    said = refused(folder, *GOOD, "A-3,bend_coupon,O,K1,20,,,,,,")
    assert "row 4, column specimen_type" in said and "'bend_coupon'" in said and "tensile_coupon, braze_coupon, component" in said
    assert cli.main(["plan", str(folder), "--with", str(folder.parent / "mine.csv")]) == 2
    assert "column specimen_type" in capsys.readouterr().err


def test_an_empty_list(folder):
    assert "the list holds no trial" in refused(folder)


def test_a_component_without_its_braze(folder):
    said = refused(folder, "A-2,component,O,K1,200,0.1,,,,,")
    assert "row 2, column braze_temperature [degC]" in said and "is blank on a component" in said and "furnace_load" in said


def test_measurements_have_no_place_in_a_list(folder):
    said = refused(folder, "A-1,tensile_coupon,O,K1,20,,,,,0.2,", "A-2,component,O,K1,200,0.1,601,3,L1,,0.05")
    assert "2 problems" in said and "row 2, column limit_strain [1]" in said and "row 3, column gap [mm]" in said and "still to be made" in said


def test_a_row_that_no_file_may_hold_is_sent_back_to_the_list(folder):
    assert "temper" in refused(folder, "A-1,tensile_coupon,H99,K1,20,,,,,,")


def test_a_specimen_that_is_on_record_lends_the_list_no_measurement(folder):
    """A label in use says nothing of the trial: a list is read by itself."""
    shutil.copy(DATA / "results_example.csv", folder / "results")
    assert cli.main(["record", str(folder)]) == 0
    path = folder.parent / "mine.csv"
    path.write_text("specimen,specimen_type,temper,lot,forming_temperature [degC]\nT-001,tensile_coupon,O,K1,20\n", encoding="utf-8")
    assert len(read_list(path, read_definition(folder)).specimens) == 1


def test_replicates_need_labels_of_their_own(folder):
    """Two rows that agree would be read as one trial, and scored as one."""
    said = refused(folder, *GOOD, GOOD[1])
    assert "row 4, column specimen: stands in row 3 too, and a trial has one row" in said and "a label of its own for every trial" in said


def test_a_coupon_has_no_features(folder):
    said = refused(folder, "A-3,braze_coupon,O,K1,200,0.05,601,3,L1,,,crest", header=HEADER + ",section_feature")
    assert "column section_feature: is filled on a braze coupon, which has no features" in said
