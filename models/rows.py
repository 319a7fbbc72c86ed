"""Arrays that the models read: set points, designs and the observed blocks.

Nothing here knows of files, labels or campaigns.  A *design* carries everything the mathematics needs to know of a
row (settings, how far they scatter, which temper, lot and load); a *block* adds what was measured.  The same design
serves likelihood, prediction, simulation and acquisition, which is what keeps each response written once.
"""

from __future__ import annotations

from dataclasses import dataclass, field, fields, replace
from collections.abc import Sequence

import numpy as np

from models.handbook import modulus_factor
from models.responses.deviation import tau_basis

T_AMBIENT = 20.0          # degC
T_SPAN = 230.0            # degC from ambient to tau = 1
BRAZE_T_REF = 600.0       # degC
BRAZE_TIME_REF = 3.0      # min
MIN_STRAIN = 1e-4         # strains below this are treated as this
EXACT, RIGHT, LEFT, MISSING = 0, 1, -1, 9


def warmth(forming_temperature):
    """Return tau = max(T - 20 degC, 0)/230, the argument of every warm effect."""
    return np.maximum(np.asarray(forming_temperature, float) - T_AMBIENT, 0.0) / T_SPAN


@dataclass(frozen=True)
class Settings:
    """Standard deviations of the actual settings about the set values."""

    forming_temperature: float = 0.0   # degC
    strain: float = 0.0                # 1
    braze_temperature: float = 0.0     # degC
    braze_time: float = 0.0            # min


@dataclass(frozen=True)
class Conditions:
    """Set points; every array has shape (n_conditions,)."""

    temper: np.ndarray                 # index into the campaign's tempers
    forming_temperature: np.ndarray    # degC
    strain: np.ndarray                 # equivalent true plastic strain at the most strained feature
    braze_temperature: np.ndarray      # degC
    braze_time: np.ndarray             # min above the clad solidus

    def __len__(self) -> int:
        return len(self.temper)

    def take(self, index) -> "Conditions":
        """Return the conditions at `index` (ints, slice or mask)."""
        return Conditions(*(getattr(self, f.name)[index] for f in fields(self)))

    def factors(self) -> np.ndarray:
        """Return the four numeric factors as an array (n_conditions, 4) in the contract's order."""
        return np.stack([self.forming_temperature, self.strain, self.braze_temperature, self.braze_time], axis=-1)

    @classmethod
    def from_factors(cls, temper, factors) -> "Conditions":
        """Build from temper indices (n,) and a factor array (n, 4)."""
        factors = np.asarray(factors, float).reshape(-1, 4)
        temper = np.broadcast_to(np.asarray(temper, int), (len(factors),))
        return cls(temper, *np.ascontiguousarray(factors.T))

    @staticmethod
    def concatenate(parts: Sequence["Conditions"]) -> "Conditions":
        """Join several sets of conditions in order."""
        return Conditions(*(np.concatenate([getattr(p, f.name) for p in parts]) for f in fields(Conditions)))


@dataclass(frozen=True)
class Design:
    """What the mathematics needs to know of each row; arrays of shape (n,) unless said.

    Scatter of a setting enters as the half difference over +- one standard deviation (forming temperature) or as the
    standard deviation of the log (strain); zero where the setting was measured or is exact.
    """

    temper: np.ndarray            # index
    lot: np.ndarray               # index of the lot effect
    load: np.ndarray              # index of the load effect (0 where not brazed)
    component: np.ndarray         # 1.0 component, 0.0 coupon
    tau: np.ndarray               # warmth at the set value
    tau_hi: np.ndarray            # warmth one sd above
    tau_lo: np.ndarray            # warmth one sd below
    log_modulus: np.ndarray       # ln of modulus / modulus at 20 degC
    strain: np.ndarray            # 0 where not applicable (bend coupons)
    log_strain: np.ndarray        # ln of strain
    log_strain_sd: np.ndarray     # sd of ln strain
    h: np.ndarray                 # (T_braze - 600 degC)/10
    h_sd: np.ndarray              # sd of h within the load's latent
    minutes: np.ndarray           # braze time
    minutes_sd: np.ndarray        # sd of braze time within the load's latent
    basis: np.ndarray = field(default=None)   # (3, n) smooth basis over tau

    def __len__(self) -> int:
        return len(self.temper)

    @property
    def tau_spread(self):
        """Half difference of tau over +- one sd of the forming temperature."""
        return 0.5 * (self.tau_hi - self.tau_lo)

    def take(self, index) -> "Design":
        """Return the rows at `index`."""
        return Design(*(getattr(self, f.name)[..., index] for f in fields(self)))


def design(conditions: Conditions, *, settings: Settings = Settings(), component=1.0, lot=0, load=0,
           measured_forming=False, measured_braze_temperature=False, measured_braze_time=False) -> Design:
    """Turn set points into a design.

    Parameters
    ----------
    conditions : Conditions, (n,)
    settings : standard deviations of the settings (degC, 1, degC, min); default none.
    component : 1.0 or array (n,); whether the row is a component.
    lot, load : effect indices, scalar or (n,).
    measured_* : bool or (n,); a measured setting has no scatter.
    """
    n = len(conditions)
    full = lambda value, kind=float: np.array(np.broadcast_to(np.asarray(value, kind), (n,)))
    temperature = np.asarray(conditions.forming_temperature, float)
    spread = np.where(full(measured_forming, bool), 0.0, settings.forming_temperature)
    strain = np.asarray(conditions.strain, float)
    positive = np.maximum(strain, MIN_STRAIN)
    tau = warmth(temperature)
    return Design(
        temper=np.asarray(conditions.temper, np.int64), lot=full(lot, np.int64), load=full(load, np.int64),
        component=full(component), tau=tau, tau_hi=warmth(temperature + spread), tau_lo=warmth(temperature - spread),
        log_modulus=np.log(modulus_factor(temperature, clamp=True)), strain=strain, log_strain=np.log(positive),
        log_strain_sd=np.where(strain > 0, settings.strain / positive, 0.0),
        h=(np.asarray(conditions.braze_temperature, float) - BRAZE_T_REF) / 10.0,
        h_sd=np.where(full(measured_braze_temperature, bool), 0.0, settings.braze_temperature / 10.0),
        minutes=np.asarray(conditions.braze_time, float),
        minutes_sd=np.where(full(measured_braze_time, bool), 0.0, settings.braze_time), basis=tau_basis(tau))


def at_actual_settings(rows: Design, tau, log_modulus, log_strain) -> Design:
    """Return the design at actual settings, with no scatter left (used by simulation and quadrature)."""
    zero = np.zeros_like(tau)
    return replace(rows, tau=tau, tau_hi=tau, tau_lo=tau, log_modulus=log_modulus, strain=np.exp(log_strain),
                   log_strain=log_strain, log_strain_sd=zero, basis=tau_basis(tau))


@dataclass(frozen=True)
class Sheet:
    """Constants of sheet and component that the models need."""

    clad_um: float                 # nominal clad thickness per clad side, um
    silicon: float                 # silicon in the clad, wt%
    share: np.ndarray              # (n_features,) strain share, falling order
    count: np.ndarray              # (n_features,) copies of the feature
    joined: np.ndarray             # (n_features,) bool

    @property
    def weight(self) -> np.ndarray:
        """Count weights over the joined features, adding to 1 (all features if none is joined)."""
        joined = self.joined if self.joined.any() else np.ones_like(self.joined)
        weight = self.count * joined
        return weight / weight.sum()


@dataclass(frozen=True)
class NormalBlock:
    """Rows with a normal latent: log limit strain (cracked yes/no too), log angle and log gap."""

    rows: Design
    y: np.ndarray                  # observed value or censoring bound on the model's scale
    censor: np.ndarray             # EXACT, RIGHT (latent above y) or LEFT (latent below y)


@dataclass(frozen=True)
class SectionBlock:
    """Sections: recrystallised yes/no, film depth and clad left at one feature."""

    rows: Design                   # log_strain is that of the sectioned feature
    state_known: np.ndarray        # 1.0 where recrystallised yes/no was judged
    state_not: np.ndarray          # 1.0 where judged not recrystallised, else 0.0
    film: np.ndarray               # ln of film depth in um or bound; 0 where missing
    censor: np.ndarray             # EXACT, RIGHT, LEFT or MISSING
    film_known: np.ndarray         # 1.0 where the film depth was measured exactly
    depth: np.ndarray              # film depth in um where known, else 0
    clad: np.ndarray               # clad left as a share of the nominal clad, or bound; 0 where missing
    clad_censor: np.ndarray        # EXACT, RIGHT, LEFT or MISSING


@dataclass(frozen=True)
class CountBlock:
    """Components with judged joints or a leak test."""

    rows: Design
    inspected: np.ndarray          # joints inspected (0 where not)
    sound: np.ndarray
    leak_sign: np.ndarray          # +1 leaked, -1 tight, 0 not tested
    gap_known: np.ndarray          # 1.0 where the gap was measured
    gap: np.ndarray                # mm where known, else 0


@dataclass(frozen=True)
class Observations:
    """Everything measured, block by block, and the sizes of the random effects."""

    formability: NormalBlock
    springback: NormalBlock
    section: SectionBlock
    counts: CountBlock
    n_tempers: int
    n_lots: int
    n_loads: int

    @property
    def n_rows(self) -> int:
        """Rows of evidence over all blocks."""
        return sum(len(getattr(self, b).rows) for b in ("formability", "springback", "section", "counts"))
