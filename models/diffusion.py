"""Closed forms of diffusion and recrystallisation kinetics.

They give the film and recrystallisation models their sizes: over a braze cycle silicon travels some ten to
twenty micrometres into the core, as much as the clad is thick, and the rate grows by about half again per
20 degC. Temperatures in degC, energies in J/mol, SI lengths and times; scalars or arrays that broadcast.
"""

from dataclasses import dataclass

import numpy as np
from scipy.special import erf, erfc, erfinv

GAS_CONSTANT = 8.314463
"""Molar gas constant, J/(mol K)."""

ZERO_CELSIUS = 273.15
"""0 degC in K."""


@dataclass(frozen=True, slots=True)
class Arrhenius:
    """A thermally activated diffusivity D0 exp(-Q/(R T)).

    Attributes
    ----------
    prefactor : float
        D0, m2/s.
    activation_energy : float
        Q, J/mol.
    """

    prefactor: float
    activation_energy: float


SILICON_IN_ALUMINIUM = {
    "fujikawa_1978": Arrhenius(2.02e-4, 136_000.0),
    "du_2003": Arrhenius(1.38e-5, 117_600.0),
}
"""Silicon in solid aluminium: Fujikawa, Hirano & Fukushima 1978; Du et al., Mater. Sci. Eng. A 363 (2003) 140
(both from memory). Their spread, some 15 % at braze temperature, is a fair measure of what is known."""


def diffusivity(temperature_degC, law, *, gas_constant=GAS_CONSTANT, zero_celsius=ZERO_CELSIUS):
    """Evaluate an Arrhenius diffusivity.

    Parameters
    ----------
    temperature_degC : array_like
        Temperature, degC.
    law : Arrhenius
        Prefactor and activation energy.
    gas_constant : float, default 8.314463
        J/(mol K); older books round to 8.31.
    zero_celsius : float, default 273.15
        K; older books round to 273.

    Returns
    -------
    numpy.ndarray
        Diffusivity, m2/s.

    Examples
    --------
    >>> float(f"{diffusivity(600.0, SILICON_IN_ALUMINIUM['fujikawa_1978']):.4e}")
    1.4776e-12
    """
    kelvin = np.asarray(temperature_degC, dtype=float) + zero_celsius
    return law.prefactor * np.exp(-law.activation_energy / (gas_constant * kelvin))


def diffusion_length(diffusivity, time):
    """Length sqrt(D t), m, that diffusion reaches in `time` (s) at `diffusivity` (m2/s)."""
    return np.sqrt(np.asarray(diffusivity) * np.asarray(time))


def penetration(depth, diffusivity, time):
    """Concentration rise at a depth below a surface held constant, as a share of the rise at the surface.

    Parameters
    ----------
    depth : array_like
        Depth below the surface, m.
    diffusivity : array_like
        m2/s.
    time : array_like
        s, above 0.

    Returns
    -------
    numpy.ndarray
        (C - C0)/(Cs - C0) = erfc(x/(2 sqrt(D t))), 1.

    References
    ----------
    Fick's second law in a half space; Callister & Rethwisch, ch. 5 (published).
    """
    return erfc(np.asarray(depth) / (2.0 * diffusion_length(diffusivity, time)))


def scaled_depth(start, surface, reached):
    """Scaled depth z = x/(2 sqrt(D t)) at which a concentration is reached.

    Parameters
    ----------
    start, surface, reached : array_like
        Concentrations before, at the surface and wanted, in one unit; `reached` lies between the others.

    Returns
    -------
    numpy.ndarray
        Solution of erf(z) = (surface - reached)/(surface - start), 1.

    References
    ----------
    As in `penetration`.
    """
    start, surface, reached = (np.asarray(c, dtype=float) for c in (start, surface, reached))
    return erfinv((surface - reached) / (surface - start))


def time_to_reach(depth, diffusivity, *, start, surface, reached):
    """Time (s) until a concentration is reached at a depth.

    Parameters
    ----------
    depth : array_like
        m.
    diffusivity : array_like
        m2/s.
    start, surface, reached : array_like
        Concentrations as in `scaled_depth`.

    Returns
    -------
    numpy.ndarray
        (x/(2 z))^2/D, s.
    """
    z = scaled_depth(start, surface, reached)
    return (np.asarray(depth) / (2.0 * z)) ** 2 / np.asarray(diffusivity)


def concentration(depth, diffusivity, time, *, start, surface):
    """Concentration at a depth below a surface held constant, in the unit of `start` and `surface`."""
    z = np.asarray(depth) / (2.0 * diffusion_length(diffusivity, time))
    return surface - (surface - start) * erf(z)


def log_zener_hollomon(strain_rate, temperature_degC, activation_energy):
    """Logarithm of the temperature-compensated strain rate.

    Parameters
    ----------
    strain_rate : array_like
        1/s.
    temperature_degC : array_like
        degC.
    activation_energy : array_like
        J/mol.

    Returns
    -------
    numpy.ndarray
        ln Z = ln(rate) + Q/(R T), with Z in 1/s.

    References
    ----------
    Zener & Hollomon 1944 (from memory).
    """
    kelvin = np.asarray(temperature_degC, dtype=float) + ZERO_CELSIUS
    return np.log(strain_rate) + np.asarray(activation_energy) / (GAS_CONSTANT * kelvin)


def rate_ratio(temperature_degC, other_degC, activation_energy):
    """How many times faster a thermally activated process runs at `other_degC`; times shrink by the same factor.

    Parameters
    ----------
    temperature_degC, other_degC : array_like
        degC.
    activation_energy : array_like
        J/mol.

    Returns
    -------
    numpy.ndarray
        exp(Q/R (1/T - 1/T_other)), 1.
    """
    first = 1.0 / (np.asarray(temperature_degC, dtype=float) + ZERO_CELSIUS)
    second = 1.0 / (np.asarray(other_degC, dtype=float) + ZERO_CELSIUS)
    return np.exp(np.asarray(activation_energy) / GAS_CONSTANT * (first - second))


def recrystallised_share(time, rate, exponent):
    """Recrystallised volume share after a time at temperature.

    Parameters
    ----------
    time : array_like
        s.
    rate : array_like
        k, 1/s.
    exponent : array_like
        Avrami exponent n, 1.

    Returns
    -------
    numpy.ndarray
        1 - exp(-(k t)^n), 1.

    References
    ----------
    Johnson, Mehl, Avrami & Kolmogorov; Humphreys & Hatherly (from memory).
    """
    return -np.expm1(-((np.asarray(rate) * np.asarray(time)) ** exponent))


def avrami_rate(half_time, exponent):
    """Rate k (1/s) for which half is recrystallised after `half_time` (s): (ln 2)^(1/n)/t_half."""
    return np.log(2.0) ** (1.0 / np.asarray(exponent)) / np.asarray(half_time)
