"""The inner loop of scoring candidates: from what is left of their covariance with the map to H, one pass over memory.

The same in array passes reads and writes (n_candidates, n_points) a dozen times, which is slower than the arithmetic.
"""

from __future__ import annotations

import numpy as np

from planner.window.lanes import F, compiled

HALF_PI, ONE, ZERO = F(0.5 * np.pi), F(1.0), F(0.0)
A0, A1, A2, A3, A4, A5, A6, A7 = (F(x) for x in (
    1.5707963050, -0.2145988016, 0.0889789874, -0.0501743046, 0.0308918810, -0.0170881256, 0.0066700901, -0.0012624911))
"""arcsin x = pi/2 - sqrt(1 - x) (A0 + A1 x + ...), error 2e-8: Abramowitz & Stegun (1964), 4.4.46."""


@compiled(fastmath=True, nogil=True, error_model="numpy")
def misclassification_after(whiten, cross, share, most, value, width, scale, top, out):
    """Set out[i] to H once candidate i joins a batch that explains ``share``.

    Parameters
    ----------
    whiten : (n, size, size) float32 array, lower triangular
    cross : (n, size, n_points) float32 array
    share : (n_points,) float32 array
    most : float32
        Largest share.
    value : (n_points * width,) float32 array
        Weighted values of the table of each point at its nodes.
    width : int
        Nodes of a point.
    scale, top : float32
        From sqrt(arcsin(sqrt(share))) to the place between nodes, and the last place.
    out : (n,) float64 array
    """
    n, size, n_points = cross.shape
    explained, part = np.empty(n_points, np.float32), np.empty(n_points, np.float32)
    node = np.empty(n_points, np.int32)
    for i in range(n):
        for p in range(n_points):
            explained[p] = share[p]
        for a in range(size):
            w = whiten[i, a, 0]
            for p in range(n_points):
                part[p] = w * cross[i, 0, p]
            for b in range(1, a + 1):
                w = whiten[i, a, b]
                for p in range(n_points):
                    part[p] += w * cross[i, b, p]
            for p in range(n_points):
                explained[p] += part[p] * part[p]
        for p in range(n_points):
            x = np.sqrt(min(max(explained[p], ZERO), most))
            series = A0 + x * (A1 + x * (A2 + x * (A3 + x * (A4 + x * (A5 + x * (A6 + x * A7))))))
            at = min(np.sqrt(max(HALF_PI - np.sqrt(ONE - x) * series, ZERO)) * scale, top)
            whole = np.int32(at)
            node[p] = whole
            part[p] = at - F(whole)
        total = 0.0
        for p in range(n_points):
            first = p * width + node[p]
            low = value[first]
            total += low + part[p] * (value[first + 1] - low)
        out[i] = total
