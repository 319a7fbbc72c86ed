"""An invented predictor and map for tests: a handful of latent numbers a draw, no physics."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from scipy.special import expit, ndtr
from scipy.stats import qmc

from planner.acquisition.measurements import Measurements
from planner.acquisition.reference import ReferenceMap
from planner.lab.campaign import definition_from, read_definition

WIDTH = 12


@dataclass(frozen=True)
class Arrays:
    temper: np.ndarray
    forming_temperature: np.ndarray
    strain: np.ndarray
    braze_temperature: np.ndarray
    braze_time: np.ndarray


class Invented:
    """Linear latent responses with per-temper coefficients and smooth features of the conditions."""

    def __init__(self, definition, *, n_draws=400, spread=0.7, seed=0):
        self.definition = definition
        self.rng = np.random.default_rng(seed)
        self.tempers = definition.factors.tempers
        self.n_draws = n_draws
        self.coefficients = spread * self.rng.standard_normal((n_draws, len(self.tempers), 4, WIDTH))
        self.coefficients += self.rng.standard_normal((1, len(self.tempers), 4, WIDTH))
        self.directions = self.rng.standard_normal((WIDTH - 1, 4))

    def basis(self, settings):
        ranges = self.definition.factor_ranges.values()
        low, high = (np.array(x) for x in zip(*ranges, strict=True))
        unit = (np.atleast_2d(settings) - low) / (high - low)
        wave = np.sin(unit @ self.directions.T)
        return np.column_stack([np.ones(len(unit)), wave]) / np.sqrt(WIDTH)

    def latent(self, temper, settings, kind):
        return np.einsum("sce,ce->sc", self.coefficients[:, temper, kind], self.basis(settings))

    def conformance(self, conditions):
        settings = np.column_stack(
            [conditions.forming_temperature, conditions.strain, conditions.braze_temperature, conditions.braze_time]
        )
        worst = np.minimum(self.latent(conditions.temper, settings, 0), self.latent(conditions.temper, settings, 1))
        return ndtr(1.5 + 1.5 * worst)

    def measurements(self, candidates):
        middle = [0.5 * (a + b) for a, b in self.definition.factor_ranges.values()]
        rows, binary, kinds, owner = [], [], [], []
        for i, c in enumerate(candidates):
            given = (c.forming_temperature_degC, c.strain, c.braze_temperature_degC, c.braze_time_min)
            settings = np.array([m if g is None else g for g, m in zip(given, middle, strict=True)])
            temper = self.tempers.index(c.temper)
            names = ["limit_strain"] if c.specimen_type == "tensile_coupon" else ["springback_angle"]
            if c.braze is not None:
                names = ["recrystallised", "film_depth", "clad_left"]
            if c.specimen_type == "component":
                names = ["cracked", "gap", "joints_sound", "leaked"] + (["film_depth"] if c.section_feature else [])
            for j, name in enumerate(names):
                value = self.latent(np.array([temper]), settings[None, :], j % 4)[:, 0]
                is_binary = name in ("cracked", "leaked", "recrystallised")
                rows.append(expit(2 * value - 1.0) if is_binary else value)
                binary.append(is_binary)
                kinds.append(name)
                owner.append(i)
        F = np.array(rows).T.reshape(self.n_draws, len(owner))
        binary = np.array(binary, bool)
        noise = np.where(binary, (F * (1 - F)).mean(axis=0), 0.5)
        furnace = np.array([candidates[o].braze is not None for o in owner], bool)
        load = np.where(furnace[:, None], 0.15, 0.0) * np.ones((1, 4)) * ~binary[:, None]
        lot = np.where(binary[:, None], 0.0, 0.1) * np.ones((1, 3))
        return Measurements(F, noise, np.array(owner, int), np.array(kinds), binary, lot, load)


def conditions(definition, *, log2_points=9, seed=1):
    cube = qmc.Sobol(5, rng=np.random.default_rng(seed)).random_base2(log2_points)
    low, high = (np.array(x) for x in zip(*definition.factor_ranges.values(), strict=True))
    settings = low + cube[:, 1:] * (high - low)
    temper = np.minimum((cube[:, 0] * len(definition.factors.tempers)).astype(int), len(definition.factors.tempers) - 1)
    return Arrays(temper, *settings.T)


def reference_map(definition, model, *, log2_points=9):
    at = conditions(definition, log2_points=log2_points)
    conformance = model.conformance(at)
    return ReferenceMap.of(
        at,
        conformance,
        tempers=definition.factors.tempers,
        ranges=definition.factor_ranges,
        reliability=definition.goal.reliability,
        chain=np.arange(model.n_draws) * 4 // model.n_draws,
    )


DATA = Path(__file__).parent / "data"


@pytest.fixture(scope="session")
def definition():
    """The invented example campaign."""
    return read_definition(DATA / "campaign.toml")


@pytest.fixture(scope="session")
def varied():
    """Return the example campaign with tables replaced: ``varied(week={...}, stock=[...])``."""

    def make(**tables):
        tree = tomllib.loads((DATA / "campaign.toml").read_text(encoding="utf-8"))
        for name, value in tables.items():
            if value is None:
                tree.pop(name, None)
            else:
                tree[name] = value
        return definition_from(tree)

    return make


@pytest.fixture(scope="session")
def world():
    """Return (reference map, predictor) of an invented posterior over a definition."""

    def make(definition, *, n_draws=240, log2_points=7, spread=0.7, seed=0):
        model = Invented(definition, n_draws=n_draws, spread=spread, seed=seed)
        return reference_map(definition, model, log2_points=log2_points), model

    return make
