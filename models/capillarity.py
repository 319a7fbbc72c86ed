"""Closed forms of the liquid filler: what pulls it in, how fast it goes, and how much a fillet takes.

Three facts for the joint model: capillary pressure falls as the gap widens, the flow itself takes
milliseconds so that time never limits it, and what does limit a fillet is the liquid clad at hand. SI units
for pressures and flow; fillets in mm; scalars or arrays that broadcast.
"""

import numpy as np

GRAVITY = 9.80665
"""Standard gravity, m/s2."""


def _pull(tension, contact_angle):
    """Surface tension along the wall, N/m; contact angle in deg."""
    return np.asarray(tension) * np.cos(np.deg2rad(contact_angle))


def tube_pressure(tension, contact_angle, radius):
    """Pressure across the meniscus in a round tube.

    Parameters
    ----------
    tension : array_like
        Surface tension, N/m.
    contact_angle : array_like
        deg; above 90 the liquid is pushed out.
    radius : array_like
        Tube radius, m.

    Returns
    -------
    numpy.ndarray
        Driving pressure 2 gamma cos(theta)/r, Pa; positive when the liquid is drawn in.

    References
    ----------
    Young-Laplace equation (published).
    """
    return 2.0 * _pull(tension, contact_angle) / np.asarray(radius)


def gap_pressure(tension, contact_angle, gap):
    """Pressure across the meniscus between parallel plates.

    Parameters
    ----------
    tension, contact_angle : array_like
        N/m and deg.
    gap : array_like
        Distance of the plates, m.

    Returns
    -------
    numpy.ndarray
        Driving pressure 2 gamma cos(theta)/gap, Pa; halving the gap doubles it.

    References
    ----------
    Young-Laplace equation with one principal curvature (published).
    """
    return 2.0 * _pull(tension, contact_angle) / np.asarray(gap)


def rise(pressure, density):
    """Height (m) at which gravity balances a driving pressure (Pa) in a liquid of `density` (kg/m3)."""
    return np.asarray(pressure) / (np.asarray(density) * GRAVITY)


def tube_flow_length(tension, contact_angle, radius, viscosity, time):
    """Distance that a liquid creeps along a level tube in a time.

    Parameters
    ----------
    tension, contact_angle, radius : array_like
        N/m, deg, m.
    viscosity : array_like
        Pa s.
    time : array_like
        s.

    Returns
    -------
    numpy.ndarray
        L with L^2 = gamma r cos(theta) t/(2 mu), m.

    References
    ----------
    Washburn, Phys. Rev. 17 (1921) 273 (from memory).
    """
    return np.sqrt(_pull(tension, contact_angle) * np.asarray(radius) * time / (2.0 * np.asarray(viscosity)))


def gap_flow_length(tension, contact_angle, gap, viscosity, time):
    """Distance that a liquid creeps between level parallel plates in a time.

    Parameters
    ----------
    tension, contact_angle, gap : array_like
        N/m, deg, m.
    viscosity : array_like
        Pa s.
    time : array_like
        s.

    Returns
    -------
    numpy.ndarray
        L with L^2 = gamma cos(theta) gap t/(3 mu), m.

    References
    ----------
    Washburn 1921, slot form (from memory).
    """
    return np.sqrt(_pull(tension, contact_angle) * np.asarray(gap) * time / (3.0 * np.asarray(viscosity)))


def gap_fill_time(tension, contact_angle, gap, viscosity, length):
    """Time (s) until a gap is filled over a length (m): the inverse of `gap_flow_length`."""
    speed = _pull(tension, contact_angle) * np.asarray(gap)
    return 3.0 * np.asarray(viscosity) * np.asarray(length) ** 2 / speed


def corner_fillet_area(fillet_radius):
    """Cross-section of a concave fillet in a square corner at zero contact angle, r^2 (1 - pi/4).

    Parameters
    ----------
    fillet_radius : array_like
        Radius of the meniscus, mm.

    Returns
    -------
    numpy.ndarray
        Area, mm2.

    References
    ----------
    Plane geometry (derived).
    """
    return np.asarray(fillet_radius) ** 2 * (1.0 - np.pi / 4.0)


def tangent_reach(cylinder_radius, fillet_radius):
    """Distance 2 sqrt(R r) along a plate from the contact line of a cylinder to a tangent meniscus; lengths in mm."""
    return 2.0 * np.sqrt(np.asarray(cylinder_radius) * np.asarray(fillet_radius))


def cylinder_fillet_area(cylinder_radius, fillet_radius):
    """Cross-section of one fillet between a cylinder and a flat plate at zero contact angle.

    The trapezium under the line of centres, less the sectors of cylinder and meniscus.

    Parameters
    ----------
    cylinder_radius : array_like
        Radius of the bent sheet or tube, mm.
    fillet_radius : array_like
        Radius of the meniscus, tangent to both, mm.

    Returns
    -------
    numpy.ndarray
        Area on one side, mm2.

    References
    ----------
    Plane geometry (derived).
    """
    cylinder, fillet = np.asarray(cylinder_radius, dtype=float), np.asarray(fillet_radius, dtype=float)
    total = cylinder + fillet
    turn = np.arccos((cylinder - fillet) / total)
    trapezium = tangent_reach(cylinder, fillet) * total / 2.0
    return trapezium - cylinder**2 * turn / 2.0 - fillet**2 * (np.pi - turn) / 2.0


def clad_length_drawn(fillet_area, clad_thickness, liquid_share):
    """Length of clad surface that a fillet empties.

    Parameters
    ----------
    fillet_area : array_like
        Cross-section of all fillets fed, mm2.
    clad_thickness : array_like
        mm.
    liquid_share : array_like
        Liquid fraction of the clad, 1.

    Returns
    -------
    numpy.ndarray
        area/(thickness x share), mm; a joint with less clad than this within reach starves.

    References
    ----------
    Mass balance at equal density of clad and liquid (common practice).
    """
    return np.asarray(fillet_area) / (np.asarray(clad_thickness) * np.asarray(liquid_share))
