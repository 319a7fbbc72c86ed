"""Why this module exists: SQLite keeps the ledger whole; this file keeps SQLite honest.

Opens `ledger.sqlite`, makes its tables, runs one transaction at a time with a bounded
wait that says whom it waits for, chains every entry by digest, and turns disk errors
into messages. What the entries mean is in `ledger.py`.
"""

from __future__ import annotations

import getpass
import hashlib
import json
import os
import sqlite3
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from planner.lab.disk import shared_by_machines
from planner.lab.errors import UserError, printable

LEDGER_FILE = "ledger.sqlite"
WRITER_NOTE = ".ledger-writer"
SCHEMA_VERSION = 2
#: Longest wait for another writer, and when the wait is announced, in seconds.
WAIT_S, ANNOUNCE_S = 30.0, 1.0

#: Columns of the chained tables, in the order in which they enter the digest.
TABLES: dict[str, tuple[str, ...]] = {
    "files": ("name", "digest", "rows", "at"),
    "revisions": ("specimen", "kind", "submitted", "cells", "reason", "file", "row", "at"),
    "plans": ("number", "digest", "rows", "supersedes", "at"),
    "documents": ("path", "digest", "at"),
}
#: Tables that a schema version brought, by version; a file of an older one is given them when it is next written to.
BROUGHT: dict[int, tuple[str, ...]] = {1: ("files", "revisions", "plans"), 2: ("documents",)}
_ENTRY = "previous TEXT NOT NULL, chain TEXT NOT NULL"
_COLUMNS = {
    "files": f"""sequence INTEGER PRIMARY KEY, name TEXT NOT NULL, digest TEXT NOT NULL,
  rows INTEGER NOT NULL, at TEXT NOT NULL, {_ENTRY}""",
    "revisions": f"""sequence INTEGER PRIMARY KEY, specimen TEXT NOT NULL, kind TEXT NOT NULL,
  submitted TEXT NOT NULL, cells TEXT NOT NULL, reason TEXT NOT NULL, file TEXT NOT NULL,
  row INTEGER, at TEXT NOT NULL, {_ENTRY}""",
    "plans": f"""sequence INTEGER PRIMARY KEY, number INTEGER NOT NULL UNIQUE,
  digest TEXT NOT NULL, rows TEXT NOT NULL, supersedes TEXT NOT NULL, at TEXT NOT NULL, {_ENTRY}""",
    "documents": f"""sequence INTEGER PRIMARY KEY, path TEXT NOT NULL, digest TEXT NOT NULL,
  at TEXT NOT NULL, {_ENTRY}""",
}
_HEAD = (
    "CREATE TABLE head (one INTEGER PRIMARY KEY CHECK (one = 1), sequence INTEGER, chain TEXT)",
    "INSERT INTO head VALUES (1, 0, '')",
)


class Store:
    """One open ledger file.

    Parameters
    ----------
    directory : Path
        Campaign folder.
    read_only : bool, default False
        Nothing is made or written; a missing file reads as an empty ledger.
    wait_s : float, default 30
        Longest wait for another writer.
    say : callable, optional
        Told once when a wait is announced; default prints to standard error.
    """

    def __init__(
        self,
        directory: Path,
        *,
        read_only: bool = False,
        wait_s: float = WAIT_S,
        say: Callable[[str], None] | None = None,
    ) -> None:
        self.path = directory / LEDGER_FILE
        self.directory, self.read_only, self.wait_s = directory, read_only, wait_s
        self._say = say or (lambda text: print(text, file=sys.stderr))
        with self.guarded("opened"):
            self.db = self._connect()
            self._prepare()

    def close(self) -> None:
        """Close the file; the last one out folds the write-ahead log back into it."""
        self.db.close()

    def rows(self, query: str, values: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
        """Run a query and return all rows."""
        with self.guarded("read"):
            found = self._retry(lambda: self.db.execute(query, values).fetchall())
            return list(found)

    @contextmanager
    def writing(self) -> Iterator[None]:
        """Hold the one write lock for a block; commit it whole or not at all."""
        if self.read_only:
            raise UserError("the ledger was opened for reading only")
        with self.guarded("written"):
            self._retry(lambda: self.db.execute("BEGIN IMMEDIATE"))
            self._leave_note()
            try:
                yield
                self._retry(lambda: self.db.execute("COMMIT"))       # without a write-ahead log it waits for readers
            except BaseException:
                with suppress(sqlite3.Error):
                    self.db.execute("ROLLBACK")
                raise
            finally:
                with suppress(OSError):
                    (self.directory / WRITER_NOTE).unlink()

    def append(self, table: str, **values: Any) -> int:
        """Append one chained entry inside `writing`; return its sequence number."""
        ((last, previous),) = self.db.execute("SELECT sequence, chain FROM head").fetchall()
        values["at"] = _now()
        names = TABLES[table]
        entry = tuple(values[name] for name in names)
        chain = chain_digest(previous, table, last + 1, entry)
        marks = ", ".join("?" * (len(names) + 3))
        self.db.execute(
            f"INSERT INTO {table} (sequence, {', '.join(names)}, previous, chain) VALUES ({marks})",
            (last + 1, *entry, previous, chain),
        )
        self.db.execute("UPDATE head SET sequence = ?, chain = ?", (last + 1, chain))
        return int(last + 1)

    def clock_fault(self) -> str:
        """Return why the machine's clock cannot be right: an entry was written later than now; or nothing."""
        now = _now()
        latest = max((row[0] or "" for table in TABLES for row in self.rows(f"SELECT max(at) FROM {table}")), default="")
        if latest <= now:
            return ""
        return (f"the clock ran backwards: an entry of the ledger was written at {latest}, and it is now {now} (UTC); "
                "set the machine's clock before dates are written down")

    @contextmanager
    def guarded(self, action: str) -> Iterator[None]:
        """Turn what the disk or SQLite raises into a message."""
        try:
            yield
        except sqlite3.DatabaseError as error:
            fix = "check that the folder can be written and the disk is not full, then run it again"
            if type(error) is sqlite3.DatabaseError:
                fix = f"restore {LEDGER_FILE} from a backup; it is damaged or no ledger"
            raise UserError(
                f"the ledger could not be {action}: {printable(str(error))}", where=LEDGER_FILE,
                fix=fix + "; nothing that was acknowledged before is lost" * (action == "written"),
            ) from None  # fmt: skip
        except OSError as error:
            raise UserError(
                f"the ledger could not be {action}: {printable(error.strerror or str(error))}",
                where=LEDGER_FILE, fix="check the disk and the permissions of the folder",
            ) from None  # fmt: skip

    def _connect(self) -> sqlite3.Connection:
        """Open the file, in memory where there is none to read."""
        if self.read_only and not self.path.exists():
            return sqlite3.connect(":memory:", isolation_level=None)
        if self.path.exists() and not self.path.is_file():
            raise UserError("is not an ordinary file", where=LEDGER_FILE)
        if self.read_only and not os.access(self.directory, os.W_OK):
            log = self.path.with_name(f"{LEDGER_FILE}-wal")
            alone = self._keeps_a_log() and not (log.exists() and log.stat().st_size > 0)
            uri = f"{self.path.absolute().as_uri()}?mode=ro" + "&immutable=1" * alone
            return sqlite3.connect(uri, uri=True, isolation_level=None)
        return sqlite3.connect(self.path, isolation_level=None, timeout=0.0)

    def _keeps_a_log(self) -> bool:
        """Tell whether the file is written through a write-ahead log; without one its pages change in place, and locks must be heeded."""
        with self.path.open("rb") as file:
            return file.read(20)[18:19] == b"\x02"          # SQLite file format, section 1.3: the write version

    def _prepare(self) -> None:
        """Set durability, make the tables of a new file, hold the schema version."""
        db = self.db
        memory = self.read_only and not self.path.exists()
        if not 0 <= self._version() <= SCHEMA_VERSION:
            raise self._foreign()
        if not self.read_only:
            journal = "DELETE" if shared_by_machines(self.directory) else "WAL"
            self._retry(lambda: db.execute(f"PRAGMA journal_mode = {journal}").fetchall())
        db.execute("PRAGMA synchronous = FULL")
        if memory or (not self.read_only and self._version() < SCHEMA_VERSION):
            self._retry(lambda: db.execute("BEGIN IMMEDIATE"))
            try:
                if self._version() < SCHEMA_VERSION:       # nobody was faster
                    self._make_tables()
                db.execute("COMMIT")
            except BaseException:
                with suppress(sqlite3.Error):
                    db.execute("ROLLBACK")
                raise
        if self.read_only and self._version() == 0:
            # made but never filled (a first command was killed): reads as empty
            db.close()
            self.db = sqlite3.connect(":memory:", isolation_level=None)
            self._make_tables()
        if not 1 <= self._version() <= SCHEMA_VERSION:
            raise self._foreign()
        if self.read_only:
            self._stand_in()
            self.db.execute("PRAGMA query_only = ON")

    def _foreign(self) -> UserError:
        """Make the message about a file of another schema, which is left as it is."""
        return UserError(
            "was written by another version of the program", where=LEDGER_FILE,
            found=f"schema {self._version()}", allowed=f"schema 1 to {SCHEMA_VERSION}",
            fix="open it with the version of trialwright that wrote it",
        )  # fmt: skip

    def _make_tables(self) -> None:
        """Make every table that the file lacks, with triggers that keep entries from being altered."""
        version = self._version()
        if version == 0:
            if self.db.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]:
                raise UserError("is some other program's file", where=LEDGER_FILE, fix="move it away")
            for statement in _HEAD:
                self.db.execute(statement)
        for table in self._missing(version):
            self.db.execute(f"CREATE TABLE {table} ({_COLUMNS[table]})")
            for action in ("UPDATE", "DELETE"):
                self.db.execute(
                    f"CREATE TRIGGER {table}_{action.lower()} BEFORE {action} ON {table} "
                    "BEGIN SELECT RAISE(ABORT, 'the ledger is append-only'); END"
                )
        if version == 0:
            self.db.execute("CREATE INDEX files_by_digest ON files (digest)")
        self.db.execute(f"PRAGMA user_version = {SCHEMA_VERSION}")

    def _stand_in(self) -> None:
        """Read an older file as it stands: tables that it lacks are empty, and kept in memory."""
        self.db.execute("PRAGMA temp_store = MEMORY")
        for table in self._missing(self._version()):
            self.db.execute(f"CREATE TEMP TABLE {table} ({_COLUMNS[table]})")

    @staticmethod
    def _missing(version: int) -> list[str]:
        """Tables that a file of this version does not have."""
        return [table for since, tables in BROUGHT.items() if since > version for table in tables]

    def _version(self) -> int:
        """Schema version of the file; 0 for a new one."""
        answer = self._retry(lambda: self.db.execute("PRAGMA user_version").fetchone())
        return int(answer[0])

    def _retry(self, step: Callable[[], Any]) -> Any:
        """Run a step, waiting while another process holds the lock."""
        start, announced, pause = time.monotonic(), False, 0.005
        while True:
            try:
                return step()
            except sqlite3.OperationalError as error:
                if "locked" not in str(error) and "busy" not in str(error):
                    raise
            waited = time.monotonic() - start
            if waited > self.wait_s:
                raise UserError(
                    f"waited {self.wait_s:g} s for {self._holder()}", where=LEDGER_FILE,
                    fix="let that command finish, then run this one again",
                )  # fmt: skip
            if waited > ANNOUNCE_S and not announced:
                self._say(f"waiting for {self._holder()} (at most {self.wait_s:g} s)")
                announced = True
            time.sleep(pause)
            pause = min(pause * 1.5, 0.1)

    def _leave_note(self) -> None:
        """Say who is writing, for whoever waits; a courtesy that may fail."""
        with suppress(OSError, KeyError, ValueError):
            host = os.uname().nodename if hasattr(os, "uname") else ""
            note = f"{getpass.getuser()} on {host}, process {os.getpid()}"
            (self.directory / WRITER_NOTE).write_text(note, encoding="utf-8")

    def _holder(self) -> str:
        """Name the writer that is waited for."""
        try:
            note = (self.directory / WRITER_NOTE).read_text(encoding="utf-8")[:200]
        except (OSError, ValueError):
            note = ""
        return printable(note) if note else "another process that holds the ledger"


def _now() -> str:
    """The machine's time, UTC."""
    return datetime.now(UTC).isoformat(timespec="milliseconds")


def chain_digest(previous: str, table: str, sequence: int, entry: tuple[Any, ...]) -> str:
    """Return the digest that ties an entry to the one before it."""
    text = json.dumps([previous, table, sequence, *entry], ensure_ascii=False)
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()
