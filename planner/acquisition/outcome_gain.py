"""The gain of a batch when what it would show is given as data sets, not as second moments.

The linear score averages over everything the posterior thinks possible.  Whoever can say what a batch would show - one truth
that is known, as to the clairvoyant of the rehearsals - has data sets instead: for each, the Bayes-linear update moves the normal
score of every reference point and narrows it, and H is read off.  The gain is the mean fall over the data sets.  It has the
calls of :class:`LinearGain`, so the same search chooses with either.

References
----------
Goldstein, M. & Wooff, D. (2007), Bayes Linear Statistics, ch. 3 (adjusted expectation and variance).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from planner.acquisition.gain import Conditioned, LinearGain, Pick
from planner.acquisition.measurements import Measurements
from planner.acquisition.scores import MAX_SHARE
from planner.window.lanes import F, compiled, phi32

TOP_SHARE = F(min(MAX_SHARE, 1.0 - 1e-6))
ONE, ZERO = F(1.0), F(0.0)


class DataSets(Protocol):
    """What specimens would show, one data set beside the other, on the scales of :class:`Measurements`."""

    n_sets: int

    def of_load(self, load: int) -> np.ndarray:
        """Return the readings (n_measurements, n_sets) of every candidate, were it put into this load (-1: into none)."""
        ...

    def of_copy(self, candidate: int, load: int, copy: int) -> np.ndarray:
        """Return the readings (n, n_sets) of one more specimen like ``copy`` others of the same load."""
        ...


@dataclass(frozen=True)
class Seen(Conditioned):
    """The map after each data set of a batch."""

    surprise: np.ndarray
    """(n_rows, n_sets) whitened difference between reading and expectation."""
    moved: np.ndarray
    """(n_sets, n_points) what each data set adds to the normal score of each point."""


class OutcomeGain(LinearGain):
    """The batch update over given data sets.

    Parameters
    ----------
    z, z0, measurements, lots
        As for :class:`LinearGain`.
    data : DataSets
    """

    def __init__(self, z: np.ndarray, z0: np.ndarray, measurements: Measurements, *, lots: np.ndarray, data: DataSets) -> None:
        super().__init__(z, z0, measurements, lots=lots)
        self.data = data
        self._mean = measurements.F.mean(axis=0)[:, None]
        self._weights = self.table.weights.astype(np.float32)
        self._z0 = self.z0.astype(np.float32)
        self._of_load: dict[int, np.ndarray] = {}

    def _readings(self, rows: np.ndarray, load: int) -> np.ndarray:
        """Return standardised readings (n, n_sets) of measurements in a load."""
        if load not in self._of_load:
            self._of_load[load] = ((self.data.of_load(load) - self._mean) / self.unit[:, None]).astype(np.float32)
        return self._of_load[load][rows]

    def _specimen(self, candidate: int, load: int, copy: int) -> np.ndarray:
        rows = self.rows_of(candidate)
        if copy == 0:
            return self._readings(rows, load)
        return (self.data.of_copy(candidate, load, copy) - self._mean[rows]) / self.unit[rows, None]

    def condition(self, picks: Sequence[Pick]) -> Seen:
        """Condition the map on a batch."""
        base, copies, parts = super().condition(picks), Counter(), []
        for pick in picks:
            parts.append(self._specimen(*pick, copies[pick]))
            copies[pick] += 1
        read = np.concatenate(parts) if parts else np.zeros((0, self.data.n_sets))
        surprise = base.unmix @ read
        moved = np.ascontiguousarray(surprise.T.astype(np.float32) @ base.whitened.astype(np.float32))
        nothing = np.zeros((1, 0, self.live.size), np.float32)
        h = self._after(nothing, np.zeros((1, 0, self.data.n_sets), np.float32), base.share, moved)[0]
        return Seen(base.picks, base.rows, base.row_load, base.unmix, base.whitened, base.share, float(h), surprise, moved)

    def with_pick(self, batch: Conditioned, pick: Pick) -> Seen:
        """Return a batch with one specimen more."""
        return self.condition([*batch.picks, pick])

    def losses(self, batch: Conditioned) -> np.ndarray:
        """Return, for each pick of a batch, the rise of H when it alone is left out."""
        picks = list(batch.picks)
        without = [self.condition(picks[:i] + picks[i + 1 :]).misclassification for i in range(len(picks))]
        return np.array(without) - batch.misclassification

    def _score_slab(self, batch: Seen, candidates: np.ndarray, loads: np.ndarray, size: int) -> np.ndarray:
        rows, whiten, cross, known = self._residual(batch, candidates, loads, size)
        read = np.empty((candidates.size, size, self.data.n_sets), np.float32)
        by_candidate = rows.reshape(-1, size)
        for load in np.unique(loads):
            mine = loads == load
            read[mine] = self._readings(by_candidate[mine], int(load))
        for (candidate, load), copy in Counter(batch.picks).items():
            again = np.flatnonzero((candidates == candidate) & (loads == load))
            if again.size:
                read[again] = self._specimen(candidate, load, copy)
        if batch.rows.size:
            read -= (known.T @ batch.surprise).reshape(read.shape)
        return self._after(whiten @ cross, (whiten @ read).astype(np.float32), batch.share, batch.moved)

    def _after(self, white: np.ndarray, surprise: np.ndarray, share: np.ndarray, moved: np.ndarray) -> np.ndarray:
        """Return the mean of H over data sets, for each candidate (n,)."""
        out = np.empty(white.shape[0])
        white, share = np.ascontiguousarray(white, np.float32), np.ascontiguousarray(share, np.float32)
        _mean_misclassification(white, np.ascontiguousarray(surprise), share, moved, self._z0, self._weights, out)
        return out


@compiled(fastmath=True, nogil=True, error_model="numpy")
def _mean_misclassification(white, surprise, share, moved, z0, weights, out):
    """Set out[i] to the mean over data sets d of sum_p w_p Phi(-|(moved + white' surprise - z0) / sqrt(1 - share)|)."""
    n, size, n_points = white.shape
    n_sets = moved.shape[0]
    narrow, at = np.empty(n_points, np.float32), np.empty(n_points, np.float32)
    for i in range(n):
        for p in range(n_points):
            narrow[p] = share[p]
        for k in range(size):
            for p in range(n_points):
                narrow[p] += white[i, k, p] * white[i, k, p]
        for p in range(n_points):
            narrow[p] = ONE / np.sqrt(ONE - min(narrow[p], TOP_SHARE))
        total = 0.0
        for d in range(n_sets):
            for p in range(n_points):
                at[p] = moved[d, p] - z0[p]
            for k in range(size):
                s = surprise[i, k, d]
                for p in range(n_points):
                    at[p] += s * white[i, k, p]
            part = ZERO
            for p in range(n_points):
                part += weights[p] * phi32(-abs(at[p] * narrow[p]))
            total += part
        out[i] = total / n_sets
