"""Makes an invented campaign of any size: `python -m tests.evidence.large_campaign FOLDER SPECIMENS`.

Fifty specimens a furnace load (10 pulled, 10 bent, 15 brazed coupons of which one is the control, 15 components of which 3 are
cut), 30 coils, 500 specimens a week and file; outcomes come from the simulator at the truth of the demo campaigns.  It is a
program of its own, so that what it needs is not counted against the commands that are measured.
"""

from __future__ import annotations

import datetime
import shutil
import sys
from pathlib import Path

import numpy as np

from planner.lab.campaign import read_definition
from planner.lab.specimen import Specimen
from planner.rehearse.bench import Bench, write_results
from planner.rehearse.world import Truth, World
from tests.demo import truth

ROOT = Path(__file__).resolve().parents[2]
DEMO = ROOT / "campaigns_demo" / "cold_plate_week6" / "campaign.toml"
SEED = 20260309
PER_LOAD, PER_FILE, N_LOTS = 50, 500, 30
FIRST_MONDAY = datetime.date(2021, 1, 4)
KINDS = ("tensile_coupon",) * 10 + ("bend_coupon",) * 10 + ("braze_coupon",) * 15 + ("component",) * 15
CUT = 3                           # components of a load that are sectioned


def as_set(definition, n: int, rng: np.random.Generator) -> list[Specimen]:
    """Return n specimens as set, nothing measured."""
    low, high = np.array(list(definition.factor_ranges.values())).T
    features = [f.name for f in definition.component.features]
    made = []
    for i in range(n):
        load, place = divmod(i, PER_LOAD)
        if place == 0:
            braze = (round(float(rng.uniform(low[2], 607.0)), 1), round(float(rng.uniform(low[3], high[3])), 2))
        kind, lot = KINDS[place], int(rng.integers(N_LOTS))
        control = kind == "braze_coupon" and place == KINDS.index("braze_coupon")
        temper, warm = definition.factors.tempers[lot % 2], round(float(rng.uniform(low[0], high[0])), 1)
        top = (0.20 if temper == "O" else 0.07 + 0.12 * (warm - 20.0) / 240.0) if kind == "braze_coupon" else 0.12
        strain = round(float(rng.uniform(0.015, top)), 4) if kind in ("braze_coupon", "component") else None
        brazed = strain is not None
        if control:
            lot, temper, warm, strain = 0, definition.control.temper, definition.control.forming_temperature_degC, definition.control.strain
        day = FIRST_MONDAY + datetime.timedelta(7 * (i // PER_FILE))
        made.append(Specimen(
            f"S-{i + 1:05d}", kind, temper, f"L{lot + 1:02d}", warm, strain, *(braze if brazed else (None, None)), f"F{load + 1:03d}" if brazed else None,
            day.isoformat(), section_feature=features[load % len(features)] if kind == "component" and place >= PER_LOAD - CUT else None))
    return made


def make(folder: Path, n: int) -> None:
    """Write campaign.toml and results/ of a campaign of n specimens."""
    shutil.rmtree(folder, ignore_errors=True)
    (folder / "results").mkdir(parents=True)
    shutil.copy(DEMO, folder / "campaign.toml")
    definition = read_definition(folder)
    bench = Bench(definition, World.of(Truth("invented", truth.world(definition), SEED), definition))
    specimens = [bench.measured(s) for s in as_set(definition, n, np.random.default_rng(SEED))]
    for first in range(0, n, PER_FILE):
        write_results(folder / "results" / f"{first // PER_FILE + 1:03d}.csv", specimens[first : first + PER_FILE])


if __name__ == "__main__":
    make(Path(sys.argv[1]), int(sys.argv[2]))
