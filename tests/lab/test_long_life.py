"""A ledger outlives versions: the kept file of schema 1 opens, a newer or foreign one is refused and left as it is.

`data/ledger_v1.sqlite` was written by the program as it stood when schema 1 was the only one (invented rows): the contract's
example, a completion, a correction, an exclusion and an issued plan.
"""

import shutil
import sqlite3

import pytest

from planner.lab.errors import UserError
from planner.lab.ledger import open_ledger
from planner.lab.specimen import Measured
from planner.lab.store import SCHEMA_VERSION
from planner.lab.tamper import verify
from tests.crash.ground import DATA
from tests.crash.scenarios import digest_of

DIGEST = "c4c23dc24717cb379a2e11b4865ac8283d59523908a18c246f2562131be67f57"


@pytest.fixture
def kept(tmp_path):
    shutil.copy(DATA / "ledger_v1.sqlite", tmp_path / "ledger.sqlite")
    return tmp_path


@pytest.mark.parametrize("read_only", [True, False])
def test_schema_1_opens(kept, read_only):
    with open_ledger(kept, read_only=read_only) as ledger:
        assert verify(ledger) == []
        assert ledger.counts() == {"rows": 11, "specimens": 10, "files": 2, "excluded": 1, "pending": 3}
        specimens = {s.specimen: s for s in ledger.specimens()}
        assert specimens["C-003"].film_depth_um == Measured(72.0)
        assert specimens["T-002"].limit_strain == Measured(0.42, 1)
        assert [one.kind for one in ledger.history("C-001")] == ["recorded", "corrected"]
        assert ledger.excluded() == {"T-001": "invented reason"}
        assert ledger.data_digest() == DIGEST       # kept draws of these data are found again


def version_of(folder):
    db = sqlite3.connect(folder / "ledger.sqlite")
    found = db.execute("PRAGMA user_version").fetchone()[0]
    db.close()
    return found


def test_schema_1_is_taken_forward_when_it_is_next_written_to(kept):
    assert version_of(kept) == 1
    before = digest_of(kept)
    with open_ledger(kept, read_only=True) as ledger:
        assert ledger.documents() == {} and ledger.store.clock_fault() == ""
        history, plans = ledger.history(), ledger.plans()
    assert (version_of(kept), digest_of(kept)) == (1, before)         # reading leaves it as it is
    with open_ledger(kept) as ledger:
        assert (ledger.history(), ledger.plans()) == (history, plans)   # not an entry was touched, digests included
        ledger.register_documents(lambda: {"claims/001.json": "invented"})
        ledger.exclude("T-003", "invented reason")
        assert verify(ledger) == []
        with pytest.raises(sqlite3.IntegrityError, match="append-only"):
            ledger.store.db.execute("DELETE FROM documents")
    assert version_of(kept) == SCHEMA_VERSION
    with open_ledger(kept, read_only=True) as ledger:
        assert ledger.documents() == {"claims/001.json": "invented"} and verify(ledger) == []


def test_every_schema_version_has_its_kept_file():
    assert sorted(int(p.stem.removeprefix("ledger_v")) for p in DATA.glob("ledger_v*.sqlite")) == [*range(1, SCHEMA_VERSION)]


@pytest.mark.parametrize("read_only", [True, False])
def test_a_newer_schema_is_refused_and_left_alone(kept, read_only):
    db = sqlite3.connect(kept / "ledger.sqlite")
    db.execute("PRAGMA journal_mode = DELETE")
    db.execute("PRAGMA user_version = 3")
    db.commit()
    db.close()
    before = digest_of(kept)
    with pytest.raises(UserError, match=r"another version of the program\n  found: 'schema 3'\n  allowed: schema 1 to 2"):
        open_ledger(kept, read_only=read_only)
    assert digest_of(kept) == before


def test_another_programs_file_is_refused(tmp_path):
    db = sqlite3.connect(tmp_path / "ledger.sqlite")
    db.execute("CREATE TABLE shopping (what TEXT)")
    db.commit()
    db.close()
    with pytest.raises(UserError, match="other program"):
        open_ledger(tmp_path)
    (tmp_path / "ledger.sqlite").write_bytes(b"not a database at all, just text, and long enough to be looked at" * 40)
    for read_only in (True, False):
        with pytest.raises(UserError, match="damaged or no ledger"):
            open_ledger(tmp_path, read_only=read_only)
