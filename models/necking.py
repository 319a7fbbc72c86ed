"""Closed forms of tension: where necking starts, and the conversions between strain measures.

The limit strain of a tensile coupon is the true strain at the start of necking; these are the criteria that
say where that is for a given flow curve, and why rate sensitivity (which grows when warm) moves it up.
Stresses in MPa; every function takes scalars or arrays that broadcast.
"""

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True, slots=True)
class NeckingPoint:
    """Where diffuse necking starts in tension.

    Attributes
    ----------
    strain : numpy.ndarray
        True strain, 1.
    stress : numpy.ndarray
        True stress, MPa.
    """

    strain: np.ndarray
    stress: np.ndarray

    @property
    def tensile_strength(self):
        """Engineering stress at the same point, the ultimate tensile strength, MPa."""
        return self.stress * np.exp(-self.strain)

    @property
    def uniform_elongation(self):
        """Engineering strain at the same point, 1."""
        return np.expm1(self.strain)


def considere_power_law(strength, exponent):
    """Necking point of the flow curve K strain^n: the true strain equals n.

    Parameters
    ----------
    strength, exponent : array_like
        K in MPa and n, 1.

    Returns
    -------
    NeckingPoint

    References
    ----------
    Considere 1885, d stress/d strain = stress; Dieter, Mechanical Metallurgy (from memory).
    """
    exponent = np.asarray(exponent, dtype=float)
    return NeckingPoint(exponent, strength * exponent**exponent)


def considere_voce(saturation, rise, strain_scale):
    """Necking point of the flow curve saturation - rise exp(-strain/strain_scale).

    Parameters
    ----------
    saturation, rise : array_like
        Saturation stress and how far below it the curve starts, MPa.
    strain_scale : array_like
        Strain in which the distance to saturation falls by e, 1.

    Returns
    -------
    NeckingPoint
        Strain 0 when the curve already starts past the criterion (a sheet with no uniform elongation).

    References
    ----------
    Considere 1885 applied to Voce's law: c ln(B (1 + 1/c)/A) (from memory).
    """
    scale = np.asarray(strain_scale, dtype=float)
    strain = np.maximum(scale * np.log(np.asarray(rise) * (1.0 + 1.0 / scale) / np.asarray(saturation)), 0.0)
    return NeckingPoint(strain, saturation - rise * np.exp(-strain / scale))


def hart_strain(exponent, rate_sensitivity):
    """True strain at which uniform flow K strain^n rate^m turns unstable, n/(1 - m).

    Parameters
    ----------
    exponent, rate_sensitivity : array_like
        n and m, 1; m below 1.

    Returns
    -------
    numpy.ndarray
        Strain, 1.

    References
    ----------
    Hart, Acta Metall. 15 (1967) 351 (from memory): gamma + m = 1 with gamma = n/strain.
    """
    return np.asarray(exponent) / (1.0 - np.asarray(rate_sensitivity))


def keeler_goodwin_intercept(thickness_mm, exponent):
    """Plane-strain limit of low-carbon steel sheet, engineering strain in %.

    A correlation for mild steel. It stands here so that its arithmetic can be checked when someone quotes
    it; it is no prior for aluminium and no model may use it.

    Parameters
    ----------
    thickness_mm : array_like
        Thickness, mm.
    exponent : array_like
        Strain-hardening exponent, 1; the correlation was stated up to 0.21.

    Returns
    -------
    numpy.ndarray
        (23.3 + 14.13 t) n/0.21, %.

    References
    ----------
    Keeler & Brazier 1977; Goodwin, SAE 680093 (published).
    """
    return (23.3 + 14.13 * np.asarray(thickness_mm)) * np.asarray(exponent) / 0.21


def true_strain(engineering_strain):
    """True strain ln(1 + e) of an engineering strain (1)."""
    return np.log1p(engineering_strain)


def engineering_strain(true_strain):
    """Engineering strain exp(strain) - 1 of a true strain (1)."""
    return np.expm1(true_strain)


def true_stress(engineering_stress, engineering_strain):
    """True stress s (1 + e), MPa, while the elongation is uniform."""
    return np.asarray(engineering_stress) * (1.0 + np.asarray(engineering_strain))
