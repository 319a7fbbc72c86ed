"""Why this module exists: the ledger is the lab's memory; nothing in it is ever overwritten.

`ledger.sqlite` holds every recorded row, completion, correction and exclusion as an
entry of its own, with time, reason, file and row. The state of a specimen is what
its entries add up to. One file is one transaction: whole, or not at all.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from types import TracebackType

from planner.lab.campaign_rules import closest
from planner.lab.errors import UserError, printable, show
from planner.lab.intake import ParsedFile
from planner.lab.judging import check_groups, compare_rows, raise_group_faults
from planner.lab.ledger_records import FileEntry, PlanEntry, RecordOutcome, Revision
from planner.lab.merging import Cells, Holding, legible
from planner.lab.problems import place
from planner.lab.specimen import MEASUREMENTS, Specimen, cells_of, specimen_of
from planner.lab.store import TABLES, WAIT_S, Store


class Ledger:
    """The open ledger of a campaign folder; see `open_ledger`."""

    def __init__(self, store: Store) -> None:
        self.store = store
        self._held: dict[str, Holding] = {}
        self._upto: tuple[int, str] = (0, "")  # head of the chain when `_held` was added up

    def __enter__(self) -> Ledger:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close the file."""
        self.store.close()

    def record(
        self, parsed: ParsedFile, *, correct: bool = False, why: str | None = None
    ) -> RecordOutcome:
        """Record one file in one transaction.

        Parameters
        ----------
        parsed : ParsedFile
        correct : bool, default False
            Changed or blanked cells become corrections.
        why : str, optional
            The reason; required with `correct`.

        Returns
        -------
        RecordOutcome
            Returned only once everything is on disk.

        Raises
        ------
        UserError
            When a filled cell changes or goes blank without `correct`, a load or lot
            is contradicted, or the disk fails. Nothing of the file is then recorded.
        """
        reason = _reason(why, "--correct") if correct else ""
        counts = dict.fromkeys(("recorded", "completed", "corrected", "unchanged"), 0)
        warnings = list(parsed.warnings)
        with self.store.writing():
            warnings += filter(None, [self.store.clock_fault()])
            name = parsed.name
            if not correct and self.is_current(name, parsed.digest):
                return RecordOutcome(unchanged=len(parsed.specimens))
            held = self._holdings()
            steps = compare_rows(parsed, held, correct)
            check_groups(parsed, held, steps)
            self.store.append(
                "files", name=name, digest=parsed.digest, rows=len(parsed.specimens)
            )
            for (row, specimen, cells), step in zip(parsed.specimens, steps, strict=True):
                counts[step.kind] += 1
                before = held.get(specimen.specimen)
                if before is not None and before.excluded:
                    warnings.append(f"{name}, row {row}: {specimen.specimen} is excluded")
                if step.kind != "unchanged":
                    given = {k: text for k, text in cells.items() if k in parsed.columns}
                    self._append(specimen.specimen, step.kind, given, step.cells, reason, name, row)
        return RecordOutcome(**counts, warnings=tuple(warnings))

    def exclude(self, specimen: str, why: str | None) -> None:
        """Leave a specimen out from now on; a planned one that will never come is freed.

        Raises
        ------
        UserError
            Unknown specimen, or no reason.
        """
        self._mark(specimen, why, "excluded")

    def include(self, specimen: str, why: str | None) -> None:
        """Take an excluded specimen back in, with a reason."""
        self._mark(specimen, why, "included")

    def cells(self) -> dict[str, Cells]:
        """Return the current cells of every recorded specimen, excluded ones too."""
        return {name: dict(one.cells) for name, one in sorted(self._holdings().items())}

    def known(self) -> dict[str, Cells]:
        """Return the same for reading only, in no order."""
        return {name: one.cells for name, one in self._holdings().items()}

    def specimens(self, *, with_excluded: bool = False) -> list[Specimen]:
        """Return the current state of every specimen, sorted by label."""
        return [
            one.specimen
            for _, one in sorted(self._holdings().items())
            if with_excluded or not one.excluded
        ]

    def excluded(self) -> dict[str, str]:
        """Return the excluded specimens with the reason of each."""
        return {n: one.reason for n, one in sorted(self._holdings().items()) if one.excluded}

    def history(self, specimen: str | None = None) -> list[Revision]:
        """Return every entry about specimens (or one of them), oldest first."""
        rows = self.store.rows(
            "SELECT sequence, specimen, kind, cells, at, reason, file, row, chain FROM revisions "
            "WHERE ? IS NULL OR specimen = ? ORDER BY sequence",
            (specimen, specimen),
        )
        return [
            Revision(seq, name, kind, json.loads(cells), at, reason, file, row, chain)
            for seq, name, kind, cells, at, reason, file, row, chain in rows
        ]

    def data_digest(self) -> str:
        """Return the SHA-256 of the current state, excluded specimens left out."""
        state = [
            sorted(one.cells.items())
            for _, one in sorted(self._holdings().items())
            if not one.excluded
        ]
        return hashlib.sha256(json.dumps(state, ensure_ascii=False).encode()).hexdigest()

    def files(self) -> list[FileEntry]:
        """Return every recorded version of a result file, oldest first."""
        rows = self.store.rows("SELECT name, digest, rows, at FROM files ORDER BY sequence")
        return [FileEntry(*row) for row in rows]

    def is_current(self, name: str, digest: str) -> bool:
        """Tell whether a file's content was recorded, and was not followed by another under its name."""
        known = self.store.rows("SELECT 1 FROM files WHERE digest = ? LIMIT 1", (digest,))
        latest = self.store.rows("SELECT digest FROM files WHERE name = ? ORDER BY sequence DESC LIMIT 1", (name,))
        return bool(known) and latest in ([], [(digest,)])

    def submitted(self, file: str) -> dict[str, Cells]:
        """Return what the latest recorded versions of a file said, by specimen."""
        held = self._holdings()
        return {name: one.by_file[file] for name, one in held.items() if file in one.by_file}

    def counts(self) -> dict[str, int]:
        """Return `rows` held, `specimens` in force, `files`, `excluded`, `pending`."""
        held = self._holdings()
        excluded = sum(one.excluded for one in held.values())
        return {
            "rows": len(held), "specimens": len(held) - excluded,
            "files": len({entry.name for entry in self.files()}),
            "excluded": excluded, "pending": len(self.pending()),
        }  # fmt: skip

    def register_plan(
        self, number: int, digest: str, rows: Sequence[Specimen], *, supersedes: Sequence[int] = (),
        publish: Callable[[], object] | None = None,
        documents: Callable[[], Mapping[str, str]] | None = None,
    ) -> None:
        """Remember an issued plan.

        Parameters
        ----------
        number : int
            Its number; each number once.
        digest : str
            SHA-256 of its plan.csv.
        rows : sequence of Specimen
            Its specimens, conditions filled.
        supersedes : sequence of int
            Plans that it replaces; their unreported specimens are no longer pending.
        publish : callable, optional
            Writes the plan's files; called under the write lock, once the number is
            known to be free. The entry is committed after it, or not at all.
        documents : callable, optional
            Asked after that for the digests of the files that go with the plan, by path in
            the campaign folder; they are remembered with it.

        Raises
        ------
        UserError
            When the number was already issued with another digest.
        """
        with self.store.writing():
            issued = self.store.rows("SELECT digest FROM plans WHERE number = ?", (number,))
            if issued and issued[0][0] == digest:
                return
            if issued:
                raise UserError(
                    f"plan {number:03d} was issued by someone else meanwhile",
                    fix="run `trialwright plan DIR` again",
                )
            if publish is not None:
                publish()
            text = json.dumps([cells_of(row) for row in rows], ensure_ascii=False)
            self.store.append(
                "plans", number=number, digest=digest, rows=text,
                supersedes=json.dumps(sorted(supersedes)),
            )  # fmt: skip
            self._remember({} if documents is None else documents())

    def register_documents(self, publish: Callable[[], Mapping[str, str]]) -> None:
        """Remember files that were issued, by their digests.

        Parameters
        ----------
        publish : callable
            Writes the files and returns their SHA-256 by path in the campaign folder;
            called under the write lock. The entries are committed after it, or not at all.
        """
        with self.store.writing():
            self._remember(publish())

    def documents(self) -> dict[str, str]:
        """Return the digest of every issued file but `plan.csv` (see `plans`), by path."""
        return dict(self.store.rows("SELECT path, digest FROM documents ORDER BY sequence"))

    def _remember(self, documents: Mapping[str, str]) -> None:
        """Append what is new or changed among issued files."""
        known = self.documents()
        for path, digest in sorted(documents.items()):
            if known.get(path) != digest:
                self.store.append("documents", path=path, digest=digest)

    def plans(self) -> list[PlanEntry]:
        """Return the issued plans, by number."""
        rows = self.store.rows("SELECT number, digest, rows, supersedes, at FROM plans ORDER BY number")
        plans = []
        for number, digest, text, old, at in rows:
            with legible(f"the entry of plan {number:03d}"):
                specimens = tuple(specimen_of(cells) for cells in json.loads(text))
                plans.append(PlanEntry(number, digest, specimens, tuple(json.loads(old)), at))
        return plans

    def pending(self) -> list[Specimen]:
        """Return planned specimens without a measurement, in plan order.

        Excluded specimens and those of superseded plans are not pending.
        """
        plans = self.plans()
        gone = {number for plan in plans for number in plan.supersedes}
        held = self._holdings()
        done = {
            name
            for name, one in held.items()
            if one.excluded or any(column in one.cells for column in MEASUREMENTS)
        }
        planned = (s for plan in plans if plan.number not in gone for s in plan.specimens)
        return [specimen for specimen in planned if specimen.specimen not in done]

    def _mark(self, specimen: str, why: str | None, kind: str) -> None:
        """Append an exclusion or inclusion."""
        reason = _reason(why, "--exclude" if kind == "excluded" else "--include")
        with self.store.writing():
            held = self._holdings()
            planned = {one.specimen: cells_of(one) for one in self.pending()}
            if specimen in held:
                cells, now = held[specimen].cells, held[specimen].excluded
            elif specimen in planned and kind == "excluded":
                cells, now = planned[specimen], False
            else:
                near = closest(specimen, [*held, *planned])
                raise UserError(
                    "no such specimen in the ledger", found=specimen,
                    fix=f"did you mean {near}?" if near else "record its file first",
                )  # fmt: skip
            if now == (kind == "excluded"):
                return
            if kind == "included":
                held = held | {specimen: replace(held[specimen], excluded=False)}
                raise_group_faults(held, {specimen: specimen}, f"specimen {printable(specimen)}")
            self._append(specimen, kind, cells, cells, reason, "", None)

    def _append(
        self, specimen: str, kind: str, submitted: Cells, cells: Cells, reason: str, file: str,
        row: int | None,
    ) -> None:  # fmt: skip
        """Append one revision."""
        self.store.append(
            "revisions", specimen=specimen, kind=kind, reason=reason, file=file, row=row,
            submitted=json.dumps(submitted, ensure_ascii=False),
            cells=json.dumps(cells, ensure_ascii=False),
        )  # fmt: skip

    def _holdings(self) -> dict[str, Holding]:
        """Add up the entries of every specimen; what was added up before is gone on from. Not to be changed."""
        (head,) = self.store.rows("SELECT sequence, chain FROM head")
        if head == self._upto:
            return self._held
        if not self._goes_on():
            self._held, self._upto = {}, (0, "")
        for name, kind, given, cells, reason, file, row in self.store.rows(
            "SELECT specimen, kind, submitted, cells, reason, file, row FROM revisions "
            "WHERE sequence > ? ORDER BY sequence",
            (self._upto[0],),
        ):
            with legible(f"an entry about {printable(str(name))}"):
                state = _cells(cells)
                version = state if given == cells else _cells(given)
            one = self._held.setdefault(name, Holding(state, ""))
            one.becomes(state)
            if kind in ("excluded", "included"):
                one.excluded, one.reason = kind == "excluded", reason
                continue
            one.place = place(file, row)
            one.submitted.append(version)
            one.by_file[file] = version
        self._upto = head
        return self._held

    def _goes_on(self) -> bool:
        """Tell whether the entries are those added up before and more."""
        sequence, chain = self._upto
        following = [
            row for table in TABLES
            for row in self.store.rows(f"SELECT previous FROM {table} WHERE sequence = ?", (sequence + 1,))
        ]  # fmt: skip
        return following == [(chain,)]


def open_ledger(
    directory: str | Path,
    *,
    read_only: bool = False,
    wait_s: float = WAIT_S,
    say: Callable[[str], None] | None = None,
) -> Ledger:
    """Open the ledger of a campaign folder, making it where there is none.

    Parameters
    ----------
    directory : path
        Campaign folder.
    read_only : bool, default False
        Neither make nor write anything; a missing ledger reads as empty.
    wait_s : float, default 30
        Longest wait for another writer, in seconds.
    say : callable, optional
        Told once when a wait is announced; default: standard error.

    Raises
    ------
    UserError
        When the folder is missing or the file cannot be opened.
    """
    directory = Path(directory)
    if not directory.is_dir():
        raise UserError(
            "there is no such campaign folder", found=show(str(directory)),
            fix="`trialwright start DIR` makes one",
        )  # fmt: skip
    return Ledger(Store(directory, read_only=read_only, wait_s=wait_s, say=say))


def _cells(text: str) -> Cells:
    """Read the cells of an entry; ValueError where they are none."""
    cells = json.loads(text)
    if not isinstance(cells, dict) or not all(isinstance(x, str) for x in cells.values()):
        raise ValueError("no cells")
    return cells


def _reason(why: str | None, option: str) -> str:
    """Hold a reason to being given and printable."""
    reason = printable((why or "").strip(), limit=500)
    if not reason:
        raise UserError(f"{option} needs a reason", fix=f'add --why "..." to {option}')
    return reason
