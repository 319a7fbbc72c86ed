"""Time of choosing a week's batch: 1000 candidates, 2048 reference points, about 40 picks, every limit; prints JSON.

    python -m tests.speed.pick_speed
"""

from __future__ import annotations

import json
import tempfile
import time

import numpy as np

import planner
from planner.acquisition.limits import Limits
from planner.acquisition.predictor import FittedPredictor
from planner.acquisition.propose import propose
from planner.acquisition.reference import ReferenceMap
from planner.cycle.fitting import current_fit
from planner.cycle.planning import _thinned
from planner.cycle.window import window_of
from planner.lab.template import write_campaign

BUDGET, LOADS, HOURS, SECTIONS, TOOLS = 11_000.0, 6, 200.0, 40, 6


def main() -> None:
    """Print {"seconds": ..., "rows": ..., "draws": ...}."""
    with tempfile.TemporaryDirectory() as folder:
        write_campaign(folder)
        campaign = planner.open_campaign(folder)
        fit = current_fit(campaign)
        window = window_of(campaign, fit, ranges=False, keep=True)
        definition = campaign.definition
        week = definition.week.model_copy(update={"budget": BUDGET, "furnace_loads": LOADS, "hours": HOURS, "sections": SECTIONS, "tool_temperatures": TOOLS})
        definition = definition.model_copy(update={"week": week})
        keep = _thinned(fit.draws.n_draws)
        started = time.perf_counter()
        reference = ReferenceMap.of(window.reference.conditions, window.conformance[keep], tempers=definition.factors.tempers,
                                    ranges=definition.factor_ranges, reliability=definition.goal.reliability, chain=fit.draws.chain[keep])
        predictor = FittedPredictor(definition, fit.encoded, fit.params.take(keep))
        proposal = propose(definition, reference=reference, predictor=predictor, limits=Limits.of(definition), rng=np.random.default_rng(1))
        seconds = time.perf_counter() - started
    print(json.dumps({"seconds": seconds, "rows": proposal.n_trials, "draws": len(keep), "points": len(reference.c)}))


if __name__ == "__main__":
    main()
