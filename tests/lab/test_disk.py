"""Folders that other machines share, and folders that cannot be synced: told apart by what the machine says of its mounts."""

from __future__ import annotations

import errno
import os
import sqlite3
import threading
import time

import pytest

from planner.lab import disk, store
from planner.lab.errors import UserError
from planner.lab.ledger import open_ledger
from planner.lab.recording import record_results
from planner.lab.tamper import verify


@pytest.mark.parametrize(("kind", "shared"), [
    ("ext4", False), ("btrfs", False), ("tmpfs", False), ("fuseblk", False), ("nfs4", True), ("cifs", True), ("9p", True), ("fuse.sshfs", True)])
def test_a_share_is_known_by_its_mount(tmp_path, kind, shared):
    point = str(tmp_path.resolve()).replace(" ", "\\040")
    table = tmp_path / "mounts"
    table.write_text(f"none / ext4 rw 0 0\nserver:/x {point} {kind} rw 0 0\nnone {point}/elsewhere nfs rw 0 0\n", encoding="utf-8")
    home = tmp_path / "lab" / "campaign"
    home.mkdir(parents=True)
    assert disk.shared_by_machines(home, mounts=table) is shared
    assert not disk.shared_by_machines(home, mounts=tmp_path / "none")


def test_a_mount_point_with_a_space_is_read(tmp_path):
    home = tmp_path / "two words"
    home.mkdir()
    table = tmp_path / "mounts"
    table.write_text("none / ext4 rw 0 0\ns:/x " + str(home.resolve()).replace(" ", "\\040") + " nfs rw 0 0\n", encoding="utf-8")
    assert disk.shared_by_machines(home, mounts=table)


def journal(folder):
    db = sqlite3.connect(folder / "ledger.sqlite")
    (answer,) = db.execute("PRAGMA journal_mode").fetchone()
    db.close()
    return answer


@pytest.fixture
def share(monkeypatch):
    monkeypatch.setattr(store, "shared_by_machines", lambda folder: True)


def test_a_share_gets_no_write_ahead_log(folder, definition, write, example, share):
    """Its index is memory that processes of one machine share (SQLite documentation, Write-Ahead Logging)."""
    write("week1.csv", list(example.values()))
    with open_ledger(folder) as ledger:
        record_results(folder, definition, ledger)
    assert journal(folder) == "delete"
    with open_ledger(folder, read_only=True) as ledger:
        assert len(ledger.specimens()) == 11 and verify(ledger) == []


def test_a_ledger_that_was_moved_to_a_share_loses_its_log(folder, definition, write, example, monkeypatch):
    write("week1.csv", list(example.values()))
    with open_ledger(folder) as ledger:
        record_results(folder, definition, ledger)
    assert journal(folder) == "wal"
    monkeypatch.setattr(store, "shared_by_machines", lambda folder: True)
    with open_ledger(folder) as ledger:
        assert len(ledger.specimens()) == 11
    assert journal(folder) == "delete"


@pytest.mark.parametrize("held_s", [0.3, 3.0])
def test_on_a_share_a_writer_waits_for_a_reader_and_says_so(folder, definition, write, example, share, held_s):
    """Without the log a commit needs readers to be done: it waits for them, and no longer than it promises."""
    with open_ledger(folder) as ledger:
        pass
    write("week1.csv", list(example.values()))
    reader = sqlite3.connect(folder / "ledger.sqlite", isolation_level=None, check_same_thread=False)
    reader.execute("BEGIN")
    reader.execute("SELECT * FROM head").fetchall()

    def done():
        time.sleep(held_s)
        reader.execute("COMMIT")

    waiting = threading.Thread(target=done)
    waiting.start()
    try:
        with open_ledger(folder, wait_s=1.0, say=lambda text: None) as ledger:
            if held_s < 1.0:
                assert record_results(folder, definition, ledger).recorded == 11
            else:
                with pytest.raises(UserError, match="waited 1 s"):
                    record_results(folder, definition, ledger)
                waiting.join()
                assert ledger.specimens() == []
                assert record_results(folder, definition, ledger).recorded == 11
    finally:
        waiting.join()
        reader.close()


@pytest.mark.parametrize(("number", "passes"), [(errno.EINVAL, True), (errno.ENOTSUP, True), (errno.EIO, False), (errno.ENOSPC, False)])
def test_only_a_folder_that_cannot_be_synced_goes_unsynced(tmp_path, monkeypatch, number, passes):
    def refused(handle):
        raise OSError(number, os.strerror(number))

    monkeypatch.setattr(disk.os, "fsync", refused)
    if passes:
        disk.sync_folder(tmp_path)
    else:
        with pytest.raises(OSError, match=os.strerror(number)):
            disk.sync_folder(tmp_path)


def test_who_may_only_read_on_a_share_heeds_locks(folder, definition, write, example, share, monkeypatch):
    """Without a log pages change in place: a reader that cannot write waits for the writer instead of reading on."""
    write("week1.csv", list(example.values()))
    with open_ledger(folder) as ledger:
        record_results(folder, definition, ledger)
    monkeypatch.setattr(store.os, "access", lambda path, mode: False)
    writer = sqlite3.connect(folder / "ledger.sqlite", isolation_level=None)
    writer.execute("BEGIN EXCLUSIVE")
    try:
        with pytest.raises(UserError, match="waited"):
            open_ledger(folder, read_only=True, wait_s=0.3, say=lambda text: None)
    finally:
        writer.execute("COMMIT")
        writer.close()
    with open_ledger(folder, read_only=True) as ledger:
        assert len(ledger.specimens()) == 11
