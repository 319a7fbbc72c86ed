"""One truth: what every specimen of a virtual campaign will show, whoever asks and in whatever order.

Random numbers belong to labels (a lot, a load, a specimen), not to the order of work: strategies that run on the same truth
meet the same lots, and a campaign that is broken off and begun again meets the same outcomes.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np

from models.priors import LOAD_EFFECTS, LOAD_SPREAD, LOT_EFFECTS, Params
from models.responses.braze import actual_minutes
from models.rows import MIN_STRAIN, Conditions, Settings, Sheet
from models.simulate import Outcomes, simulate
from planner.encode import settings_of, sheet_constants
from planner.rehearse.mechanisms import MECHANISMS, Mechanism
from planner.rehearse.row_values import RowValues

COUPON_SHEET = {"share": np.array([1.0]), "count": np.array([1.0]), "joined": np.array([True])}


@dataclass(frozen=True)
class Truth:
    """What is true, without the campaign's constants: small enough to travel to another process."""

    name: str                     # "prior", "posterior" or the mechanism
    params: Params                # one draw, leading axis 1
    seed: int                     # of lots, loads and specimens
    mechanism: str | None = None  # foreign mechanism, by name
    arguments: dict = field(default_factory=dict)
    lots: tuple[str, ...] = ()    # lots whose effects `params` holds, in order
    loads: tuple[str, ...] = ()


@dataclass(frozen=True)
class World:
    """A truth in a campaign."""

    truth: Truth
    sheet: Sheet
    settings: Settings
    tempers: tuple[str, ...]
    n_joints: int

    @classmethod
    def of(cls, truth: Truth, definition) -> World:
        """Put a truth into a campaign."""
        return cls(truth, sheet_constants(definition), settings_of(definition), tuple(definition.factors.tempers), definition.component.joints)

    @property
    def mechanism(self) -> Mechanism | None:
        """The foreign mechanism; None where the model itself is true."""
        return None if self.truth.mechanism is None else MECHANISMS[self.truth.mechanism]

    @cached_property
    def params(self) -> Params:
        """Constants of this world, the mechanism's changes made."""
        p = self.truth.params
        return p if self.mechanism is None else self.mechanism.constants(p, self.truth.arguments)

    def rng(self, kind: str, label: str) -> np.random.Generator:
        """Return the random numbers that belong to a label."""
        digest = hashlib.sha256(f"{kind}\n{label}".encode()).digest()
        return np.random.default_rng([self.truth.seed, int.from_bytes(digest[:8], "big")])

    def lot(self, label: str) -> dict[str, float]:
        """Return the effects of a lot: of the fit where the truth knows it, drawn otherwise."""
        if label in self.truth.lots:
            i = self.truth.lots.index(label)
            return {e: float(getattr(self.params, f"lot_{e}")[0, i]) for e in LOT_EFFECTS}
        z = self.rng("lot", label).standard_normal(len(LOT_EFFECTS))
        return {e: float(getattr(self.params, f"lot_{e}_sd")[0, 0]) * x for e, x in zip(LOT_EFFECTS, z)}

    def load(self, label: str | None) -> dict[str, float]:
        """Return the effects of a furnace load; zeros for what is not brazed."""
        if label is None:
            return dict.fromkeys(LOAD_EFFECTS, 0.0)
        if label in self.truth.loads:
            i = self.truth.loads.index(label)
            return {e: float(getattr(self.params, f"load_{e}")[0, i]) for e in LOAD_EFFECTS}
        z = self.rng("load", label).standard_normal(len(LOAD_EFFECTS))
        spread = {e: 1.0 if name is None else float(getattr(self.params, name)[0, 0]) for e, name in LOAD_SPREAD.items()}
        return {e: spread[e] * x for e, x in zip(LOAD_EFFECTS, z)}

    def changed(self, values: RowValues, actual: Conditions, own: np.ndarray, load: np.ndarray) -> tuple[RowValues, Conditions]:
        """Let the mechanism act on specimens at their actual settings; own and load are uniforms (n, n_own) and (n, n_load)."""
        if self.mechanism is None:
            return values, actual
        return self.mechanism.rows(values, actual, own, load, self.truth.arguments)

    def make(self, label: str, *, temper: str, lot: str, load: str | None, component: bool,
             settings: tuple[float, float, float, float]) -> tuple[Outcomes, float]:
        """Make one specimen; returns all that could be measured on it and the strain it really was given.

        Parameters
        ----------
        label : of the specimen; its random numbers follow from it.
        settings : set values of forming temperature (degC), strain, braze temperature (degC) and braze time (min).
        """
        rng, sd = self.rng("specimen", label), self.settings
        own_lot, own_load = self.lot(lot), self.load(load)
        temperature = settings[0] + sd.forming_temperature * rng.standard_normal()
        set_strain = max(settings[1], MIN_STRAIN)
        strain = set_strain * np.exp(sd.strain / set_strain * rng.standard_normal()) if settings[1] > 0 else 0.0
        braze = settings[2] + sd.braze_temperature * own_load["temperature"]
        minutes = float(actual_minutes(settings[3], sd.braze_time, own_load["time"]))
        actual = Conditions.from_factors([self.tempers.index(temper)], [[temperature, strain, braze, minutes]])
        n_own, n_load = (0, 0) if self.mechanism is None else (self.mechanism.n_own, self.mechanism.n_load)
        uniforms = self.rng("own", label).uniform(size=(1, n_own)), self.rng("load", load or "").spawn(1)[0].uniform(size=(1, n_load))
        values, actual = self.changed(RowValues.of_one_draw(self.params, actual.temper), actual, *uniforms)
        one = lambda effects: {name: np.array([x]) for name, x in effects.items()}
        sheet = self.sheet if component else Sheet(self.sheet.clad_um, self.sheet.silicon, **COUPON_SHEET)
        seen = simulate(values.with_effects(one(own_lot), one(own_load)), actual, sheet, settings=Settings(), component=float(component),
                        lot=0, load=0, n_joints=self.n_joints, rng=rng)
        return seen, float(actual.strain[0])
