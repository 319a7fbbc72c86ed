"""A definition edited after rows were recorded: what no longer fits is named with the ways out, and nothing is modelled from it. All data are invented."""

from __future__ import annotations

import time

import pytest

from planner.lab.campaign import read_definition
from planner.lab.errors import UserError
from planner.lab.ledger import open_ledger
from planner.lab.outgrown import disagreement, outgrown
from planner.lab.recording import record_results
from planner.lab.specimen import Specimen, cells_of

SOFT_ONLY = (
    ('tempers = ["O", "H24"]', 'tempers = ["O"]'),
    ('[[stock]]\nlot = "K2"\ntemper = "H24"\nblanks = 80\n', ""),
    ('[beliefs.H24]\nlimit_strain_at_20degC = [0.02, 0.09]\nlimit_strain_ratio_250_to_20degC = [1.5, 6.0]\n'
     'springback_angle_deg_at_20degC = [4.0, 14.0]\nstored_strain_of_temper = [0.08, 0.40]', ""),
    ('[target]\ntemper = "H24"', '[target]\ntemper = "O"'),
)  # fmt: skip


@pytest.fixture
def kept(folder, write, example):
    """The contract's example, recorded."""
    write("week1.csv", list(example.values()))
    with open_ledger(folder) as ledger:
        record_results(folder, read_definition(folder), ledger)
    return folder


def edited(folder, *changes):
    """Edit campaign.toml and read it anew."""
    path = folder / "campaign.toml"
    text = path.read_text(encoding="utf-8")
    for before, after in changes:
        assert before in text, before
        text = text.replace(before, after)
    path.write_text(text, encoding="utf-8")
    return read_definition(folder)


def record(folder, **options):
    with open_ledger(folder) as ledger:
        return record_results(folder, read_definition(folder), ledger, **options)


def refused(folder, **options):
    with pytest.raises(UserError) as caught:
        record(folder, **options)
    return str(caught.value)


# changes, key, specimens named, words
EDITS = {
    "a feature renamed": ([('name = "joint land"', 'name = "joint flat"')], "component.features", ["C-003"],
                          "section_feature 'joint land' is no feature"),
    "a temper taken out": (SOFT_ONLY, "factors.tempers", ["B-001", "C-002", "T-003", "Z-002", "and 1 more"], "temper 'H24' is not one of the tempers"),
    "fewer joints": ([("joints = 24", "joints = 20")], "component.joints", ["C-001", "C-003"], "joints_inspected is more than the component has"),
    "a thinner sheet": ([("thickness_um = 200.0", "thickness_um = 60.0"), ("film_depth_um_at_reference = [10.0, 80.0]",
                         "film_depth_um_at_reference = [10.0, 40.0]")], "sheet", ["C-003"], "film_depth is more than the sheet allows"),
    "a lot of another temper": ([('lot = "K2"\ntemper = "H24"', 'lot = "K2"\ntemper = "O"')], "stock", ["B-001", "T-003"],
                                "temper 'H24' differs from lot K2 in [[stock]]"),
}  # fmt: skip


@pytest.mark.parametrize("case", EDITS, ids=list(EDITS))
def test_what_the_definition_no_longer_has_is_named(case, kept):
    changes, key, specimens, words = EDITS[case]
    edited(kept, *changes)
    message = refused(kept)
    assert f"key {key}" in message and words in message and "campaign.toml" in message
    assert all(one in message for one in specimens)
    assert "put it back" in message and f'trialwright record {kept} --exclude ID --why "..."' in message and "--correct" in message


def test_nothing_is_read_before_and_excluding_frees(kept, write, example):
    edited(kept, EDITS["a feature renamed"][0][0])
    write("week2.csv", [example["T-001"] | {"specimen": "T-9"}])
    refused(kept)
    with open_ledger(kept) as ledger:
        assert len(ledger.files()) == 1
        ledger.exclude("C-003", "the feature is gone")
    assert record(kept).recorded == 1


def test_putting_it_back_is_enough(kept):
    before = (kept / "campaign.toml").read_text(encoding="utf-8")
    edited(kept, *SOFT_ONLY)
    refused(kept)
    (kept / "campaign.toml").write_text(before, encoding="utf-8")
    assert record(kept).unchanged == 11


def test_rows_may_be_corrected_to_the_new_name(kept, write, example):
    edited(kept, EDITS["a feature renamed"][0][0])
    path = write("week1.csv", [dict(row) for row in example.values()])
    outcome = record(kept, files=[write("other.csv", [example["C-001"] | {"note": "seen again"}])], correct=True, why="invented")
    assert outcome.corrected + outcome.completed == 1 and "no longer fits the definition" in outcome.warnings[-1]      # mending goes on
    path.write_text(path.read_text(encoding="utf-8").replace("joint land", "joint flat"), encoding="utf-8")
    outcome = record(kept, files=[path], correct=True, why="the drawing's own name")
    assert (outcome.corrected, outcome.warnings) == (1, ())
    (kept / "results" / "other.csv").unlink()
    assert record(kept).warnings == ()


PLANNED = {
    "bend_coupon": Specimen("P1", "bend_coupon", "O", "K1", 20.0),
    "component": Specimen("P2", "component", "O", "K1", 200.0, 0.1, 601.0, 3.1, "L9", section_feature="joint land"),
    "hard": Specimen("P3", "tensile_coupon", "H24", "K2", 20.0),
}
NO_BENDS = ('[specimens.bend_coupon]\ncost = 25.0\nhours = 0.4\ngives = ["springback_angle"]\nbend_radius_mm = 2.5\nbend_angle_deg = 90.0\n', "")


@pytest.mark.parametrize("which, changes, words", [
    ("bend_coupon", [NO_BENDS], "key specimens: 1 specimen of the ledger no longer fits the definition: specimen_type 'bend_coupon' is awaited"),
    ("component", [('name = "joint land"', 'name = "joint flat"')], "section_feature 'joint land'"),
    ("hard", SOFT_ONLY, "temper 'H24'")])  # fmt: skip
def test_awaited_specimens_must_fit_too(folder, which, changes, words):
    with open_ledger(folder) as ledger:
        ledger.register_plan(1, "x", [PLANNED[which]])
    record(folder)
    edited(folder, *changes)
    message = refused(folder)
    assert words in message and PLANNED[which].specimen in message
    with open_ledger(folder) as ledger:
        ledger.exclude(PLANNED[which].specimen, "will never come")
    record(folder)


def test_the_results_of_an_awaited_specimen_end_the_matter(folder, write, example):
    with open_ledger(folder) as ledger:
        ledger.register_plan(1, "x", [PLANNED["bend_coupon"]])
    edited(folder, NO_BENDS)
    refused(folder)
    write("week1.csv", [example["B-002"] | {"specimen": "P1", "forming_temperature [degC]": "20"}])
    assert record(folder).recorded == 1                              # a type that is not in [specimens] is kept with a note


def test_what_is_merely_kept_is_no_fault(kept, write, example):
    record(kept, files=[write("more.csv", [
        example["B-001"] | {"specimen": "B-9", "section_feature": "anything"}, example["C-001"] | {"specimen": "C-9", "section_feature": "joint land"},
        example["C-002"] | {"specimen": "C-8", "section_feature": "joint land"}])])  # fmt: skip
    definition = edited(kept, NO_BENDS, ('name = "joint land"', 'name = "joint flat"'), ("range = [20.0, 280.0]", "range = [100.0, 280.0]"))
    with open_ledger(kept) as ledger:
        ledger.exclude("C-003", "invented")
        assert disagreement(kept, definition, ledger) is None        # nothing of C-9 was cut, and C-8 cracked


def test_several_causes_come_in_one_message(kept):
    edited(kept, *SOFT_ONLY, EDITS["a feature renamed"][0][0])
    message = refused(kept)
    assert "6 specimens" in message and "key factors.tempers" in message and "key component.features" in message
    assert message.count("next:") == 1


def test_ten_thousand_specimens_are_quick(definition):
    rows = {f"X{i}": cells_of(Specimen(f"X{i}", "component", "O", "K1", 20.0, 0.05, 601.0, 3.0, f"L{i // 6}", cracked=False, joints_inspected=24,
                                       joints_sound=i % 24)) for i in range(10_000)}  # fmt: skip
    best = min(_seconds(lambda: outgrown(definition, rows)) for _ in range(3))
    assert outgrown(definition, rows) == []
    assert best < 0.15


def _seconds(work) -> float:
    started = time.process_time()
    work()
    return time.process_time() - started
