"""Virtual data sets for the evidence commands: a designed trial of some weeks in a world whose truth is known.

The demo campaign (invented) lends its definition, or the example that documents the format.  Specimens are placed as the space-filling rival of the rehearsals places
them, week after week within the week's limits, and measured on the rehearsals' bench: gauges censor, parts crack, lots
and loads come in unequal numbers.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np

from models.priors import Params
from planner.acquisition.limits import Limits
from planner.acquisition.plan_file import planned_specimen
from planner.acquisition.proposal import PlanRow
from planner.acquisition.schedule import schedule
from planner.lab.campaign import read_definition
from planner.lab.intake import read_results
from planner.lab.specimen import Specimen
from planner.rehearse.rivals import SPACE_FILLING, Formable, choose_batch
from planner.rehearse.world import Truth, World
from tests.evidence.common import ROOT

DEMO = ROOT / "campaigns_demo" / "cold_plate_start"
EXAMPLE = ROOT / "tests" / "lab" / "data"
BLANKS = 60                       # of a lot, at the start


@cache
def definition_text(folder: Path = DEMO) -> str:
    """Return a campaign.toml, the demo's if not told otherwise."""
    return (folder / "campaign.toml").read_text(encoding="utf-8")


@cache
def definition(folder: Path = DEMO):
    """Return its definition; trials that its lab insists on are left out."""
    return read_definition(folder).model_copy(update={"insist": ()})


@cache
def legacy() -> tuple[Specimen, ...]:
    """Return the demo's legacy specimens, which a virtual lab measures anew in its own truth."""
    return tuple(one for path in sorted((DEMO / "results").glob("*.csv")) for _, one, _ in read_results(path, definition()).specimens)


def stock(rng: np.random.Generator | None = None) -> dict[str, int]:
    """Return blanks by lot; with `rng` unbalanced, between a sixth and all of what a lot may hold."""
    lots = [entry.lot for entry in definition().stock]
    return {lot: BLANKS if rng is None else int(rng.integers(BLANKS // 6, BLANKS + 1)) for lot in lots}


def designed(*, weeks: int, blanks: dict[str, int], seed: int, folder: Path = DEMO) -> list[Specimen]:
    """Return the specimens of some weeks of the space-filling design, in forming order, nothing measured yet.

    Parameters
    ----------
    weeks : number of weeks at the definition's weekly limits.
    blanks : blanks on hand by lot.
    seed : of the quasi-random sequence.
    folder : of the definition.
    """
    d, left, out, used = definition(folder), dict(blanks), [], Counter()
    formable = Formable(d, seed=seed)
    for week in range(1, weeks + 1):
        batch = choose_batch(d, Limits.of(d, blanks=left), SPACE_FILLING, week=week, weeks=weeks, used=used, formable=formable, seed=seed)
        slots = schedule([c.forming_temperature_degC for c in batch.candidates], batch.loads, week=week, number=week,
                         known_specimens={s.specimen for s in out}, known_loads={s.furnace_load for s in out if s.furnace_load}, rng=np.random.default_rng([seed, week]))
        for slot in slots:
            control = batch.controls[slot.index]
            row = PlanRow(slot.sequence, "control" if control else "trial", "", slot.specimen, slot.furnace_load, batch.candidates[slot.index],
                          "", 0.0, 0.0, None, None)
            one = planned_specimen(row)
            out.append(one)
            left[one.lot] = max(left[one.lot] - d.specimens[one.specimen_type].blanks, 0)
            used[one.specimen_type] += not control
    return out


def labels(specimens: list[Specimen]) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Return lots and loads in the order in which `encode` counts them."""
    return tuple(sorted({s.lot for s in specimens})), tuple(sorted({s.furnace_load for s in specimens if s.furnace_load}))


def world(params: Params, *, seed: int, specimens: list[Specimen]) -> World:
    """Return the world of one draw of all parameters, effects of lots and loads included."""
    lots, loads = labels(specimens)
    return World.of(Truth("prior", params, seed, lots=lots, loads=loads), definition())


def with_gaps(specimens: list[Specimen], rng: np.random.Generator, *, share: float = 0.15) -> list[Specimen]:
    """Return measured specimens as they come in: some sections, radiographs, gaps and leak tests not made, whatever they would have shown."""
    out = []
    for s in specimens:
        lost = {group for group in ("section", "joints", "gap", "leak") if rng.uniform() < share}
        change = {}
        if "section" in lost and s.specimen_type == "component":
            change |= {"recrystallised": None, "film_depth_um": None, "clad_left_um": None}
        elif "section" in lost:
            change |= {"recrystallised": None}                 # depth read, state not judged
        if "joints" in lost:
            change |= {"joints_inspected": None, "joints_sound": None}
        change |= {"gap_mm": None} if "gap" in lost else {}
        change |= {"leaked": None} if "leak" in lost else {}
        out.append(replace(s, **change))
    return out
