"""Text of lab files never becomes a formula in a file that the program writes (the workbook's own test: test_plan_workbook)."""

from pathlib import Path
from types import SimpleNamespace

import pytest

from planner import cli
from planner.lab.asked import HEADERS, read_conditions
from planner.lab.campaign import read_definition
from planner.lab.cells import harmless

DEMO = Path(__file__).resolve().parents[2] / "campaigns_demo" / "cold_plate_start"
EVIL = ["=1+1", "+1", "-x", "@SUM(A1)", "\t=1", "\r=1"]


@pytest.mark.parametrize("text", EVIL)
def test_a_dangerous_text_is_quoted(text):
    assert harmless(text) == f"'{text}"


@pytest.mark.parametrize("text", ["", "K1", "1-2", "a=b", "'=1"])
def test_other_text_stays(text):
    assert harmless(text) == text


@pytest.fixture
def asked(monkeypatch):
    """An invented campaign that judges every condition alike, without a fit."""

    class Asked:
        def judge(self, path, *, update):
            table = read_conditions(path, read_definition(DEMO))
            added = {"conformance_mean": 0.5, "probability_conforming": 0.25, "pointwise_claim": False, "joint_claim": True, "extrapolated": False}
            return table.assign(**added), SimpleNamespace(to_json=dict, maps=())

    monkeypatch.setattr(cli, "_open", lambda *words: Asked())


def test_judged_conditions_hold_no_formula(tmp_path, asked):
    """Columns of the asker's own come back beside the five that are added; what would run there is quoted, numbers stay numbers."""
    (tmp_path / "in.csv").write_text(",".join(HEADERS) + ',remark,=cmd\nO,20,0.1,600,3,"=HYPERLINK(""x"")",-3\nO,20,0.2,600,3,fine,-4.5\n', encoding="utf-8")
    assert cli.main(["window", str(tmp_path), "--conditions", str(tmp_path / "in.csv"), "--out", str(tmp_path / "out.csv"), "--json"]) == 0
    lines = (tmp_path / "out.csv").read_text(encoding="utf-8").splitlines()
    assert lines[0].split(",")[6] == "'=cmd"
    assert "'=HYPERLINK" in lines[1] and ",-3," in lines[1] and ",-4.5," in lines[2] and lines[1].endswith("false,true,false")


@pytest.mark.parametrize("name", ["campaign.toml", "ledger.sqlite", "results/week1.csv", "results/sub/../out.csv"])
def test_judged_conditions_take_no_place_of_the_campaigns_files(tmp_path, asked, capsys, name):
    (tmp_path / "results" / "sub").mkdir(parents=True)
    (tmp_path / "in.csv").write_text(",".join(HEADERS) + "\nO,20,0.1,600,3\n", encoding="utf-8")
    (tmp_path / name).write_text("kept")
    assert cli.main(["window", str(tmp_path), "--conditions", str(tmp_path / "in.csv"), "--out", str(tmp_path / name)]) == 2
    assert "take the place of the campaign's own files" in capsys.readouterr().err and (tmp_path / name).read_text() == "kept"


def test_judged_conditions_are_written_whole_or_not_at_all(tmp_path, asked, capsys, monkeypatch):
    (tmp_path / "in.csv").write_text(",".join(HEADERS) + "\nO,20,0.1,600,3\n", encoding="utf-8")
    (tmp_path / "out.csv").write_text("earlier answers")
    (tmp_path / ".other.part").write_text("somebody else's")

    def full(handle):
        raise OSError(28, "No space left on device")

    words = ["window", str(tmp_path), "--conditions", str(tmp_path / "in.csv"), "--out", str(tmp_path / "out.csv"), "--json"]
    with monkeypatch.context() as patched:
        patched.setattr("planner.cycle.reports.os.fsync", full)
        assert cli.main(words) == 2
    assert "No space left" in capsys.readouterr().err and (tmp_path / "out.csv").read_text() == "earlier answers"
    assert cli.main(words) == 0 and (tmp_path / "out.csv").read_text().count("\n") == 2
    assert sorted(path.name for path in tmp_path.iterdir()) == [".other.part", "in.csv", "out.csv"]
