"""Evidence that speaks of other code is no evidence: it is named at the end of every run."""

import json

import pytest

from tests.evidence import common


def test_evidence_is_fresh(request, say_loudly):
    files = {path.stem: path for path in common.HERE.glob("*.json")}
    problems = [f"{name}.json has not been made" for name in common.FILES if name not in files]
    elsewhere = {path: common.unjudged(path) for path in files.values()}
    problems += filter(None, (common.stale(path) for path, why in elsewhere.items() if not why))
    say_loudly([*problems, *filter(None, elsewhere.values())])
    if request.config.getoption("--require-fresh-evidence"):
        assert problems == []


@pytest.mark.parametrize("name", common.FILES)
def test_evidence_begins_with_its_header(name):
    path = common.HERE / f"{name}.json"
    if not path.exists():
        pytest.skip(f"{name}.json has not been made")
    record = json.loads(path.read_text(encoding="utf-8"))
    assert list(record)[:6] == ["command", "made_on", "seed", "versions", "modules", "code_digest"]


def test_a_comment_does_not_make_evidence_stale_but_code_does(tmp_path, monkeypatch):
    monkeypatch.setattr(common, "ROOT", tmp_path)
    monkeypatch.setattr(common, "HERE", tmp_path)
    module = tmp_path / "invented.py"
    module.write_text('"""Says why."""\nx = 1\n', encoding="utf-8")
    head = common.header("invented command", seed=3, modules=["*.py"])
    path = common.store("invented", head, {"n": 5})
    assert common.load("invented", head) == {"n": 5}
    module.write_text('"""Says otherwise."""\n\nx = 1  # one\n', encoding="utf-8")
    assert common.stale(path) == ""
    assert common.load("invented", head | {"seed": 4}) == {}
    module.write_text("x = 2\n", encoding="utf-8")
    assert "invented command" in common.stale(path)
