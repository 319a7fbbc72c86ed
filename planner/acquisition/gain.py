"""How far a batch of trials would lower the expected misclassification.

Reweighting posterior draws by imagined outcomes collapses after a dozen specimens, so a whole week is judged by second
moments instead: every measurement and every reference point is a variable over the draws, and a batch explains the
share of a point's variance that a linear-Gaussian (Bayes-linear) update would remove.  The expected fall of H then
follows in closed form (``scores``).  Second moments are exact for yes/no outcomes too.

Measurements come in blocks, one a specimen.  A batch is conditioned by one Cholesky factor over its own measurements and
candidates are scored against it in matrix products: the same two calls serve greedy choice, exchange and the loss of
leaving a specimen out.  Given the draw, readings share new lots and loads, and those of one specimen whatever else the models
say goes together (``within``): a section that recrystallised has a shallow film.

References
----------
Goldstein, M. & Wooff, D. (2007), Bayes Linear Statistics, ch. 3 (adjusted variances).
Chevalier et al. (2014), Technometrics 56, 455-465 (batch stepwise uncertainty reduction).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from scipy.linalg.lapack import dtrtri

from planner.acquisition.measurements import Measurements
from planner.acquisition.scores import MAX_SHARE, MisclassificationTable
from planner.acquisition.shrinkage import correlation_shrinkage
from planner.acquisition.ties import fitting_ties

CHUNK = 32
SLAB = 1024
LARGEST_GRAM = 8000
"""Measurements up to which their whole covariance matrix is kept (256 MB in single precision)."""
NO_LOAD = -1

Pick = tuple[int, int]
"""A candidate and the number of the furnace load it would go into (``NO_LOAD`` for none)."""


@dataclass(frozen=True)
class Conditioned:
    """The map and the measurements once a batch is in: made by :meth:`LinearGain.condition`."""

    picks: tuple[Pick, ...]
    """Specimens conditioned on."""
    rows: np.ndarray
    """(n_rows,) their measurements."""
    row_load: np.ndarray
    """(n_rows,) furnace load of each measurement."""
    unmix: np.ndarray
    """(n_rows, n_rows) inverse Cholesky factor of Cov(F) + N over these measurements."""
    whitened: np.ndarray
    """(n_rows, n_points) cross covariance with the points, times ``unmix``."""
    share: np.ndarray
    """(n_points,) explained share of each point's variance."""
    misclassification: float
    """H expected after the batch."""


class _Rows(NamedTuple):
    """Standardised measurements."""

    features: np.ndarray
    """(n_measurements, n_draws) scaled so that a product of two rows is their covariance."""
    cross: np.ndarray
    """(n_measurements, n_points) covariance with the standardised targets."""
    lot: np.ndarray
    load: np.ndarray
    unit: np.ndarray
    """(n_measurements,) whole standard deviation of each measurement, in its own scale."""
    noise: np.ndarray
    """(n_measurements,) variance given the draw, in its own scale."""
    kind: np.ndarray
    """(n_measurements,) place in ``KINDS``."""
    within: np.ndarray
    """(n_measurements, len(KINDS)) covariance given draw, lot and load with the specimen's reading of each kind."""


class LinearGain:
    """The linear-Gaussian batch update over a set of candidates.

    Parameters
    ----------
    z : (n_draws, n_points) array
        Normal scores of conformance.
    z0 : (n_points,) array
        Their thresholds; points with an infinite threshold contribute nothing.
    measurements : Measurements
        What each candidate would yield.
    lots : (n_candidates,) int array
        Lot of each candidate; new-lot effects are shared where it is equal.
    shrinkage : float, optional
        Share by which correlations are drawn towards 0; default estimated from the number of draws.
    weights : (n_points,) array, optional
        Weight of each reference point in H; default equal, summing to 1.
    dtype : float32 or float64, default float32
        Precision of the large products; factors of the batch itself are always float64.
    """

    def __init__(
        self,
        z: np.ndarray,
        z0: np.ndarray,
        measurements: Measurements,
        *,
        lots: np.ndarray,
        shrinkage: float | None = None,
        weights: np.ndarray | None = None,
        dtype: type = np.float32,
    ) -> None:
        n_points = np.size(z0)
        weights = np.full(n_points, 1.0 / max(n_points, 1)) if weights is None else np.asarray(weights, float)
        self.live = np.flatnonzero(np.isfinite(z0) & (np.std(z, axis=0) > 0))
        self.z0 = np.asarray(z0, float)[self.live]
        self.n_points = n_points
        self.table = MisclassificationTable(self.z0, weights=weights[self.live])
        self._dtype = np.dtype(dtype)
        self._ridge = 1e-6 if self._dtype == np.float32 else 1e-12
        self._targets = _standardised(z[:, self.live]).astype(self._dtype)
        self.measurements = measurements
        self.lots = np.asarray(lots, dtype=np.int64)
        self.shrinkage = shrinkage
        self._rows = self._describe(measurements)
        self._index()
        self.now = float(self.table.total(np.zeros((1, self.live.size), self._dtype))[0])

    def _describe(self, m: Measurements) -> _Rows:
        """Standardise measurements: each in units of its own whole spread, so that Cov(F) + N has a unit diagonal."""
        n_draws = m.F.shape[0]
        lot, load = np.asarray(m.lot_loading, float), np.asarray(m.load_loading, float)
        spread = m.F.std(axis=0)
        effects = (lot**2).sum(axis=1) + (load**2).sum(axis=1)
        noise = np.maximum(np.asarray(m.noise, float), effects) + 1e-12 * (spread**2 + 1.0)
        unit = np.sqrt(spread**2 + noise)
        centred = np.ascontiguousarray(((m.F - m.F.mean(axis=0)) / unit).T, dtype=self._dtype)
        cross = (centred @ self._targets) / self._dtype.type(n_draws)
        if self.shrinkage is None:
            self.shrinkage = correlation_shrinkage(cross, signal=spread / unit, n_draws=n_draws)
        keep = 1.0 - self.shrinkage
        centred *= self._dtype.type(np.sqrt(keep / n_draws))
        cross *= self._dtype.type(keep)
        within = fitting_ties(m, own=noise - effects, unit=unit)
        return _Rows(centred, cross, lot / unit[:, None], load / unit[:, None], unit, noise, m.kind_number, within)

    def _index(self) -> None:
        candidate = self.measurements.candidate
        self._first = np.searchsorted(candidate, np.arange(self.lots.size + 1))
        self._size = np.diff(self._first)
        self._row_lot = self.lots[candidate]
        self._gram: np.ndarray | None = None
        largest = int(self._size.max(initial=1))
        self._block = np.zeros((self.lots.size, largest, largest))
        for size in range(1, largest + 1):
            of_size = np.flatnonzero(self._size == size)
            for at in range(0, of_size.size, CHUNK):
                part = of_size[at : at + CHUNK]
                rows = self._first[part][:, None] + np.arange(size)
                own, lot = self._rows.features[rows], self._rows.lot[rows]
                tied = self._rows.within[rows[:, :, None], self._rows.kind[rows][:, None, :]]
                block = own @ own.transpose(0, 2, 1) + lot @ lot.transpose(0, 2, 1) + tied
                block[:, np.arange(size), np.arange(size)] = 1.0
                self._block[part[:, None, None], np.arange(size)[:, None], np.arange(size)] = block

    def keep_products(self) -> None:
        """Work out the covariances of all measurements at once: worth it before a long search, if they fit."""
        if self._gram is None and self.measurements.candidate.size <= LARGEST_GRAM:
            self._gram = self._rows.features @ self._rows.features.T

    @property
    def unit(self) -> np.ndarray:
        """(n_measurements,) whole standard deviation of each measurement, in its own scale."""
        return self._rows.unit

    @property
    def n_candidates(self) -> int:
        """Number of candidates that can be picked."""
        return self.lots.size

    def extend(self, measurements: Measurements, *, lots: np.ndarray) -> None:
        """Add candidates behind those already here; ``measurements`` numbers them from 0."""
        more = self._describe(measurements)
        self._rows = _Rows(*(np.concatenate(pair) for pair in zip(self._rows, more, strict=True)))
        self.measurements = self.measurements.joined(measurements, shift=self.lots.size)
        self.lots = np.concatenate([self.lots, np.asarray(lots, dtype=np.int64)])
        self._index()

    def rows_of(self, candidate: int) -> np.ndarray:
        """Return the measurement rows of a candidate."""
        return np.arange(self._first[candidate], self._first[candidate + 1])

    def stacked(self, picks: Sequence[Pick]) -> tuple[np.ndarray, np.ndarray]:
        """Return the measurement rows of a batch and the load of each."""
        rows = [self.rows_of(candidate) for candidate, _ in picks]
        loads = [np.full(r.size, load) for r, (_, load) in zip(rows, picks, strict=True)]
        if not rows:
            return np.zeros(0, int), np.zeros(0, int)
        return np.concatenate(rows), np.concatenate(loads)

    def _shared(self, a: np.ndarray, a_load: np.ndarray, b: np.ndarray, b_load: np.ndarray) -> np.ndarray:
        """Return what two lists of measurements share through new lots and new loads."""
        same_lot = self._row_lot[a][:, None] == self._row_lot[b][None, :]
        same_load = (a_load[:, None] == b_load[None, :]) & (a_load[:, None] != NO_LOAD)
        return same_lot * (self._rows.lot[a] @ self._rows.lot[b].T) + same_load * (self._rows.load[a] @ self._rows.load[b].T)

    def covariance(self, picks: Sequence[Pick]) -> np.ndarray:
        """Return Cov(F) + N over the measurements of a batch, in units of each measurement's own spread."""
        rows, loads = self.stacked(picks)
        k = self._products(rows, rows).astype(float) + self._shared(rows, loads, rows, loads) + self._tied(rows)
        np.fill_diagonal(k, 1.0)
        return k

    def _tied(self, rows: np.ndarray) -> np.ndarray:
        """Return what the measurements of a batch have in common within its specimens, beyond lots and loads."""
        specimen = self.measurements.specimen(rows)
        tied = self._rows.within[rows[:, None], self._rows.kind[rows][None, :]]
        return np.where(specimen[:, None] == specimen[None, :], tied, 0.0)

    def within_covariance(self, rows: np.ndarray) -> np.ndarray:
        """Return the covariance of a batch's measurements given draw, lots and loads, in their own units: one block a specimen."""
        k = self._tied(rows) * np.outer(self.unit[rows], self.unit[rows])
        shared = ((self._rows.lot[rows] ** 2).sum(axis=1) + (self._rows.load[rows] ** 2).sum(axis=1)) * self.unit[rows] ** 2
        np.fill_diagonal(k, np.maximum(self._rows.noise[rows] - shared, 1e-9 * self._rows.noise[rows]))
        return k

    def residual_covariance(self, rows: np.ndarray, loads: np.ndarray) -> np.ndarray:
        """Return the covariance of a batch's measurements given the draw, in their own units."""
        units = np.outer(self.unit[rows], self.unit[rows])
        k = (self._shared(rows, loads, rows, loads) + self._tied(rows)) * units
        np.fill_diagonal(k, self._rows.noise[rows])
        return k

    def condition(self, picks: Sequence[Pick]) -> Conditioned:
        """Condition the map on a batch.

        Parameters
        ----------
        picks : sequence of (candidate, load)
            A candidate may occur several times: replicates.
        """
        rows, loads = self.stacked(picks)
        unmix, whitened = np.zeros((0, 0)), np.zeros((0, self.live.size), self._dtype)
        if rows.size:
            unmix = _inverse_factor(self._ridged(self.covariance(picks)))
            whitened = unmix.astype(self._dtype) @ self._rows.cross[rows]
        share = np.minimum(np.einsum("ij,ij->j", whitened, whitened), self._dtype.type(MAX_SHARE))
        value = float(self.table.total(share[None, :])[0]) if rows.size else self.now
        return Conditioned(tuple(picks), rows, loads, unmix, whitened, share, value)

    def _products(self, a: np.ndarray, b: np.ndarray) -> np.ndarray:
        """Return Cov(F) between two lists of measurements, from the whole matrix where that is kept."""
        if self._gram is not None:
            return self._gram[np.ix_(a, b)]
        return self._rows.features[a] @ self._rows.features[b].T

    def score(self, batch: Conditioned, candidates: np.ndarray, loads: np.ndarray) -> np.ndarray:
        """Return H expected after ``batch`` and one more specimen, for each candidate.

        Parameters
        ----------
        batch : Conditioned
        candidates : (n,) int array
        loads : (n,) int array
            The furnace load each would go into; a number not in the batch stands for a new load.

        Returns
        -------
        (n,) array
        """
        candidates, loads = np.asarray(candidates, int), np.asarray(loads, int)
        out = np.full(candidates.size, batch.misclassification)
        for size in np.unique(self._size[candidates]):
            group = np.flatnonzero(self._size[candidates] == size)
            for at in range(0, group.size if size else 0, SLAB):
                part = group[at : at + SLAB]
                out[part] = self._score_slab(batch, candidates[part], loads[part], int(size))
        return out

    def _residual(
        self, batch: Conditioned, candidates: np.ndarray, loads: np.ndarray, size: int
    ) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray | None]:
        """Take what a batch tells off the measurements of candidates of one block size; returns

        rows : (n * size,) their measurements.
        whiten : (n, size, size) inverse Cholesky factor of what is left of their covariance.
        cross : (n, size, n_points) what is left of their covariance with the points.
        known : (n_rows, n * size) the batch's whitened covariance with them; ``None`` for an empty batch.
        """
        n, known = candidates.size, None
        rows = (self._first[candidates][:, None] + np.arange(size)).ravel()
        load = self._rows.load[rows].reshape(n, size, -1)
        block = self._block[candidates, :size, :size] + _off_diagonal(load) * (loads != NO_LOAD)[:, None, None]
        cross = self._rows.cross[rows]
        if batch.rows.size:
            joint = self._products(batch.rows, rows)
            known = batch.unmix @ (joint + self._shared(batch.rows, batch.row_load, rows, np.repeat(loads, size)))
            cross -= known.T.astype(self._dtype) @ batch.whitened
            by_candidate = known.T.reshape(n, size, -1)
            block -= by_candidate @ by_candidate.transpose(0, 2, 1)
        whiten = np.linalg.inv(np.linalg.cholesky(self._ridged(block))).astype(self._dtype)
        return rows, whiten, cross.reshape(n, size, -1), known

    def _score_slab(self, batch: Conditioned, candidates: np.ndarray, loads: np.ndarray, size: int) -> np.ndarray:
        """Score candidates of one block size: large products over the slab, the rest in one compiled pass."""
        _, whiten, cross, _ = self._residual(batch, candidates, loads, size)
        return self._totals(whiten, cross, batch.share)

    def score_alone(self, rows: np.ndarray) -> np.ndarray:
        """Return H expected (n,) after one specimen of which only the measurements ``rows`` (n, k), a line a specimen, are read."""
        candidate = self.measurements.candidate[rows[:, 0]]
        at, load = rows - self._first[candidate][:, None], self._rows.load[rows]
        block = self._block[candidate[:, None, None], at[:, :, None], at[:, None, :]] + _off_diagonal(load)
        whiten = np.linalg.inv(np.linalg.cholesky(self._ridged(block))).astype(self._dtype)
        nothing = np.zeros(self.live.size, self._dtype)
        return np.concatenate([self._totals(whiten[i : i + SLAB], self._rows.cross[rows[i : i + SLAB]], nothing) for i in range(0, len(rows), SLAB)])

    def _totals(self, whiten: np.ndarray, cross: np.ndarray, share: np.ndarray) -> np.ndarray:
        """Return H once blocks of measurements join a batch that explains ``share`` (n_points,)."""
        if self._dtype == np.float32:
            return self.table.total_with(whiten, cross, share)
        white = whiten @ cross
        return self.table.total(np.minimum(np.einsum("nkp,nkp->np", white, white) + share, MAX_SHARE))

    def _ridged(self, k: np.ndarray) -> np.ndarray:
        """Add the small ridge that keeps a correlation-like matrix positive definite in this precision."""
        at = np.arange(k.shape[-1])
        k[..., at, at] += self._ridge
        return k

    def with_pick(self, batch: Conditioned, pick: Pick) -> Conditioned:
        """Return a batch with one specimen more, from the factor of the batch without it."""
        rows, loads = self.stacked([pick])
        if rows.size == 0:
            return replace(batch, picks=(*batch.picks, pick))
        known = batch.unmix @ (
            self._products(batch.rows, rows).astype(float) + self._shared(batch.rows, batch.row_load, rows, loads)
        )
        root = np.linalg.cholesky(self._ridged(self.covariance([pick]) - known.T @ known))
        corner = np.linalg.inv(root)
        unmix = np.zeros((batch.rows.size + rows.size,) * 2)
        unmix[: batch.rows.size, : batch.rows.size] = batch.unmix
        unmix[batch.rows.size :, : batch.rows.size] = -corner @ known.T @ batch.unmix
        unmix[batch.rows.size :, batch.rows.size :] = corner
        left = self._rows.cross[rows] - known.T.astype(self._dtype) @ batch.whitened
        whitened = np.concatenate([batch.whitened, corner.astype(self._dtype) @ left])
        share = np.minimum(np.einsum("ij,ij->j", whitened, whitened), self._dtype.type(MAX_SHARE))
        return Conditioned(
            (*batch.picks, pick),
            np.concatenate([batch.rows, rows]),
            np.concatenate([batch.row_load, loads]),
            unmix,
            whitened,
            share,
            float(self.table.total(share[None, :])[0]),
        )

    def shares_without(self, batch: Conditioned) -> np.ndarray:
        """Return explained shares (n_picks, n_points) with each pick left out in turn.

        Leaving block ``i`` out of a batch takes ``b' d^-1 b`` off the explained share, where ``b`` is its block of
        ``K^-1 C`` and ``d`` its diagonal block of ``K^-1``.
        """
        out = np.repeat(batch.share[None, :], len(batch.picks), axis=0)
        if batch.rows.size == 0:
            return out
        weights = batch.unmix.T.astype(self._dtype) @ batch.whitened
        at = np.cumsum([0, *(self._size[c] for c, _ in batch.picks)])
        for i, (start, end) in enumerate(zip(at[:-1], at[1:], strict=True)):
            if start == end:
                continue
            columns = batch.unmix[:, start:end]
            root = np.linalg.inv(np.linalg.cholesky(columns.T @ columns)).astype(self._dtype)
            lost = root @ weights[start:end]
            out[i] -= np.einsum("ij,ij->j", lost, lost)
        return np.maximum(out, 0.0, out=out)

    def losses(self, batch: Conditioned) -> np.ndarray:
        """Return, for each pick of a batch, the rise of H when it alone is left out."""
        return self.table.total(self.shares_without(batch)) - batch.misclassification


def _standardised(z: np.ndarray) -> np.ndarray:
    return (z - z.mean(axis=0)) / z.std(axis=0)


def _off_diagonal(effects: np.ndarray) -> np.ndarray:
    """Return products of rows (n, size, size) of stacked (n, size, n_effects) loadings, 0 on the diagonal."""
    out, at = effects @ effects.transpose(0, 2, 1), np.arange(effects.shape[1])
    out[:, at, at] = 0.0
    return out


def _inverse_factor(k: np.ndarray) -> np.ndarray:
    """Return the inverse of the lower Cholesky factor of a positive definite matrix."""
    return np.tril(dtrtri(np.linalg.cholesky(k), lower=1)[0])
