"""Frozen claims and their e-process. All numbers are invented."""

from dataclasses import replace

import numpy as np
import pytest

from planner.lab.specimen import Measured, Specimen
from planner.outlook.frozen import claim_digest, claim_record, conforms, e_value, joints_needed, score

RANGES = {"forming_temperature_degC": [100, 200], "strain": [0.02, 0.1], "braze_temperature_degC": [595, 605], "braze_time_min": [2, 5]}
WINDOW = {"reliability": 0.9, "confidence": 0.95, "claims": [{"temper": "O", "ranges": RANGES}], "claimed_share": 0.2, "joint_claim": None}
CRITERIA = {"cracked": False, "gap_max_mm": 0.1, "sound_share_min": 0.9, "film_depth_max_um": 40.0, "leaked": False, "joints": 20}
GOOD = Specimen("C-1", "component", "O", "K9", 150.0, 0.05, 600.0, 3.0, "L9", "2026-01-05", None, None, "crest", False,
                Measured(12.0), Measured(25.0), False, Measured(0.05), 20, 19, False, "")  # fmt: skip


@pytest.fixture
def record():
    return claim_record(WINDOW, date="2026-01-01", data_digest="d", definition_digest="e", versions={"numpy": "2"}, model_digest="m",
                        lots=["K1"], specimens=["C-0"], criteria=CRITERIA) | {"number": 1}  # fmt: skip


def test_the_e_process_is_a_fair_bet_at_the_boundary():
    """Closed form: with share 1 w.p. 1 - R and 0 otherwise its mean after one lot is 1; it never goes negative."""
    after = 0.1 * e_value([1.0], reliability=0.9) + 0.9 * e_value([0.0], reliability=0.9)
    assert after == pytest.approx(1.0, abs=1e-12)
    assert e_value([0.0] * 50, reliability=0.9) >= 0.0
    assert e_value([], reliability=0.9) == 1.0


def test_false_refutations_stay_below_one_in_twenty():
    rng = np.random.default_rng(3)
    refuted = 0
    for _ in range(400):
        shares = rng.binomial(2, rng.beta(0.5, 4.5, 40)) / 2          # lots differ; mean nonconforming share 0.1 = 1 - R
        refuted += any(e_value(shares[: i + 1], reliability=0.9) >= 20 for i in range(40))
    assert refuted / 400 <= 0.05 + 2 * np.sqrt(0.05 * 0.95 / 400)


@pytest.mark.parametrize("change, verdict", [
    ({}, True), ({"cracked": True}, False), ({"gap_mm": Measured(0.2)}, False), ({"gap_mm": None}, None), ({"joints_sound": 17}, False),
    ({"joints_sound": None}, None), ({"film_depth_um": Measured(41.0)}, False), ({"film_depth_um": None}, True), ({"leaked": True}, False),
    ({"leaked": None, "gap_mm": Measured(0.3)}, False)])  # fmt: skip
def test_a_component_is_judged_on_what_was_measured(change, verdict):
    assert conforms(replace(GOOD, **change), CRITERIA, joints_sound_min=18) is verdict


def test_one_lot_is_one_factor_and_known_lots_do_not_count(record):
    made = [replace(GOOD, specimen=f"C-{i}", lot=lot, leaked=bad) for i, (lot, bad) in enumerate(
        [("K1", True), ("K1", True), ("K8", True), ("K8", True), ("K8", False), ("K9", True)], start=1)]  # fmt: skip
    told = score(record, made)
    assert [(x["lot"], x["components"], x["nonconforming_share"]) for x in told["lots"]] == [("K8", 2, 1.0)]
    assert (told["of_known_lots"], told["waiting"]) == (2, 1)
    assert told["e_value"] == pytest.approx(e_value([1.0], reliability=0.9))
    outside = [replace(one, strain=0.15) for one in made]
    assert score(record, outside)["lots"] == []


def test_a_bad_run_refutes(record):
    made = [replace(GOOD, specimen=f"C-{i}{j}", lot=f"K{i}", leaked=True) for i in range(10, 14) for j in "ab"]
    assert score(record, made)["state"] == "refuted"


def test_an_altered_claim_is_noticed(record):
    assert claim_digest(record) == record["digest"]
    assert not score(record | {"reliability": 0.8}, [])["intact"]


def test_a_component_is_judged_by_the_criteria_of_the_day_of_freezing(record):
    """18 of 20 joints then; whatever the definition asks for today."""
    assert joints_needed(record["criteria"]) == 18 and joints_needed({"sound_share_min": 0.9, "joints": 10}) == 9 and joints_needed({"sound_share_min": None}) is None
    made = [replace(GOOD, specimen=f"C-{i}", joints_sound=sound) for i, sound in enumerate((18, 17), start=1)]
    assert [x["nonconforming_share"] for x in score(record, made)["lots"]] == [0.5]


def test_a_claim_says_since_when_it_stands_and_how_near_it_is_to_refutation(record):
    """By hand, eight bets k / (8 x 0.1): after a lot of which both fail 1 + 0.9 k / 0.8, after one without a failure 1 - 0.1 k / 0.8."""
    untested = score(record, [])
    assert untested["words"].startswith("Stands since 2026-01-01: no component of a new lot") and "evidence against it is 1, and it is refuted at 20." in untested["words"]
    lots = [("K5", True, True), ("K6", False, False)]
    made = [replace(GOOD, specimen=f"{lot}-{i}", lot=lot, leaked=bad) for lot, *both in lots for i, bad in enumerate(both)]
    told = score(record, [*made, replace(GOOD, specimen="C-9", lot="K1"), replace(GOOD, specimen="C-8", lot="K7")])
    first = sum(1 + 0.9 * k / 0.8 for k in range(1, 9)) / 8
    now = sum((1 + 0.9 * k / 0.8) * (1 - 0.1 * k / 0.8) for k in range(1, 9)) / 8
    assert [x["e_value"] for x in told["lots"]] == pytest.approx([first, now]) and (told["e_value"], told["highest"]) == pytest.approx((now, first))
    for words in ("Stands since 2026-01-01: 2 new lots, 2 of 4 components failed", f"is {now:.2f} now and has reached {first:.2f} at most, refuted at 20",
                  "1 more component of new lots waits", "1 later component came from lots known when it was frozen"):  # fmt: skip
        assert words in told["words"]
    assert told["claims"] == ["O, forming 100 to 200 degC, strain 0.02 to 0.1, brazed at 595 to 605 degC, for 2 to 5 min"]
    refuted = score(record, [replace(GOOD, specimen=f"C-{i}{j}", lot=f"K{i}", leaked=True) for i in range(10, 14) for j in "ab"])
    assert refuted["words"].startswith("Refuted; frozen on 2026-01-01: 4 new lots, 8 of 8")


@pytest.mark.parametrize("change, verdict", [
    ({"gap_mm": Measured(0.12, 1)}, False), ({"gap_mm": Measured(0.1, 1)}, False), ({"gap_mm": Measured(0.08, 1)}, None),
    ({"gap_mm": Measured(0.1, -1)}, True), ({"gap_mm": Measured(0.5, -1)}, None), ({"film_depth_um": Measured(45.0, 1)}, False),
    ({"film_depth_um": Measured(80.0, -1)}, None), ({"joints_inspected": 6, "joints_sound": 3}, False), ({"joints_inspected": 6, "joints_sound": 5}, None),
    ({"joints_inspected": 0, "joints_sound": 0}, None), ({"joints_inspected": 40, "joints_sound": 35}, False), ({"joints_inspected": 40, "joints_sound": 36}, True)])  # fmt: skip
def test_a_reading_that_cannot_tell_leaves_a_component_open(change, verdict):
    """By hand: gap at most 0.1 mm, film at most 40 um, 18 of 20 joints (so two may be lost)."""
    assert conforms(replace(GOOD, **change), CRITERIA, joints_sound_min=18) is verdict


def made_lot(lot, cracked, good, first="cracked"):
    bad = [replace(GOOD, specimen=f"{lot}-{i}", lot=lot, cracked=True, furnace_load=None, braze_temperature_degC=None, braze_time_min=None, gap_mm=None,
                   joints_inspected=None, joints_sound=None, leaked=None, film_depth_um=None) for i in range(cracked)]
    fine = [replace(GOOD, specimen=f"{lot}-{10 + i}", lot=lot, furnace_load=f"F-{lot}") for i in range(good)]
    return [*bad, *fine] if first == "cracked" else [*fine, *bad]


def test_the_order_of_rows_within_a_file_does_not_matter(record):
    """Two lots of 2 cracked and 18 sound parts, in one file each, cracked ones first or last: the same parts are scored."""
    told = [score(record, made := [*made_lot("K8", 2, 18, first), *made_lot("K9", 2, 18, first)], files={s.specimen: s.lot for s in made})["lots"]
            for first in ("cracked", "good")]
    assert told[0] == told[1] and len(told[0]) == 2


def test_which_parts_of_a_lot_count_does_not_hang_on_how_they_fared(record):
    """Over many lots with 2 of 20 cracked, a tenth of the scored parts failed; taking the first rows would have made it all of them."""
    made = [one for i in range(200) for one in made_lot(f"M{i}", 2, 18)]
    lots = score(record, made, files={s.specimen: s.lot for s in made})["lots"]
    assert len(lots) == 200 and np.mean([x["nonconforming_share"] for x in lots]) == pytest.approx(0.1, abs=0.045)      # 3 sd of 400 draws


def test_cracked_parts_wait_for_the_first_brazed_ones_of_their_lot(record):
    made = made_lot("K8", 2, 18)
    files = {s.specimen: "monday" if s.cracked else "friday" for s in made}
    early = score(record, made[:2], files=files)
    assert early["lots"] == [] and early["waiting"] == 2
    assert score(record, made, files=files)["lots"][0]["components"] == 2


def test_a_lot_waits_until_its_scored_parts_are_measured(record):
    """Six parts whose leak test is awaited, two with a failed gap: scored only when those drawn are known."""
    made = [replace(GOOD, specimen=f"E-{i}", lot="K8", leaked=None) for i in range(6)] + [replace(GOOD, specimen=f"D-{i}", lot="K8", gap_mm=Measured(0.2)) for i in range(2)]
    files = dict.fromkeys((s.specimen for s in made), "one")
    told = score(record, made, files=files)
    assert told["lots"] == [] and told["waiting"] == 8 and told["lacking"] and f"not measured far enough to tell: {told['lacking'][0]}" in told["words"]
    later = score(record, [replace(s, leaked=False) for s in made], files=files)
    assert len(later["lots"]) == 1 and later["waiting"] == 0
