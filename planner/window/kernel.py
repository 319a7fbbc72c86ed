"""The inner loops of conformance: one draw, a block of conditions at a time.

Every quantity of a block stands in a row of one flat scratch array at a fixed place, so that the compiler sees loops over
neighbouring numbers without calls and runs them on the vector unit.  What is left to do for film and joints is put into
bins of equal work (`pairs`).
"""

from __future__ import annotations

import numpy as np
from numba import njit

from models.likelihood import normal_nodes
from models.responses.braze import LOG_TIME_REF, MIN_MINUTES
from models.responses.joints import FILLER_REFERENCE
from planner.window import pairs as P
from planner.window.forming import LANES, LINE
from planner.window.lanes import F, compiled, exp32, log32, phi32, row_sum
from planner.window.outcome import N_ETA, N_LEVEL, ROOT_LOW, ROOT_STEP
from planner.window.pairs import N_BINS, N_KEPT, PAIRS, work_off
from planner.window.truncated import BOUND_LOW, BOUND_STEP, MOST_NODES, N_BOUND, SIZES

BLOCK = 64
N_INPUT = 20
# rows of scratch, in numbers: first what is read of a condition ...
(LOG_STRAIN, STRAIN_SD, STRAIN, STRAIN_VAR, CRACK_STRAIN, LOG_MODULUS, TAU, BASIS_1, BASIS_2, H, LOG_T, H_VAR, T_1, LIQUID, LIQUID_H,
 LIQUID_VAR, T_2, T_3, LIQUID_2, MINUTES) = (BLOCK * i for i in range(N_INPUT))
# ... then the fields of the line ...
(LIMIT, LIMIT_VAR, FILM, GAP, GAP_VAR, CLAD_VAR, CLAD, _SPARE) = (BLOCK * i for i in range(N_INPUT, N_INPUT + LINE))
# ... then what is worked out
(ALONE, Q_MEAN, Q_SD, Q_2, FILL, EXTRA, ETA, LEVEL, ABOVE, BELOW, STRAINED, GAP_SD, ALPHA, GAP_MEAN, GAP_EXTRA,
 HEATED, SWING, TOP, MIDDLE, SHARE,
 CURVE, Q_3, FILL_2, SPLIT) = (BLOCK * i for i in range(N_INPUT + LINE, N_INPUT + LINE + 24))
N_ROWS = N_INPUT + LINE + 24
# rows of one state of recrystallisation
(CHANCE, DEPTH, ROOM, INVERSE, SPREAD) = (BLOCK * i for i in range(5))
STATE = 5 * BLOCK

STILL, CALM, STEADY, LIVELY = F(0.06), F(0.2), F(0.37), F(0.7)   # change per sd of braze heat up to which 1, 2, 3, 5 of its nodes serve
DEAD = F(1e-4)                    # a block whose conformances add up to less is all 0
MERGED = F(1e-3)                   # a state less likely than this is counted with the next
RARE = F(2e-4)                    # a state less likely than this is left out
SURE = F(4.5)                     # a film this many sd below its limit passes
NODE_REACH = F(3.0)               # ... at every node of heat
# sd of the gap's part of the predictor up to which its mean and variance, or rules of 2, 3 and 5 nodes, serve
GAP_1, GAP_2, GAP_3, GAP_5 = F(0.2 ** 2), F(0.3 ** 2), F(0.6 ** 2), F(1.1 ** 2)
# sd of the film's part of the predictor up to which rules of 1, 2, 3, 5 and 8 nodes serve
NARROW_1, NARROW_2, NARROW_3, NARROW_5, NARROW_8 = F(0.05), F(0.27), F(0.5), F(0.95), F(1.6)
BENT = F(0.025)                   # curvature of ln(time) in heat above which time has its own nodes
TIME_NODES, TIME_WEIGHTS = (np.asarray(a, np.float32) for a in normal_nodes(7))
LOG_REF, LEAST_MINUTES = F(LOG_TIME_REF), F(MIN_MINUTES)
FILLER, PROBE = F(FILLER_REFERENCE), F(1.7320508)
ZERO, HALF, ONE, SIXTH = F(0.0), F(0.5), F(1.0), F(1.0 / 6.0)
LEVEL_LOW, LEVEL_SCALE, LEVEL_TOP = F(ROOT_LOW), F(1.0 / ROOT_STEP), F(N_LEVEL - 1.001)
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
        row, column = U(BLOCK) * np.uint64(m), np.uint64(m)
        for i in range(BLOCK):
            fields[row + np.uint64(i)] = rough[w * np.uint64(i) + column]


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
def _heat(work, own):
    """Set a load's braze heat, mean + sd (z + Q_2 He2(z) + Q_3 He3(z)), and what liquid share and warmth put into the predictor.

    z is the direction of the two settings in which heat changes most; what the other direction adds to a curved ln(time) goes into sd.
    """
    weight, filler, tau_slope = own[2], own[5], own[8]
    for i in range(BLOCK):
        linear, bent = weight * work[T_1 + i], weight * work[T_2 + i]
        variance = work[H_VAR + i] + linear * linear
        inverse = ONE / max(variance, F(1e-10))
        time = linear * linear * inverse
        sd = np.sqrt(variance + F(2.0) * bent * bent * (ONE - time * time))
        one = np.sqrt(inverse)
        work[Q_MEAN + i] = work[H + i] + weight * work[LOG_T + i]
        work[Q_SD + i] = sd
        work[Q_2 + i] = bent * time * one
        work[Q_3 + i] = weight * work[T_3 + i] * time * linear * inverse
        split = ONE if abs(work[Q_2 + i]) > BENT else ZERO           # then time has nodes of its own, and z is temperature alone
        work[SPLIT + i] = split
        slope = work[LIQUID_H + i] * (ONE / np.sqrt(max(work[H_VAR + i], F(1e-10))) if split > ZERO else one)
        second = work[LIQUID_2 + i] * (ONE if split > ZERO else work[H_VAR + i] * inverse)
        work[FILL + i] = filler * slope * work[CLAD + i]
        work[FILL_2 + i] = filler * second * work[CLAD + i]
        rest = max(work[LIQUID_VAR + i] - slope * slope - F(2.0) * second * second, ZERO)
        work[ETA + i] = tau_slope * work[TAU + i] + filler * (work[LIQUID + i] * work[CLAD + i] - FILLER)
        work[EXTRA + i] = filler * filler * (rest + work[LIQUID + i] * work[LIQUID + i] * work[CLAD_VAR + i])
    for i in range(BLOCK):
        work[HEATED + i] = exp32(own[3] * work[Q_MEAN + i])


@njit(**FAST)
def _gaps(work, own):
    """Set the gap's part of the predictor, given that it passed: mean and variance."""
    cost = own[7]
    for i in range(BLOCK):
        mean, sd, alpha = work[GAP + i], work[GAP_SD + i], work[ALPHA + i]
        variance = sd * sd
        share = ONE / max(phi32(alpha), F(1e-6))
        centre, growth = exp32(mean + HALF * variance), exp32(variance)
        gap = centre * phi32(alpha - sd) * share
        work[GAP_MEAN + i] = -cost * gap
        work[GAP_EXTRA + i] = cost * cost * max(centre * centre * growth * phi32(alpha - sd - sd) * share - gap * gap, ZERO)


@njit(**FAST)
def _states(work, fields, states, feature, own, log_max):
    """Set chance, depth and film bound of every number of recrystallised features."""
    n_features = feature.shape[1] - 1
    film_var, cost, exponent, log_new = own[4], own[5] * own[6], own[9], own[10]
    for i in range(BLOCK):
        work[ABOVE + i] = ONE
        work[FILM + i] += exponent * work[LOG_STRAIN + i]
    for n_new in range(n_features):
        at = U(STATE) * np.uint64(n_new)
        relative, low, high = feature[0, n_new], cost * feature[1, n_new], cost * feature[2, n_new]
        own_row = U(BLOCK) * np.uint64(n_new)
        mean_row = own_row + U(BLOCK) * np.uint64(n_features)
        var_row = mean_row + U(BLOCK) * np.uint64(n_features)
        lowest = log_new if n_new > 0 else F(-60.0)
        for i in range(BLOCK):
            below = ONE / (ONE + exp32(-fields[own_row + np.uint64(i)]))
            strained = work[FILM + i] + fields[mean_row + np.uint64(i)]
            sd = np.sqrt(film_var + max(fields[var_row + np.uint64(i)], ZERO))
            states[at + U(CHANCE) + np.uint64(i)] = (work[ABOVE + i] - below) * work[ALONE + i]
            states[at + U(DEPTH) + np.uint64(i)] = low + high * exp32(strained)
            states[at + U(ROOM) + np.uint64(i)] = log_max - max(strained + relative, lowest)
            states[at + U(INVERSE) + np.uint64(i)] = ONE / sd
            states[at + U(SPREAD) + np.uint64(i)] = sd
            work[ABOVE + i] = below
    at = U(STATE) * np.uint64(n_features)
    sd, low = np.sqrt(film_var), cost * feature[1, n_features]
    for i in range(BLOCK):
        states[at + U(CHANCE) + np.uint64(i)] = work[ABOVE + i] * work[ALONE + i]
        states[at + U(DEPTH) + np.uint64(i)] = low
        states[at + U(ROOM) + np.uint64(i)] = log_max - log_new
        states[at + U(INVERSE) + np.uint64(i)] = ONE / sd
        states[at + U(SPREAD) + np.uint64(i)] = sd


@njit(**FAST)
def _levels(work, levels, gaps):
    """Set each condition's rule for the gap and its place among the levels of extra variance."""
    for i in range(BLOCK):               # the error of few nodes goes with the weight of what they serve
        weighted = work[GAP_EXTRA + i] * np.sqrt(max(work[ALONE + i], ZERO))
        nodes = ((ONE if weighted > GAP_1 else ZERO) + (ONE if weighted > GAP_2 else ZERO) + (ONE if weighted > GAP_3 else ZERO)
                 + (ONE if weighted > GAP_5 else ZERO))
        gaps[i] = np.int32(nodes)
        work[EXTRA + i] += ZERO if nodes > ZERO else work[GAP_EXTRA + i]
        y = min((np.sqrt(work[EXTRA + i] + LEVEL_LOW * LEVEL_LOW) - LEVEL_LOW) * LEVEL_SCALE, LEVEL_TOP)
        whole = np.int32(y)
        levels[i] = whole * np.int32(N_ETA)
        work[LEVEL + i] = y - F(whole)


@njit(**FAST)
def _probe(work, place, levels, heat, outcome, start, first, own):
    """Set how much the predictor changes over a sd of braze heat (SWING) and the most that joints and leak can pass (TOP)."""
    low, scale = own[11], own[12]
    for c in (0, -1, 1):
        z = F(c) * PROBE
        for i in range(BLOCK):
            t = min(max((work[Q_MEAN + i] + z * work[Q_SD + i] - low) * scale, ZERO), P.HEAT_TOP)
            whole = np.int32(t)
            place[i] = whole * np.int32(P.HEAT_LANES)
            work[SHARE + i] = t - F(whole)
        for i in range(BLOCK):
            j = start[2, np.uint64(first + i)] + np.uint64(place[i])
            f = work[SHARE + i]
            g = ONE - f
            value = (g * heat[j] + f * heat[j + U(P.HEAT_LANES)]
                     + work[BASIS_1 + i] * (g * heat[j + U(1)] + f * heat[j + U(P.HEAT_LANES + 1)])
                     + work[BASIS_2 + i] * (g * heat[j + U(2)] + f * heat[j + U(P.HEAT_LANES + 2)]) + work[FILL + i] * z + work[FILL_2 + i] * (z * z - ONE))
            middle = value if c == 0 else work[MIDDLE + i]
            work[MIDDLE + i] = middle
            work[CURVE + i] = (work[CURVE + i] if c else ZERO) + (value - middle) * SIXTH
            work[SWING + i] = max(work[SWING + i] if c else ZERO, abs(value - middle) / PROBE)
            work[TOP + i] = max(work[TOP + i] if c else value, value)
    for i in range(BLOCK):
        best = work[TOP + i] + work[ETA + i] + HALF * work[SWING + i] + work[GAP_MEAN + i] + PROBE * np.sqrt(work[GAP_EXTRA + i])
        t = min(max((best - own[13]) * own[14], ZERO), P.ETA_TOP)
        column = np.int32(t)
        place[i] = levels[i] + column + np.int32(1)
    for i in range(BLOCK):
        k = np.uint64(place[i])
        work[TOP + i] = max(outcome[k], outcome[k + U(N_ETA)])


@njit(**FAST)
def _bins(work, states, bins, n_states, own):
    """Set each pair's bin (-1: left out)."""
    for n_new in range(n_states - 1):    # a rare state counts as its neighbour
        at = U(STATE) * np.uint64(n_new)
        for i in range(BLOCK):
            chance = states[at + U(CHANCE) + np.uint64(i)]
            rare = chance if chance < MERGED else ZERO
            states[at + U(CHANCE) + np.uint64(i)] = chance - rare
            states[at + U(STATE + CHANCE) + np.uint64(i)] += rare
    for n_new in range(n_states):
        at = U(STATE) * np.uint64(n_new)
        for i in range(BLOCK):
            chance = max(states[at + U(CHANCE) + np.uint64(i)], ZERO)
            # the error of a rule of one node goes with its weight and the square of the spread, of two with at least the fourth power
            spread = states[at + U(DEPTH) + np.uint64(i)] * states[at + U(SPREAD) + np.uint64(i)] * work[HEATED + i]
            second = np.sqrt(chance)
            fourth = np.sqrt(second)
            reach = NODE_REACH * work[Q_SD + i]
            near = (states[at + U(ROOM) + np.uint64(i)] - own[3] * (work[Q_MEAN + i] + reach)) * states[at + U(INVERSE) + np.uint64(i)]
            far = (states[at + U(ROOM) + np.uint64(i)] - own[3] * (work[Q_MEAN + i] - reach)) * states[at + U(INVERSE) + np.uint64(i)]
            size = ((ONE if spread * second > NARROW_1 else ZERO) + (ONE if spread * fourth > NARROW_2 else ZERO)
                    + (ONE if spread * fourth > NARROW_3 else ZERO) + (ONE if spread * fourth > NARROW_5 else ZERO)
                    + (ONE if spread * fourth > NARROW_8 else ZERO))
            alone = np.sqrt(work[H_VAR + i]) / max(work[Q_SD + i], F(1e-5))
            swing = work[SWING + i] * (alone if work[SPLIT + i] > ZERO else ONE) + HALF * states[at + U(DEPTH) + np.uint64(i)] * work[HEATED + i] * own[3] * work[Q_SD + i]
            swing = max(swing, ZERO if near > SURE else own[3] * work[Q_SD + i] * states[at + U(INVERSE) + np.uint64(i)])
            size += F(P.N_SIZES) * ((ONE if swing * second > STILL else ZERO) + (ONE if swing * fourth > CALM else ZERO)
                                     + (ONE if swing * fourth > STEADY else ZERO)
                                     + (ONE if swing * fourth > LIVELY else ZERO))
            size += F(P.HEATS.size * P.N_SIZES) if near > SURE else ZERO
            bins[U(BLOCK) * np.uint64(n_new) + np.uint64(i)] = np.int32(F(-1.0) if chance * work[TOP + i] < RARE or far < -SURE else size)


@njit(**FAST)
def _keep(work, states, i, at, pair, weight, eta, pairs):
    """Copy what a pair needs into its place."""
    j, k = at + i, pair
    pairs[k + U(P.WEIGHT)] = weight
    pairs[k + U(P.DEPTH)] = states[j + U(DEPTH)]
    pairs[k + U(P.ROOM)] = states[j + U(ROOM)]
    pairs[k + U(P.INVERSE)] = states[j + U(INVERSE)]
    pairs[k + U(P.SPREAD)] = states[j + U(SPREAD)]
    pairs[k + U(P.Q_MEAN)] = work[i + U(Q_MEAN)]
    pairs[k + U(P.Q_SD)] = work[i + U(Q_SD)]
    pairs[k + U(P.Q_2)] = work[i + U(Q_2)]
    pairs[k + U(P.Q_3)] = work[i + U(Q_3)]
    pairs[k + U(P.FILL)] = work[i + U(FILL)]
    pairs[k + U(P.FILL_2)] = work[i + U(FILL_2)]
    pairs[k + U(P.ETA)] = eta
    pairs[k + U(P.LEVEL)] = work[i + U(LEVEL)]
    pairs[k + U(P.BASIS_1)] = work[i + U(BASIS_1)]
    pairs[k + U(P.BASIS_2)] = work[i + U(BASIS_2)]


@njit(**FAST)
def _at_time(work, i, pair, minutes, time_weight, pairs):
    """Give a pair the braze heat of one actual time: only temperature still scatters."""
    pairs[pair + U(P.Q_MEAN)] = work[i + U(H)] + time_weight * (log32(minutes) - LOG_REF)
    pairs[pair + U(P.Q_SD)] = np.sqrt(work[i + U(H_VAR)])
    pairs[pair + U(P.Q_2)] = ZERO
    pairs[pair + U(P.Q_3)] = ZERO


@njit(**FAST)
def _room(n):
    """Return n zeros that start on a cache line: a vector register then never straddles two."""
    buffer = np.zeros(n + 16, np.float32)
    skip = (-np.int64(buffer.ctypes.data)) % 64 // 4
    return buffer[skip:skip + n]


@compiled(nogil=True, **FAST)
def conform(plane, line, heat, outcome, scalars, feature, rules, start, cross, warm, inputs, limits, asked, order, first_draw, last_draw, out):
    """Fill rows first_draw .. last_draw - 1 of `out`; conditions come in blocks, `order` says whose they are.

    `start` (3, n): first element in one draw's plane, line and heat; `asked`: crack, gap, film, joints or leak required.
    """
    n_rows, width, n_states = plane.shape[3], plane.shape[4], feature.shape[2]
    n_fields = 3 * (n_states - 1)
    work, states, fields, rough = _room(N_ROWS * BLOCK), _room(n_states * STATE), _room(n_fields * BLOCK), _room(BLOCK * max(width, LINE))
    pairs, scratch = _room(N_BINS * N_KEPT * PAIRS), _room(P.N_ROWS * PAIRS)
    bins, levels, gaps, spot = (np.zeros(n_states * BLOCK, np.int32), np.zeros(BLOCK, np.int32), np.zeros(BLOCK, np.int32),
                                np.zeros(BLOCK, np.int32))
    who, filled, listed = np.zeros(N_BINS * PAIRS, np.int64), np.zeros(N_BINS, np.uint64), np.zeros(n_states * BLOCK + 1, np.uint64)
    kept_level, kept_heat = np.zeros(N_BINS * PAIRS, np.int32), np.zeros(N_BINS * PAIRS, np.int32)
    place, level, heat_start = np.zeros(PAIRS, np.int32), np.zeros(PAIRS, np.int32), np.zeros(PAIRS, np.int32)
    row = np.zeros(out.shape[1] + 1, np.float32)
    flat_rules = rules.ravel()
    for s in range(first_draw, last_draw):
        own = scalars[s]
        own_plane, own_line, own_heat, own_outcome = plane[s].ravel(), line[s].ravel(), heat[s].ravel(), outcome[s].ravel()
        row[:] = ZERO
        for first in range(0, order.size, BLOCK):
            base = np.uint64(first * N_INPUT)
            for m in range(N_INPUT * BLOCK):
                work[m] = inputs[base + np.uint64(m)]
            _interpolate_line(own_line, start, first, warm, rough, work)
            if _alone(work, own, limits, asked) < DEAD:
                continue
            if not (asked[2] or asked[3]):
                for i in range(BLOCK):
                    row[order[first + i]] = work[ALONE + i]
                continue
            _interpolate_plane(own_plane, start, first, cross, n_rows, width, n_fields, rough, fields)
            _heat(work, own)
            _gaps(work, own)
            _states(work, fields, states, feature[s], own, limits[1])
            _levels(work, levels, gaps)
            if asked[3]:
                _probe(work, spot, levels, own_heat, own_outcome, start, first, own)
            else:
                work[SWING:SWING + BLOCK], work[TOP:TOP + BLOCK] = ZERO, ONE
            _bins(work, states, bins, n_states, own)
            n_listed = U(0)
            for m in range(n_states * BLOCK):                 # no branch here: which pairs count is hard to foresee
                listed[n_listed] = np.uint64(m)
                n_listed += U(1) if bins[m] >= 0 else U(0)
            for m in range(n_listed):
                pair = listed[m]
                bin_, i = bins[pair], pair % U(BLOCK)
                at = U(STATE) * (pair // U(BLOCK))
                own_bin = np.uint64(bin_)
                rule = np.uint64(gaps[i]) if asked[3] else U(0)
                n_times = TIME_NODES.size if work[i + U(SPLIT)] > ZERO else 1
                for m_node in range(P.SIZE[rule] * n_times):
                    g, time = m_node // n_times, m_node % n_times
                    weight, eta = states[at + i + U(CHANCE)], work[i + U(ETA)]
                    if (bin_ // P.N_SIZES) % P.HEATS.size == 0:
                        eta += work[i + U(CURVE)] * (ONE if n_times == 1 else work[i + U(H_VAR)] / max(work[i + U(Q_SD)] ** 2, F(1e-10)))
                    if rule > U(0):
                        bound = np.uint64(min(max((work[i + U(ALPHA)] - P.LOWEST) * P.BOUND_SCALE + HALF, ZERO), P.BOUND_TOP))
                        k = (rule * U(N_BOUND) + bound) * U(2 * MOST_NODES) + np.uint64(g)
                        eta -= own[7] * exp32(work[i + U(GAP)] + work[i + U(GAP_SD)] * flat_rules[k])
                        weight *= flat_rules[k + U(MOST_NODES)]
                    else:
                        eta += work[i + U(GAP_MEAN)]
                    slot = filled[own_bin]
                    place_of = own_bin * U(N_KEPT * PAIRS) + slot
                    if n_times > 1:
                        weight *= TIME_WEIGHTS[time]
                    _keep(work, states, i, at, place_of, weight, eta, pairs)
                    if n_times > 1:
                        _at_time(work, i, place_of, max(work[i + U(MINUTES)] + limits[2] * TIME_NODES[time], LEAST_MINUTES), own[2], pairs)
                    kept = own_bin * U(PAIRS) + slot
                    who[kept] = order[np.uint64(first) + i]
                    kept_level[kept], kept_heat[kept] = levels[i], np.int32(start[2, np.uint64(first) + i])
                    filled[own_bin] = slot + U(1)
                    if slot == U(PAIRS - 1):
                        work_off(np.int64(bin_), pairs, who, kept_level, kept_heat, scratch, place, level, heat_start, own_heat, own_outcome,
                                 flat_rules, own, asked[3], row)
                        filled[own_bin] = U(0)
        for bin_ in range(N_BINS):
            if filled[bin_] > U(0):
                for slot in range(np.int64(filled[bin_]), PAIRS):
                    pairs[bin_ * N_KEPT * PAIRS + slot + P.WEIGHT] = ZERO
                work_off(bin_, pairs, who, kept_level, kept_heat, scratch, place, level, heat_start, own_heat, own_outcome,
                         flat_rules, own, asked[3], row)
                filled[bin_] = U(0)
        for i in range(out.shape[1]):
            out[s, i] = min(row[i], ONE)
