"""The demo campaigns: invented and marked so, recorded without a fault, and drawn from a world that has a window."""

from __future__ import annotations

import csv
import shutil
from collections import Counter, defaultdict
from pathlib import Path

import numpy as np
import pytest
from python_calamine import CalamineWorkbook
from scipy.stats import qmc

from models.rows import Conditions
from models.simulate import new_effects, simulate
from planner.lab.campaign import read_definition
from planner.lab.ledger import open_ledger
from planner.lab.recording import record_results
from tests.demo.make_demos import make
from tests.demo.truth import N_LOADS, N_LOTS, settings_of, sheet_of, world

DEMOS = Path(__file__).resolve().parents[2] / "campaigns_demo"
START, WEEK6 = DEMOS / "cold_plate_start", DEMOS / "cold_plate_week6"


def copy_inputs(source: Path, target: Path) -> Path:
    """Copy what a person put into a campaign folder, without what the program made of it."""
    folder = target / source.name
    shutil.copytree(source / "results", folder / "results")
    shutil.copy(source / "campaign.toml", folder)
    return folder


@pytest.fixture(scope="module")
def recorded(tmp_path_factory):
    """Outcome of recording and specimens of both demos."""
    found = {}
    for source in (START, WEEK6):
        folder = copy_inputs(source, tmp_path_factory.mktemp("demo"))
        with open_ledger(folder) as ledger:
            outcome = record_results(folder, read_definition(folder), ledger)
            found[source.name] = outcome, ledger.specimens()
    return found


def test_start_is_a_campaign_at_its_start(recorded):
    outcome, specimens = recorded[START.name]
    kinds = Counter(s.specimen_type for s in specimens)
    assert outcome.recorded == len(specimens) == 44
    assert kinds["component"] == 4 and set(kinds) == {"tensile_coupon", "bend_coupon", "braze_coupon", "component"}
    assert len({s.lot for s in specimens}) == 4 and len({s.furnace_load for s in specimens} - {None}) == 3


def test_week6_is_a_campaign_in_its_sixth_week(recorded):
    outcome, specimens = recorded[WEEK6.name]
    assert outcome.recorded == len(specimens) == 299 and outcome.completed == 4 and outcome.corrected == 0
    assert len({s.lot for s in specimens}) >= 5 and len({s.furnace_load for s in specimens} - {None}) >= 12
    assert any(s.limit_strain and s.limit_strain.censor > 0 for s in specimens)
    assert any(s.film_depth_um and s.film_depth_um.censor < 0 for s in specimens)
    assert any(s.cracked for s in specimens if s.specimen_type == "component")


def test_foreign_units_arrive_as_the_contracts(recorded):
    """Week 3 was written in degF and mil: its loads must come out at the round degC they were set to."""
    _, specimens = recorded[WEEK6.name]
    third = [s for s in specimens if s.furnace_load and s.furnace_load.startswith("B3")]
    assert {s.braze_temperature_degC for s in third} == {602.0, 590.0, 609.0}
    assert {s.braze_time_min for s in third} == {4.0, 6.0, 2.5}
    assert max(s.film_depth_um.value for s in third if s.film_depth_um) > 10


def test_weeks_follow_each_other(recorded):
    _, specimens = recorded[WEEK6.name]
    dates = defaultdict(list)
    for s in specimens:
        dates[s.furnace_load[:2] if s.furnace_load else s.specimen[0]].append(s.date)
    loads = [dates[name] for name in sorted(dates) if name[0] in "AB" and len(name) == 2]
    assert all(max(a) < min(b) for a, b in zip(loads, loads[1:]))
    assert all(one == sorted(one) for one in (dates["T"], dates["B"]))


@pytest.mark.parametrize("folder", [START, WEEK6], ids=lambda f: f.name)
def test_everything_says_that_it_is_invented(folder):
    assert "invented" in (folder / "README.txt").read_text(encoding="utf-8").lower()
    assert "invented" in (folder / "campaign.toml").read_text(encoding="utf-8").splitlines()[0].lower()
    for path in (folder / "results").iterdir():
        if path.suffix == ".csv":
            with path.open(encoding="utf-8", newline="") as file:
                notes = [row["note"] for row in csv.DictReader(file)]
        else:
            rows = CalamineWorkbook.from_path(str(path)).get_sheet_by_index(0).to_python()
            notes = [row[rows[0].index("note")] for row in rows[1:]]
        assert notes and all(note.startswith("invented") for note in notes), path.name


def test_both_demos_decide_the_same_thing():
    """Only the stock, the trial insisted on and the words differ."""
    a, b = read_definition(START), read_definition(WEEK6)
    other = {"stock": (), "insist": ()}
    assert a.model_copy(update=other) == b.model_copy(update=other) and a.stock != b.stock


def test_generator_repeats_itself(tmp_path):
    """The same seed makes the same rows twice, of the shape of the committed ones (whose numbers may be older)."""
    texts = []
    for name in ("one", "two"):
        for source in (START, WEEK6):
            (tmp_path / name / source.name).mkdir(parents=True)
            shutil.copy(source / "campaign.toml", tmp_path / name / source.name)
        make(tmp_path / name)
        files = sorted((tmp_path / name).glob("*/results/*"))
        texts.append([path.read_bytes() for path in files])
        assert [p.name for p in files] == [p.name for s in (START, WEEK6) for p in sorted((s / "results").iterdir())]
    assert texts[0] == texts[1]


def test_world_has_a_window_for_both_tempers():
    """Brute force over 400 conditions, each with 600 new components: some of the box conforms, most does not."""
    definition = read_definition(START)
    rng, repeats, n = np.random.default_rng(5), 600, 400
    low, high = np.array(list(definition.factor_ranges.values())).T
    factors = low + (high - low) * qmc.Sobol(4, rng=np.random.default_rng(6)).random(512)[:n]
    p = world(definition)
    for k in range(len(definition.factors.tempers)):
        passed = np.zeros(n)
        for _ in range(repeats // 8):          # each round: 8 fresh lots and loads
            q = new_effects(p, N_LOTS, N_LOADS, rng)
            index = np.tile(np.arange(8), n)
            x = Conditions.from_factors(k, np.repeat(factors, 8, axis=0))
            seen = simulate(q, x, sheet_of(definition), settings=settings_of(definition), component=1.0, lot=index, load=index,
                            n_joints=definition.component.joints, rng=rng)
            c = definition.criteria
            good = (~seen.cracked & (seen.gap <= c.gap_max_mm) & (seen.sound >= definition.joints_sound_min) & ~seen.leaked
                    & (seen.film <= c.film_depth_max_um).all(axis=1))
            passed += good.reshape(n, 8).sum(axis=1)
        share = np.mean(passed / repeats >= definition.goal.reliability)
        assert 0.05 < share < 0.40, definition.factors.tempers[k]
