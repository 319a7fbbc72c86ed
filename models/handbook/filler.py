"""The clad: silicon contents, melting ranges, and how much liquid a clad gives at braze temperature.

The liquid at peak temperature is what can flow into the joints, so `liquid_fraction` is one of the few
handbook formulae inside the models themselves. It is written over an array module and runs alike on numpy
arrays and in a PyMC graph; everything else here is plain Python.
"""

from dataclasses import dataclass

import numpy as np

ALUMINIUM_MELTING_DEGC = 660.323
"""Melting point of aluminium, degC (fixed point of ITS-90)."""

EUTECTIC_DEGC = 577.0
"""Al-Si eutectic temperature, degC (Murray & McAlister, Bull. Alloy Phase Diagrams 5 (1984) 74; published)."""

EUTECTIC_SILICON = 12.6
"""Silicon of the Al-Si eutectic, wt% (same source; 12.2 at%; published)."""

SILICON_SOLUBILITY = 1.65
"""Largest solubility of silicon in aluminium, wt% (usual handbook figure, from memory; CALPHAD gives 1.55)."""

CLAD_SILICON = {"4343": 7.5, "4044": 8.5, "4045": 10.0, "4047": 12.0, "4004": 9.75, "4104": 9.75, "4147": 12.0}
"""Nominal silicon of the clad alloys, wt%: middle of the registered range (Aluminum Association, from memory).
4004, 4104 and 4147 carry magnesium as well (fluxless brazing): they begin to melt some degrees lower, and the
binary formulae below give slightly too little liquid for them."""


@dataclass(frozen=True, slots=True)
class Filler:
    """Melting and brazing range of a filler metal, in the unit of the source (degF).

    Attributes
    ----------
    alloy : str
        Aluminum Association number.
    silicon : float
        Nominal silicon, wt%.
    solidus_degF, liquidus_degF : float
        Ends of the melting range, degF.
    braze_degF : tuple of float
        Lowest and highest brazing temperature, degF.
    """

    alloy: str
    silicon: float
    solidus_degF: float
    liquidus_degF: float
    braze_degF: tuple[float, float]

    @property
    def melting_degC(self):
        """Solidus and liquidus, degC."""
        return fahrenheit_to_celsius(self.solidus_degF), fahrenheit_to_celsius(self.liquidus_degF)

    @property
    def braze_degC(self):
        """Lowest and highest brazing temperature, degC."""
        return fahrenheit_to_celsius(self.braze_degF[0]), fahrenheit_to_celsius(self.braze_degF[1])


FILLERS = {
    "BAlSi-2": Filler("4343", 7.5, 1070.0, 1135.0, (1110.0, 1150.0)),
    "BAlSi-4": Filler("4047", 12.0, 1070.0, 1080.0, (1080.0, 1120.0)),
    "BAlSi-5": Filler("4045", 10.0, 1070.0, 1095.0, (1090.0, 1120.0)),
}
"""AWS A5.8 as tabulated in Machinery's Handbook 31, brazing filler metals (published; table 1a from memory)."""


@dataclass(frozen=True, slots=True)
class FurnaceWindow:
    """Customary settings for furnace brazing of clad 3003 sheet (common practice, no source).

    Attributes
    ----------
    peak_degC : tuple of float
        Lowest and highest peak metal temperature, degC.
    clad_share : tuple of float
        Smallest and largest clad thickness per side over sheet thickness, 1.
    usual_clad_share : tuple of float
        The part of that range met most often, 1.
    core_margin_degC : float
        Least distance from the peak up to the solidus of the core, degC.
    """

    peak_degC: tuple[float, float] = (590.0, 610.0)
    clad_share: tuple[float, float] = (0.05, 0.15)
    usual_clad_share: tuple[float, float] = (0.05, 0.10)
    core_margin_degC: float = 30.0


FURNACE_WINDOW = FurnaceWindow()
"""Default furnace window."""


def fahrenheit_to_celsius(temperature_degF):
    """Convert degF to degC, (t - 32)/1.8; scalar or array in, the same shape out."""
    return (temperature_degF - 32.0) / 1.8


def clad_silicon(alloy):
    """Look up the nominal silicon of a clad alloy.

    Parameters
    ----------
    alloy : str
        Aluminum Association number, such as "4045"; a leading "AA" or "EN AW-" is ignored.

    Returns
    -------
    float
        Silicon, wt%.

    Raises
    ------
    ValueError
        If the alloy is not in `CLAD_SILICON`.
    """
    number = str(alloy).strip().upper().removeprefix("EN AW-").removeprefix("AA").strip()
    if number not in CLAD_SILICON:
        raise ValueError(f"clad alloy {alloy!r} is not known; allowed are {', '.join(sorted(CLAD_SILICON))}")
    return CLAD_SILICON[number]


def atomic_to_weight_percent(atomic_percent, solute_mass=28.0855, solvent_mass=26.98154):
    """Convert atomic to weight per cent in a binary alloy; the defaults are silicon in aluminium.

    Parameters
    ----------
    atomic_percent : array_like
        Solute, at%.
    solute_mass, solvent_mass : float
        Atomic masses, g/mol.

    Returns
    -------
    numpy.ndarray
        Solute, wt%, same shape.
    """
    share = np.asarray(atomic_percent, dtype=float) / 100.0
    return 100.0 * share * solute_mass / (share * solute_mass + (1.0 - share) * solvent_mass)


def liquidus_temperature(silicon_wt_percent):
    """Temperature at which an Al-Si clad is all liquid, straight liquidus, degC.

    Parameters
    ----------
    silicon_wt_percent : array_like
        Silicon of the clad up to the eutectic, wt%.

    Returns
    -------
    numpy.ndarray
        Liquidus in degC, same shape; above the eutectic silicon the eutectic temperature.

    References
    ----------
    Straight line from pure aluminium to the eutectic: a simplification (common practice), within 4 degC of
    the ranges in `FILLERS`.
    """
    share = np.minimum(np.asarray(silicon_wt_percent, dtype=float) / EUTECTIC_SILICON, 1.0)
    return ALUMINIUM_MELTING_DEGC - (ALUMINIUM_MELTING_DEGC - EUTECTIC_DEGC) * share


def liquid_fraction(temperature_degC, silicon_wt_percent, xp=np):
    """Liquid mass fraction of an Al-Si clad at temperature, by the lever rule.

    With x = (Tm - T)/(Tm - Te), straight boundaries give C_L = Ce x and C_S = Cs x, and the lever rule
    f = (C - C_S)/(C_L - C_S) = (C/x - Cs)/(Ce - Cs), held in [0, 1]; nothing melts below the eutectic.

    Parameters
    ----------
    temperature_degC : float, array or tensor
        Metal temperature, degC. At exactly the eutectic temperature the eutectic counts as molten.
    silicon_wt_percent : float, array or tensor
        Silicon of the clad, wt%; broadcasts with the temperature. Above the eutectic silicon the clad
        counts as all liquid (primary silicon is neglected).
    xp : module, default numpy
        Array module: numpy or pytensor.tensor.

    Returns
    -------
    array or tensor
        Liquid fraction from 0 to 1, never falling with temperature or silicon.

    References
    ----------
    Lever rule; straight phase boundaries are a simplification (common practice).

    Examples
    --------
    >>> round(float(liquid_fraction(600.0, 7.5)), 3)
    0.795
    """
    span = ALUMINIUM_MELTING_DEGC - EUTECTIC_DEGC
    # Kept off zero so that the quotient and its gradient stay finite at and above the melting point.
    x = xp.clip((ALUMINIUM_MELTING_DEGC - temperature_degC) / span, 1e-6, 1.0)
    lever = (silicon_wt_percent / x - SILICON_SOLUBILITY) / (EUTECTIC_SILICON - SILICON_SOLUBILITY)
    return xp.where(temperature_degC < EUTECTIC_DEGC, 0.0, xp.clip(lever, 0.0, 1.0))


def eutectic_share(silicon_wt_percent):
    """Share of an Al-Si clad that freezes as eutectic when nothing diffuses in the solid (Scheil).

    Parameters
    ----------
    silicon_wt_percent : array_like
        Silicon of the clad, wt%.

    Returns
    -------
    numpy.ndarray
        (C/Ce)^(1/(1 - k)) with k = Cs/Ce, from 0 to 1, same shape.

    References
    ----------
    Scheil's equation with a constant partition coefficient (textbook formula, from memory).
    """
    share = np.clip(np.asarray(silicon_wt_percent, dtype=float) / EUTECTIC_SILICON, 0.0, 1.0)
    return share ** (1.0 / (1.0 - SILICON_SOLUBILITY / EUTECTIC_SILICON))
