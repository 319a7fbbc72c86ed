"""Young's modulus of aluminium against temperature, the elastic half of every springback prediction.

The table is a *design* table for structures in fire: its fall with temperature has creep in it, so it lies
below a dynamic measurement above some 200 degC. The springback model only uses the ratio of flow stress to
modulus and fits the size of that ratio, so the bias is absorbed; the modulus by itself must not be quoted
as a property of the sheet.
"""

import numpy as np

MODULUS_NODES_DEGC = np.array([20.0, 50.0, 100.0, 150.0, 200.0, 250.0, 300.0, 350.0, 400.0, 550.0])
"""Temperatures of the table, degC."""

MODULUS_RATIO = np.array([1.00, 0.99, 0.97, 0.93, 0.86, 0.78, 0.68, 0.54, 0.40, 0.00])
"""Modulus over its value at 20 degC at each node, 1."""

MODULUS_20 = 70_000.0
"""Modulus at 20 degC that the table belongs to, MPa."""

MODULUS_NODES_DEGC.setflags(write=False)
MODULUS_RATIO.setflags(write=False)


def within_table(temperature_degC, low, high, *, clamp, what):
    """Return temperatures as floats inside a table's range, or raise.

    Parameters
    ----------
    temperature_degC : array_like
        Temperatures in degC, any shape.
    low, high : float
        Ends of the table, degC.
    clamp : bool
        True moves temperatures outside the table to its nearer end instead of raising.
    what : str
        Name of the table for the message.

    Returns
    -------
    numpy.ndarray
        Same shape, degC.

    Raises
    ------
    ValueError
        If a temperature is not a finite number, or lies outside the table and `clamp` is False.
    """
    temperature = np.asarray(temperature_degC, dtype=float)
    if not np.all(np.isfinite(temperature)):
        raise ValueError(f"{what} needs finite temperatures; at least one is missing or infinite")
    if clamp:
        return np.clip(temperature, low, high)
    outside = (temperature < low) | (temperature > high)
    if np.any(outside):
        found = float(temperature[outside].flat[0])
        raise ValueError(
            f"{what} covers {low:g} to {high:g} degC and was asked at {found:g} degC; "
            "clamp=True takes the value at the nearer end"
        )
    return temperature


def modulus_factor(temperature_degC, *, clamp=False):
    """Interpolate the modulus of aluminium relative to 20 degC.

    Parameters
    ----------
    temperature_degC : array_like
        Metal temperature in degC, any shape.
    clamp : bool, default False
        What happens outside 20 to 550 degC: False raises, True takes the end value. Forming below room
        temperature is the one use for clamping: the table says nothing there and the true change is
        under 3 % down to -60 degC.

    Returns
    -------
    numpy.ndarray
        Ratio, 1 at 20 degC and 0 at 550 degC, same shape.

    Raises
    ------
    ValueError
        If a temperature is not finite, or lies outside the table and `clamp` is False.

    References
    ----------
    EN 1999-1-2:2007, modulus of elasticity at elevated temperature (published; table number 2 from memory).

    Examples
    --------
    >>> round(float(modulus_factor(225.0)), 4)
    0.82
    """
    temperature = within_table(
        temperature_degC, MODULUS_NODES_DEGC[0], MODULUS_NODES_DEGC[-1], clamp=clamp, what="the modulus table"
    )
    return np.interp(temperature, MODULUS_NODES_DEGC, MODULUS_RATIO)


def youngs_modulus(temperature_degC, *, modulus_20=MODULUS_20, clamp=False):
    """Interpolate Young's modulus of aluminium.

    Parameters
    ----------
    temperature_degC : array_like
        Metal temperature in degC, any shape.
    modulus_20 : float, default 70000
        Modulus at 20 degC, MPa.
    clamp : bool, default False
        As in `modulus_factor`.

    Returns
    -------
    numpy.ndarray
        Modulus in MPa, same shape.

    Raises
    ------
    ValueError
        As in `modulus_factor`.

    References
    ----------
    As in `modulus_factor`.

    Examples
    --------
    >>> float(youngs_modulus(200.0))
    60200.0
    """
    return modulus_20 * modulus_factor(temperature_degC, clamp=clamp)
