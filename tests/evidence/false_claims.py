"""How often is a joint claim false?  Virtual campaigns of own and of foreign truth, as `false_claims.json`.

    python tests/evidence/false_claims.py [--minutes 20] [--processes 2] [--only designed|weekly] [--campaigns 200]

The campaign is the example that documents the format (`tests/lab/data/campaign.toml`, invented) at its prices and its week's
limits; its lab spends the whole budget, whatever the worth of a percent, and has blanks for it.  Own truths are prior draws; foreign ones are prior draws changed by the ten mechanisms of the rehearsals by turns.  Three campaigns
in ten run week by week on our own plans; the others are one designed data set of the same number of weeks.  A claim is
false when it contains a point, of 4096 scrambled ones and the corners that the program does not know, that truly conforms less
often than R.  Each run adds campaigns on the same code; a designed data set does not depend on how trials are chosen, and outlives changes there.

References
----------
Clopper & Pearson (1934), Biometrika 26, 404-413 (exact bounds on a rate).
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from models.priors import sample_prior  # noqa: E402
from models.simulate import new_effects  # noqa: E402
from planner.cycle import open_campaign  # noqa: E402
from planner.cycle.fitting import SamplerPool, current_fit  # noqa: E402
from planner.cycle.window import window_of  # noqa: E402
from planner.encode import padded_layout, priors_of  # noqa: E402
from planner.rehearse.bench import Bench, write_results  # noqa: E402
from planner.rehearse.job import OURS, Job, run_job  # noqa: E402
from planner.rehearse.mechanisms import MECHANISMS  # noqa: E402
from planner.rehearse.referee import Referee  # noqa: E402
from planner.rehearse.world import Truth, World  # noqa: E402
from planner.window.reliability import clopper_pearson, clopper_pearson_lower  # noqa: E402
from tests.evidence import common, virtual_lab  # noqa: E402

SEED = 20261127
COMMAND = "python tests/evidence/false_claims.py"
DESIGNED = [*common.WINDOW_MODULES,
            *(f"planner/acquisition/{name}.py" for name in ("candidate", "candidates", "limits", "plan_file", "proposal", "schedule")),
            *(f"planner/cycle/{name}.py" for name in ("fitting", "kept", "window")),
            *(f"planner/rehearse/{name}.py" for name in ("bench", "conformance", "mechanisms", "referee", "rivals", "row_values", "world")),
            "tests/evidence/false_claims.py", "tests/evidence/virtual_lab.py"]
MODULES = [*DESIGNED, "planner/acquisition/*.py", "planner/cycle/planning.py", *(f"planner/rehearse/{name}.py" for name in ("job", "rehearsal", "rival_plan"))]
MODULES_OF = {"designed": DESIGNED, "weekly": MODULES}       # a campaign counts as long as the code that it ran stays as it is
FORMS = ("own", "foreign")
WEEKS = 4
WEEKLY = (0, 3, 7)                # last digits of the campaigns that run week by week: three in ten
EXPECTED_S = {"designed": 60.0, "weekly": 480.0}
BLANKS = 240                      # of each lot: no week is cut short because a shelf is empty
LEAST_CONFORMING = 0.02           # of the box, below which a truth has no window worth finding


def definition_text() -> str:
    """Return the example's campaign.toml without the worth of a percent, below which a plan would keep its money."""
    return "".join(line for line in virtual_lab.definition_text(virtual_lab.EXAMPLE).splitlines(keepends=True) if not line.startswith("worth_per_percent"))


def stock() -> dict[str, int]:
    """Return blanks by lot."""
    return {entry.lot: BLANKS for entry in virtual_lab.definition(virtual_lab.EXAMPLE).stock}


@dataclass(frozen=True)
class Task:
    """One virtual campaign."""

    form: str                     # "own" or "foreign"
    number: int
    cores: int = 1

    @property
    def how(self) -> str:
        """Whether it runs week by week or as one designed data set."""
        return "weekly" if self.number % 10 in WEEKLY else "designed"

    @property
    def name(self) -> str:
        """Key of its result."""
        return f"{self.form} {self.number:04d}"

    @property
    def truth(self) -> Truth:
        """Its truth: a prior draw, in its foreign form changed by a mechanism."""
        rng = np.random.default_rng([SEED, FORMS.index(self.form), self.number])
        seed = int(rng.integers(1 << 31))
        d = virtual_lab.definition(virtual_lab.EXAMPLE)
        params = new_effects(sample_prior(padded_layout(len(d.factors.tempers), 1, 1), priors_of(d), 1, rng), 1, 1, rng)
        if self.form == "own":
            return Truth("prior", params, seed)
        name = list(MECHANISMS)[(self.number + self.number // 10) % len(MECHANISMS)]       # each as often week by week as the others
        return Truth(name, params, seed, name, MECHANISMS[name].defaults())


def weekly(task: Task) -> list[dict]:
    """Run our own plans week by week; returns the referee's row of every week."""
    job = Job(definition=definition_text(), start=(), remeasure=True, stock=stock(), truth=task.truth, strategy=OURS, weeks=WEEKS,
              repeat=task.number, seed=task.truth.seed, cores=task.cores)
    return run_job(job)["weeks"]


def designed(task: Task) -> list[dict]:
    """Fit one designed data set and hold its window against the truth."""
    truth = task.truth
    with tempfile.TemporaryDirectory(prefix="designed-") as scratch:
        folder = Path(scratch)
        (folder / "campaign.toml").write_text(definition_text(), encoding="utf-8")
        (folder / "results").mkdir()
        campaign = open_campaign(folder)
        d = campaign.definition
        d = campaign.definition = d.model_copy(update={
            "campaign": d.campaign.model_copy(update={"seed": truth.seed}), "insist": (),
            "stock": tuple(entry.model_copy(update={"counted": None}) for entry in d.stock)})
        world = World.of(truth, d)
        bench = Bench(d, world)
        made = [bench.measured(s) for s in virtual_lab.designed(weeks=WEEKS, blanks=stock(), seed=truth.seed, folder=virtual_lab.EXAMPLE)]
        write_results(folder / "results" / "001_designed.csv", made)
        campaign.record()
        campaign.samplers = SamplerPool(n_lots=len(d.stock), n_loads=WEEKS * (d.week.furnace_loads or 4), cores=task.cores)
        window = window_of(campaign, current_fit(campaign), ranges=False, maps=False, lots_seen=False, allow_failed=True)
        fit = current_fit(campaign)                       # the window may have asked for more draws
        return [{"week": WEEKS, "verdict": fit.verdict.name, "specimens": len(made), **Referee(d, world, seed=truth.seed).verdict(fit, window)}]


def run(task: Task) -> dict:
    """Run one campaign; returns what is kept of it."""
    started = time.perf_counter()
    rows = weekly(task) if task.how == "weekly" else designed(task)
    last = rows[-1]
    share = last["claimed_share_of_conforming"]
    return {"how": task.how, "truth": task.truth.name, "false": bool(last["false_claim"]), "false_any_week": any(r["false_claim"] for r in rows),
            "claims": last["claimed_share"] > 0, "conforming": round(last["conforming_share"], 4), "claimed_of_conforming": None if share is None else round(share, 4),
            "worst": last["worst_claimed_conformance"], "H": round(last["misclassification"], 4), "H_true": round(last["actual_misclassification"], 4),
            "weeks": last["week"], "specimens": last["specimens"], "verdict": last["verdict"], "seconds": round(time.perf_counter() - started, 1)}


def tally(rows: list[dict]) -> dict:
    """Return counts, exact bounds and the claimed share of a group of campaigns."""
    n, k = len(rows), sum(r["false"] for r in rows)
    low, high = clopper_pearson(k, n)
    window = [r["claimed_of_conforming"] or 0.0 for r in rows if r["conforming"] >= LEAST_CONFORMING]
    return {"campaigns": n, "false_joint_claims": k, "false_any_week": sum(r["false_any_week"] for r in rows), "weekly": sum(r["how"] == "weekly" for r in rows),
            "false_share_95": [low, high], "false_share_at_most_95": 1.0 - clopper_pearson_lower(n - k, n), "with_a_claim": sum(r["claims"] for r in rows),
            "with_a_window": len(window), "median_claimed_share": float(np.median(window)) if window else None, "fits_failed": sum(r["verdict"] != "CONVERGED" for r in rows)}


def summary(kept: dict[str, dict]) -> dict:
    """Return the keys of the contract."""
    of = {form: [row for name, row in sorted(kept.items()) if name.startswith(form)] for form in FORMS}
    out = {form: tally(rows) | {"by_how": {how: tally([r for r in rows if r["how"] == how]) for how in MODULES_OF if any(r["how"] == how for r in rows)}}
           for form, rows in of.items() if rows}
    for found in out.values():                            # the bar speaks of four weeks of plans; a design of the same size is another thing
        found["median_claimed_share_weekly"] = found["by_how"].get("weekly", {}).get("median_claimed_share")
    if of["foreign"]:
        names = [m for m in MECHANISMS if any(r["truth"] == m for r in of["foreign"])]
        out["foreign"]["by_truth"] = {m: tally([r for r in of["foreign"] if r["truth"] == m]) for m in names}
    return out


def todo(kept: dict[str, dict], given) -> list[Task]:
    """Return the campaigns still to run, own and foreign by turns."""
    tasks = [Task(form, number, 2 if given.processes == 1 else 1) for number in range(given.campaigns) for form in FORMS]
    return [t for t in tasks if t.name not in kept and given.only in (None, t.how)]


def still_true(rows: dict[str, str], code: dict[str, str]) -> dict[str, dict]:
    """Return the campaigns of a file that ran on today's code, by name."""
    told = {name: json.loads(row) for name, row in rows.items()}
    return {name: row for name, row in told.items() if row.get("code") == code[row["how"]]}


def expected(kept: dict[str, dict]) -> dict[str, float]:
    """Return the seconds that a campaign of either kind takes, from those made."""
    seen = {how: [r["seconds"] for r in kept.values() if r["how"] == how] for how in EXPECTED_S}
    return {how: float(np.mean(seen[how])) if seen[how] else EXPECTED_S[how] for how in EXPECTED_S}


def main() -> None:
    """Run a slice, store after every campaign, and say how it stands."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--campaigns", type=int, default=200, help="campaigns wanted of each form")
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--only", choices=("designed", "weekly"))
    given = common.arguments(parser)
    head = common.header(COMMAND, seed=SEED, modules=MODULES)
    code = {how: common.digest_of(modules) for how, modules in MODULES_OF.items()}
    kept = still_true(common.load("false_claims", head, same=("seed", "versions")).get("rows", {}), code)
    tasks, seconds, end = todo(kept, given), expected(kept), common.until(given.minutes)
    print(f"expected: about {sum(seconds[t.how] for t in tasks) / given.processes / 60:.0f} minutes in all for {len(tasks)} campaigns; "
          f"this slice at most {given.minutes:g}", flush=True)
    for task, row in common.spread(tasks, run, processes=given.processes, end=end, seconds=lambda task: seconds[task.how]):
        kept[task.name] = row | {"code": code[task.how]}
        print(f"{task.name} {row}", file=sys.stderr, flush=True)
        common.store("false_claims", head, summary(kept) | {"rows": {name: json.dumps(kept[name]) for name in sorted(kept)}})
    for form, found in summary(kept).items():
        print(form, {k: v for k, v in found.items() if k not in ("by_truth", "by_how")})


if __name__ == "__main__":
    main()
