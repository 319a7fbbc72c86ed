"""Parameters row by row, so that a foreign mechanism can be written as parameters that depend on the settings.

The response functions read `p.limit_level`, `p.of(temper).softening`, `p.lot_of(lot).clad` and so on.  Here every such value
is an array (1, n), one entry a specimen: whatever a real material does that the model's formulas do not say (a limit
strain that saturates with warmth, scatter with heavy tails) is put in by changing these entries, and the simulator and the
conformance of the truth go through the same unchanged functions.
"""

from __future__ import annotations

import numpy as np

from models.priors import BY_TEMPER, DEVIATIONS, LOAD_EFFECTS, LOT_EFFECTS, Params

_GATHERED = {*BY_TEMPER, *(f"{name}_deviation" for name, _ in DEVIATIONS)}
_EFFECTS = {*(f"lot_{e}" for e in LOT_EFFECTS), *(f"load_{e}" for e in LOAD_EFFECTS)}


class RowValues:
    """Parameters of n specimens as arrays that broadcast with (1, n); what the response functions take for `Params`."""

    def __init__(self, values: dict):
        self.__dict__.update(values)

    @classmethod
    def of_one_draw(cls, p: Params, temper: np.ndarray) -> RowValues:
        """Spread one draw over specimens.

        Parameters
        ----------
        p : parameters with a leading axis of 1.
        temper : (n,) temper of each specimen.
        """
        pick = lambda v: tuple(map(pick, v)) if isinstance(v, tuple) else v[:, temper]
        values = {k: pick(v) if k in _GATHERED else v for k, v in p.__dict__.items() if k not in _EFFECTS}
        return cls(values)

    def changed(self, **values) -> RowValues:
        """Return a copy with some arrays replaced."""
        return RowValues(self.__dict__ | values)

    def with_effects(self, lot: dict[str, np.ndarray], load: dict[str, np.ndarray]) -> RowValues:
        """Return a copy that knows each specimen's lot and load effects, (n,) arrays by effect."""
        wide = lambda prefix, effects: {prefix + k: np.asarray(v, float)[None, :] for k, v in effects.items()}
        return self.changed(**wide("lot_", lot), **wide("load_", load))

    def of(self, temper) -> RowValues:
        """Return itself: the coefficients of each specimen's temper are already picked."""
        return self

    def lot_of(self, lot) -> _Effects:
        """Return the specimens' lot effects."""
        return _Effects(self, "lot_")

    def load_of(self, load) -> _Effects:
        """Return the specimens' load effects."""
        return _Effects(self, "load_")


class _Effects:
    def __init__(self, values: RowValues, prefix: str):
        self._values, self._prefix = values, prefix

    def __getattr__(self, name):
        return getattr(self._values, self._prefix + name)
