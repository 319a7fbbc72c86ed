"""The files that `start` writes, and which files count as results."""

from __future__ import annotations

import csv

import pytest

from planner.lab.campaign import read_definition
from planner.lab.errors import UserError
from planner.lab.intake import read_results
from planner.lab.template import result_files, unread_files, write_campaign


def test_start_writes_a_campaign_that_reads(tmp_path):
    folder = tmp_path / "new" / "campaign"
    definition, sheet = write_campaign(folder)
    assert read_definition(definition).campaign.title.endswith("(invented example)")
    assert result_files(folder) == []
    assert read_results(sheet, read_definition(folder)).specimens == []
    with (sheet.open(newline="")) as file:
        assert next(csv.reader(file))[:4] == ["specimen", "specimen_type", "temper", "lot"]
    before = definition.read_bytes()
    with pytest.raises(UserError, match="already"):
        write_campaign(folder)
    assert definition.read_bytes() == before
    assert sorted(one.name for one in folder.iterdir()) == ["campaign.toml", "results"]


def test_result_files_are_sorted_and_leave_out_what_is_none(tmp_path):
    write_campaign(tmp_path)
    for name in ("b.csv", "a.XLSX", "~$a.xlsx", ".hidden.csv", "photo.png"):
        (tmp_path / "results" / name).touch()
    assert [one.name for one in result_files(tmp_path)] == ["a.XLSX", "b.csv"]
    assert [one.name for one in unread_files(tmp_path)] == ["photo.png"]
    with pytest.raises(UserError, match="results/"):
        result_files(tmp_path / "nowhere")
