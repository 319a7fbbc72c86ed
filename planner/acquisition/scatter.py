"""How the readings of a batch scatter about what a draw expects: drawing outcomes and weighing draws by them, by one law.

A linear update needs second moments only; an outcome drawn at random must be one that could happen.  So yes/no readings come
first: with the chance that the draw gives them, and no section, joint or leak test where the specimen cracked.  The other readings are
normal about the draw's expectation, moved by what the yes/no readings of the same specimen turned out to be: a film is drawn
as that of a recrystallised section or of one that is not.  The regression coefficient is the mean one over draws, which gives
mixtures of two normals their two means and their mean inner variance.

References
----------
Olkin, I. & Tate, R. F. (1961), Annals of Mathematical Statistics 32, 448-465 (location model: yes/no first, then normal; from memory).
Kong, A., Liu, J. S. & Wong, W. H. (1994), JASA 89, 278-288 (effective sample size of importance weights).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from planner.acquisition.measurements import Measurements


@dataclass(frozen=True)
class Scatter:
    """Law of a batch's readings given a draw."""

    rows: np.ndarray
    """(n_rows,) measurements."""
    is_binary: np.ndarray
    """(n_rows,) true for yes/no."""
    crack: np.ndarray
    """(n_rows,) place of the reading ``cracked`` of the same specimen where another yes/no goes against it, else -1."""
    slope: np.ndarray
    """(n_normal, n_binary) how far each yes/no of the same specimen moves the expectation of each other reading."""
    left: np.ndarray
    """(n_normal, n_normal) covariance of the other readings given the draw and the yes/no readings."""

    @classmethod
    def of(cls, m: Measurements, rows: np.ndarray, residual: np.ndarray, within: np.ndarray | None = None) -> Scatter:
        """Build from the covariance of readings given the draw.

        Parameters
        ----------
        m : Measurements
        rows : (n_rows,) int array
            Of whole specimens, one behind the other.
        residual : (n_rows, n_rows) array
            Covariance given the draw, in their own units.
        within : (n_rows, n_rows) array, optional
            Its part from the specimens alone, without lots and loads; default: readings of a specimen do not go together.
        """
        binary = m.is_binary[rows]
        slope, left = np.zeros((np.sum(~binary), np.sum(binary))), residual[np.ix_(~binary, ~binary)]
        if within is not None and slope.size:
            slope = np.linalg.solve(within[np.ix_(binary, binary)], within[np.ix_(binary, ~binary)]).T
            left = left - slope @ within[np.ix_(binary, ~binary)]
        return cls(rows, binary, _crack(m, rows, binary, within), slope, left)

    def chances(self, F: np.ndarray) -> np.ndarray:
        """Return the chance of yes (n_draws, n_binary), where a crack could prevent it that of a specimen that came through."""
        chance = F[:, self.is_binary]
        on = self.crack[self.is_binary] >= 0
        through = 1.0 - F[:, self.crack[self.is_binary][on]]
        chance[:, on] = np.minimum(chance[:, on] / np.maximum(through, 1e-12), 1.0)
        return chance

    def draw(self, F: np.ndarray, *, rng: np.random.Generator) -> np.ndarray:
        """Return one outcome (n, n_rows) at each row of the expectations ``F`` (n, n_rows)."""
        out = np.array(F, float)
        uniform, normal = rng.random(out.shape), rng.standard_normal(out.shape)
        noise = normal[:, ~self.is_binary] @ np.linalg.cholesky(self.left).T
        yes = (uniform[:, self.is_binary] < self.chances(out)).astype(float)
        off = np.zeros_like(out)
        off[:, self.is_binary] = yes
        yes *= ~self._cracked(off)
        moved = (yes - out[:, self.is_binary]) @ self.slope.T
        out[:, ~self.is_binary] += moved + noise
        out[:, self.is_binary] = yes
        return out

    def weights(self, F: np.ndarray, outcome: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return weights (n_outcomes, n_draws) of draws with expectations ``F`` (n_draws, n_rows), and their effective numbers."""
        F, binary = F.astype(float), self.is_binary
        logged = np.zeros((outcome.shape[0], F.shape[0]))
        if not binary.all():
            white = np.linalg.inv(np.linalg.cholesky(self.left))
            a, b = ((y[:, ~binary] - y[:, binary] @ self.slope.T) @ white.T for y in (outcome, F))
            logged -= 0.5 * ((a**2).sum(axis=1)[:, None] + (b**2).sum(axis=1)[None, :] - 2.0 * a @ b.T)
        if binary.any():
            p = np.clip(self.chances(F), 1e-12, 1.0 - 1e-12)
            y, seen = outcome[:, binary], ~self._cracked(outcome)
            logged += (seen * y) @ np.log(p).T + (seen * (1.0 - y)) @ np.log1p(-p).T
        weights = np.exp(logged - logged.max(axis=1, keepdims=True))
        weights /= weights.sum(axis=1, keepdims=True)
        return weights, 1.0 / (weights**2).sum(axis=1)

    def _cracked(self, outcome: np.ndarray) -> np.ndarray:
        """Return which yes/no readings (n, n_binary) a crack prevented."""
        crack = self.crack[self.is_binary]
        return (outcome[:, crack] > 0.5) & (crack >= 0)


def _crack(m: Measurements, rows: np.ndarray, binary: np.ndarray, within: np.ndarray | None) -> np.ndarray:
    """Return the place of the crack that each yes/no goes against, -1 where there is none."""
    is_crack, specimen = m.kind[rows] == "cracked", m.specimen(rows)
    place = np.full(len(rows) + 1, -1)
    place[specimen[is_crack]] = np.flatnonzero(is_crack)
    place = place[specimen]
    against = np.zeros(len(rows), bool) if within is None else within[np.arange(len(rows)), place] < 0.0
    return np.where(binary & ~is_crack & against & (place >= 0), place, -1)
