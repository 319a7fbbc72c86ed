"""Kept draws are data and are never misread: of another version, digest, definition or data set they are made anew. All data are invented."""

from __future__ import annotations

import json
import pickle

import numpy as np
import pytest

from models import digest
from planner.cycle import fitting, kept, open_campaign
from planner.cycle.kept import read_origin
from tests.crash.at_hand import numbers
from tests.crash.commands import fitted
from tests.crash.ground import proposal


@pytest.fixture
def folder(tmp_path):
    fitted(tmp_path / "c")
    (tmp_path / "c" / "results" / "b.csv").unlink()
    return tmp_path / "c"


def method(folder):
    """How the draws of `update` came about: `kept`, or `full` for a new fit."""
    with numbers(proposal):
        return open_campaign(folder).update().method


def rewritten(folder, **changes):
    """Change what the draws say of themselves."""
    (path,) = (folder / "posterior").glob("*.npz")
    with np.load(path) as file:
        arrays = dict(file)
    meta = json.loads(bytes(arrays["meta"]).decode()) | changes
    arrays["meta"] = np.frombuffer(json.dumps(meta).encode(), np.uint8)
    np.savez(path, **arrays)
    return path


def test_draws_of_today_are_found_again(folder):
    assert method(folder) == "kept"


@pytest.mark.parametrize("changes", [
    {"model": "of other code"},
    {"versions": {"numpy": "0.1"}},
    {"versions": None},
    {"definition": "of another definition"},
    {"specimens": {"T-001": "said something else"}},
    {"layout": [7, 7, 7]},
    {"layout": "none"},
    {"verdict": {"name": "CONVERGED"}},
    {"lots": None},
], ids=lambda c: f"{next(iter(c))}={next(iter(c.values()))!s:.12}")  # fmt: skip
def test_draws_that_speak_of_something_else_are_made_anew(folder, changes):
    path = rewritten(folder, **changes)
    assert method(folder) == "full"
    assert read_origin(path)["model"] == kept.code_key()          # the file under this name is today's again
    assert method(folder) == "kept"


def test_another_version_of_the_program_or_its_packages_fits_anew(folder, monkeypatch):
    monkeypatch.setattr(kept, "versions", lambda: digest.versions() | {"numpy": "99"})
    assert method(folder) == "full"
    monkeypatch.undo()
    assert method(folder) == "kept"                                 # both are kept, under their own digests
    monkeypatch.setattr(kept, "code_key", lambda: "later code")
    with numbers(proposal):
        assert fitting._newest(open_campaign(folder), ()) is None    # nor are they taken for the base of a quick update
    assert method(folder) == "full"


def test_another_models_file_under_todays_name_is_not_taken(folder):
    (path,) = (folder / "posterior").glob("*.npz")
    whole = path.read_bytes()
    for data in (b"", b"no archive", whole[: len(whole) // 2], whole[:-1], whole[:2000] + b"\xff" * 64 + whole[2064:]):
        path.write_bytes(data)
        assert method(folder) == "full"
    path.unlink()
    path.mkdir()                                                    # not even a file
    (path / "x").write_text("x")
    with numbers(proposal), pytest.raises(Exception, match="cannot be kept"):
        open_campaign(folder).update()


class Loud:
    """Would tell if it were ever unpickled."""

    def __reduce__(self):
        return pytest.fail, ("a pickle was loaded",)


def test_draws_are_data_and_never_code(folder):
    (path,) = (folder / "posterior").glob("*.npz")
    with np.load(path, allow_pickle=False) as file:                 # every member is a plain array
        assert {file[name].dtype.kind for name in file.files} <= {"f", "b", "u"}
        arrays = dict(file)
    for name in arrays:
        bad = np.empty(1, object)
        bad[0] = Loud()
        np.savez(path, allow_pickle=True, **(arrays | {name: bad}))
        assert method(folder) == "full"
    path.write_bytes(pickle.dumps(Loud()))
    assert method(folder) == "full"
