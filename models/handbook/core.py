"""The core alloy: physical constants of 3003, and how the strength of half-hard 3003 falls when warm.

The constants are defaults for arithmetic about the sheet. The strength table gives the springback prior its
order of size; it was measured after long exposure at temperature, so for the short heat of warm forming it
is an upper bound on the softening, never a prediction.
"""

from dataclasses import dataclass

import numpy as np

from models.handbook.elastic import within_table

MPA_PER_KSI = 6.894757
"""Megapascals in one thousand pounds-force per square inch (exact definition, rounded to 7 figures)."""


@dataclass(frozen=True, slots=True)
class CoreConstants:
    """Physical constants of a core alloy at room temperature.

    Attributes
    ----------
    density : float
        g/cm3.
    solidus, liquidus : float
        Ends of the melting range, degC.
    modulus : float
        Young's modulus, MPa.
    poisson : float
        Poisson's ratio, 1.
    expansion : float
        Mean linear thermal expansion from 20 to 100 degC, 1/K.
    """

    density: float
    solidus: float
    liquidus: float
    modulus: float
    poisson: float
    expansion: float


CORE_ALLOYS = {
    "3003": CoreConstants(
        density=2.73, solidus=643.0, liquidus=654.0, modulus=68_900.0, poisson=0.33, expansion=23.2e-6
    ),
}
"""Constants by alloy: Aluminum Association typical values as carried by data sheets (published)."""


@dataclass(frozen=True, slots=True)
class Strength:
    """Tensile properties at a temperature; every field has the shape of the temperatures.

    Attributes
    ----------
    yield_stress : numpy.ndarray
        0.2 % proof stress, MPa.
    tensile_strength : numpy.ndarray
        Ultimate tensile strength, MPa.
    elongation : numpy.ndarray
        Elongation at fracture, neck included, %.
    """

    yield_stress: np.ndarray
    tensile_strength: np.ndarray
    elongation: np.ndarray


H14_STRENGTH_3003 = {
    "temperature_degC": (24.0, 100.0, 149.0, 204.0),
    "yield_ksi": (21.0, 19.0, 16.0, 9.0),
    "tensile_ksi": (22.0, 21.0, 18.0, 14.0),
    "elongation_percent": (16.0, 16.0, 16.0, 20.0),
}
"""3003-H14 after long exposure, in the units of the source: AA typical data as on a stockist's sheet (published)."""


def h14_strength_3003(temperature_degC, *, clamp=False):
    """Interpolate the tensile properties of 3003-H14 between the nodes of the handbook table.

    Parameters
    ----------
    temperature_degC : array_like
        Test temperature in degC, any shape.
    clamp : bool, default False
        What happens outside 24 to 204 degC: False raises, True takes the end value.

    Returns
    -------
    Strength
        Yield and tensile strength in MPa, elongation in %.

    Raises
    ------
    ValueError
        If a temperature is not finite, or lies outside the table and `clamp` is False.

    References
    ----------
    Aluminum Association typical data for 3003-H14, as on a stockist's sheet (published).

    Examples
    --------
    >>> round(float(h14_strength_3003(204.0).yield_stress), 1)
    62.1
    """
    table = H14_STRENGTH_3003
    nodes = table["temperature_degC"]
    temperature = within_table(
        temperature_degC, nodes[0], nodes[-1], clamp=clamp, what="the strength table of 3003-H14"
    )
    return Strength(
        yield_stress=MPA_PER_KSI * np.interp(temperature, nodes, table["yield_ksi"]),
        tensile_strength=MPA_PER_KSI * np.interp(temperature, nodes, table["tensile_ksi"]),
        elongation=np.interp(temperature, nodes, table["elongation_percent"]),
    )
