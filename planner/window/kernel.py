"""The inner loops of conformance over draws, blocks of conditions and what each of them leaves to integrate.

Of a block's conditions and numbers of recrystallised features the pairs that matter go into bins of equal work (`pairs`): how
many nodes braze heat and film need follows from how much they move the joint predictor, and how likely the pair is.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from models.likelihood import normal_nodes
from models.responses.braze import LOG_TIME_REF, MIN_MINUTES
from planner.window import pairs as P
from planner.window.block import (ALONE, ALPHA, BASIS_1, BASIS_2, BLOCK, CHANCE, CURVE, DEPTH, ETA, EXTRA, FAST, FILL, FILL_2,
    GAP, GAP_EXTRA, GAP_MEAN, GAP_SD, H, HALF, HEATED, H_VAR, INVERSE, LEVEL, LINE, MIDDLE, MINUTES, N_INPUT, N_ROWS, ONE, Q_2,
    Q_3, Q_MEAN, Q_SD, ROOM, SHARE, SIXTH, SPLIT, SPREAD, STATE, SWING, TOP, U, ZERO, alone, film_states, gaps_that_passed,
    heat_of_load, interpolate_line, interpolate_plane, room)
from planner.window.forming import LINE
from planner.window.lanes import F, compiled, log32
from planner.window.outcome import N_ETA, N_LEVEL, ROOT_LOW, ROOT_STEP
from planner.window.pairs import N_BINS, N_KEPT, PAIRS, work_off
from planner.window.truncated import MOST_NODES, N_BOUND

# change per sd of braze heat up to which 1, 2, 3, 5 and 8 of its nodes serve
STILL, CALM, STEADY, LIVELY, WILD = F(0.06), F(0.2), F(0.37), F(0.7), F(1.2)
DEAD = F(1e-4)                    # a block whose conformances add up to less is all 0
MERGED = F(2e-3)                    # a state less likely than this is counted with the next
RARE = F(4e-4)                    # a state less likely than this is left out
SURE = F(4.5)                     # a film this many sd below its limit passes
NODE_REACH = F(3.0)               # ... at every node of heat
# sd of the gap's part of the predictor up to which its mean and variance, or rules of 2, 3 and 5 nodes, serve
GAP_1, GAP_2, GAP_3, GAP_5 = F(0.16 ** 2), F(0.25 ** 2), F(0.5 ** 2), F(1.0 ** 2)
# sd of the film's part of the predictor up to which rules of 1, 2, 3, 5, 8 and 16 nodes serve
NARROW_1, NARROW_2, NARROW_3, NARROW_5, NARROW_8, NARROW_16 = F(0.07), F(0.35), F(0.65), F(1.2), F(1.8), F(3.0)
KINK = F(2.0)                     # ... as if a curved predictor, which may have a kink there, changed this much more
ONE_HEAT = (np.arange(N_BINS) // P.N_SIZES) % P.HEATS.size == 0      # bins of a single node of heat
LIGHT = F(0.03)                   # a state less likely than this never gets nodes of time
RACING = F(0.5)                   # change per sd of ln(time) above which time has its larger rule
TIMES = (6, 12)                   # nodes of time
TASK, MOST_TASKS = 4, TIMES[1] * P.SIZES[4]      # numbers of a task; tasks that a pair can come to
TIME_NODES, TIME_WEIGHTS = (np.concatenate([normal_nodes(n)[k] for n in TIMES]).astype(np.float32) for k in (0, 1))
LOG_REF, LEAST_MINUTES = F(LOG_TIME_REF), F(MIN_MINUTES)
PROBE = F(1.7320508)
LEVEL_LOW, LEVEL_SCALE, LEVEL_TOP = F(ROOT_LOW), F(1.0 / ROOT_STEP), F(N_LEVEL - 1.001)


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
        work[TOP + i] = F(np.int32(max(outcome[k] & np.uint32(0xFFFF), outcome[k] >> np.uint32(16)))) * P.PORTION


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
            second = np.sqrt(chance)
            fourth = np.sqrt(second)
            reach = NODE_REACH * work[Q_SD + i]
            near = (states[at + U(ROOM) + np.uint64(i)] - own[3] * (work[Q_MEAN + i] + reach)) * states[at + U(INVERSE) + np.uint64(i)]
            far = (states[at + U(ROOM) + np.uint64(i)] - own[3] * (work[Q_MEAN + i] - reach)) * states[at + U(INVERSE) + np.uint64(i)]
            sd = states[at + U(SPREAD) + np.uint64(i)]
            upper = sd * min(max(far, ZERO), F(1.5))                # a depth grows faster and faster, up to the limit
            spread = states[at + U(DEPTH) + np.uint64(i)] * sd * work[HEATED + i] * (ONE + upper + HALF * upper * upper)
            size = ((ONE if spread * second > NARROW_1 else ZERO) + (ONE if spread * fourth > NARROW_2 else ZERO)
                    + (ONE if spread * fourth > NARROW_3 else ZERO) + (ONE if spread * fourth > NARROW_5 else ZERO)
                    + (ONE if spread * fourth > NARROW_8 else ZERO) + (ONE if spread * fourth > NARROW_16 else ZERO))
            shrunk = np.sqrt(work[H_VAR + i]) / max(work[Q_SD + i], F(1e-5))
            swing = work[SWING + i] * (shrunk if work[SPLIT + i] > ZERO else ONE)
            swing += HALF * states[at + U(DEPTH) + np.uint64(i)] * work[HEATED + i] * own[3] * work[Q_SD + i]
            swing = max(swing, ZERO if near > SURE else own[3] * work[Q_SD + i] * states[at + U(INVERSE) + np.uint64(i)])
            swing += ZERO if work[SPLIT + i] > ZERO else KINK * abs(work[CURVE + i])
            size += F(P.N_SIZES) * ((ONE if swing * second > STILL else ZERO) + (ONE if swing * fourth > CALM else ZERO)
                                     + (ONE if swing * fourth > STEADY else ZERO)
                                     + (ONE if swing * fourth > LIVELY else ZERO) + (ONE if swing * fourth > WILD else ZERO))
            size += F(P.HEATS.size * P.N_SIZES) if near > SURE else ZERO
            bins[U(BLOCK) * np.uint64(n_new) + np.uint64(i)] = np.int32(F(-1.0) if chance * work[TOP + i] < RARE or far < -SURE else size)


@njit(**FAST)
def _list_tasks(work, states, bins, gaps, tasks, numbers, rules, time_sd, joined):
    """List what is left to do for a block, one task a pair, node of the gap and node of time; return how many.

    `tasks` gets the pair, `numbers` (flat, TASK a task) weight, predictor, ln gap and, where time has nodes, minutes (else -1).
    """
    n = U(0)
    for m in range(bins.size):                 # no branch here: which pairs count is hard to foresee
        tasks[n] = np.uint64(m)
        n += U(1) if bins[m] >= 0 else U(0)
    n_listed, more = n, n
    for m in range(n_listed):
        pair, j = tasks[m], U(TASK) * np.uint64(m)
        i, at, own_bin = pair % U(BLOCK), U(STATE) * (pair // U(BLOCK)), np.uint64(bins[pair])
        chance, eta = states[at + i + U(CHANCE)], work[i + U(ETA)]
        split = work[i + U(SPLIT)] > ZERO and chance > LIGHT
        if ONE_HEAT[own_bin]:
            eta += work[i + U(CURVE)] * (work[i + U(H_VAR)] / max(work[i + U(Q_SD)] ** 2, F(1e-10)) if split else ONE)
        rule = np.uint64(gaps[i]) if joined else U(0)
        if rule == U(0) and not split:
            numbers[j], numbers[j + U(1)], numbers[j + U(2)], numbers[j + U(3)] = chance, eta + work[i + U(GAP_MEAN)], P.NO_GAP, F(-1.0)
        else:
            n_times, first_time = 1, 0
            if split:
                still = work[i + U(H_VAR)] / max(work[i + U(Q_SD)] ** 2, F(1e-10))
                racing = work[i + U(SWING)] * np.sqrt(max(ONE - still, ZERO)) > RACING
                n_times, first_time = (TIMES[1], TIMES[0]) if racing else (TIMES[0], 0)
            bound = np.uint64(min(max((work[i + U(ALPHA)] - P.LOWEST) * P.BOUND_SCALE + HALF, ZERO), P.BOUND_TOP))
            k = (rule * U(N_BOUND) + bound) * U(2 * MOST_NODES)
            for g in range(P.SIZE[rule]):
                share = chance * (rules[k + np.uint64(g) + U(MOST_NODES)] if rule > U(0) else ONE)
                log_gap = work[i + U(GAP)] + work[i + U(GAP_SD)] * rules[k + np.uint64(g)] if rule > U(0) else P.NO_GAP
                for time in range(first_time, first_time + n_times):
                    to = j
                    if g > 0 or time > first_time:           # the first task stands in the pair's own place
                        to = U(TASK) * more
                        tasks[more] = pair
                        more += U(1)
                    numbers[to] = share * (TIME_WEIGHTS[time] if split else ONE)
                    numbers[to + U(1)] = eta + (work[i + U(GAP_MEAN)] if rule == U(0) else ZERO)
                    numbers[to + U(2)] = log_gap
                    numbers[to + U(3)] = max(work[i + U(MINUTES)] + time_sd * TIME_NODES[time], LEAST_MINUTES) if split else F(-1.0)
    return more


@njit(**FAST)
def _sort_in(work, states, bins, levels, tasks, numbers, n_tasks, order, start, first, rules, own, joined, filled, pairs, who, kept_level,
             kept_heat, scratch, place, words, level, heat_start, heat, outcome, row):
    """Put a block's tasks into bins, and work off those that fill up."""
    for m in range(n_tasks):
        pair, j = tasks[m], U(TASK) * np.uint64(m)
        i, bin_ = pair % U(BLOCK), np.uint64(bins[pair])
        at, slot = U(STATE) * (pair // U(BLOCK)) + i, filled[bin_]
        k, kept = bin_ * U(N_KEPT * PAIRS) + slot, bin_ * U(PAIRS) + slot
        pairs[k + U(P.WEIGHT)] = numbers[j]
        pairs[k + U(P.ETA)] = numbers[j + U(1)]
        pairs[k + U(P.LOG_GAP)] = numbers[j + U(2)]
        pairs[k + U(P.DEPTH)] = states[at + U(DEPTH)]
        pairs[k + U(P.ROOM)] = states[at + U(ROOM)]
        pairs[k + U(P.INVERSE)] = states[at + U(INVERSE)]
        pairs[k + U(P.SPREAD)] = states[at + U(SPREAD)]
        pairs[k + U(P.Q_MEAN)] = work[i + U(Q_MEAN)]
        pairs[k + U(P.Q_SD)] = work[i + U(Q_SD)]
        pairs[k + U(P.Q_2)] = work[i + U(Q_2)]
        pairs[k + U(P.Q_3)] = work[i + U(Q_3)]
        pairs[k + U(P.FILL)] = work[i + U(FILL)]
        pairs[k + U(P.FILL_2)] = work[i + U(FILL_2)]
        pairs[k + U(P.LEVEL)] = work[i + U(LEVEL)]
        pairs[k + U(P.BASIS_1)] = work[i + U(BASIS_1)]
        pairs[k + U(P.BASIS_2)] = work[i + U(BASIS_2)]
        minutes = numbers[j + U(3)]
        if minutes > ZERO:                     # one actual time: only temperature still scatters
            pairs[k + U(P.Q_MEAN)] = work[i + U(H)] + own[2] * (log32(minutes) - LOG_REF)
            pairs[k + U(P.Q_SD)] = np.sqrt(work[i + U(H_VAR)])
            pairs[k + U(P.Q_2)] = ZERO
            pairs[k + U(P.Q_3)] = ZERO
        who[kept] = order[np.uint64(first) + i]
        kept_level[kept], kept_heat[kept] = levels[i], np.int32(start[2, np.uint64(first) + i])
        filled[bin_] = slot + U(1)
        if slot == U(PAIRS - 1):
            work_off(np.int64(bin_), pairs, who, kept_level, kept_heat, scratch, place, words, level, heat_start, heat, outcome, rules, own,
                     joined, row)
            filled[bin_] = U(0)


@compiled(nogil=True, **FAST)
def conform(plane, line, heat, outcome, scalars, feature, rules, start, cross, warm, inputs, limits, asked, order, first_draw, last_draw, out):
    """Fill rows first_draw .. last_draw - 1 of `out`; conditions come in blocks, `order` says whose they are.

    `start` (3, n): first element in one draw's plane, line and heat; `asked`: crack, gap, film, joints or leak required.
    """
    n_rows, width, n_states = plane.shape[3], plane.shape[4], feature.shape[2]
    n_fields = 3 * (n_states - 1)
    work, states, fields, rough = room(N_ROWS * BLOCK), room(n_states * STATE), room(n_fields * BLOCK), room(BLOCK * max(width, LINE))
    pairs, scratch = room(N_BINS * N_KEPT * PAIRS), room(P.N_ROWS * PAIRS)
    bins, levels, gaps, spot = (np.zeros(n_states * BLOCK, np.int32), np.zeros(BLOCK, np.int32), np.zeros(BLOCK, np.int32),
                                np.zeros(BLOCK, np.int32))
    who, filled = np.zeros(N_BINS * PAIRS, np.int64), np.zeros(N_BINS, np.uint64)
    tasks, numbers = np.zeros(n_states * BLOCK * MOST_TASKS + 1, np.uint64), room(n_states * BLOCK * MOST_TASKS * TASK)
    kept_level, kept_heat = np.zeros(N_BINS * PAIRS, np.int32), np.zeros(N_BINS * PAIRS, np.int32)
    place, level, heat_start = np.zeros(PAIRS, np.int32), np.zeros(PAIRS, np.int32), np.zeros(PAIRS, np.int32)
    row, words = np.zeros(out.shape[1] + 1, np.float32), np.zeros(PAIRS, np.uint64)
    flat_rules = rules.ravel()
    for s in range(first_draw, last_draw):
        own = scalars[s]
        own_plane, own_line, own_heat, own_outcome = plane[s].ravel(), line[s].ravel(), heat[s].ravel(), outcome[s].ravel()
        row[:] = ZERO
        for first in range(0, order.size, BLOCK):
            base = np.uint64(first * N_INPUT)
            for m in range(N_INPUT * BLOCK):
                work[m] = inputs[base + np.uint64(m)]
            interpolate_line(own_line, start, first, warm, rough, work)
            if alone(work, own, limits, asked) < DEAD:
                continue
            if not (asked[2] or asked[3]):
                for i in range(BLOCK):
                    row[order[first + i]] = work[ALONE + i]
                continue
            interpolate_plane(own_plane, start, first, cross, n_rows, width, n_fields, rough, fields)
            heat_of_load(work, own)
            gaps_that_passed(work, own)
            film_states(work, fields, states, feature[s], own, limits[1])
            _levels(work, levels, gaps)
            if asked[3]:
                _probe(work, spot, levels, own_heat, own_outcome, start, first, own)
            else:
                work[SWING:SWING + BLOCK], work[TOP:TOP + BLOCK] = ZERO, ONE
            _bins(work, states, bins, n_states, own)
            n_tasks = _list_tasks(work, states, bins, gaps, tasks, numbers, flat_rules, limits[2], asked[3])
            _sort_in(work, states, bins, levels, tasks, numbers, n_tasks, order, start, first, flat_rules, own, asked[3], filled, pairs,
                     who, kept_level, kept_heat, scratch, place, words, level, heat_start, own_heat, own_outcome, row)
        for bin_ in range(N_BINS):
            if filled[bin_] > U(0):
                for slot in range(np.int64(filled[bin_]), PAIRS):
                    pairs[bin_ * N_KEPT * PAIRS + slot + P.WEIGHT] = ZERO
                work_off(bin_, pairs, who, kept_level, kept_heat, scratch, place, words, level, heat_start, own_heat, own_outcome,
                         flat_rules, own, asked[3], row)
                filled[bin_] = U(0)
        for i in range(out.shape[1]):
            out[s, i] = min(row[i], ONE)
