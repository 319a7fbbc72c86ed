"""Closed forms of bending: moment, springback after unloading, and the strain and length of a bend.

They give the springback model its physical predictor (flow stress over modulus, to first order in
Gardiner's cubic) and its sizes, and they let a reviewer recompute a bend by hand. Lengths in mm, stresses
in MPa, moments per mm of width in N, angles in degrees; every function takes scalars or arrays that
broadcast.
"""

import numpy as np


def gardiner_ratio(bend_radius, thickness, yield_stress, modulus):
    """Springback ratio Ri/Rf of a bend, elastic-perfectly-plastic.

    K = 4 X^3 - 3 X + 1 with X = Ri Y/(E t); from X = 1/2 up the whole section is elastic and K = 0.

    Parameters
    ----------
    bend_radius, thickness : array_like
        Radius under load and sheet thickness, mm.
    yield_stress, modulus : array_like
        Flow stress and Young's modulus, MPa.

    Returns
    -------
    numpy.ndarray
        Radius under load over radius after unloading, 0 (springs flat) to 1 (no springback).

    References
    ----------
    Gardiner, Trans. ASME 79 (1957) 1-9 (published).

    Examples
    --------
    >>> round(float(gardiner_ratio(50.0, 2.0, 300.0, 210e3)), 6)
    0.893039
    """
    x = np.minimum(np.asarray(bend_radius) * yield_stress / (np.asarray(modulus) * thickness), 0.5)
    return 4.0 * x**3 - 3.0 * x + 1.0


def springback_angle(ratio, bend_angle):
    """Opening of a bend after unloading.

    Parameters
    ----------
    ratio : array_like
        Springback ratio Ri/Rf, 1.
    bend_angle : array_like
        Bend angle under load, deg.

    Returns
    -------
    numpy.ndarray
        bend_angle (1 - ratio), deg: the arc keeps its length when the curvature falls.
    """
    return np.asarray(bend_angle) * (1.0 - np.asarray(ratio))


def overbend_angle(ratio, wanted_angle):
    """Bend angle under load, deg, that leaves `wanted_angle` (deg) after springback of `ratio` (1)."""
    return np.asarray(wanted_angle) / np.asarray(ratio)


def plane_strain(yield_stress, modulus, poisson):
    """Flow stress and modulus of a wide bend, in which the width cannot change.

    Parameters
    ----------
    yield_stress, modulus : array_like
        Uniaxial values, MPa.
    poisson : float
        Poisson's ratio, 1.

    Returns
    -------
    yield_stress, modulus : numpy.ndarray
        2 Y/sqrt(3) (von Mises) and E/(1 - nu^2), MPa.

    References
    ----------
    Marciniak, Duncan & Hu, Mechanics of Sheet Metal Forming, ch. 6 (from memory).
    """
    return 2.0 * np.asarray(yield_stress) / np.sqrt(3.0), np.asarray(modulus) / (1.0 - poisson**2)


def moment_perfectly_plastic(bend_radius, thickness, yield_stress, modulus):
    """Bending moment per unit width of an elastic-perfectly-plastic sheet.

    Parameters
    ----------
    bend_radius, thickness : array_like
        Radius of the mid-plane and thickness, mm.
    yield_stress, modulus : array_like
        MPa.

    Returns
    -------
    numpy.ndarray
        Y (t^2/4 - (Y R/E)^2/3), or E t^3/(12 R) while the section is elastic; N.

    References
    ----------
    Marciniak, Duncan & Hu, ch. 6 (from memory).
    """
    radius, thickness = np.asarray(bend_radius, dtype=float), np.asarray(thickness, dtype=float)
    core = yield_stress * radius / modulus  # half height of the elastic core
    plastic = yield_stress * (thickness**2 / 4.0 - core**2 / 3.0)
    return np.where(core < thickness / 2.0, plastic, modulus * thickness**3 / (12.0 * radius))


def moment_power_law(bend_radius, thickness, strength, exponent):
    """Bending moment per unit width of a rigid sheet with flow curve K strain^n.

    Parameters
    ----------
    bend_radius, thickness : array_like
        Radius of the mid-plane and thickness, mm.
    strength : array_like
        K, MPa.
    exponent : array_like
        n, 1; 0 is a rigid, perfectly plastic sheet.

    Returns
    -------
    numpy.ndarray
        2 K R^-n (t/2)^(n+2)/(n+2), N.

    References
    ----------
    Marciniak, Duncan & Hu, ch. 6 (from memory).
    """
    half = np.asarray(thickness) / 2.0
    return 2.0 * strength * (half / np.asarray(bend_radius)) ** exponent * half**2 / (exponent + 2.0)


def moment_linear_hardening(punch_radius, thickness, yield_stress, hardening):
    """Bending moment per unit width of a tight bend in a linearly hardening sheet.

    The neutral surface lies at 0.45 t from the inside; stress is taken as rising evenly from the yield
    stress at the neutral surface to Y + h strain at either face.

    Parameters
    ----------
    punch_radius, thickness : array_like
        Inner radius and thickness, mm; meant for radii below about five thicknesses.
    yield_stress, hardening : array_like
        Yield stress and slope of the true stress-strain line, MPa.

    Returns
    -------
    numpy.ndarray
        Moment, N.

    References
    ----------
    Ghosh & Mallik, Manufacturing Science, sample problem 3.9 (published; title from memory). Their rounded
    constants are kept.
    """
    ratio = np.asarray(punch_radius) / np.asarray(thickness)
    outer = yield_stress + hardening * np.log1p(1.0 / (1.82 * ratio + 0.82))
    inner = yield_stress + hardening * np.log1p(1.0 / (2.22 * ratio + 1.0))
    halves = 0.55**2 * (yield_stress / 6.0 + outer / 3.0) + 0.45**2 * (yield_stress / 6.0 + inner / 3.0)
    return np.asarray(thickness) ** 2 * halves


def smallest_punch_radius(thickness, fracture_strain):
    """Tightest inner radius (mm) whose outer fibre stays within a true strain, neutral surface at 0.45 t.

    Parameters
    ----------
    thickness : array_like
        Sheet thickness, mm.
    fracture_strain : array_like
        True strain that the outer fibre may reach, 1.

    Returns
    -------
    numpy.ndarray
        Solution of ln(1 + 1/(0.82 + 1.82 R/t)) = strain, mm; 0 when any radius will do.

    References
    ----------
    As in `moment_linear_hardening`.
    """
    ratio = (1.0 / np.expm1(np.asarray(fracture_strain, dtype=float)) - 0.82) / 1.82
    return np.asarray(thickness) * np.maximum(ratio, 0.0)


def curvature_loss(moment, thickness, modulus):
    """Curvature given up on unloading, 12 M/(E t^3) in 1/mm; moment in N, thickness in mm, modulus in MPa."""
    return 12.0 * np.asarray(moment) / (np.asarray(modulus) * np.asarray(thickness) ** 3)


def unloaded_radius(bend_radius, moment, thickness, modulus):
    """Radius after elastic unloading of a bending moment.

    Parameters
    ----------
    bend_radius : array_like
        Radius under load, mm.
    moment : array_like
        Moment per unit width under load, N.
    thickness, modulus : array_like
        mm and MPa.

    Returns
    -------
    numpy.ndarray
        1/(1/R - 12 M/(E t^3)), mm; infinite when the sheet springs back flat.

    References
    ----------
    Marciniak, Duncan & Hu, ch. 6 (from memory).
    """
    left = 1.0 / np.asarray(bend_radius, dtype=float) - curvature_loss(moment, thickness, modulus)
    # A residue of rounding counts as flat, not as a radius of 1e16 mm.
    flat = left * np.asarray(bend_radius) < 1e-12
    return np.where(flat, np.inf, 1.0 / np.where(flat, 1.0, left))


def outer_fibre_strain(radius_over_thickness):
    """Engineering strain of the outer fibre, 1/(2 R/t + 1), neutral surface at mid-thickness (from memory)."""
    return 1.0 / (2.0 * np.asarray(radius_over_thickness) + 1.0)


def bend_allowance(bend_angle, bend_radius, thickness, neutral_share):
    """Arc length (mm) of the neutral surface of a bend.

    Parameters
    ----------
    bend_angle : array_like
        deg.
    bend_radius, thickness : array_like
        Inner radius and thickness, mm.
    neutral_share : array_like
        Depth of the neutral surface from the inside over thickness, 1; 0.33 for tight bends, 0.5 for wide.

    Returns
    -------
    numpy.ndarray
        angle (R + k t), mm.

    References
    ----------
    Kalpakjian & Schmid; any sheet-metal text (from memory).
    """
    return np.deg2rad(bend_angle) * (np.asarray(bend_radius) + np.asarray(neutral_share) * thickness)
