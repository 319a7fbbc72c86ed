"""Each foreign mechanism changes what it should and nothing else: specimens of both worlds share their random numbers."""

import pickle
from dataclasses import replace

import numpy as np
import pytest

from models.rows import Settings, warmth
from planner.lab.errors import UserError
from planner.rehearse.mechanisms import MECHANISMS
from planner.rehearse.truth_file import read_truth

N = 30
SPOT = (150.0, 0.1, 603.0, 4.0)


def seen(world, *, temper="O", component=True, settings=SPOT, n=N, load=None):
    """Outcomes of n specimens, each in a lot and load of its own unless a load is named; no setting scatters."""
    still = replace(world, settings=Settings())
    made = [still.make(f"S{i}", temper=temper, lot=f"lot {i}", load=load or f"load {i}", component=component, settings=settings)[0] for i in range(n)]
    return {name: np.concatenate([np.atleast_1d(getattr(one, name)) for one in made]) for name in ("limit_strain", "angle", "gap", "film", "sound", "leaked")}


def same(a, b, *names):
    for name in names:
        np.testing.assert_allclose(a[name], b[name], rtol=1e-12, err_msg=name)


def test_saturating_warmth_moves_the_limit_between_its_ends(world):
    own, other = (seen(world(m)) for m in (None, "saturating_warmth"))
    assert (other["limit_strain"] > own["limit_strain"]).all()
    same(own, other, "gap", "film")
    for end in (20.0, 250.0):
        own, other = (seen(world(m), settings=(end, *SPOT[1:])) for m in (None, "saturating_warmth"))
        same(own, other, "limit_strain")


def test_ageing_dip_is_as_deep_as_said(world):
    own, other = (seen(world(m), settings=(130.0, *SPOT[1:])) for m in (None, "ageing_dip"))
    np.testing.assert_allclose(np.log(other["limit_strain"] / own["limit_strain"]), -0.35, rtol=1e-9)
    same(own, other, "gap", "film", "sound")


def test_late_softening_leaves_springback_at_its_ambient_level_before_the_onset(world):
    own, other = (seen(world(m), component=False, settings=(100.0, 0.0, 600.0, 3.0)) for m in (None, "late_softening"))
    softening = world().params.softening[0, 0]
    np.testing.assert_allclose(np.log(other["angle"] / own["angle"]), softening * warmth(100.0), rtol=1e-9)
    same(own, other, "limit_strain")


def test_strain_springback_opens_gaps_of_strained_parts_only(world):
    own, other = (seen(world(m)) for m in (None, "strain_springback"))
    assert (other["gap"] > 1.2 * own["gap"]).all()
    same(own, other, "limit_strain", "film")
    own, other = (seen(world(m), component=False, settings=(150.0, 0.0, 600.0, 3.0)) for m in (None, "strain_springback"))
    same(own, other, "angle")


def test_thermocouple_offset_belongs_to_the_load(world):
    own, other = (seen(world(m, **a)) for m, a in ((None, {}), ("thermocouple_offset", {})))
    moved = np.log(other["film"] / own["film"])
    assert moved.std() > 0.1
    same(own, other, "limit_strain", "gap")
    own, other = (seen(world(m, **a), load="one") for m, a in ((None, {}), ("thermocouple_offset", {})))
    moved = np.log(other["film"] / own["film"])
    assert moved.std() < 1e-9 and abs(moved.mean()) > 1e-3


def test_heavy_tails_widen_each_specimen_by_its_own_factor(world):
    own, other = (seen(world(m), n=100) for m in (None, "heavy_tails"))
    centre = np.log(own["limit_strain"]).mean()
    spread = [np.abs(np.log(x["limit_strain"]) - centre) for x in (own, other)]
    assert spread[1].max() > 1.5 * spread[0].max()
    assert not np.allclose(own["film"], other["film"]) and not np.allclose(own["gap"], other["gap"])


def test_overdispersed_joints_fail_together(world):
    hot = {"n": 80, "settings": (150.0, 0.1, 612.0, 6.0)}
    own, other = seen(world(), **hot), seen(world("overdispersed_joints", concentration=1.0, bad_share=0.0), **hot)
    assert other["sound"].var() > 2 * own["sound"].var()
    fluxed = seen(world("overdispersed_joints", bad_share=1.0, bad_drop=20.0), **hot)
    assert fluxed["sound"].max() <= 2 and fluxed["leaked"].mean() > 0.9
    same(own, other, "limit_strain", "gap", "film")


def test_interaction_vanishes_at_the_reference_heat(world):
    own, other = (seen(world(m), settings=(150.0, 0.1, 600.0, 3.0)) for m in (None, "strain_heat_interaction"))
    same(own, other, "film", "sound", "gap")
    own, other = (seen(world(m)) for m in (None, "strain_heat_interaction"))
    assert (other["film"] >= own["film"]).all() and (other["film"] > own["film"]).any()
    assert other["sound"].sum() < own["sound"].sum()


def test_no_window_temper_lifts_the_last_temper_alone(world):
    own, other = (seen(world(m), temper="O") for m in (None, "no_window_temper"))
    same(own, other, "gap", "sound")
    own, other = (seen(world(m), temper="H24") for m in (None, "no_window_temper"))
    assert (other["gap"] > 2 * own["gap"]).all()


def test_wide_window_is_easier_everywhere(world):
    own, other = (seen(world(m)) for m in (None, "wide_window"))
    assert (other["limit_strain"] > own["limit_strain"]).all() and (other["gap"] < own["gap"]).all() and (other["film"] <= own["film"]).all()
    assert other["sound"].sum() >= own["sound"].sum()


def test_order_does_not_matter_and_worlds_travel(world):
    one = world("heavy_tails")
    args = {"temper": "O", "lot": "A1", "load": "L1", "component": True, "settings": SPOT}
    first = one.make("X", **args)[0]
    one.make("Y", **args)
    again = pickle.loads(pickle.dumps(one)).make("X", **args)[0]
    assert first.gap == again.gap and (first.film == again.film).all()


def test_there_are_enough_mechanisms_and_each_says_what_it_is():
    assert len(MECHANISMS) >= 8
    for m in MECHANISMS.values():
        assert m.words and all(a.low <= a.default <= a.high for a in m.arguments)


def test_truth_file(tmp_path):
    path = tmp_path / "truth.toml"
    path.write_text('mechanism = "ageing_dip"\nbase = "posterior"\n[parameters]\ndepth = 0.5\n')
    source = read_truth(str(path))
    assert source.base == "posterior" and source.arguments_of(source.mechanism(3)) == {"depth": 0.5, "centre_degC": 130.0, "width_degC": 25.0}
    assert read_truth("prior").mechanism(0) is None
    assert [read_truth("foreign").mechanism(i) for i in range(len(MECHANISMS))] == list(MECHANISMS)


@pytest.mark.parametrize("text, what", [
    ('mechanism = "magic"', "mechanism"), ("mechanism =", "TOML"), ('mechanism = "heavy_tails"\nspeed = 3', "not known"),
    ('mechanism = "heavy_tails"\n[parameters]\ndegrees = 1.0', "out of range"), ('mechanism = "heavy_tails"\n[parameters]\ndegrees = true', "out of range"),
    ('mechanism = "heavy_tails"\n[parameters]\nwidth = 4', "no such"), ('mechanism = "heavy_tails"\nbase = "mars"', "base"),
    ('mechanism = "heavy_tails"\nparameters = 3', "no table"), ('mechanism = 3', "mechanism")])
def test_bad_truth_files_are_refused(tmp_path, text, what):
    path = tmp_path / "truth.toml"
    path.write_text(text)
    with pytest.raises(UserError, match=what):
        read_truth(str(path))


@pytest.mark.parametrize("place, n_tempers, what", [("7", 2, "from 0 to 2"), ("1.5", 2, "a whole number"), ("1.5", None, "a whole number")])
def test_a_truth_may_only_name_a_temper_that_is_there(tmp_path, place, n_tempers, what):
    path = tmp_path / "truth.toml"
    path.write_text(f'mechanism = "no_window_temper"\n[parameters]\ntemper = {place}\n')
    with pytest.raises(UserError, match="temper is the place of no temper") as caught:
        read_truth(str(path), n_tempers=n_tempers)
    assert what in str(caught.value) and "truth.toml, [parameters]" in str(caught.value)
    path.write_text('mechanism = "no_window_temper"\n[parameters]\ntemper = 2\n')
    assert read_truth(str(path), n_tempers=2).arguments == {"temper": 2.0}


def test_missing_truth_file_is_refused():
    with pytest.raises(UserError, match="cannot be read"):
        read_truth("nowhere.toml")
