"""Make the result files of the demo campaigns: an invented lab measures specimens that the simulator draws.

Run it from the top of the project, with the project installed:

    python -m tests.demo.make_demos

It overwrites `campaigns_demo/*/results/` and nothing else; the two `campaign.toml` are written by hand.  Everything
follows from SEED, but a change of the models or of numpy's streams may change the numbers: the committed files are the
demo, this script is how they came about.
"""

from __future__ import annotations

import csv
import datetime
import io
import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from models.rows import Conditions
from models.simulate import new_effects, simulate
from planner.lab.campaign import read_definition
from planner.lab.specimen import COLUMNS
from tests.demo import trials
from tests.demo.trials import BEND, COUPON, PART, TENSILE, Trial
from tests.demo.truth import N_LOADS, N_LOTS, settings_of, sheet_of, world

SEED = 20260216
DEMOS = Path(__file__).resolve().parents[2] / "campaigns_demo"
LOADS = trials.LEGACY_LOADS | {name: x for week in trials.WEEKLY_LOADS for name, x in week.items()}
Row = dict[str, str]


@dataclass(frozen=True)
class Gauge:
    """How a value is written down: resolution and decimals."""

    least: float
    decimals: int

    def write(self, value: float) -> str:
        """Return the cell: rounded, or `<least`."""
        return f"<{self.least:g}" if value < self.least else f"{value:.{self.decimals}f}"


def outcomes(definition, made: list[Trial], rng: np.random.Generator):
    """Return what the simulator draws for every trial, and how many joints each radiograph could judge."""
    p = new_effects(world(definition), N_LOTS, N_LOADS, rng)
    tempers = definition.factors.tempers
    braze = [LOADS.get(t.load, (600.0, 3.0)) for t in made]
    x = Conditions.from_factors([tempers.index(t.temper) for t in made],
                                [[t.temperature, (t.strain or 0.0) if t.load else 0.0, *b] for t, b in zip(made, braze)])
    judged = definition.component.joints - rng.choice([0, 0, 0, 0, 1, 2], size=len(made))
    seen = simulate(p, x, sheet_of(definition), settings=settings_of(definition), n_joints=judged, rng=rng,
                    component=np.array([float(t.kind == PART) for t in made]), lot=np.array([trials.LOTS.index(t.lot) for t in made]),
                    load=np.array([list(LOADS).index(t.load) if t.load else 0 for t in made]))
    return seen, judged


def row_of(trial: Trial, seen, i: int, judged: int, definition, *, partial: bool) -> Row:
    """Write one specimen down as this lab would."""
    braze = LOADS.get(trial.load)
    cells = {"specimen": trial.specimen, "specimen_type": trial.kind, "temper": trial.temper, "lot": trial.lot,
             "forming_temperature": f"{trial.temperature:g}", "strain": "" if trial.strain is None else f"{trial.strain:g}",
             "date": trial.date.isoformat(), "note": "invented"}
    if braze:
        cells |= {"braze_temperature": f"{braze[0]:g}", "braze_time": f"{braze[1]:g}", "furnace_load": trial.load}
    gauges = definition.gauges
    if trial.kind == TENSILE:
        stopped = trial.strain is not None and seen.limit_strain[i] > trial.strain
        cells["limit_strain"] = f">{trial.strain:g}" if stopped else f"{seen.limit_strain[i]:.3f}"
        cells["note"] += "; stopped without a neck" if stopped else ""
    elif trial.kind == BEND:
        cells["springback_angle"] = Gauge(gauges.springback_angle_deg, 1).write(seen.angle[i])
    elif seen.cracked[i]:
        cells |= {"cracked": "yes", "note": cells["note"] + "; cracked in forming, not brazed"}
    elif trial.kind == COUPON:
        cells |= section_cells(seen, i, 0, gauges, clad=True, judged=not partial)
    else:
        cells |= {"cracked": "no", "gap": Gauge(gauges.gap_mm, 3).write(seen.gap[i]), "joints_inspected": str(judged),
                  "joints_sound": str(seen.sound[i]), "leaked": "" if partial else "yes" if seen.leaked[i] else "no"}
        if trial.section:
            cells["section_feature"] = trial.section
            cells |= section_cells(seen, i, trials.FEATURES.index(trial.section), gauges, clad=False, judged=True)
    return cells


def section_cells(seen, i: int, feature: int, gauges, *, clad: bool, judged: bool) -> Row:
    """Return what the microscope gives at one feature; `judged` False: the grain structure could not be told."""
    cells = {"recrystallised": "" if not judged else "yes" if seen.recrystallised[i, feature] else "no",
             "film_depth": Gauge(gauges.film_depth_um, 0).write(seen.film[i, feature])}
    return cells | ({"clad_left": Gauge(1.0, 1).write(seen.clad_left[i, feature])} if clad else {})


# ---- files as different hands would write them --------------------------------------------------

HEADERS = {column.name: column.header for column in COLUMNS}
MM_PER_MIL = 0.0254
# column -> (header, how a number is rewritten); from a workshop that thinks in mil and degF
OTHER_UNITS = {
    "forming_temperature": ("forming_temperature [degF]", lambda v: f"{1.8 * v + 32:g}"),
    "braze_temperature": ("braze_temperature [degF]", lambda v: f"{1.8 * v + 32:g}"),
    "braze_time": ("braze_time [s]", lambda v: f"{60 * v:g}"),
    "limit_strain": ("uniform_elongation [%]", lambda v: f"{100 * np.expm1(v):.2f}"),
    "film_depth": ("film_depth [mil]", lambda v: f"{v / 1000 / MM_PER_MIL:.3f}"),
    "clad_left": ("clad_left [mil]", lambda v: f"{v / 1000 / MM_PER_MIL:.3f}"),
    "gap": ("gap [mil]", lambda v: f"{v / MM_PER_MIL:.3f}"),
}


def in_other_units(row: Row) -> Row:
    """Rewrite a row's numbers for OTHER_UNITS; censoring signs stay."""
    out = dict(row)
    for name, (_, rewrite) in OTHER_UNITS.items():
        text = row.get(name, "")
        if text:
            sign = text[0] if text[0] in "<>" else ""
            out[name] = sign + rewrite(float(text[len(sign):]))
    if row["specimen_type"] == TENSILE:
        out["strain"] = ""        # this workshop notes only where the pull ended
    return out


def write_csv(path: Path, rows: list[Row], columns: list[str], headers: dict[str, str]) -> None:
    """Write rows as CSV."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow([headers[c] for c in columns])
    writer.writerows([[row.get(c, "") for c in columns] for row in rows])
    path.write_text(text.getvalue(), encoding="utf-8")


def write_xlsx(path: Path, rows: list[Row], columns: list[str]) -> None:
    """Write rows as a workbook with typed numbers and dates."""
    import xlsxwriter

    with xlsxwriter.Workbook(path) as book:
        book.set_properties({"title": "Invented results", "created": datetime.datetime(2026, 5, 1, 12)})
        sheet, day = book.add_worksheet("results"), book.add_format({"num_format": "yyyy-mm-dd"})
        sheet.write_row(0, 0, [HEADERS[c] for c in columns])
        for i, row in enumerate(rows, start=1):
            for j, name in enumerate(columns):
                text = row.get(name, "")
                if name == "date":
                    sheet.write_datetime(i, j, datetime.datetime.fromisoformat(text), day)
                elif text.replace(".", "", 1).isdigit():
                    sheet.write_number(i, j, float(text))
                elif text:
                    sheet.write_string(i, j, text)


def without_sections(row: Row) -> Row:
    """Return a row as it stands before its section came back."""
    return row | dict.fromkeys(("recrystallised", "film_depth"), "")


def make(root: Path) -> None:
    """Write the result files of both demos below `root`, whose folders hold the definitions."""
    start, later = root / "cold_plate_start", root / "cold_plate_week6"
    definition = read_definition(later / "campaign.toml")
    rng, labels = np.random.default_rng(SEED), trials.Labels()
    batches = [trials.legacy(labels)] + [trials.week(n, labels, rng) for n in range(1, 6)]
    made = [trial for batch in batches for trial in batch]
    seen, judged = outcomes(definition, made, rng)
    partial = rng.uniform(size=len(made)) < 0.06
    rows = iter([row_of(t, seen, i, int(judged[i]), definition, partial=bool(partial[i])) for i, t in enumerate(made)])
    files = [[next(rows) for _ in batch] for batch in batches]
    columns = list(HEADERS)
    for folder in (start, later):
        (folder / "results").mkdir(parents=True, exist_ok=True)
        write_csv(folder / "results" / "00_legacy.csv", files[0], columns, HEADERS)
    home = later / "results"
    late = {t.specimen for t in made if t.late}
    write_csv(home / "01_week1.csv", files[1], columns, HEADERS)
    write_csv(home / "02_week2.csv", files[2], columns, HEADERS)
    write_csv(home / "03_week3_other_units.csv", [in_other_units(r) for r in files[3]], columns,
              HEADERS | {name: header for name, (header, _) in OTHER_UNITS.items()})
    write_xlsx(home / "04_week4.xlsx", [without_sections(r) if r["specimen"] in late else r for r in files[4]], columns)
    write_csv(home / "05_week5.csv", files[5], columns, HEADERS)
    sections = ["specimen", "specimen_type", "temper", "lot", "section_feature", "recrystallised", "film_depth", "note"]
    write_csv(home / "06_late_sections_of_week4.csv", [r for r in files[4] if r["specimen"] in late and r.get("film_depth")],
              sections, HEADERS)


if __name__ == "__main__":
    make(DEMOS)
    sys.stdout.write("".join(f"{path.relative_to(DEMOS.parent)}\n" for path in sorted(DEMOS.glob("*/results/*"))))
