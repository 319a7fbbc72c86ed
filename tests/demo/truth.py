"""The invented world behind the demo campaigns: one fixed set of parameters near the middle of the priors.

It stands apart from the trials, so that a test can ask how much of the box conforms in that world without making a
single specimen.  Departures are stated in standard deviations of the prior; what is not named lies at the median.
"""

from __future__ import annotations

import numpy as np

from models.handbook import clad_silicon
from models.priors import BY_TEMPER, SHARED, Layout, Params, prior_set, unpack
from models.rows import Settings, Sheet

N_LOTS, N_LOADS = 8, 32
HARDNESS = {"O": 0, "H14": 2}     # the classes of models.priors

# Prior standard deviations by which the world departs from the median.
DEPARTURE = {
    "limit_sd": -0.3, "lot_limit_sd": -0.2, "limit_shift": -0.4, "limit_shift_tau": -0.3,
    "gap_level": 0.3, "gap_slope": 0.2, "gap_sd": -0.3,
    "film_level": 0.5, "film_tau": -0.3, "film_heat": 0.2, "film_exponent": -0.4, "recrystallised_width": -0.4, "recovery": -0.4,
    "best_heat": 0.1, "joint_level": -0.3, "joint_cold": 0.3, "joint_hot": 0.3, "component_sd": -0.2, "load_joint_sd": -0.2,
    "concentration": -0.3, "leak_level": -0.2, "leak_slope": 0.2,
}
# The same for coefficients of one temper.
DEPARTURE_OF_TEMPER = {
    ("limit_gain", "O"): 0.2, ("limit_level", "H14"): 0.3, ("limit_gain", "H14"): 0.5,
    ("log_critical_strain", "O"): -0.5, ("angle_level", "H14"): -0.3,
}

SOFTENING = {"O": 0.3872983346, "H14": 0.5474140173}   # of flow stress at 250 degC, ln ratio


def sheet_of(definition) -> Sheet:
    """Return the constants of sheet and component."""
    features = definition.component.features
    return Sheet(definition.clad_thickness_um, clad_silicon(definition.sheet.clad), np.array([f.strain_share for f in features]),
                 np.array([float(f.count) for f in features]), np.array([f.joined for f in features]))


def settings_of(definition) -> Settings:
    """Return how far actual settings scatter."""
    f = definition.factors
    return Settings(f.forming_temperature_degC.setting_sd, f.strain.setting_sd, f.braze_temperature_degC.setting_sd,
                    f.braze_time_min.setting_sd)


def world(definition) -> Params:
    """Return the one draw that is the truth, without effects of particular lots and loads."""
    tempers = definition.factors.tempers
    beliefs = {k: dict(v) for k, v in definition.beliefs.items()}
    braze = beliefs.pop("braze", {})
    priors = prior_set(tempers, [HARDNESS[t] for t in tempers], beliefs=beliefs, braze=braze)
    layout = Layout(len(tempers), N_LOTS, N_LOADS)
    z = {name: np.zeros(shape) for name, shape in layout.blocks.items()}
    z["shared"] = np.array([[DEPARTURE.get(prior.name, 0.0) for prior in SHARED]])
    p = unpack(np.concatenate([block.ravel() for block in z.values()])[None], layout, priors)
    return p.with_values(**{name: _of_tempers(p, priors, name, i, tempers) for i, name in enumerate(BY_TEMPER)})


def _of_tempers(p: Params, priors, name: str, row: int, tempers) -> np.ndarray:
    """Return a coefficient by temper, moved by its stated departures."""
    if name == "softening":
        return np.array([[SOFTENING[t] for t in tempers]])
    moved = priors.by_temper[row, :, 1] * np.array([DEPARTURE_OF_TEMPER.get((name, t), 0.0) for t in tempers])
    value = getattr(p, name)
    return value * np.exp(moved) if name == "prior_strain" else value + moved
