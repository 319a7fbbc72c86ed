"""Times `budget`, `review` and a plan's pages on a campaign folder whose draws are at hand, after import; prints JSON.

    python -m tests.speed.outlook_speed FOLDER

Wall seconds, and processor seconds of all threads beside them: on a machine that others use too, the wall time says little.
"""

import json
import sys
import time
from pathlib import Path

import planner
import planner.report.pages.build  # noqa: F401  (the drawing library: import time does not count)
from planner.cycle import outlook, reviewing
from planner.cycle.fitting import current_fit
from planner.cycle.planning import _pages
from planner.cycle.window import window_of


def timed(call, *words):
    """Return (result, wall seconds, processor seconds)."""
    wall, busy = time.perf_counter(), time.process_time()
    found = call(*words)
    return found, time.perf_counter() - wall, time.process_time() - busy


def main(folder: Path) -> dict:
    """Time the three; the compiled parts are loaded by a small window first."""
    campaign = planner.open_campaign(folder)
    fit = current_fit(campaign)
    window = window_of(campaign, fit)
    _, budget_s, budget_cpu = timed(outlook.write_budget, campaign)
    _, review_s, review_cpu = timed(reviewing.write_review, campaign)
    record = json.loads(sorted((folder / "plans").glob("*/plan.json"))[-1].read_text(encoding="utf-8"))
    _, pages_s, _ = timed(lambda: _pages(campaign.definition, record, window, budget=None, seed=1, digest="0" * 64))
    return {"budget_s": budget_s, "budget_cpu_s": budget_cpu, "review_s": review_s, "review_cpu_s": review_cpu, "plan_pages_s": pages_s,
            "review_bytes": (folder / "reports" / "review.html").stat().st_size}  # fmt: skip


if __name__ == "__main__":
    print(json.dumps(main(Path(sys.argv[1]))))
