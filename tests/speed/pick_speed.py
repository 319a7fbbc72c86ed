"""Time of choosing a week's batch with every limit: candidates, reference points and picks as asked; prints JSON.

    python -m tests.speed.pick_speed                                            # 1000 candidates, 2048 points, about 40 picks
    python -m tests.speed.pick_speed --candidates 5000 --points 4096 --picks 80 --budget 12400
"""

from __future__ import annotations

import argparse
import json
import tempfile
import time

import numpy as np

import planner
from planner.acquisition import draft
from planner.acquisition.limits import Limits
from planner.acquisition.predictor import FittedPredictor
from planner.acquisition.propose import propose
from planner.acquisition.reference import ReferenceMap
from planner.cycle.fitting import conformance_of, current_fit
from planner.cycle.planning import _thinned
from planner.lab.template import write_campaign
from planner.window.box import factor_box
from planner.window.points import reference_points

PICKS, BUDGET, LOADS, HOURS, SECTIONS, TOOLS = 40, 7_900.0, 6, 200.0, 40, 6      # a week of about so many picks


def main() -> None:
    """Print {"seconds": ..., "rows": ..., "draws": ...}."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    for name, value in (("candidates", 1000), ("points", 2048), ("picks", PICKS)):
        parser.add_argument(f"--{name}", type=int, default=value)
    parser.add_argument("--budget", type=float, default=BUDGET, help="of the week, with which about so many are picked")
    given = parser.parse_args()
    more = given.picks / PICKS
    draft.WORTH_SHARE = 0.0           # go on picking however little the next one brings
    with tempfile.TemporaryDirectory() as folder:
        write_campaign(folder)
        campaign = planner.open_campaign(folder)
        fit = current_fit(campaign)
        definition = campaign.definition
        week = definition.week.model_copy(update={"budget": given.budget, "furnace_loads": round(LOADS * more), "hours": HOURS * more,
                                                  "sections": round(SECTIONS * more), "tool_temperatures": TOOLS})
        definition = definition.model_copy(update={"week": week})
        keep = _thinned(fit.draws.n_draws)
        params = fit.params.take(keep)
        at = reference_points(factor_box(definition), given.points, seed=1)
        conformance = conformance_of(definition, fit.encoded, params)(at)
        started, worked = time.perf_counter(), time.process_time()
        reference = ReferenceMap.of(at, conformance, tempers=definition.factors.tempers, ranges=definition.factor_ranges,
                                    reliability=definition.goal.reliability, chain=fit.draws.chain[keep])
        predictor = FittedPredictor(definition, fit.encoded, params)
        proposal = propose(definition, reference=reference, predictor=predictor, limits=Limits.of(definition), n_candidates=given.candidates,
                           rng=np.random.default_rng(1))
        seconds, cpu = time.perf_counter() - started, time.process_time() - worked
    print(json.dumps({"seconds": seconds, "cpu_seconds": cpu, "candidates": given.candidates, "points": len(reference.c), "rows": proposal.n_trials, "draws": len(keep),
                      "gain": proposal.forecast.gain}))


if __name__ == "__main__":
    main()
