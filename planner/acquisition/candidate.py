"""One specimen that could be made next week.

The record that candidates, limits, gain, schedule and plan file pass among them.  Conditions are set values in the
units of the result columns; what a specimen type does not have is ``None`` and stays blank in the plan.
"""

from __future__ import annotations

from dataclasses import dataclass, replace


@dataclass(frozen=True, slots=True)
class Candidate:
    """A specimen not yet made: what it is, from which lot, and how it would be formed and brazed."""

    specimen_type: str
    temper: str
    lot: str
    forming_temperature_degC: float
    strain: float | None = None
    """1; ``None`` for a bend coupon, and for a tensile coupon pulled to necking."""
    braze_temperature_degC: float | None = None
    """degC; ``None`` for a type that does not go into the furnace."""
    braze_time_min: float | None = None
    section_feature: str | None = None
    """Name of the component feature to be cut and looked at; ``None`` where no extra section is planned."""

    @property
    def braze(self) -> tuple[float, float] | None:
        """Braze temperature (degC) and time (min), or ``None``."""
        if self.braze_temperature_degC is None or self.braze_time_min is None:
            return None
        return (self.braze_temperature_degC, self.braze_time_min)

    def at_braze(self, braze: tuple[float, float]) -> Candidate:
        """Return the same specimen brazed at another condition."""
        return replace(self, braze_temperature_degC=braze[0], braze_time_min=braze[1])
