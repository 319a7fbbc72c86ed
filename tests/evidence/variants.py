"""What each part of the choice is worth: our batch beside the same search with that part taken out, as `variants.json`.

    python tests/evidence/variants.py [--minutes 20] [--processes 2] [--labs 12] [--outcomes 2]

A lab is a virtual campaign under a prior truth with the legacy specimens and up to two weeks of a design behind it. From the same fit every
variant chooses a week at the same limits; each batch is then measured in the same draws of that fit, with the same lots, loads and scatter,
and fitted anew. What counts is by how much H falls less than with our own batch, as a share of our own fall; bands are paired bootstraps over labs.
"""

from __future__ import annotations

import argparse
import json
import shutil
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import replace
from functools import partial
from pathlib import Path
from unittest.mock import patch

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from planner.acquisition import batch, propose  # noqa: E402
from planner.acquisition.limits import Limits  # noqa: E402
from planner.acquisition.plan_file import read_plan  # noqa: E402
from tests.evidence import common  # noqa: E402
from tests.evidence.forecast import Lab, Task, strata  # noqa: E402

SEED = 20261127
COMMAND = "python tests/evidence/variants.py"
MODULES = [*common.CAMPAIGN_MODULES, "tests/evidence/forecast.py", "tests/evidence/variants.py"]
EXPECTED_S = 500.0                # of one lab on one core
RESAMPLES = 2000
OURS = "ours"
FIRST_LAB = 1000                  # labs of their own: none is one of the forecasts'


def _without_sections(of: Callable, *words, **more) -> Limits:
    """Offer no component that is cut open; what coupons and controls need of the section bench is left to them."""
    limits = of(*words, **more)
    return replace(limits, uses={name: replace(use, section_sections=0) for name, use in limits.uses.items()})


#: What is put in the place of what, by variant: (module, name, replacement).
CHANGES: dict[str, list[tuple[object, str, object]]] = {
    OURS: [],
    "greedy, no exchange": [(propose, "choose", partial(batch.choose, passes=0))],
    "no final round on simulated outcomes": [(batch, "settle", lambda drafts, conforms: drafts[0])],
    "single yes/no readings by the linear score": [(propose, "single_yes_no_correction", lambda gain, conforms: None)],
    "no shrinkage of correlations": [(propose, "LinearGain", partial(propose.LinearGain, shrinkage=0.0))],
    "no representative share": [(batch, "represent", lambda draft, region: False), (batch, "keep_representative_share", lambda draft, region: None)],
    "sections of no specimen": [(Limits, "of", staticmethod(partial(_without_sections, Limits.of)))],
    **{f"only the price rule {price}": [(propose, "choose", partial(batch.choose, prices=(price,)))] for price in batch.PRICES},
}


@contextmanager
def changed(variant: str) -> Iterator[None]:
    """Take a part out of the choice while the block runs."""
    with ExitStack() as stack:
        for where, name, other in CHANGES[variant]:
            stack.enter_context(patch.object(where, name, other))
        yield


def chosen(lab: Lab, variant: str, scratch: Path) -> tuple[list, float]:
    """Choose a week from the lab's standing with one variant; returns the specimens and what they cost."""
    folder = scratch / "choosing"
    shutil.copytree(lab.folder, folder)
    try:
        with changed(variant):
            plan = lab.opened(folder).plan(seed=lab.seed, without_claims=True, papers=False)
        return list(read_plan(plan.folder).specimens), float(plan.record["cost"])
    finally:
        shutil.rmtree(folder)


def run(task: Task) -> dict:
    """Choose with every variant from one standing and measure each batch in the same draws; returns what is kept of it."""
    started = time.perf_counter()
    with tempfile.TemporaryDirectory(prefix="variants-") as scratch:
        lab = Lab(Path(scratch) / "campaign", task)
        fit, window = lab.standing(lab.campaign, keep=True)
        parts = strata(window.conformance, window.reliability, task.outcomes)
        found, same = {}, {}
        for variant in CHANGES:
            specimens, cost = chosen(lab, variant, Path(scratch))
            key = tuple(specimens)
            if key not in same:                            # a part that changed nothing needs no fits of its own
                same[key] = [lab.answer(specimens, fit, draws, number) for number, draws in enumerate(parts)]
            found[variant] = {"cost": cost, "specimens": len(specimens), "H": [round(h, 5) for h, _ in same[key]], "verdicts": [v for _, v in same[key]]}
    return {"weeks_before": task.weeks, "H": round(float(window.misclassification), 5), "verdict": fit.verdict.name, "variants": found,
            "batches": len(same), "seconds": round(time.perf_counter() - started, 1)}


def summary(kept: dict[str, dict]) -> dict:
    """Return, by variant, the share of our own fall of H that it loses (below zero: gains), with bands."""
    rows = [row for _, row in sorted(kept.items())]
    if not rows:
        return {"labs": 0}
    falls = {v: np.array([row["H"] - np.mean(row["variants"][v]["H"]) for row in rows]) for v in CHANGES}
    cost = {v: np.array([row["variants"][v]["cost"] for row in rows]) for v in CHANGES}
    again = np.random.default_rng(SEED).integers(0, len(rows), (RESAMPLES, len(rows)))
    lost = lambda v, at=slice(None): 1.0 - falls[v][at].mean(axis=-1) / falls[OURS][at].mean(axis=-1)
    return {"labs": len(rows), "outcomes": len(rows[0]["variants"][OURS]["H"]), "fall_of_H_ours": float(falls[OURS].mean()),
            "lost": {v: float(lost(v)) for v in CHANGES if v != OURS},
            "bands_95": {v: np.quantile(lost(v, again), [0.025, 0.975]).tolist() for v in CHANGES if v != OURS},
            "cost_relative_to_ours": {v: float(cost[v].mean() / cost[OURS].mean()) for v in CHANGES if v != OURS},
            "labs_where_it_chose_otherwise": {v: sum(row["variants"][v]["H"] != row["variants"][OURS]["H"] for row in rows) for v in CHANGES if v != OURS},
            "fits_failed": sum(x != "CONVERGED" for row in rows for one in row["variants"].values() for x in one["verdicts"]),
            "meaning": "lost: share of our own fall of H that goes without this part of the choice; below zero it does better without"}


def main(words=None, *, work=run) -> None:
    """Run a slice, store after every lab, and say how it stands."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--labs", type=int, default=12)
    parser.add_argument("--outcomes", type=int, default=2, help="draws of the fit in which each batch is measured")
    parser.add_argument("--processes", type=int, default=2)
    given = common.arguments(parser, words)
    head = common.header(COMMAND, seed=SEED, modules=MODULES)
    kept = {name: json.loads(row) for name, row in common.load("variants", head).get("rows", {}).items()}
    tasks = [Task(FIRST_LAB + n, given.outcomes, 2 if given.processes == 1 else 1) for n in range(given.labs)]
    tasks = [t for t in tasks if t.name not in kept]
    seen = [row["seconds"] for row in kept.values()]
    seconds = float(np.mean(seen)) if seen else EXPECTED_S * given.outcomes / 2
    print(f"expected: about {seconds * len(tasks) / given.processes / 60:.0f} minutes in all for {len(tasks)} labs; this slice at most {given.minutes:g}", flush=True)
    for task, row in common.spread(tasks, work, processes=given.processes, end=common.until(given.minutes), seconds=lambda _: seconds):
        kept[task.name] = row
        print(f"{task.name} {row}", file=sys.stderr, flush=True)
        common.store("variants", head, summary(kept) | {"rows": {name: json.dumps(kept[name]) for name in sorted(kept)}})
    print(json.dumps(summary(kept), indent=1))


if __name__ == "__main__":
    main()
