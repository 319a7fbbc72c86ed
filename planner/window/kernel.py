"""The inner loops of conformance: one draw, a block of conditions at a time.

Every quantity of a block stands in a row of one flat scratch array at a fixed place, so that the compiler sees loops over
neighbouring numbers without calls and runs them on the vector unit.  Table look-ups are gathered in loops of their own.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from models.likelihood import normal_nodes
from models.responses.joints import FILLER_REFERENCE
from planner.window.forming import LANES, LINE
from planner.window.lanes import F, compiled, exp32, phi32, row_sum
from planner.window.outcome import N_ETA, N_LEVEL, ROOT_LOW, ROOT_STEP
from planner.window.tables import HEAT_LANES, N_HEAT
from planner.window.truncated import BOUND_LOW, BOUND_STEP, MOST_NODES, N_BOUND, SIZES

BLOCK = 32
N_INPUT = 17
# rows of scratch, in numbers: first what is read of a condition ...
(LOG_STRAIN, STRAIN_SD, STRAIN, STRAIN_VAR, CRACK_STRAIN, LOG_MODULUS, TAU, BASIS_1, BASIS_2, H, LOG_T, H_VAR, T_VAR, LIQUID, LIQUID_H,
 LIQUID_VAR, T_SKEW) = (BLOCK * i for i in range(N_INPUT))
# ... then the fields of the line ...
(LIMIT, LIMIT_VAR, FILM, GAP, GAP_VAR, CLAD_VAR, CLAD, _SPARE) = (BLOCK * i for i in range(N_INPUT, N_INPUT + LINE))
# ... then what is worked out
(ALONE, Q_MEAN, Q_SD, Q_SKEW, FILL, EXTRA, ETA, Q, HEATED, PASSED, SHARE, LEVEL, ABOVE, AT_HEAT, TOTAL, ALPHA, LEVEL_NOW,
 GAP_SD) = (BLOCK * i for i in range(N_INPUT + LINE, N_INPUT + LINE + 18))
NODE = GAP_SD + BLOCK                                    # nodes, then weights, of the film
GAP_NODE = NODE + 2 * MOST_NODES * BLOCK                 # parts of the predictor, then weights, of the gap
N_ROWS = N_INPUT + LINE + 18 + 4 * MOST_NODES
# rows of one state of recrystallisation
(CHANCE, DEPTH, ROOM, INVERSE, SPREAD) = (BLOCK * i for i in range(5))
STATE = 5 * BLOCK

NODES, WEIGHTS = (np.zeros((6, 5), np.float32) for _ in range(2))
for _n in (3, 5):
    NODES[_n, :_n], WEIGHTS[_n, :_n] = normal_nodes(_n)
WEIGHTS[1, 0] = 1.0
WIDE_HEAT = F(0.25)               # sd of a load's braze heat above which five nodes are used instead of three
NO_HEAT = F(1e-4)                 # sum of a block's sd below which one is
DEAD = F(1e-4)                    # a block whose conformances add up to less is all 0
RARE = F(1.5e-3)                    # states of recrystallisation whose chances in a block add up to less are left out
SURE = F(4.5)                     # a film this many sd below its limit passes
# sd in the predictor up to which the film's rules of 1, 2, 3 and 5 nodes serve; the gap's rule of one node (with its variance)
NARROW = np.array([0.07, 0.3, 0.55, 1.0], np.float32)
NARROW_GAP = F(0.2)
GAP_RULE = 2
SIZE = np.array(SIZES)
FILLER = F(FILLER_REFERENCE)
ZERO, HALF, ONE, SIXTH = F(0.0), F(0.5), F(1.0), F(1.0 / 6.0)
LEVEL_LOW, LEVEL_SCALE, LEVEL_TOP = F(ROOT_LOW), F(1.0 / ROOT_STEP), F(N_LEVEL - 1.001)
BOUND, BOUND_SCALE, BOUND_TOP = F(BOUND_LOW), F(1.0 / BOUND_STEP), F(N_BOUND - 1.01)
ETA_TOP, HEAT_TOP = F(N_ETA - 1.01), F(N_HEAT - 1.01)
U = np.uint64
sum_line, sum_plane = row_sum(1, 4, LINE), row_sum(4, 4, LANES)
FAST = {"fastmath": True, "error_model": "numpy"}


@njit(**FAST)
def _interpolate_line(line, start, first, warm, rough, work):
    for i in range(BLOCK):
        at = np.uint64(first + i)
        sum_line(line, start[1, at], U(0), U(LINE), warm, U(4) * at, rough, U(LINE) * np.uint64(i))
    for m in range(LINE):
        for i in range(BLOCK):
            work[LIMIT + m * BLOCK + i] = rough[i * LINE + m]


@njit(**FAST)
def _interpolate_plane(plane, start, first, cross, n_rows, width, n_fields, rough, fields):
    """Sum the 4 x 4 neighbouring grid points: a whole register of fields at a time."""
    w = np.uint64(width)
    for part in range(width // LANES):
        skip = np.uint64(part * LANES)
        for i in range(BLOCK):
            at = np.uint64(first + i)
            sum_plane(plane, start[0, at] + skip, np.uint64(n_rows) * w, w, cross, U(16) * at, rough, w * np.uint64(i) + skip)
    for m in range(n_fields):
        for i in range(BLOCK):
            fields[m * BLOCK + i] = rough[i * width + m]


@njit(**FAST)
def _alone(work, own, limits, asked):
    """Set P(no crack and gap passes), and mean and sd of ln gap; return the sum of P."""
    gap_slope, gap_strain, log_max = own[0], own[1], limits[0]
    for i in range(BLOCK):
        mean = work[GAP + i] - gap_slope * work[LOG_MODULUS + i] + gap_strain * work[STRAIN + i]
        sd = np.sqrt(work[GAP_VAR + i] + gap_strain * gap_strain * work[STRAIN_VAR + i])
        work[GAP + i] = mean
        work[GAP_SD + i] = sd
        work[ALPHA + i] = (log_max - mean) / sd
        work[ALONE + i] = ONE
    if asked[0]:
        for i in range(BLOCK):
            sd = work[STRAIN_SD + i]
            work[ALONE + i] = phi32((work[LIMIT + i] - work[CRACK_STRAIN + i]) / np.sqrt(work[LIMIT_VAR + i] + sd * sd))
    if asked[1]:
        for i in range(BLOCK):
            work[ALONE + i] *= phi32(work[ALPHA + i])
    total = ZERO
    for i in range(BLOCK):
        total += work[ALONE + i]
    return total


@njit(**FAST)
def _gaps(work, place, rules, own):
    """Set the gap's part of the predictor, given that it passed: one value with a variance, or a rule of nodes; return how many."""
    cost, over = own[7], ZERO
    for i in range(BLOCK):
        mean, sd, alpha = work[GAP + i], work[GAP_SD + i], work[ALPHA + i]
        variance = sd * sd
        share = ONE / max(phi32(alpha), F(1e-6))
        centre, growth = exp32(mean + HALF * variance), exp32(variance)
        gap = centre * phi32(alpha - sd) * share
        square = cost * cost * max(centre * centre * growth * phi32(alpha - sd - sd) * share - gap * gap, ZERO)
        work[GAP_NODE + i] = -cost * gap
        work[GAP_NODE + MOST_NODES * BLOCK + i] = ONE
        work[SHARE + i] = square
        over += max(square - NARROW_GAP * NARROW_GAP, ZERO)
    if over == ZERO:
        for i in range(BLOCK):
            work[EXTRA + i] += work[SHARE + i]
        return 1
    for i in range(BLOCK):
        work[ABOVE + i] = work[ALPHA + i]
    n = _rule(work, place, rules, GAP_RULE, GAP_NODE)
    for j in range(n):
        for i in range(BLOCK):
            work[GAP_NODE + j * BLOCK + i] = -cost * exp32(work[GAP + i] + work[GAP_SD + i] * work[GAP_NODE + j * BLOCK + i])
    return n


@njit(**FAST)
def _rule(work, place, rules, which, rows):
    """Fill rows with the nodes and weights of normals below the bounds in row ABOVE; return how many nodes."""
    n = SIZE[which]
    for i in range(BLOCK):
        t = min(max((work[ABOVE + i] - BOUND) * BOUND_SCALE, ZERO), BOUND_TOP)
        whole = np.int32(t)
        place[i] = whole
        work[LEVEL_NOW + i] = t - F(whole)
    for i in range(BLOCK):
        at, f = place[i], work[LEVEL_NOW + i]
        for j in range(n):
            a, b = rules[which, at, 0, j], rules[which, at, 1, j]
            work[rows + j * BLOCK + i] = a + f * (rules[which, at + 1, 0, j] - a)
            work[rows + (MOST_NODES + j) * BLOCK + i] = b + f * (rules[which, at + 1, 1, j] - b)
    return n


@njit(**FAST)
def _heat(work, own):
    """Set mean, sd and skewness of a load's braze heat, and what liquid share and warmth put into the predictor; return how many nodes of heat to use."""
    weight, filler, tau_slope = own[2], own[5], own[8]
    over, total = ZERO, ZERO
    for i in range(BLOCK):
        variance = work[H_VAR + i] + weight * weight * work[T_VAR + i]
        sd = np.sqrt(variance)
        over += max(sd - WIDE_HEAT, ZERO)
        total += sd
        inverse = ONE / max(variance, F(1e-10))
        slope = work[LIQUID_H + i] * inverse
        work[Q_MEAN + i] = work[H + i] + weight * work[LOG_T + i]
        work[Q_SD + i] = sd
        work[Q_SKEW + i] = weight * weight * weight * work[T_SKEW + i] * inverse / max(sd, F(1e-5)) * SIXTH
        work[FILL + i] = filler * slope * sd * work[CLAD + i]
        work[ETA + i] = tau_slope * work[TAU + i] + filler * (work[LIQUID + i] * work[CLAD + i] - FILLER)
        rest = max(work[LIQUID_VAR + i] - slope * work[LIQUID_H + i], ZERO)
        work[EXTRA + i] = filler * filler * (rest + work[LIQUID + i] * work[LIQUID + i] * work[CLAD_VAR + i])
    return 1 if total < NO_HEAT else (5 if over > ZERO else 3)


@njit(**FAST)
def _states(work, fields, states, active, feature, own, log_max):
    """Set chance, depth and film bound of every number of recrystallised features and which rule each state's film needs (-1: it does not occur)."""
    n_features = feature.shape[1] - 1
    film_var, cost, exponent, log_new, film_heat = own[4], own[5] * own[6], own[9], own[10], own[3]
    for i in range(BLOCK):
        work[ABOVE + i] = ONE
        work[FILM + i] += exponent * work[LOG_STRAIN + i]
        work[HEATED + i] = exp32(film_heat * work[Q_MEAN + i])
    for n_new in range(n_features + 1):
        at = n_new * STATE
        relative, low, high = feature[0, n_new], cost * feature[1, n_new], cost * feature[2, n_new]
        if n_new < n_features:
            mean_row, var_row = (n_features + n_new) * BLOCK, (2 * n_features + n_new) * BLOCK
            lowest = log_new if n_new > 0 else F(-60.0)
            for i in range(BLOCK):
                below = ONE / (ONE + exp32(-fields[n_new * BLOCK + i]))
                strained = work[FILM + i] + fields[mean_row + i]
                sd = np.sqrt(film_var + fields[var_row + i])
                states[at + CHANCE + i] = work[ABOVE + i] - below
                states[at + DEPTH + i] = low + high * exp32(strained)
                states[at + ROOM + i] = log_max - max(strained + relative, lowest)
                states[at + INVERSE + i] = ONE / sd
                states[at + SPREAD + i] = sd
                work[ABOVE + i] = below
        else:
            sd = np.sqrt(film_var)
            inverse, room = ONE / sd, log_max - log_new
            for i in range(BLOCK):
                states[at + CHANCE + i] = work[ABOVE + i]
                states[at + DEPTH + i] = low
                states[at + ROOM + i] = room
                states[at + INVERSE + i] = inverse
                states[at + SPREAD + i] = sd
        total = ZERO
        for i in range(BLOCK):
            total += states[at + CHANCE + i] * work[ALONE + i]
        active[n_new] = -1 if total < RARE else 0
        if total >= RARE:
            for i in range(BLOCK):       # the error of a rule goes with its weight and at least the fourth power of the spread
                weight = max(states[at + CHANCE + i] * work[ALONE + i], ZERO)
                work[SHARE + i] = states[at + DEPTH + i] * states[at + SPREAD + i] * work[HEATED + i] * np.sqrt(np.sqrt(weight))
            for r in range(NARROW.size):
                over = ZERO
                for i in range(BLOCK):
                    over += max(work[SHARE + i] - NARROW[r], ZERO)
                if over > ZERO:
                    active[n_new] = r + 1


@njit(**FAST)
def _films(work, place, states, at, which, rules, film_heat, film_limited):
    """Set P(this state, film passes) at one node of heat and a rule for the film that passed; return how many nodes (0: none passes)."""
    doubt, total, n = ZERO, ZERO, SIZE[which] if which >= 0 else 0
    if film_limited:
        for i in range(BLOCK):
            bound = (states[at + ROOM + i] - film_heat * work[Q + i]) * states[at + INVERSE + i]
            work[ABOVE + i] = bound
            doubt += max(SURE - bound, ZERO)
    if doubt == ZERO:
        for i in range(BLOCK):
            work[PASSED + i] = states[at + CHANCE + i]
        for j in range(n):
            z, w = rules[which, N_BOUND - 1, 0, j], rules[which, N_BOUND - 1, 1, j]
            for i in range(BLOCK):
                work[NODE + j * BLOCK + i] = z
                work[NODE + (MOST_NODES + j) * BLOCK + i] = w
        return max(n, 1)
    for i in range(BLOCK):
        passed = states[at + CHANCE + i] * phi32(work[ABOVE + i])
        work[PASSED + i] = passed
        total += passed * work[ALONE + i]
    return 0 if total < RARE else (_rule(work, place, rules, which, NODE) if n > 0 else 1)


@njit(**FAST)
def _heat_effect(work, place, heat, start, first, own):
    """Put the heat effect at this node into row AT_HEAT."""
    low, scale = own[11], own[12]
    for i in range(BLOCK):
        t = min(max((work[Q + i] - low) * scale, ZERO), HEAT_TOP)
        whole = np.int32(t)
        place[i] = whole
        work[SHARE + i] = t - F(whole)
    for i in range(BLOCK):
        j = start[2, np.uint64(first + i)] + U(HEAT_LANES) * np.uint64(place[i])
        f = work[SHARE + i]
        g = ONE - f
        work[AT_HEAT + i] = (g * heat[j] + f * heat[j + U(HEAT_LANES)]
                             + work[BASIS_1 + i] * (g * heat[j + U(1)] + f * heat[j + U(HEAT_LANES + 1)])
                             + work[BASIS_2 + i] * (g * heat[j + U(2)] + f * heat[j + U(HEAT_LANES + 2)]))


@njit(**FAST)
def _levels(work, level):
    """Set each condition's place among the levels of extra variance."""
    for i in range(BLOCK):
        y = min((np.sqrt(work[EXTRA + i] + LEVEL_LOW * LEVEL_LOW) - LEVEL_LOW) * LEVEL_SCALE, LEVEL_TOP)
        whole = np.int32(y)
        level[i] = whole * np.int32(N_ETA)
        work[LEVEL + i] = y - F(whole)


@njit(**FAST)
def _joints(work, place, level, outcome, states, at, n_film, n_gap, own, weight):
    """Add weight x P(film passes) x P(joints and leak pass) of one state at one node of heat, over the nodes of film and gap."""
    low, scale = own[13], own[14]
    for j in range(n_film):
        for i in range(BLOCK):
            depth = states[at + DEPTH + i] * work[HEATED + i] * exp32(states[at + SPREAD + i] * work[NODE + j * BLOCK + i])
            work[ABOVE + i] = (work[AT_HEAT + i] + work[ETA + i] - depth - low) * scale
            work[LEVEL_NOW + i] = weight * work[PASSED + i] * work[NODE + (MOST_NODES + j) * BLOCK + i]
        for g in range(n_gap):
            for i in range(BLOCK):
                t = min(max(work[ABOVE + i] + work[GAP_NODE + g * BLOCK + i] * scale, ZERO), ETA_TOP)
                column = np.int32(t)
                place[i] = level[i] + column
                work[SHARE + i] = t - F(column)
            for i in range(BLOCK):
                k = np.uint64(place[i])
                f = work[SHARE + i]
                a = outcome[k] + f * (outcome[k + U(1)] - outcome[k])
                k += U(N_ETA)
                b = outcome[k] + f * (outcome[k + U(1)] - outcome[k])
                work[TOTAL + i] += work[LEVEL_NOW + i] * work[GAP_NODE + (MOST_NODES + g) * BLOCK + i] * (a + work[LEVEL + i] * (b - a))


@njit(**FAST)
def _film_and_joints(work, place, level, states, active, heat, outcome, rules, start, first, own, n_nodes, n_gap, asked):
    """Set row TOTAL to E[film passes, joints and leak pass] over heat nodes and states."""
    film_heat = own[3]
    for i in range(BLOCK):
        work[TOTAL + i] = ZERO
    for node in range(n_nodes):
        z, weight = NODES[n_nodes, node], WEIGHTS[n_nodes, node]
        for i in range(BLOCK):
            skewed = z + work[Q_SKEW + i] * (z * z - ONE)               # Cornish-Fisher, first skewness term
            q = work[Q_MEAN + i] + work[Q_SD + i] * skewed
            work[Q + i] = q
            work[HEATED + i] = exp32(film_heat * q)
        if asked[3]:
            _heat_effect(work, place, heat, start, first, own)
            for i in range(BLOCK):
                work[AT_HEAT + i] += work[FILL + i] * (z + work[Q_SKEW + i] * (z * z - ONE))
        for n_new in range(active.size):
            if active[n_new] < 0:
                continue
            at = n_new * STATE
            n_film = _films(work, place, states, at, active[n_new] if asked[3] else -1, rules, film_heat, asked[2])
            if asked[3] and n_film > 0:
                _joints(work, place, level, outcome, states, at, n_film, n_gap, own, weight)
            elif n_film > 0:
                for i in range(BLOCK):
                    work[TOTAL + i] += weight * work[PASSED + i]


@compiled(nogil=True, **FAST)
def conform(plane, line, heat, outcome, scalars, feature, rules, start, cross, warm, inputs, limits, asked, order, first_draw, last_draw, out):
    """Fill rows first_draw .. last_draw - 1 of `out`; conditions come in blocks, `order` says whose they are.

    `start` (3, n): first element in one draw's plane, line and heat; `asked`: crack, gap, film, joints or leak required.
    """
    n_rows, width, n_features = plane.shape[3], plane.shape[4], feature.shape[2] - 1
    work, states = np.zeros(N_ROWS * BLOCK, np.float32), np.zeros((n_features + 1) * STATE, np.float32)
    fields, place, level = np.zeros(3 * n_features * BLOCK, np.float32), np.zeros(BLOCK, np.int32), np.zeros(BLOCK, np.int32)
    rough, active = np.zeros(BLOCK * max(width, LINE), np.float32), np.zeros(n_features + 1, np.int64)
    for s in range(first_draw, last_draw):
        own, row = scalars[s], out[s]
        own_plane, own_line, own_heat, own_outcome = plane[s].ravel(), line[s].ravel(), heat[s].ravel(), outcome[s].ravel()
        for first in range(0, order.size, BLOCK):
            base = np.uint64(first * N_INPUT)
            for m in range(N_INPUT * BLOCK):
                work[m] = inputs[base + np.uint64(m)]
            _interpolate_line(own_line, start, first, warm, rough, work)
            if _alone(work, own, limits, asked) < DEAD:
                for i in range(BLOCK):
                    row[order[first + i]] = ZERO
                continue
            if asked[2] or asked[3]:
                _interpolate_plane(own_plane, start, first, cross, n_rows, width, 3 * n_features, rough, fields)
                n_nodes = _heat(work, own)
                _states(work, fields, states, active, feature[s], own, limits[1])
                n_gap = 1
                if asked[3]:
                    n_gap = _gaps(work, place, rules, own)
                    _levels(work, level)
                _film_and_joints(work, place, level, states, active, own_heat, own_outcome, rules, start, first, own, n_nodes, n_gap, asked)
                for i in range(BLOCK):
                    work[ALONE + i] *= work[TOTAL + i]
            for i in range(BLOCK):
                row[order[first + i]] = min(work[ALONE + i], ONE)
