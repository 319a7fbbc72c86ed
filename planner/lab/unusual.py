"""Why this module exists: a number can be possible and still be a slip.

The hard bounds are physical limits; between them and what a lab ordinarily sees lies what is
recorded as written and noted, so that somebody looks at the row again.
"""

from __future__ import annotations

from collections.abc import Iterator

from planner.lab.definition import Definition
from planner.lab.specimen import Measured, Specimen

# Common practice, no source: beyond these somebody should look again.
STRAIN = 1.0  #: true strain that sheet forming does not reach; 1.8 is rather 1.8 %
SPRINGBACK_DEG = 45.0  #: half of a right-angled bend sprung back
GAP_MM = 5.0  #: no fillet bridges it
FILM_OF_SHEET = 0.5  #: share of the sheet's thickness that liquid film has eaten
CLAD_OF_NOMINAL = 1.1  #: uneven cladding beyond what mills deliver
FINEST_DEG, FINEST_MM, FINEST_UM = 0.01, 0.001, 0.05  #: what no gauge of a forming lab reads, above 0
FINEST_STRAIN = 1e-4


def unusual_measurements(specimen: Specimen, definition: Definition) -> Iterator[str]:
    """Yield a note for every measured value, and strain, that is accepted and hardly believable.

    Parameters
    ----------
    specimen : Specimen
        Within the hard bounds.
    definition : Definition
        Its sheet tells what a film or a clad layer can be.

    Yields
    ------
    str
        Worded alike for every row that it applies to.
    """
    sheet, clad = definition.sheet.thickness_um, definition.clad_thickness_um
    for name, value in (("strain", specimen.strain), ("limit_strain", _value(specimen.limit_strain))):
        if value is not None and value > STRAIN:
            yield (f"{name} above {STRAIN:g} looks like percent (1.5 % is 0.015); "
                   "it is recorded as written, mend it if it is a percentage")  # fmt: skip
    for name, measured, least, unit in (
        ("strain", specimen.strain, FINEST_STRAIN, ""), ("limit_strain", _value(specimen.limit_strain), FINEST_STRAIN, ""),
        ("springback_angle", _value(specimen.springback_angle_deg), FINEST_DEG, " deg"), ("gap", _value(specimen.gap_mm), FINEST_MM, " mm"),
        ("film_depth", _value(specimen.film_depth_um), FINEST_UM, " um"), ("clad_left", _value(specimen.clad_left_um), FINEST_UM, " um")):  # fmt: skip
        if measured is not None and 0 < measured < least:
            yield f"{name} below {least:g}{unit} is finer than gauges read; is it in another unit? It is recorded as written"
    for name, measured, most, why in (
        ("springback_angle", specimen.springback_angle_deg, SPRINGBACK_DEG,
         f"above {SPRINGBACK_DEG:g} deg is unusual; was the angle left in the bend read"),
        ("gap", specimen.gap_mm, GAP_MM, f"above {GAP_MM:g} mm is unusual; is it in another unit"),
        ("film_depth", specimen.film_depth_um, FILM_OF_SHEET * sheet,
         f"above half of the sheet's {sheet:g} um is unusual; is it in another unit"),
        ("clad_left", specimen.clad_left_um, CLAD_OF_NOMINAL * clad,
         f"above {CLAD_OF_NOMINAL:g} x the nominal clad of {clad:g} um is unusual; was it taken before the braze"),
    ):  # fmt: skip
        value = _value(measured)
        if value is not None and value > most:
            yield f"{name} {why}? It is recorded as written"


def _value(measured: Measured | None) -> float | None:
    """Return the number of a measurement, censored or not."""
    return None if measured is None else measured.value
