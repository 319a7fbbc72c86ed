"""How forecasts of the gain fared when weeks were simulated and refitted, and what is made of that.

A forecast is the mean over simulated outcomes of the week, and right on average only as far as the approximations behind their maps
go.  `tests/evidence/forecast.py` sets it against refits and leaves what it learnt beside this module: a factor on the gain and one on
the width of its band, learnt on some truths, and the record on others.  Every plan is scaled by the first two and prints the third; where nothing was measured it says so.
"""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass, fields
from functools import cache
from pathlib import Path

FILE = Path(__file__).with_name("forecast_record.json")
Band = tuple[float, float]


@dataclass(frozen=True)
class ForecastRecord:
    """Forecasts against refits, on truths from which the factors were not learnt."""

    factor: float
    """On the forecast gain."""
    stretch: float
    """On the distance of either end of the band from it."""
    weeks: int
    """Simulated weeks, each refitted."""
    ratio_of_sums: float
    """Gain foreseen over gain that came, the factor applied."""
    rank_correlation: float
    """Between foreseen and mean gain, over batches."""
    band_coverage_80: float
    """Share of single weeks inside the 80 % band."""
    made_on: str
    """ISO date."""

    def scaled(self, gain: float, band: Band) -> tuple[float, Band]:
        """Return a forecast gain and its band as they should be printed."""
        return scaled(gain, band, factor=self.factor, stretch=self.stretch)

    def to_json(self) -> dict:
        """Return plain values."""
        return asdict(self)


def scaled(gain: float, band: Band, *, factor: float = 1.0, stretch: float = 1.0) -> tuple[float, Band]:
    """Return a forecast gain, none where outcomes scatter below it, and the band around it, which always holds it."""
    gain = max(gain, 0.0)
    below, above = max(gain - band[0], 0.0), max(band[1] - gain, 0.0)
    middle = factor * gain
    return middle, (middle - stretch * below, middle + stretch * above)


@cache
def measured(path: Path = FILE) -> ForecastRecord | None:
    """Return the record that came with the program; ``None`` where none was made."""
    try:
        found = json.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        return None
    return ForecastRecord(**{f.name: found[f.name] for f in fields(ForecastRecord)})


def calibrated(gain: float, band: Band) -> tuple[float, Band]:
    """Return a forecast gain and its band scaled by the record; as they are where there is none."""
    record = measured()
    return scaled(gain, band) if record is None else record.scaled(gain, band)


def possible(gain: float, band: Band, *, most: float) -> tuple[float, Band]:
    """Hold a scaled gain and its band to what can come: H falls by no more than all of itself."""
    return min(gain, most), (min(band[0], most), min(band[1], most))
