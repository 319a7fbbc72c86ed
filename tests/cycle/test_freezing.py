"""A claim is frozen with all that was known that day, and judged by its own criteria ever after.  No fit: window and draws are invented."""

import json
import shutil
from pathlib import Path
from types import SimpleNamespace

import pytest

import planner
from planner.cycle import reviewing
from planner.cycle.claims import read_claims
from planner.lab.errors import UserError
from planner.outlook.frozen import score

DEMO = Path(__file__).resolve().parents[2] / "campaigns_demo" / "cold_plate_start"
RANGES = {"forming_temperature_degC": [20.0, 260.0], "strain": [0.0, 0.2], "braze_temperature_degC": [590.0, 612.0], "braze_time_min": [1.5, 7.0]}
HEAD = ("specimen,specimen_type,temper,lot,forming_temperature [degC],strain [1],braze_temperature [degC],braze_time [min],furnace_load,date,cracked,gap [mm],"
        "joints_inspected,joints_sound,leaked\n")  # fmt: skip


def rows(lot, *sound):
    return "".join(f"N-{lot}-{i},component,O,{lot},150,0.05,600,3,N-{lot},2026-03-02,no,0.05,36,{n},no\n" for i, n in enumerate(sound))


@pytest.fixture
def campaign(tmp_path, monkeypatch):
    """The start demo (invented), recorded; one specimen of a lot of its own is excluded."""
    shutil.copytree(DEMO, tmp_path / "c", ignore=shutil.ignore_patterns("ledger.sqlite*", "posterior", "plans", "claims", "reports"))
    (tmp_path / "c" / "results" / "01.csv").write_text(HEAD + rows("Q1", 36, 36), encoding="utf-8")
    opened = planner.open_campaign(tmp_path / "c")
    opened.record()
    opened.exclude("N-Q1-0", why="invented")
    opened.exclude("N-Q1-1", why="invented")
    window = {"reliability": 0.9, "confidence": 0.95, "claims": [{"temper": "O", "ranges": RANGES}], "claimed_share": 0.1, "joint_claim": None}
    monkeypatch.setattr(reviewing, "current_fit", lambda campaign: SimpleNamespace(specimens=tuple(campaign.specimens())))
    monkeypatch.setattr(reviewing, "window_of", lambda *_, **__: SimpleNamespace(claims=window["claims"], to_json=lambda: window))
    return opened


def test_what_was_excluded_that_day_is_known_all_the_same(campaign):
    reviewing.freeze(campaign)
    (record,) = read_claims(campaign.directory)
    assert "Q1" in record["lots"] and "N-Q1-0" in record["specimens"]


def test_a_lot_that_came_later_scores_by_the_criteria_of_the_claim(campaign):
    """33 of 36 joints make a sound part when the claim is frozen; the definition of today asks for all of them."""
    reviewing.freeze(campaign)
    (campaign.directory / "results" / "02.csv").write_text(HEAD + rows("Q2", 33, 32) + rows("Q1", 20).replace("N-Q1-0", "N-Q1-9"), encoding="utf-8")
    campaign.record()
    path = campaign.directory / "campaign.toml"
    path.write_text(path.read_text(encoding="utf-8").replace("sound_share_min = 0.90", "sound_share_min = 1.0"), encoding="utf-8")
    again = planner.open_campaign(campaign.directory)
    assert again.definition.joints_sound_min == 36
    (record,) = read_claims(campaign.directory)
    told = score(record, again.specimens())
    assert [(x["lot"], x["nonconforming_share"]) for x in told["lots"]] == [("Q2", 0.5)] and told["of_known_lots"] == 1


@pytest.mark.parametrize("lost", ["lots", "criteria", "date", "test"])
def test_a_claim_that_lost_a_part_is_one_message(campaign, lost):
    reviewing.freeze(campaign)
    path = campaign.directory / "claims" / "001.json"
    record = json.loads(path.read_text(encoding="utf-8"))
    del record[lost]
    path.write_text(json.dumps(record), encoding="utf-8")
    with pytest.raises(UserError, match=f"claims/001.json: a frozen claim cannot be read(.|\\n)*{lost}"):
        read_claims(campaign.directory)


def test_what_came_in_while_the_claim_was_worked_out_is_not_signed_with(campaign, monkeypatch):
    """A colleague records a new lot during the mapping: the claim does not rest on it and may not say so."""
    mapped = reviewing.window_of

    def slow(*given, **named):
        (campaign.directory / "results" / "02.csv").write_text(HEAD + rows("Q2", 33, 32), encoding="utf-8")
        planner.open_campaign(campaign.directory).record()
        return mapped(*given, **named)

    monkeypatch.setattr(reviewing, "window_of", slow)
    with pytest.raises(UserError, match="recorded while the claim was being worked out(.|\n)*--freeze, once more"):
        reviewing.freeze(campaign)
    assert read_claims(campaign.directory) == []
