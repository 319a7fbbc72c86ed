"""Search for the largest box of ranges on a lattice of candidate edges.

The best box is a discrete optimum: which lattice lines to take as edges so that
the volume is large and all lattice points inside conform together. Draws are
packed bits, so that asking for one more layer of points is one AND over bytes,
and thousands of boxes can be tried in the time of one slice of conformance.

The result is only a *choice*. It is certified elsewhere, on other draws and other
points (`ranges`).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

_SEEDS = 8
_PASSES = 3
_SOFT_LOSS = 0.002


@dataclass(frozen=True)
class Lattice:
    """Candidate edges and, for each crossing, the draws on which it conforms."""

    levels: tuple[np.ndarray, ...]
    """Candidate edges per factor, rising."""
    bits: np.ndarray
    """Conforms or not, packed, uint8 (n_levels_0, n_levels_1, ..., n_bytes); all 0 where a point may not be used."""
    n_draws: int
    """Draws behind the bits."""
    span: np.ndarray
    """Full range of each factor, (n_factors,): volumes are shares of it."""

    @property
    def n_factors(self) -> int:
        """Number of factors."""
        return len(self.levels)

    def edges(self, low: np.ndarray, high: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Turn level indices into values."""
        return (
            np.array([levels[i] for levels, i in zip(self.levels, low)]),
            np.array([levels[i] for levels, i in zip(self.levels, high)]),
        )

    def volume(self, low: np.ndarray, high: np.ndarray) -> float:
        """Return the share of the factor box; a factor with one level only counts 1."""
        a, b = self.edges(low, high)
        free = np.array([len(levels) > 1 for levels in self.levels])
        return float(np.prod(np.where(free, (b - a) / self.span, 1.0)))

    def alive(self, low: np.ndarray, high: np.ndarray) -> np.ndarray:
        """Return the draws on which every lattice point of a box conforms, packed."""
        part = self.bits[tuple(slice(a, b + 1) for a, b in zip(low, high))]
        return np.bitwise_and.reduce(part.reshape(-1, self.bits.shape[-1]), axis=0)

    def probability(self, alive: np.ndarray) -> float:
        """Return the share of draws set in packed bits."""
        return float(np.bitwise_count(alive).sum()) / self.n_draws


Corners = tuple[np.ndarray, np.ndarray]
"""Lower and upper level indices of a box, int arrays (n_factors,)."""


def largest_box(lattice: Lattice, *, level: float) -> Corners | None:
    """Find a box of large volume whose lattice points conform together with probability at least `level`.

    Grows from several seeds, each step taking the layer with the largest gain in
    log volume per joint probability spent, then tries to trade one face for others.

    Returns
    -------
    (low, high) or None
        None when no box of at least one lattice cell qualifies.
    """
    best, most = None, 0.0
    for seed in _seeds(lattice, level):
        low, high = enlarge(lattice, (seed, seed), level=level, core=None)
        volume = lattice.volume(low, high)
        if volume > most:
            best, most = (low, high), volume
    return best


def enlarge(lattice: Lattice, start: Corners, *, level: float, core: Corners | None) -> Corners:
    """Grow a box greedily, then trade faces; faces are never pulled inside `core`."""
    low, high = _grow(lattice, *start, level, frozenset())
    for _ in range(_PASSES):
        traded = _trade(lattice, low, high, level, core)
        if traded is None:
            break
        low, high = traded
    return low, high


def nested_boxes(lattice: Lattice, start: Corners, *, core: Corners | None = None) -> list[Corners]:
    """List ever smaller boxes inside one, each giving up the layer that buys most joint probability per volume.

    Ends at `core`, or at one cell.
    """
    low, high = start
    chain = [start]
    while True:
        now = lattice.probability(lattice.alive(low, high))
        options = []
        for face in np.ndindex(lattice.n_factors, 2):
            pulled = _pull(low, high, face, core)
            if pulled is None or pulled[0][face[0]] == pulled[1][face[0]]:
                continue
            gain = lattice.probability(lattice.alive(*pulled)) - now
            loss = np.log(lattice.volume(low, high) / lattice.volume(*pulled))
            options.append(((gain + 1e-4) / loss, face, pulled))
        if not options:
            return chain
        low, high = max(options, key=lambda option: option[:2])[2]
        chain.append((low, high))


def _pull(low: np.ndarray, high: np.ndarray, face: tuple[int, int], core: Corners | None) -> Corners | None:
    """Move one face in by one level; None when it would pass the other face or enter the core."""
    j, side = face
    low, high = low.copy(), high.copy()
    if side:
        high[j] -= 1
    else:
        low[j] += 1
    if low[j] > high[j] or (core is not None and (low[j] > core[0][j] or high[j] < core[1][j])):
        return None
    return low, high


def _seeds(lattice: Lattice, level: float) -> list[np.ndarray]:
    """Pick the surest lattice point and others far from those picked before."""
    share = np.bitwise_count(lattice.bits).sum(axis=-1) / lattice.n_draws
    sure = np.argwhere(share >= level)
    if not len(sure):
        return []
    scale = np.array([max(len(levels) - 1, 1) for levels in lattice.levels])
    picked = [int(np.argmax(share[tuple(sure.T)]))]
    gap = np.full(len(sure), np.inf)
    while len(picked) < min(_SEEDS, len(sure)):
        gap = np.minimum(gap, np.linalg.norm((sure - sure[picked[-1]]) / scale, axis=1))
        picked.append(int(np.argmax(gap)))
    return [sure[i] for i in picked]


def _grow(
    lattice: Lattice, low: np.ndarray, high: np.ndarray, level: float, blocked: frozenset[tuple[int, int]]
) -> Corners:
    """Take layers greedily until none is left that keeps the joint probability at `level`."""
    alive = lattice.alive(low, high)
    now = lattice.probability(alive)
    while True:
        best = None
        for j, side in np.ndindex(lattice.n_factors, 2):
            step = high[j] + 1 if side else low[j] - 1
            if (j, side) in blocked or not 0 <= step < len(lattice.levels[j]):
                continue
            a, b = low.copy(), high.copy()
            a[j] = b[j] = step
            after = alive & lattice.alive(a, b)
            p = lattice.probability(after)
            if p < level:
                continue
            levels = lattice.levels[j]
            soft = (levels[-1] - levels[0]) / len(levels) / 2
            width = levels[high[j]] - levels[low[j]]
            more = abs(levels[step] - levels[high[j] if side else low[j]])
            score = np.log((width + more + soft) / (width + soft)) / (now - p + _SOFT_LOSS)
            if best is None or score > best[0]:
                best = (score, j, side, step, after, p)
        if best is None:
            return low, high
        _, j, side, step, alive, now = best
        low, high = low.copy(), high.copy()
        if side:
            high[j] = step
        else:
            low[j] = step


def _trade(
    lattice: Lattice, low: np.ndarray, high: np.ndarray, level: float, core: Corners | None
) -> Corners | None:
    """Pull one face in, regrow without it, and return the result if it is larger."""
    best, most = None, lattice.volume(low, high) * (1 + 1e-9)
    for face in np.ndindex(lattice.n_factors, 2):
        pulled = _pull(low, high, face, core)
        if pulled is None:
            continue
        grown = _grow(lattice, *pulled, level, frozenset({face}))
        volume = lattice.volume(*grown)
        if volume > most:
            best, most = grown, volume
    return best
