"""The costly half of conformance: film, joints and leak for pairs of a condition and a number of recrystallised features.

Most conditions have one or two such numbers that matter.  The kernel sorts the pairs that do into bins that need the same work
(how many nodes for heat and film, whether the film can fail); a full bin is worked on here at once, on the vector unit.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from models.likelihood import normal_nodes
from planner.window.lanes import F, exp32, phi32, two_words
from planner.window.outcome import FULL, N_ETA
from planner.window.tables import HEAT_LANES, N_HEAT
from planner.window.truncated import BOUND_LOW, BOUND_STEP, MOST_NODES, N_BOUND, SIZES

PAIRS = 64                        # pairs in a bin
# what is kept of a pair, in rows of a bin
(WEIGHT, DEPTH, ROOM, INVERSE, SPREAD, Q_MEAN, Q_SD, Q_2, Q_3, FILL, FILL_2, ETA, LEVEL, BASIS_1,
 BASIS_2, LOG_GAP) = (PAIRS * i for i in range(16))
N_KEPT = 16
NO_GAP = F(-80.0)                 # ln gap of a pair whose gap is in ETA already
# rows of scratch behind them
(Q, HEATED, AT_HEAT, PASSED, BOUND, SHARE, PART, TOTAL) = (PAIRS * i for i in range(N_KEPT, N_KEPT + 8))
NODE = TOTAL + PAIRS              # nodes, then weights
N_ROWS = N_KEPT + 8 + 2 * MOST_NODES
# bins: film rule + N_SIZES (which of HEATS nodes of heat) + N_HEATS N_SIZES (the film passes for sure)
N_SIZES = len(SIZES)
HEATS = np.array([1, 2, 3, 5, 8, 16])
N_BINS = 2 * len(HEATS) * N_SIZES
SIZE = np.array(SIZES)

HEAT_NODES, HEAT_WEIGHTS = (np.zeros((HEATS[-1] + 1, HEATS[-1]), np.float32) for _ in range(2))
for _n in HEATS[1:]:
    HEAT_NODES[_n, :_n], HEAT_WEIGHTS[_n, :_n] = normal_nodes(_n)
HEAT_WEIGHTS[1, 0] = 1.0
ZERO, HALF, ONE = F(0.0), F(0.5), F(1.0)
LOWEST, BOUND_SCALE, BOUND_TOP = F(BOUND_LOW), F(1.0 / BOUND_STEP), F(N_BOUND - 1)
ETA_TOP, HEAT_TOP = F(N_ETA - 1.01), F(N_HEAT - 1.01)
PORTION = F(1.0 / FULL)           # what a unit of the outcome table is worth
U = np.uint64
FAST = {"fastmath": True, "error_model": "numpy", "forceinline": True}


@njit(**FAST)
def _heat_effect(work, place, heat, heat_start, own):
    """Put the predictor without film at this node of heat into row AT_HEAT."""
    low, scale = own[11], own[12]
    for i in range(PAIRS):
        t = min(max((work[Q + i] - low) * scale, ZERO), HEAT_TOP)
        whole = np.int32(t)
        place[i] = heat_start[i] + np.int32(HEAT_LANES) * whole
        work[SHARE + i] = t - F(whole)
    for i in range(PAIRS):
        j = np.uint64(place[i])
        f = work[SHARE + i]
        g = ONE - f
        work[AT_HEAT + i] += (g * heat[j] + f * heat[j + U(HEAT_LANES)]
                              + work[BASIS_1 + i] * (g * heat[j + U(1)] + f * heat[j + U(HEAT_LANES + 1)])
                              + work[BASIS_2 + i] * (g * heat[j + U(2)] + f * heat[j + U(HEAT_LANES + 2)]))


@njit(**FAST)
def _film_rule(work, place, rules, which):
    """Fill the node rows with factors of the depth and weights, by the rules of normals below the bounds in row BOUND."""
    for i in range(PAIRS):
        place[i] = np.int32(min(max((work[BOUND + i] - LOWEST) * BOUND_SCALE + F(0.5), ZERO), BOUND_TOP))
    for j in range(SIZE[which]):
        a, b, node = U(j), U(MOST_NODES + j), U(NODE) + U(PAIRS) * np.uint64(j)
        skip = U(which * N_BOUND)
        for i in range(PAIRS):
            at = (skip + np.uint64(place[i])) * U(2 * MOST_NODES)
            work[node + np.uint64(i)] = rules[at + a]
            work[node + U(MOST_NODES * PAIRS) + np.uint64(i)] = rules[at + b]
    if which == 0:            # a single node stands for the mean of the depth: e to the half variance
        for i in range(PAIRS):
            work[NODE + i] += HALF * work[SPREAD + i] * rules[np.uint64(place[i]) * U(2 * MOST_NODES) + U(1)]
    _depths(work, which)


@njit(**FAST)
def _depths(work, which):
    """Turn nodes, in sd of ln depth, into factors of the depth."""
    for j in range(SIZE[which]):
        for i in range(PAIRS):
            work[NODE + j * PAIRS + i] = exp32(work[SPREAD + i] * work[NODE + j * PAIRS + i])


@njit(**FAST)
def _sixteen(word, first_bit):
    """Return a quarter of a word as a number from 0 to FULL."""
    return F(np.int32((word >> np.uint64(first_bit)) & U(0xFFFF)))


@njit(**FAST)
def _joints(work, place, words, level, outcome, which, own):
    """Add P(film passes) x P(joints and leak pass) at one node of heat, over the nodes of film."""
    low, scale = own[13], own[14]
    for j in range(SIZE[which]):
        node = U(NODE) + U(PAIRS) * np.uint64(j)
        for i in range(PAIRS):
            depth = work[DEPTH + i] * work[HEATED + i] * work[node + np.uint64(i)]
            t = min(max((work[AT_HEAT + i] - depth - low) * scale, ZERO), ETA_TOP)
            column = np.int32(t)
            place[i] = level[i] + column
            work[SHARE + i] = t - F(column)
            work[PART + i] = work[PASSED + i] * work[node + U(MOST_NODES * PAIRS) + np.uint64(i)]
        for i in range(PAIRS):
            words[i] = two_words(outcome, np.uint64(place[i]))
        for i in range(PAIRS):
            f, up = work[SHARE + i], work[LEVEL + i]
            a, b = _sixteen(words[i], 0), _sixteen(words[i], 16)
            c, d = _sixteen(words[i], 32), _sixteen(words[i], 48)
            a += up * (b - a)
            c += up * (d - c)
            work[TOTAL + i] += work[PART + i] * (a + f * (c - a))


@njit(**FAST)
def work_off(bin_, pairs, who, levels, heat_starts, work, place, words, level, heat_start, heat, outcome, rules, own, joined, row):
    """Add weight x E[film passes, joints and leak pass] of every pair in a bin to its condition in `row`."""
    which, count, sure = bin_ % N_SIZES, HEATS[(bin_ // N_SIZES) % HEATS.size], bin_ // (HEATS.size * N_SIZES)
    film_heat = own[3]
    base, first = np.uint64(bin_ * N_KEPT * PAIRS), np.uint64(bin_ * PAIRS)
    for m in range(N_KEPT * PAIRS):
        work[m] = pairs[base + np.uint64(m)]
    for i in range(PAIRS):
        level[i], heat_start[i] = levels[first + np.uint64(i)], heat_starts[first + np.uint64(i)]
        work[TOTAL + i] = ZERO
        work[ETA + i] -= own[7] * exp32(work[LOG_GAP + i])
    if sure:
        for j in range(SIZE[which]):
            at = np.uint64((which * N_BOUND + N_BOUND - 1) * 2 * MOST_NODES + j)
            for i in range(PAIRS):
                work[NODE + j * PAIRS + i] = rules[at]
                work[NODE + (MOST_NODES + j) * PAIRS + i] = rules[at + U(MOST_NODES)]
        if which == 0:
            for i in range(PAIRS):
                work[NODE + i] = HALF * work[SPREAD + i]
        _depths(work, which)
    for node in range(count):
        z, weight = HEAT_NODES[count, node], HEAT_WEIGHTS[count, node]
        z2, z3 = z * z - ONE, z * (z * z - F(3.0))
        for i in range(PAIRS):
            q = work[Q_MEAN + i] + work[Q_SD + i] * (z + work[Q_2 + i] * z2 + work[Q_3 + i] * z3)
            work[Q + i] = q
            work[HEATED + i] = exp32(film_heat * q)
            work[AT_HEAT + i] = work[ETA + i] + work[FILL + i] * z + work[FILL_2 + i] * z2
            work[PASSED + i] = weight * work[WEIGHT + i] * (PORTION if joined else ONE)
        if not sure:
            for i in range(PAIRS):
                bound = (work[ROOM + i] - film_heat * work[Q + i]) * work[INVERSE + i]
                work[BOUND + i] = bound
                work[PASSED + i] *= phi32(bound)
        if joined:
            if not sure:
                _film_rule(work, place, rules, which)
            _heat_effect(work, place, heat, heat_start, own)
            _joints(work, place, words, level, outcome, which, own)
        else:
            for i in range(PAIRS):
                work[TOTAL + i] += work[PASSED + i]
    for i in range(PAIRS):
        row[who[first + np.uint64(i)]] += work[TOTAL + i]
