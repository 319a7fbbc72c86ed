"""A campaign folder as an object: the one conductor behind the commands and the Python API.

Light by itself: recording and checking touch no model library; fitting, window and plan are brought in when asked for.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

from planner.lab.campaign import Definition, defaults_in_force, read_definition
from planner.lab.errors import UserError, printable
from planner.lab.ledger import Ledger, RecordOutcome, open_ledger
from planner.lab.recording import record_results
from planner.lab.specimen import Specimen, has_measurement
from planner.lab.tables import file_digest
from planner.lab.tamper import changed_plans, edited_files, verify
from planner.lab.template import filled_template, result_files

Say = Callable[[str], None]


def silent(text: str) -> None:
    """Say nothing."""


class Campaign:
    """A campaign folder.

    Parameters
    ----------
    directory : folder with campaign.toml and results/.
    say : called with a line of progress while long work runs; default silent.
    """

    def __init__(self, directory: str | Path, *, say: Say = silent):
        self.directory = Path(directory)
        self.say = say
        self.definition: Definition = read_definition(self.directory)
        self._fit = None
        self._window = None

    def ledger(self, *, read_only: bool = False) -> Ledger:
        """Open the ledger; use as a context manager."""
        return open_ledger(self.directory, read_only=read_only)

    def specimens(self) -> list[Specimen]:
        """Return recorded specimens that are not excluded and carry a measurement."""
        with self.ledger(read_only=True) as ledger:
            return [s for s in ledger.specimens() if has_measurement(s)]

    def record(self, files: Iterable[str | Path] | None = None, *, correct: bool = False, why: str | None = None) -> RecordOutcome:
        """Record new result files; each file and its warnings are said as soon as it is on disk.

        Parameters
        ----------
        files : paths, optional
            Default: everything new in results/.
        correct : bool, default False
            Let rows of specimens already recorded replace what is in force; the old entries stay in the ledger.
        why : str, optional
            Reason of the correction, which then is required.

        Returns
        -------
        RecordOutcome

        Raises
        ------
        UserError
            Naming file, row and column; of a refused file nothing is recorded.
        """
        with self.ledger() as ledger:
            return record_results(self.directory, self.definition, ledger, files=files, correct=correct, why=why, tell=self.say)

    def exclude(self, specimen: str, *, why: str | None) -> None:
        """Leave a specimen out of the models, with the reason; UserError where it is unknown or no reason is given."""
        with self.ledger() as ledger:
            ledger.exclude(specimen, why)

    def include(self, specimen: str, *, why: str | None) -> None:
        """Take an excluded specimen back in, with the reason; UserError where it is not excluded or no reason is given."""
        with self.ledger() as ledger:
            ledger.include(specimen, why)

    def check(self, *, deep: bool = False) -> dict[str, Any]:
        """Return what the program would work with: data, definition in force, priors, prior predictive, warnings.

        With `deep` also a criticism of the fit: `predictive`, `prior_checks` and `sensitivity`.
        """
        from planner.cycle.standing import states
        from planner.outlook.beliefs import predictive_rows, prior_rows

        with self.ledger(read_only=True) as ledger, _naming(altered := verify(ledger)):
            warnings = [*altered, *edited_files(self.directory, self.definition, ledger), *changed_plans(self.directory, ledger),
                        *states(self.directory, self.definition, ledger), *filled_template(self.directory)]
            counts = ledger.counts()
            known = ledger.specimens(with_excluded=True)
            record = {"rows": counts.get("rows", counts.get("revisions", 0)), "specimens": len(known),
                      "files": len(ledger.files()), "excluded": len(ledger.excluded()), "pending": len(ledger.pending()),
                      "own_columns": dict(sorted(Counter(name for s in known for name, _ in s.extra).items()))}
        new = self._new_files()
        if new:
            warnings.append(f"{len(new)} result file(s) not recorded yet: {', '.join(new)}; `trialwright record {self.directory}` records them")
        if deep:
            from planner.cycle.reviewing import criticism

            record |= criticism(self)
        return record | {
            "warnings": warnings, "priors": prior_rows(self.definition),
            "definition": [{"key": k, "value": v, "origin": "campaign.toml" if o == "file" else o} for k, v, o in defaults_in_force(self.definition)],
            "prior_predictive": predictive_rows(self.definition, seed=self.definition.campaign.seed)}

    def _new_files(self) -> list[str]:
        with self.ledger(read_only=True) as ledger:
            return [printable(p.name) for p in result_files(self.directory) if not ledger.is_current(printable(p.name), file_digest(p, folder=p.parent))]

    def update(self, *, quick: bool = False):
        """Record new files and bring the draws up to date.

        Parameters
        ----------
        quick : bool, default False
            Reweight the newest fit for one or two new specimens where that can be trusted.

        Returns
        -------
        Fit
            verdict (name, words, rhat, ess, bfmi, divergences), method, draws, params, specimens; a fit that failed is returned as such.

        Raises
        ------
        UserError
            When a new file is refused, or recorded rows no longer fit the definition.
        """
        from planner.cycle.fitting import current_fit

        self.record()
        self._fit, self._window = current_fit(self, quick=quick), None
        return self._fit

    def window(self, *, update: bool = True):
        """Return the window of today's data.

        Parameters
        ----------
        update : bool, default True
            Record new files and renew a fit older than data or definition; otherwise the last fit as it is, its age told in the notices.

        Returns
        -------
        Window

        Raises
        ------
        UserError
            When the fit failed (nothing is claimed then), or none is kept and `update` is False.
        """
        from planner.cycle.fitting import current_fit, latest_fit
        from planner.cycle.window import window_of

        if update:
            self.record()
        fit = current_fit(self) if update else latest_fit(self)
        self._fit = fit
        stale = [] if update else self._stale()
        found = window_of(self, fit, sample_on=update)
        return replace(found, notices=(*stale, *found.notices)) if stale else found

    def _stale(self) -> list[str]:
        """Say what makes the newest fit out of date."""
        from planner.cycle.standing import fit_state

        with self.ledger(read_only=True) as ledger:
            said = fit_state(self.directory, self.definition, ledger)
        new = self._new_files()
        return said + ([f"{len(new)} result file(s) are newer than the fit and not recorded: {', '.join(new)}"] if new else [])

    def judge(self, asked, *, update: bool = True):
        """Return a pandas table of conditions with the window's five columns appended, and the Window.

        Parameters
        ----------
        asked : pandas.DataFrame or path
            A table with the columns of `planner.lab.asked.HEADERS`, or a CSV or XLSX file of one.

        Raises
        ------
        UserError
            Where a column is missing, a temper unknown, a value not a number or beyond its hard bounds.
        """
        from planner.cycle.conditions import judged
        from planner.cycle.window import drawn_with
        from planner.lab.asked import checked, read_conditions

        table = read_conditions(asked, self.definition) if isinstance(asked, (str, Path)) else checked(asked, self.definition)
        window = self.window(update=update)
        self._fit = drawn_with(self, self._fit, window)
        out, said = judged(self, self._fit, window, table)
        return out, replace(window, notices=(*window.notices, *said))

    def plan(self, *, budget: float | None = None, seed: int | None = None, again: bool = False, own_list: str | Path | None = None,
             without_claims: bool = False, papers: bool = True):
        """Write next week's plan and return it; unchanged inputs return the plan that exists.

        Parameters
        ----------
        budget : float, optional
            Money of this week in the campaign's currency; default `[week] budget`.
        seed : int, optional
            Of the choice; default the campaign's.
        again : bool, default False
            Plan anew in the place of the newest plan of which nothing has come back.
        own_list : path, optional
            The researcher's own list, scored beside ours.
        without_claims : bool, default False
            Plan from a fit that failed; nothing is claimed and no share told.
        papers : bool, default True
            Write pages, bench sheet and workbook too, not plan.csv and plan.json alone.

        Returns
        -------
        PlanResult
            record (as plan.json), trials (a pandas table), folder, window.

        Raises
        ------
        UserError
            When the fit failed, nothing fits in the limits (it names those that bind), or the own list is refused.
        """
        from planner.cycle.planning import make_plan

        self.record()
        return make_plan(self, budget=budget, seed=self.definition.campaign.seed if seed is None else seed, again=again, own_list=own_list,
                         without_claims=without_claims, papers=papers)

    def budget(self, *, weeks: int | None = None) -> dict[str, Any]:
        """Return what certainty the coming weeks buy, and write it to reports/ (page and JSON).

        Parameters
        ----------
        weeks : int, optional
            Horizon; default what `[goal] weeks_max` leaves.

        Raises
        ------
        UserError
            When the fit failed.
        """
        from planner.cycle.outlook import write_budget

        self.record()
        return write_budget(self, weeks=weeks)

    def review(self, *, freeze: bool = False, deep: bool = False) -> dict[str, Any]:
        """Return the evidence behind the claims, and write it to reports/.

        Parameters
        ----------
        freeze : bool, default False
            First freeze today's claims in claims/.
        deep : bool, default False
            Refit without the lots and loads that reweighting cannot leave out, and on resampled ones (`bagged`); long.

        Raises
        ------
        UserError
            When the fit failed (the standing of frozen claims is told all the same), or there is nothing to freeze.
        """
        from planner.cycle import reviewing

        self.record()
        if freeze:
            reviewing.freeze(self)
        return reviewing.write_review(self, deep=deep)


@contextmanager
def _naming(altered: list[str]) -> Iterator[None]:
    """Where a ledger cannot be read any more, say what was altered in it."""
    try:
        yield
    except UserError as error:
        if not altered:
            raise
        raise UserError("; ".join([*altered, error.what]), where=error.where, fix=error.fix) from None


def open_campaign(directory: str | Path, *, say: Say = silent) -> Campaign:
    """Open a campaign folder.

    Raises
    ------
    UserError
        When the folder or its definition cannot be read.
    """
    path = Path(directory)
    if not path.is_dir():
        raise UserError("there is no such campaign folder", found=str(path), fix=f"trialwright start {path}")
    return Campaign(path, say=say)
