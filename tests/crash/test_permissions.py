"""Read-only folders and lost permissions: one message and exit status 2, and nothing is touched."""

from __future__ import annotations

import os

import pytest

from tests.crash.harness import Worker
from tests.crash.scenarios import SCENARIOS, digest_of

NOBODY = 65534


@pytest.fixture(scope="module")
def worker():
    with Worker(list(SCENARIOS)) as one:
        yield one


@pytest.fixture
def denied(worker):
    """Run a scenario as somebody without rights: another user where we are root, who ignores modes."""

    def run(name, folder):
        answer = worker.trial(scenario=name, folder=str(folder), **({"uid": NOBODY} if os.geteuid() == 0 else {}))
        assert (answer["status"], "Traceback" in answer["text"]) == (2, False), answer
        return answer["text"]

    for_others = []

    def open_up(folder):
        for path in [folder, *folder.parents]:
            if path.stat().st_uid == os.geteuid() and not path.stat().st_mode & 0o001:
                for_others.append((path, path.stat().st_mode))
                path.chmod(path.stat().st_mode | 0o011)

    run.open_up = open_up
    yield run
    for path, mode in for_others:
        path.chmod(mode)


@pytest.mark.parametrize("name", ["record_first", "record_completion", "exclude", "plan", "plan_again", "draws", "update", "plan_command", "review_freeze", "migrate"])
def test_read_only_folder(name, denied, tmp_path):
    folder = tmp_path / "campaign"
    SCENARIOS[name].prepare(folder)
    denied.open_up(folder)
    for path in [folder, *folder.rglob("*")]:
        path.chmod(0o555 if path.is_dir() else 0o444)
    before = digest_of(folder)
    try:
        denied(name, folder)
        assert digest_of(folder) == before
    finally:
        for path in [folder, *folder.rglob("*")]:
            path.chmod(0o755 if path.is_dir() else 0o644)
    assert SCENARIOS[name].audit(folder, False) == []
    assert SCENARIOS[name].settle(folder) == []


def test_check_needs_no_right_to_write(worker, denied, tmp_path):
    folder = tmp_path / "campaign"
    SCENARIOS["check"].prepare(folder)
    denied.open_up(folder)
    for path in [folder, *folder.rglob("*")]:
        path.chmod(0o555 if path.is_dir() else 0o444)
    before = digest_of(folder)
    answer = worker.trial(scenario="check", folder=str(folder), **({"uid": NOBODY} if os.geteuid() == 0 else {}))
    assert (answer["status"], answer["text"], digest_of(folder)) == (0, "", before)
    for path in [folder, *folder.rglob("*")]:
        path.chmod(0o755 if path.is_dir() else 0o644)


@pytest.mark.parametrize("lost", ["posterior", "plans", "claims"])
def test_a_folder_that_check_may_not_list(lost, denied, tmp_path):
    folder = tmp_path / "campaign"
    SCENARIOS["check"].prepare(folder)
    denied.open_up(folder)
    for path in [folder, *folder.rglob("*")]:
        path.chmod(0o777 if path.is_dir() else 0o666)
    (folder / lost).chmod(0)
    try:
        text = denied("check", folder)
        assert f"the folder {lost}/ cannot be read: Permission denied" in text
    finally:
        (folder / lost).chmod(0o777)


@pytest.mark.parametrize("lost", ["results/b.csv", "results", "campaign.toml", "ledger.sqlite", "."])
def test_permission_lost(lost, denied, tmp_path):
    folder = tmp_path / "campaign"
    SCENARIOS["record_completion"].prepare(folder)
    denied.open_up(folder)
    for path in [folder, *folder.rglob("*")]:
        path.chmod(0o777 if path.is_dir() else 0o666)
    (folder / lost).chmod(0)
    try:
        text = denied("record_completion", folder)
        assert "ermission denied" in text or "unable to open database file" in text, text
    finally:
        (folder / lost).chmod(0o777)
    assert SCENARIOS["record_completion"].audit(folder, False) == []
    assert SCENARIOS["record_completion"].settle(folder) == []
