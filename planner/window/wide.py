"""Actual strains that stand for a strain whose scatter is half its size or more.

Near strain 0 the scatter of ln strain is too large for the moments that serve elsewhere, so conformance there is the mean over
actual strains.  Per draw it has sharp edges in ln strain where strain is large (cracks) and is smooth where strain is
small (the film alone still changes): the nodes lie in equal steps of a coordinate that follows ln strain above BEND and a fraction of it
below.  Strains beyond ENDS make no difference; what would lie there is the weight of the end.
"""

from __future__ import annotations

import math

import numpy as np
from scipy.special import ndtr

from models.rows import MIN_STRAIN

__all__ = ["ENDS", "WIDE", "wide_rule"]

WIDE = 0.45                       # scatter of ln strain from which actual strains are gone through one by one
ENDS = (MIN_STRAIN, 1.5)          # actual strains beyond these make no difference
TAIL = 3.6                        # ... and beyond +- this many sd count as if they lay there
STEP, GROWTH = 0.09, 0.15         # step at WIDE, and the power of sd with which it grows: a step's error goes with the density
BEND, ROUND, SLOPE = math.log(0.004), 0.7, 0.3     # of the coordinate: ln strain where its slope changes, over how much of it, slope below
LEAST_NODES = 6
END_WEIGHTS = (3 / 8, 7 / 6, 23 / 24)              # of the first nodes from an end, in steps


def wide_rule(strain, sd) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return the actual strains of each set strain, end to end, their weights, and where each set strain's own begin.

    Equal steps with end corrections of fourth order (Press et al., Numerical Recipes, eq. 4.1.14), times the density of ln strain; the
    upper end has what lies above it as well, the lower end what is left of 1.

    Parameters
    ----------
    strain : (n_conditions,) set strains, 1, positive.
    sd : (n_conditions,) standard deviations of ln strain about them, WIDE or more.

    Returns
    -------
    nodes : (n_nodes,) actual strains, 1, rising within each set strain.
    weights : (n_nodes,) adding to 1 over each set strain.
    starts : (n_conditions,) index of each set strain's first node.

    Examples
    --------
    >>> nodes, weights, starts = wide_rule([0.004, 0.001], [1.0, 4.0])
    >>> np.add.reduceat(weights, starts).round(9).tolist()
    [1.0, 1.0]
    """
    centre, sd = np.log(np.asarray(strain, float)), np.asarray(sd, float)
    low, high = (_coordinate(np.clip(centre + side * TAIL * sd, *np.log(ENDS))) for side in (-1.0, 1.0))
    n = np.maximum(np.ceil((high - low) / (STEP * (sd / WIDE) ** GROWTH)).astype(int) + 1, LEAST_NODES)
    starts, owner = np.cumsum(n) - n, np.repeat(np.arange(len(n)), n)
    step = ((high - low) / (n - 1))[owner]
    x = _log_strain(low[owner] + step * (np.arange(n.sum()) - starts[owner]))
    z = (x - centre[owner]) / sd[owner]
    weights = step * np.exp(-0.5 * z * z) / (math.sqrt(2 * math.pi) * sd[owner] * _slope(x))
    last = starts + n - 1
    for k, share in enumerate(END_WEIGHTS):
        weights[np.concatenate([starts + k, last - k])] *= share
    weights[last] += ndtr(-z[last])
    weights[starts] += 1.0 - np.add.reduceat(weights, starts)
    return np.clip(np.exp(x), *ENDS), weights, starts


def _coordinate(log_strain):
    """Return the coordinate of equal steps: a hyperbola of slope SLOPE far below BEND and 1 far above."""
    u = log_strain - BEND
    return 0.5 * ((1 + SLOPE) * u + (1 - SLOPE) * np.sqrt(u * u + ROUND ** 2))


def _log_strain(coordinate):
    """Return the ln strain of a coordinate, the inverse of `_coordinate`."""
    return BEND + 0.5 * ((1 + SLOPE) * coordinate - (1 - SLOPE) * np.sqrt(coordinate ** 2 + SLOPE * ROUND ** 2)) / SLOPE


def _slope(log_strain):
    """Return the derivative of the coordinate by ln strain."""
    u = log_strain - BEND
    return 0.5 * ((1 + SLOPE) + (1 - SLOPE) * u / np.sqrt(u * u + ROUND ** 2))
