"""What readings of one specimen have in common, made fit to be conditioned on.

The readings of a section scatter about a draw's expectation together: where the metal recrystallised the film is shallow, and a deep
film leaves little clad.  The predictor gives these covariances, each from the models; not all of them are exact, and the batch
update needs matrices that are positive definite.
"""

from __future__ import annotations

import numpy as np

from planner.acquisition.measurements import KINDS, Measurements

LARGEST_TIE = 0.999
"""Share of 1 up to which ties may take the variance of a combination of standardised readings away."""


def fitting_ties(m: Measurements, *, own: np.ndarray, unit: np.ndarray) -> np.ndarray:
    """Return the covariance of each reading with its specimen's other readings, given draw, lot and load, in the given units.

    A specimen whose covariances do not fit together has all of them drawn towards 0 until the smallest eigenvalue of their
    correlation matrix is ``1 - LARGEST_TIE``.

    Parameters
    ----------
    m : Measurements
    own : (n_measurements,) array
        Variance given draw, lot and load; above 0.
    unit : (n_measurements,) array
        Units: standard deviations.

    Returns
    -------
    (n_measurements, len(KINDS)) array
    """
    out, kind = np.zeros((m.noise.size, len(KINDS))), m.kind_number
    if not m.within.any():
        return out
    first = np.flatnonzero(np.diff(m.candidate, prepend=-1))
    sizes = np.diff(first, append=m.candidate.size)
    sd = np.sqrt(own)
    for size in np.unique(sizes[sizes > 1]):
        rows = first[sizes == size][:, None] + np.arange(size)
        at = rows[:, :, None], kind[rows][:, None, :]
        tie = np.clip(m.within[at] / (sd[rows][:, :, None] * sd[rows][:, None, :]), -1.0, 1.0)
        tie = 0.5 * (tie + tie.transpose(0, 2, 1))
        tie[:, np.arange(size), np.arange(size)] = 0.0
        lowest = np.linalg.eigvalsh(tie)[:, 0]
        tie *= np.minimum(1.0, LARGEST_TIE / np.maximum(-lowest, 1e-12))[:, None, None]
        scale = sd[rows] / unit[rows]
        out[at] = tie * scale[:, :, None] * scale[:, None, :]
    return out
