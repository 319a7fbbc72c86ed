"""The truth's own conformance, against the program's kernel, against brute force, and against specimens made one by one."""

from dataclasses import replace

import numpy as np
import pytest

from models.simulate import OneDrawPerRow, new_effects, simulate
from planner.cycle.fitting import required_of
from planner.encode import settings_of, sheet_constants
from planner.rehearse.conformance import true_conformance
from planner.window.box import factor_box
from planner.window.conformance import Conformance
from planner.window.points import corners, reference_points


def test_agrees_with_the_kernel_where_the_model_is_true(definition, median, world):
    box = factor_box(definition)
    x = reference_points(box, 96, seed=2)
    kernel = Conformance(median, sheet=sheet_constants(definition), settings=settings_of(definition), required=required_of(definition), box=corners(box))
    found = true_conformance(world(), required_of(definition), x)
    assert np.abs(found - kernel(x)[0]).max() <= 0.01
    assert found.min() < 0.3 and found.max() > 0.8


def test_agrees_with_brute_force(definition, median, world):
    x = reference_points(factor_box(definition), 32, seed=4)
    found = true_conformance(world(), required_of(definition), x)
    j = int(np.argmin(np.abs(found - 0.6)))
    n, rng, r = 100_000, np.random.default_rng(3), required_of(definition)
    p = new_effects(median.take(np.zeros(n, int)), 1, 1, rng)
    seen = simulate(OneDrawPerRow(p), x.take(np.full(n, j)), sheet_constants(definition), settings=settings_of(definition), component=1.0,
                    lot=0, load=0, n_joints=r.n_joints, rng=rng)
    passed = ~seen.cracked & (seen.gap <= r.gap_max) & (seen.film.max(1) <= r.film_max) & (seen.sound >= r.sound_min) & ~seen.leaked
    assert found[j] == pytest.approx(passed.mean(), abs=0.008)      # 5 standard errors


@pytest.mark.parametrize("name", ["thermocouple_offset", "heavy_tails", "overdispersed_joints", "strain_heat_interaction"])
def test_foreign_worlds_conform_as_often_as_their_specimens_do(definition, world, name):
    here, r, n = world(name), required_of(definition), 400
    x = reference_points(factor_box(definition), 64, seed=6)
    found = true_conformance(here, r, x)
    j = int(np.argmin(np.abs(found - 0.7)))
    spot, temper = tuple(x.factors()[j]), definition.factors.tempers[x.temper[j]]
    passed = []
    for i in range(n):
        seen, strain = here.make(f"S{i}", temper=temper, lot=f"lot {i}", load=f"load {i}", component=True, settings=spot)
        passed.append(strain <= seen.limit_strain[0] and seen.gap[0] <= r.gap_max and seen.film.max() <= r.film_max
                      and seen.sound[0] >= r.sound_min and not seen.leaked[0])
    assert found[j] == pytest.approx(np.mean(passed), abs=4 * np.sqrt(0.25 / n))


def test_criteria_left_out_are_not_required(definition, world):
    x = reference_points(factor_box(definition), 16, seed=8)
    everything = true_conformance(world(), required_of(definition), x, n_nodes=256)
    nothing = replace(required_of(definition), cracked=False, gap_max=None, sound_min=None, film_max=None, leaked=False)
    np.testing.assert_allclose(true_conformance(world(), nothing, x, n_nodes=256), 1.0, atol=1e-9)
    assert (everything <= 1.0).all() and len(true_conformance(world(), nothing, x.take(slice(0, 0)))) == 0
