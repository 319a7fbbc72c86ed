"""Does the gain that a plan foresees come?  Forecasts against refits, as `forecast.json` and the record that plans print.

    python tests/evidence/forecast.py [--minutes 20] [--processes 2] [--batches 36] [--outcomes 8]

A batch is one week's list of specimens in a virtual campaign of some standing (legacy specimens and up to two weeks of a design,
measured in a prior draw).  Batches are of mixed size and quality: our plans at the whole of the week's money and at parts of it, and
rival designs.  Each is forecast once and then answered several times: a draw of its own posterior is taken as the truth, the
specimens are measured in it, and everything is fitted anew.  The truths of a batch are stratified: draws are ranked by the share of
the box that conforms in them, and one is taken at random from each of as many equal parts as there are answers, so that their mean
scatters less than that of as many independent draws and is as unbiased.  Every third batch teaches the factors on gain and band; the
others, whose truths are different ones, are the record.

References
----------
Spearman, C. (1904), Am. J. Psychol. 15, 72-101 (rank correlation).
"""

from __future__ import annotations

import argparse
import datetime
import json
import shutil
import sys
import tempfile
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy.stats import spearmanr

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from models.priors import sample_prior  # noqa: E402
from models.simulate import new_effects  # noqa: E402
from models.verdict import CONVERGED, PRIOR_ONLY  # noqa: E402
from planner.acquisition.forecast_record import FILE, scaled  # noqa: E402
from planner.acquisition.plan_file import read_plan  # noqa: E402
from planner.cycle import open_campaign  # noqa: E402
from planner.cycle.fitting import SamplerPool, current_fit  # noqa: E402
from planner.cycle.planning import Choice  # noqa: E402
from planner.cycle.window import window_of  # noqa: E402
from planner.encode import padded_layout, priors_of  # noqa: E402
from planner.rehearse.bench import Bench, write_results  # noqa: E402
from planner.rehearse.rival_plan import write_rival_plan  # noqa: E402
from planner.rehearse.rivals import FACTORIAL, SPACE_FILLING, Formable  # noqa: E402
from planner.rehearse.world import Truth, World  # noqa: E402
from tests.evidence import common, virtual_lab  # noqa: E402

SEED = 20261127
COMMAND = "python tests/evidence/forecast.py"
MODULES = [*common.CAMPAIGN_MODULES, "planner/rehearse/rival_plan.py", "tests/evidence/forecast.py"]
KINDS = (("ours", 1.0), (SPACE_FILLING, 1.0), ("ours", 0.4), ("ours", 0.7), (FACTORIAL, 1.0), ("ours", 0.25), ("ours", 1.0))
"""Who chooses a batch, and with which share of the week's money, by turns."""
LEAST_BATCHES = 20                # judged, of which the contract asks
MOST_WEEKS = 2                    # of a design behind a batch, beside the legacy specimens
TEACHES = 3                       # every third batch
EXPECTED_S = 300.0                # of one batch of eight outcomes


@dataclass(frozen=True)
class Task:
    """One batch, forecast once and answered several times."""

    number: int
    outcomes: int
    cores: int = 1

    @property
    def name(self) -> str:
        """Key of its result."""
        return f"{self.number:03d} {self.outcomes:02d}"

    @property
    def kind(self) -> tuple[str, float]:
        """Who chooses it, and with which share of the money."""
        return KINDS[self.number % len(KINDS)]

    @property
    def weeks(self) -> int:
        """Weeks of a design behind it."""
        return self.number // TEACHES % (MOST_WEEKS + 1)             # those that teach and those that judge alike


class Lab:
    """A virtual campaign in a scratch folder, at the standing from which a batch is chosen."""

    def __init__(self, folder: Path, task: Task):
        rng, d = np.random.default_rng([SEED, task.number]), virtual_lab.definition()
        self.task, self.folder, self.seed = task, folder, int(rng.integers(1 << 31))
        truth = Truth("prior", new_effects(sample_prior(padded_layout(len(d.factors.tempers), 1, 1), priors_of(d), 1, rng), 1, 1, rng), self.seed)
        self.samplers = SamplerPool(n_lots=len(d.stock) + 4, n_loads=(MOST_WEEKS + 3) * (d.week.furnace_loads or 4), cores=task.cores)
        (folder / "results").mkdir(parents=True)
        (folder / "campaign.toml").write_text(virtual_lab.definition_text(), encoding="utf-8")
        self.campaign = self.opened(folder)
        bench = Bench(d, World.of(truth, d))
        made = virtual_lab.designed(weeks=task.weeks, blanks=virtual_lab.stock(), seed=self.seed)
        write_results(folder / "results" / "000_start.csv", [bench.measured(s) for s in (*virtual_lab.legacy(), *made) if bench.can_make(s)])
        self.campaign.record()

    def opened(self, folder: Path):
        """Open a campaign folder under this lab's seed and shared samplers."""
        campaign = open_campaign(folder)
        d = campaign.definition
        campaign.definition = d.model_copy(update={
            "campaign": d.campaign.model_copy(update={"seed": self.seed}), "insist": (),
            "stock": tuple(entry.model_copy(update={"counted": None, "blanks": virtual_lab.BLANKS}) for entry in d.stock)})
        campaign.samplers = self.samplers
        return campaign

    def standing(self, campaign, *, keep: bool = False):
        """Return fit and window of a campaign as it stands."""
        window = window_of(campaign, current_fit(campaign), claims=False, ranges=False, maps=False, lots_seen=False, keep=keep, allow_failed=True)
        return current_fit(campaign), window

    def batch(self) -> tuple[list, dict]:
        """Choose the batch; returns its specimens and its forecast before any factor, the linear update's beside it."""
        who, share = self.task.kind
        fit, window = self.standing(self.campaign, keep=True)
        d = self.campaign.definition
        if who == "ours":
            plan = self.campaign.plan(seed=self.seed, budget=share * d.week.budget, without_claims=True, papers=False)
            return list(read_plan(plan.folder).specimens), plan.record["linear"]
        folder, _ = write_rival_plan(self.campaign, who, week=1, weeks=1, fit=fit, window=window, formable=Formable(d, seed=self.seed), world=None, seed=self.seed)
        specimens = list(read_plan(folder).specimens)
        with self.campaign.ledger(read_only=True) as ledger:
            everything = ledger.specimens(with_excluded=True)
        scored = Choice.of(self.campaign, fit, window, everything, (), budget=None).score(specimens)
        return specimens, {"gain": scored.linear_gain, "gain_band_80": list(scored.linear_band_80), "simulated_gain": scored.simulated_gain}

    def answer(self, specimens, fit, draws: np.ndarray, number: int) -> tuple[float, str]:
        """Measure the batch in one of some draws of the fit, fit everything anew, and return H and the verdict."""
        rng = np.random.default_rng([self.seed, 1 + number])
        params = fit.params.take([int(rng.choice(draws))])
        truth = Truth("posterior", params, int(rng.integers(1 << 31)), lots=fit.encoded.lots, loads=fit.encoded.loads)
        bench = Bench(self.campaign.definition, World.of(truth, self.campaign.definition))
        with tempfile.TemporaryDirectory(prefix="answered-") as scratch:
            folder = Path(scratch) / "campaign"
            shutil.copytree(self.folder, folder)
            write_results(folder / "results" / "001_week.csv", [bench.measured(s) for s in specimens])
            campaign = self.opened(folder)
            campaign.record()
            after, window = self.standing(campaign)
            return float(window.misclassification), after.verdict.name


def strata(conformance: np.ndarray, reliability: float, n: int) -> list[np.ndarray]:
    """Split draws into n equal parts by the share of points that conform in them, ties by mean conformance; (n_draws, n_points)."""
    return np.array_split(np.lexsort((conformance.mean(axis=1), (conformance >= reliability).mean(axis=1))), n)


def run(task: Task) -> dict:
    """Forecast one batch and answer it; returns what is kept of it."""
    started = time.perf_counter()
    with tempfile.TemporaryDirectory(prefix="forecast-") as scratch:
        lab = Lab(Path(scratch) / "campaign", task)
        specimens, linear = lab.batch()
        fit, window = lab.standing(lab.campaign, keep=True)
        before = float(window.misclassification)
        parts = strata(window.conformance, window.reliability, task.outcomes)
        answers = [lab.answer(specimens, fit, draws, number) for number, draws in enumerate(parts)]
    return {"kind": " ".join(map(str, task.kind)), "weeks_before": task.weeks, "specimens": len(specimens), "verdict": fit.verdict.name, "H": round(before, 5),
            "linear_gain": linear["gain"], "linear_band_80": linear["gain_band_80"], "simulated_gain": linear["simulated_gain"], "came": [round(before - h, 6) for h, _ in answers],
            "verdicts": [verdict for _, verdict in answers], "seconds": round(time.perf_counter() - started, 1)}


def learnt(rows: Sequence[dict]) -> tuple[float, float]:
    """Return the factor on the gain (ratio of sums) and the stretch with which the bands hold 80 % of the single weeks."""
    plain = [scaled(r["simulated_gain"], r["linear_band_80"]) for r in rows]
    factor = sum(sum(r["came"]) for r in rows) / sum(gain * len(r["came"]) for (gain, _), r in zip(plain, rows, strict=True))
    needed = []
    for (gain, (low, high)), r in zip(plain, rows, strict=True):
        for x in r["came"]:
            off = x - factor * gain
            room = high - gain if off > 0 else gain - low
            needed.append(abs(off) / max(room, 1e-9))
    return float(factor), float(np.quantile(needed, 0.8))


def trusted(row: dict) -> dict | None:
    """Return a batch with the answers whose refit converged; None where no lab would have been given the plan."""
    came = [x for x, verdict in zip(row["came"], row["verdicts"], strict=True) if verdict == CONVERGED]
    return row | {"came": came} if came and row["verdict"] in (CONVERGED, PRIOR_ONLY) else None


def summary(kept: dict[str, dict]) -> dict:
    """Return the keys of the contract, over the batches that taught nothing."""
    found = {int(name.split()[0]): trusted(row) for name, row in kept.items()}
    rows = {number: row for number, row in found.items() if row is not None}
    taught = [r for n, r in sorted(rows.items()) if n % TEACHES == 0]
    judged = [r for n, r in sorted(rows.items()) if n % TEACHES]
    if not taught or not judged:
        return {"weeks": 0, "batches": 0}
    factor, stretch = learnt(taught)
    foreseen, came, inside = [], [], []
    for r in judged:
        gain, (low, high) = scaled(r["simulated_gain"], r["linear_band_80"], factor=factor, stretch=stretch)
        foreseen.append(gain)
        came.append(float(np.mean(r["came"])))
        inside += [low <= x <= high for x in r["came"]]
    counts = [len(r["came"]) for r in judged]
    total = float(np.dot(came, counts))
    return {"weeks": sum(counts), "ratio_of_sums": float(np.dot(foreseen, counts) / total) if total else None,
            "rank_correlation": float(spearmanr(foreseen, came).statistic) if len(judged) > 2 else None, "band_coverage_80": float(np.mean(inside)),
            "batches": len(judged), "enough_batches": len(judged) >= LEAST_BATCHES,
            "ratio_by_weeks_before": {str(w): float(np.dot(f, c) / np.dot(m, c)) for w in range(MOST_WEEKS + 1)
                                      for f, m, c in [_of(w, judged, foreseen, came, counts)] if np.dot(m, c)}, "factor": factor, "stretch": stretch, "batches_that_taught": len(taught),
            "weeks_that_taught": sum(len(r["came"]) for r in taught), "ratio_of_sums_unscaled": float(np.dot(foreseen, counts) / total / factor) if total else None,
            "linear_rank_correlation": float(spearmanr([r["linear_gain"] for r in judged], came).statistic) if len(judged) > 2 else None,
            "batches_left_out": len(found) - len(rows), "weeks_left_out": sum(v != CONVERGED for r in rows.values() for v in r["verdicts"]),
            "meaning": "ratio: gain foreseen over gain that came; weeks: single answers; rank correlation: over batches, against the mean of their answers; "
                       "left out: batches whose first fit did not converge, of which a lab is given no plan, and single answers whose refit did not"}


def _of(weeks: int, rows: Sequence[dict], *of: Sequence[float]) -> tuple[list[float], ...]:
    """Return the parts of some lists that belong to batches with so many weeks behind them."""
    return tuple([x for x, row in zip(values, rows, strict=True) if row.get("weeks_before") == weeks] for values in of)


def store(head: dict, kept: dict[str, dict]) -> None:
    """Write the evidence and, once every number of it is there, the record that plans print."""
    found = summary(kept)
    common.store("forecast", head, found | {"rows": {name: json.dumps(kept[name]) for name in sorted(kept)}})
    if None not in (found.get("ratio_of_sums"), found.get("rank_correlation")):
        keys = ("factor", "stretch", "weeks", "ratio_of_sums", "rank_correlation", "band_coverage_80")
        told = {k: round(found[k], 4) for k in keys} | {"made_on": datetime.date.today().isoformat(), "code_digest": head["code_digest"]}
        FILE.write_text(json.dumps(told, indent=1) + "\n", encoding="utf-8")


def main(words=None, *, work=run) -> None:
    """Run a slice, store after every batch, and say how it stands."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--batches", type=int, default=36, help="a third of them teach")
    parser.add_argument("--outcomes", type=int, default=8, help="answers of each batch, each with a refit")
    parser.add_argument("--processes", type=int, default=2)
    given = common.arguments(parser, words)
    head = common.header(COMMAND, seed=SEED, modules=MODULES)
    kept = {name: json.loads(row) for name, row in common.load("forecast", head).get("rows", {}).items()}
    tasks = [Task(n, given.outcomes, 2 if given.processes == 1 else 1) for n in range(given.batches)]
    tasks = [t for t in tasks if t.name not in kept]
    seen = [row["seconds"] for row in kept.values()]
    seconds = float(np.mean(seen)) if seen else EXPECTED_S * given.outcomes / 8
    print(f"expected: about {seconds * len(tasks) / given.processes / 60:.0f} minutes in all for {len(tasks)} batches; this slice at most {given.minutes:g}", flush=True)
    for task, row in common.spread(tasks, work, processes=given.processes, end=common.until(given.minutes), seconds=lambda _: seconds):
        kept[task.name] = row
        print(f"{task.name} {row}", file=sys.stderr, flush=True)
        store(head, kept)
    print(json.dumps(summary(kept), indent=1))


if __name__ == "__main__":
    main()
