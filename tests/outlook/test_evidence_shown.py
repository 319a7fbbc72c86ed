"""Stored evidence that names its modules by path, by pattern or by dotted name is shown with whether it is fresh."""

import json
import platform

import pytest

from models.fit import code_digest
from planner.outlook.review import evidence, is_fresh


@pytest.fixture
def project(tmp_path):
    """An invented project with two modules and one evidence file made by name of its modules."""
    (tmp_path / "tests" / "evidence").mkdir(parents=True)
    (tmp_path / "inner").mkdir()
    for name in ("one", "two"):
        (tmp_path / "inner" / f"{name}.py").write_text(f"{name} = 1\n", encoding="utf-8")

    def make(modules):
        digest = code_digest(*(tmp_path / "inner").glob("*.py"))
        record = {"command": "invented", "made_on": "2026-01-01", "seed": 1, "versions": {}, "modules": modules, "code_digest": digest, "kills": 5}
        (tmp_path / "tests" / "evidence" / "crash.json").write_text(json.dumps(record), encoding="utf-8")
        return tmp_path

    return make


@pytest.mark.parametrize("modules", [["inner/*.py"], ["inner/one.py", "inner/two.py"], ["inner.one", "inner.two"], ["inner/*.py", "inner/one.py"]])
def test_evidence_is_shown_and_judged(project, modules):
    root = project(modules)
    (shown,) = evidence(root)
    assert shown["fresh"] and shown["says"] == {"kills": 5} and shown["name"] == "crash"
    (root / "inner" / "two.py").write_text("two = 2\n", encoding="utf-8")
    assert not evidence(root)[0]["fresh"]


@pytest.mark.parametrize(("python", "fresh"), [(platform.python_version(), False), ("3.2.1", None)])
def test_digests_are_held_together_only_under_the_python_that_made_them(project, python, fresh):
    """Syntax trees print differently from one Python to the next: a digest of another one says nothing, least of all that the code changed."""
    path = project(["inner/*.py"]) / "tests" / "evidence" / "crash.json"
    path.write_text(json.dumps(json.loads(path.read_text(encoding="utf-8")) | {"versions": {"python": python}, "code_digest": "0" * 16}), encoding="utf-8")
    (shown,) = evidence(path.parents[2])
    assert shown["fresh"] is fresh and shown["python"] == python and is_fresh(path.parents[2], "crash") is fresh


def test_evidence_that_cannot_be_read_is_left_out(tmp_path):
    assert evidence(tmp_path) == []


def test_groups_and_bands_of_evidence_are_told(project):
    """One level down, as counts of campaigns are kept; what is longer stays in the file."""
    root = project(["inner/*.py"])
    path = next((root / "tests" / "evidence").glob("*.json"))
    record = json.loads(path.read_text(encoding="utf-8"))
    path.write_text(json.dumps(record | {"own": {"campaigns": 7, "false_share_95": [0.0, 0.4], "by_truth": {"x": 1}}, "rows": {"a": 1}}), encoding="utf-8")
    (shown,) = evidence(root)
    assert {"own_campaigns": 7, "own_false_share_95": [0.0, 0.4]}.items() <= shown["says"].items() and not any("by_truth" in k or "rows" in k for k in shown["says"])
