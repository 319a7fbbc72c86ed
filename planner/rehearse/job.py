"""One virtual campaign from its first fit to its last week: what a worker process is given, and what it hands back.

A job carries all it needs (definition, start data, truth), so that any process can run it, here or on a cluster, and the result
depends on nothing else.
"""

from __future__ import annotations

import tempfile
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from planner.acquisition.plan_file import read_plan
from planner.cycle import open_campaign
from planner.cycle.fitting import Fit, SamplerPool, current_fit
from planner.cycle.window import window_of
from planner.lab.errors import UserError
from planner.lab.specimen import Specimen
from planner.rehearse.bench import Bench, answer_plan, write_results
from planner.rehearse.clairvoyant import CLAIRVOYANT
from planner.rehearse.conformance import N_NODES
from planner.rehearse.referee import N_POINTS, Referee
from planner.rehearse.rival_plan import write_rival_plan
from planner.rehearse.rivals import Formable
from planner.rehearse.world import Truth, World
from planner.window.window import Window

OURS = "ours"
WEEK = "judged after week "       # in the line of progress that says so
REFILLED = 9_999                  # blanks of a lot that is ordered in time
LOADS_PER_WEEK = 8                # room made for furnace loads where the week sets no limit
_one_at_a_time = threading.Lock() # compiled models and the kernels' threads are shared within a process
Say = Callable[[str], None]


@dataclass(frozen=True)
class Job:
    """Everything that one virtual campaign follows from."""

    definition: str               # text of campaign.toml
    start: tuple[Specimen, ...]   # specimens measured before the first week
    remeasure: bool               # measure them anew in this truth (False: the truth is a draw given them)
    stock: dict                   # blanks on hand by lot
    truth: Truth
    strategy: str
    weeks: int
    repeat: int
    seed: int                     # of this truth's campaigns: fits, plans, rivals' sequences
    cores: int = 2
    halved_after: int | None = None   # weeks after which it ends once H is half of what it was at first; None: never
    n_points: int = N_POINTS      # points of the referee
    n_nodes: int = N_NODES
    pending: tuple[Specimen, ...] = ()   # planned, not reported yet: their results come in before the first week
    money: float | None = None    # for our plans of all weeks together; None: each week's budget alone bounds them
    restock: bool = False         # a lot that was cut from is filled up again

    @property
    def name(self) -> str:
        """Name of its result file, without suffix."""
        return f"{self.strategy}-{self.repeat:04d}"

    @property
    def words(self) -> str:
        """What progress calls it."""
        return f"{self.strategy.replace('_', ' ')} on truth {self.repeat + 1}"


def week_is_over(text: str) -> bool:
    """Tell whether a line of progress says that a week was fitted and judged."""
    return WEEK in text


def run_job(job: Job, say: Say = lambda text: None) -> dict:
    """Run one virtual campaign; returns plain values for its result file."""
    with _one_at_a_time, tempfile.TemporaryDirectory(prefix="rehearsal-") as folder:
        return _Run(job, Path(folder), say).result()


class _Run:
    """A virtual campaign under way in a scratch folder."""

    def __init__(self, job: Job, folder: Path, say: Say):
        self.job, self.say = job, say
        (folder / "campaign.toml").write_text(job.definition, encoding="utf-8")
        (folder / "results").mkdir()
        self.campaign = open_campaign(folder, say=lambda text: say(f"{job.words}: {text}"))
        self.world = World.of(job.truth, self.campaign.definition)
        self.bench = Bench(self.campaign.definition, self.world)
        self.referee = Referee(self.campaign.definition, self.world, seed=job.seed, n_points=job.n_points, n_nodes=job.n_nodes)
        self.formable = Formable(self.campaign.definition, seed=job.seed)
        self.stock, self.spent = dict(job.stock), 0.0
        self.rows: list[dict] = []
        self.forecast: dict = {}      # of the plan behind the next row
        loads = self.campaign.definition.week.furnace_loads
        n_loads = len({s.furnace_load for s in (*job.start, *job.pending)}) + job.weeks * (LOADS_PER_WEEK if loads is None else loads)
        self.campaign.samplers = SamplerPool(n_lots=len({s.lot for s in (*job.start, *job.pending)} | set(job.stock)), n_loads=n_loads, cores=job.cores)
        self._start()

    def _start(self) -> None:
        """Bring in what was measured before the first week, and what was awaited then."""
        start = [s for s in self.job.start if not self.job.remeasure or self.bench.can_make(s)]
        if self.job.remeasure:
            start = [self.bench.measured(s) for s in start]
        known = {s.specimen for s in start}
        awaited = [self.bench.measured(s) for s in self.job.pending if s.specimen not in known and self.bench.can_make(s)]
        write_results(self.campaign.directory / "results" / "000_start.csv", [*start, *awaited])
        self._set_definition()
        self.campaign.record()

    def _set_definition(self) -> None:
        """Give the campaign its own seed and today's stock; trials insisted on are wishes of one real week and left out."""
        d = self.campaign.definition
        stock = tuple(entry.model_copy(update={"blanks": self.stock[entry.lot], "counted": None}) for entry in d.stock)
        self.campaign.definition = d.model_copy(update={"campaign": d.campaign.model_copy(update={"seed": self.job.seed}), "stock": stock, "insist": ()})

    def result(self) -> dict:
        """Run all weeks; a week that cannot be planned ends the campaign with the reason."""
        started, ended, answered = time.perf_counter(), None, 0
        for week in range(1, self.job.weeks + 1):
            try:
                folder, record = self._plan(week)
            except UserError as error:
                ended = f"week {week}: {error.what}"
                break
            if self._halved(week - 1):
                break
            self._answer(week, folder, record)
            answered = week
        self._judge(answered, *self._window())
        return {"strategy": self.job.strategy, "truth": self.job.truth.name, "repeat": self.job.repeat, "seed": self.job.seed,
                "weeks": self.rows, "ended": ended, "arguments": dict(self.job.truth.arguments), "seconds": time.perf_counter() - started}

    def _halved(self, weeks: int) -> bool:
        """Tell whether enough weeks are over and H is half of what it was."""
        least, h = self.job.halved_after, [row["misclassification"] for row in self.rows]
        return least is not None and weeks >= least and h[-1] <= 0.5 * h[0]

    def _window(self, *, keep: bool = False) -> tuple[Fit, Window]:
        window = window_of(self.campaign, current_fit(self.campaign), ranges=False, maps=False, lots_seen=False, keep=keep, allow_failed=True)
        return current_fit(self.campaign), window                     # the window may have asked for more draws

    def _plan(self, week: int) -> tuple[Path, dict]:
        """Plan a week; the window that the plan rests on is judged first."""
        if self.job.strategy == OURS:
            plan = self.campaign.plan(seed=self.job.seed, budget=self._money(), without_claims=True, papers=False)
            self._judge(week - 1, current_fit(self.campaign), plan.window)
            self.forecast = {"forecast_" + k: plan.record["expected"][k] for k in ("gain", "gain_band_80")}
            return plan.folder, plan.record
        fit, window = self._window(keep=self.job.strategy == CLAIRVOYANT)
        self._judge(week - 1, fit, window)
        return write_rival_plan(self.campaign, self.job.strategy, week=week, weeks=self.job.weeks, fit=fit, window=window,
                                formable=self.formable, world=self.world, seed=self.job.seed)

    def _money(self) -> float | None:
        """Return what the coming week may cost; None where its own budget decides."""
        if self.job.money is None:
            return None
        weekly, left = self.campaign.definition.week.budget, max(self.job.money - self.spent, 0.0)
        return left if weekly is None else min(weekly, left)

    def _answer(self, week: int, folder: Path, record: dict) -> None:
        """Measure what was planned, record it, and take its blanks off the stock."""
        planned = read_plan(folder).specimens
        answer_plan(folder / "plan.csv", self.campaign.directory / "results" / f"{week:03d}_week.csv", planned, self.bench)
        kinds = self.campaign.definition.specimens
        for s in planned:
            self.stock[s.lot] = REFILLED if self.job.restock else max(self.stock[s.lot] - kinds[s.specimen_type].blanks, 0)
        self.spent += record["cost"]
        self.campaign.record()
        self._set_definition()

    def _judge(self, week: int, fit: Fit, window: Window) -> None:
        """Hold a window against the truth and note the week; a week is judged once."""
        if any(row["week"] == week for row in self.rows):
            return
        row = {"week": week, "strategy": self.job.strategy, "truth": self.job.truth.name, "repeat": self.job.repeat, "cost": self.spent,
               **self.referee.verdict(fit, window), "verdict": fit.verdict.name, "specimens": len(fit.specimens), **self.forecast}
        self.rows.append(row)
        claim = "FALSE claim" if row["false_claim"] else f"claimed {100 * row['claimed_share']:.1f} %"
        self.say(f"{self.job.words} ({row['truth']}), {WEEK}{week} of {self.job.weeks}: H {100 * row['misclassification']:.1f} %, {claim}")
