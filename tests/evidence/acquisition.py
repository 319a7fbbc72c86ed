"""Does our plan beat the alternatives?  Paired virtual campaigns at equal weekly limits, as `acquisition.json`.

    python tests/evidence/acquisition.py [--minutes 20] [--processes 2] [--truths 16] [--streams 3] [--weeks 12]

Every strategy meets the same truths (prior draws, every other one changed by a foreign mechanism, of which at least 2 % of the box
conforms: elsewhere there is no window to find), the same legacy specimens measured anew in each truth, the same lots and the same
scatter, and is refitted every week.  A noise stream is another set of lots,
loads and scatter of the same truth.  Cost to halve H from the first fit is linear in cost between refits and counted no further
than the horizon (the weeks' budget); its restricted means over truths are set against ours.  Campaigns of more than four weeks
end once H is halved.  Each run adds campaigns on the same code.

References
----------
Royston & Parmar (2013), BMC Med. Res. Methodol. 13:152 (restricted means of censored times).
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from models.priors import sample_prior  # noqa: E402
from models.simulate import new_effects  # noqa: E402
from planner.encode import padded_layout, priors_of  # noqa: E402
from planner.rehearse.clairvoyant import CLAIRVOYANT  # noqa: E402
from planner.rehearse.job import OURS, Job, run_job  # noqa: E402
from planner.rehearse.mechanisms import MECHANISMS  # noqa: E402
from planner.rehearse.referee import Referee  # noqa: E402
from planner.rehearse.rivals import RIVALS, SPACE_FILLING  # noqa: E402
from planner.rehearse.world import Truth, World  # noqa: E402
from tests.evidence import common, virtual_lab  # noqa: E402

SEED = 20261125
COMMAND = "python tests/evidence/acquisition.py"
MODULES = [*common.CAMPAIGN_MODULES, *(f"planner/rehearse/{name}.py" for name in ("clairvoyant", "job", "referee", "rival_plan")),
           "tests/evidence/acquisition.py"]
STRATEGIES = (OURS, *RIVALS, CLAIRVOYANT)
LEAST_WEEKS = 4                   # H is compared after so many weeks
MOST_WEEKS = 12                   # cost to halve H is counted no further
EXPECTED_S = 120.0                # of one campaign of four weeks, until one was seen
WORSE = 1.1                       # of space-filling's cost: ours may be no dearer on any truth
RESAMPLES = 2000
LEAST_CONFORMING = 0.02           # of the box, below which a truth has no window to find
MOST_DRAWN = 200
BLANKS_A_WEEK = 80                # of each lot: no strategy spends less because a shelf is empty


@dataclass(frozen=True)
class Task:
    """One virtual campaign."""

    number: int                   # of the truth; odd ones are foreign
    stream: int
    strategy: str
    weeks: int
    cores: int = 1

    @property
    def name(self) -> str:
        """Key of its result."""
        return f"{self.number:02d} {self.stream} {self.weeks:02d} {self.strategy}"

    @property
    def truth(self) -> Truth:
        """Its truth: the constants are the truth's, the seed of lots, loads and scatter the stream's."""
        return replace(truth_of(self.number), seed=int(np.random.default_rng([SEED, self.number, 1 + self.stream]).integers(1 << 31)))


@cache
def truth_of(number: int) -> Truth:
    """Draw truths until one has a window."""
    d = virtual_lab.definition()
    for attempt in range(MOST_DRAWN):
        rng = np.random.default_rng([SEED, number, 0, 1 + attempt])
        params = new_effects(sample_prior(padded_layout(len(d.factors.tempers), 1, 1), priors_of(d), 1, rng), 1, 1, rng)
        name = None if number % 2 == 0 else list(MECHANISMS)[number // 2 % len(MECHANISMS)]
        truth = Truth("prior", params, 0) if name is None else Truth(name, params, 0, name, MECHANISMS[name].defaults())
        if Referee(d, World.of(truth, d), seed=1, n_points=512, n_nodes=128).conforming_share >= LEAST_CONFORMING:
            return truth
    raise RuntimeError(f"none of {MOST_DRAWN} truths has a window")


def run(task: Task) -> dict:
    """Run one campaign; returns what is kept of it, a list entry a refit, the first fit first."""
    started, truth = time.perf_counter(), task.truth
    stock = dict.fromkeys(virtual_lab.stock(), BLANKS_A_WEEK * task.weeks)
    job = Job(definition=virtual_lab.definition_text(), start=virtual_lab.legacy(), remeasure=True, stock=stock, truth=truth, strategy=task.strategy,
              weeks=task.weeks, repeat=task.number, seed=truth.seed, cores=task.cores, halved_after=LEAST_WEEKS)
    found = run_job(job)
    rows = found["weeks"]
    return {"truth": truth.name, "conforming": round(rows[0]["conforming_share"], 4), "cost": [r["cost"] for r in rows], "H": [round(r["misclassification"], 5) for r in rows],
            "H_true": [round(r["actual_misclassification"], 5) for r in rows], "claimed": [round(r["claimed_share"], 4) for r in rows],
            "false": any(r["false_claim"] for r in rows), "verdicts": [r["verdict"] for r in rows], "ended": found["ended"],
            "seconds": round(time.perf_counter() - started, 1)}


def cost_to_halve(cost: Sequence[float], h: Sequence[float], horizon: float) -> float:
    """Return the cost at which H is half of the first, linear between refits, at most the horizon."""
    for i in range(1, len(h)):
        if h[i] <= 0.5 * h[0]:
            share = (h[i - 1] - 0.5 * h[0]) / (h[i - 1] - h[i])
            return float(min(cost[i - 1] + share * (cost[i] - cost[i - 1]), horizon))
    return float(horizon)


def summary(kept: dict[str, dict], *, weeks: int, budget: float) -> dict:
    """Return costs, shares and bands over the truths and streams that every strategy has met, the keys of the contract first."""
    runs = {tuple(name.split()): row for name, row in kept.items()}
    met = sorted({(n, s) for n, s, w, _ in runs if int(w) == weeks and all((n, s, w, x) in runs for x in STRATEGIES)})
    numbers = sorted({n for n, _ in met})
    if not numbers:
        return {"truths": 0}
    of = lambda n, x: [runs[n, s, f"{weeks:02d}", x] for m, s in met if m == n]
    last = lambda row, key: row[key][min(LEAST_WEEKS, len(row[key]) - 1)]
    means = lambda value: {x: np.array([np.mean([value(row) for row in of(n, x)]) for n in numbers]) for x in STRATEGIES}
    cost = means(lambda row: cost_to_halve(row["cost"], row["H"], weeks * budget))
    h, true = means(lambda row: last(row, "H")), means(lambda row: last(row, "H_true"))
    others = [x for x in STRATEGIES if x not in (OURS, CLAIRVOYANT)]
    again = np.random.default_rng(SEED).integers(0, len(numbers), (RESAMPLES, len(numbers)))
    ratio = {x: float(cost[x].mean() / cost[OURS].mean()) for x in STRATEGIES if x != OURS}
    bands = {x: np.quantile(cost[x][again].mean(axis=1) / cost[OURS][again].mean(axis=1), [0.025, 0.975]).tolist() for x in ratio}
    ours = [row for n in numbers for row in of(n, OURS)]
    falls = [(row["H"][0] - row["H"][-1], row["H_true"][0] - row["H_true"][-1]) for row in ours]
    return {"truths": len(numbers), "cost_to_halve_relative_to_ours": ratio, "bands": bands,
            "share_of_truths_lowest_H": float(np.mean([all(h[OURS][i] < h[x][i] for x in others) for i in range(len(numbers))])),
            "meaning": "a strategy's restricted mean cost over ours; bands: 95 %, paired bootstrap over truths", "weeks": weeks,
            "campaigns": len(met) * len(STRATEGIES), "streams_at_least": min(len(of(n, OURS)) for n in numbers), "foreign_truths": sum(int(n) % 2 for n in numbers),
            "halved_share": {x: float(np.mean([row["H"][-1] <= 0.5 * row["H"][0] for n in numbers for row in of(n, x)])) for x in STRATEGIES},
            "cost_to_halve": {x: float(cost[x].mean()) for x in STRATEGIES}, "H_first": float(np.mean([row["H"][0] for row in ours])),
            "H_after_4_weeks": {x: float(h[x].mean()) for x in STRATEGIES}, "H_true_first": float(np.mean([row["H_true"][0] for row in ours])),
            "cost_after_4_weeks": {x: float(np.mean([last(row, "cost") for n in numbers for row in of(n, x)])) for x in STRATEGIES},
            "H_true_after_4_weeks": {x: float(true[x].mean()) for x in STRATEGIES},
            "truths_dearer_than_space_filling": [int(n) for n, a, b in zip(numbers, cost[OURS], cost[SPACE_FILLING], strict=True) if a > WORSE * b],
            "truths_where_ours_beat_the_clairvoyant": [int(n) for n, a, b in zip(numbers, h[OURS], h[CLAIRVOYANT], strict=True) if a < b],
            "H_and_H_true_fall_together": float(np.mean([(a > 0) == (b > 0) for a, b in falls])),
            "false_claims": {x: sum(row["false"] for n in numbers for row in of(n, x)) for x in STRATEGIES}}


def todo(kept: dict[str, dict], given) -> list[Task]:
    """Return the campaigns still to run: all strategies of a truth together, one stream of every truth before the next."""
    cores = 2 if given.processes == 1 else 1
    tasks = [Task(n, s, x, given.weeks, cores) for s in range(given.streams) for n in range(given.truths) for x in STRATEGIES]
    return [t for t in tasks if t.name not in kept]


def main(words=None, *, work=run) -> None:
    """Run a slice, store after every campaign, and say how it stands."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--truths", type=int, default=16, help="every other one foreign")
    parser.add_argument("--streams", type=int, default=3, help="noise streams of each truth")
    parser.add_argument("--weeks", type=int, default=MOST_WEEKS, help="horizon, at least 4")
    parser.add_argument("--processes", type=int, default=2)
    given = common.arguments(parser, words)
    if given.weeks < LEAST_WEEKS:
        parser.error(f"--weeks must be at least {LEAST_WEEKS}")
    head = common.header(COMMAND if given.weeks == MOST_WEEKS else f"{COMMAND} --weeks {given.weeks}", seed=SEED, modules=MODULES)
    kept = {name: json.loads(row) for name, row in common.load("acquisition", head).get("rows", {}).items()}
    tasks, budget = todo(kept, given), virtual_lab.definition().week.budget
    seen = [row["seconds"] for row in kept.values()]
    seconds = float(np.mean(seen)) if seen else EXPECTED_S * given.weeks / LEAST_WEEKS
    print(f"expected: about {seconds * len(tasks) / given.processes / 60:.0f} minutes in all for {len(tasks)} campaigns; this slice at most {given.minutes:g}", flush=True)
    for task, row in common.spread(tasks, work, processes=given.processes, end=common.until(given.minutes), seconds=lambda _: seconds):
        kept[task.name] = row
        print(f"{task.name} {row}", file=sys.stderr, flush=True)
        common.store("acquisition", head, summary(kept, weeks=given.weeks, budget=budget) | {"rows": {name: json.dumps(kept[name]) for name in sorted(kept)}})
    print(json.dumps(summary(kept, weeks=given.weeks, budget=budget), indent=1))


if __name__ == "__main__":
    main()
