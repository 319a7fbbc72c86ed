"""A block of conditions under one draw: everything that comes before heat, film and joints have to be integrated.

Every quantity of a block stands in a row of one flat scratch array at a fixed place, so that the compiler sees loops over
neighbouring numbers without calls and runs them on the vector unit.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from models.responses.joints import FILLER_REFERENCE
from planner.window.forming import LANES, LINE
from planner.window.lanes import F, exp32, phi32, row_sum

BLOCK = 64
N_INPUT = 20
# rows of scratch, in numbers: first what is read of a condition ...
(LOG_STRAIN, STRAIN_SD, STRAIN, STRAIN_VAR, CRACK_STRAIN, LOG_MODULUS, TAU, BASIS_1, BASIS_2, H, LOG_T, H_VAR, T_1, LIQUID, LIQUID_H,
 LIQUID_VAR, T_2, T_3, LIQUID_2, MINUTES) = (BLOCK * i for i in range(N_INPUT))
# ... then the fields of the line ...
N_FIELDS = 10
(LIMIT, LIMIT_VAR, FILM, GAP, GAP_VAR, CLAD_VAR, CLAD, JOINTLY, LIMIT_SKEW, GAP_SKEW) = (BLOCK * i for i in range(N_INPUT, N_INPUT + N_FIELDS))
# ... then what is worked out
(ALONE, Q_MEAN, Q_SD, Q_2, FILL, EXTRA, ETA, LEVEL, ABOVE, BELOW, STRAINED, GAP_SD, ALPHA, GAP_MEAN, GAP_EXTRA,
 HEATED, SWING, TOP, MIDDLE, SHARE,
 CURVE, Q_3, FILL_2, SPLIT) = (BLOCK * i for i in range(N_INPUT + N_FIELDS, N_INPUT + N_FIELDS + 24))
N_ROWS = N_INPUT + N_FIELDS + 24
# rows of one state of recrystallisation
(CHANCE, DEPTH, ROOM, INVERSE, SPREAD) = (BLOCK * i for i in range(5))
STATE = 5 * BLOCK

BENT = F(0.032)                   # curvature of ln(time) in heat above which time has its own nodes
FILLER = F(FILLER_REFERENCE)
ZERO, HALF, ONE, SIXTH, DENSITY = F(0.0), F(0.5), F(1.0), F(1.0 / 6.0), F(0.3989422804)
U = np.uint64
sum_line, sum_plane = row_sum(1, 4, LINE), row_sum(4, 4, LANES)
FAST = {"fastmath": True, "error_model": "numpy", "forceinline": True}


@njit(**FAST)
def interpolate_line(line, start, first, warm, rough, work):
    """Sum the 4 neighbouring grid points of the line and put its fields into rows."""
    for i in range(BLOCK):
        at = np.uint64(first + i)
        sum_line(line, start[1, at], U(0), U(LINE), warm, U(4) * at, rough, U(LINE) * np.uint64(i))
    for m in range(N_FIELDS):
        for i in range(BLOCK):
            work[LIMIT + m * BLOCK + i] = rough[i * LINE + m]


@njit(**FAST)
def interpolate_plane(plane, start, first, cross, n_rows, width, n_fields, rough, fields):
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
def skewed(skewness, x, density):
    """Return the first term of Edgeworth's series (Abramowitz & Stegun 26.2.47, from memory): what skewness adds to P(Y + x > 0)."""
    return skewness * SIXTH * (x * x - ONE) * density


@njit(**FAST)
def alone(work, own, limits, asked):
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
            inverse = ONE / np.sqrt(work[LIMIT_VAR + i] + sd * sd)
            beta = (work[LIMIT + i] - work[CRACK_STRAIN + i]) * inverse
            density = DENSITY * exp32(-HALF * beta * beta)
            work[ALONE + i] = phi32(beta) + skewed(work[LIMIT_SKEW + i] * inverse ** 3, beta, density)
            work[SHARE + i] = density * inverse          # ... and what the gap shares with it
            work[TOP + i] = beta
    if asked[1]:
        for i in range(BLOCK):
            alpha, inverse = work[ALPHA + i], ONE / work[GAP_SD + i]
            density = DENSITY * exp32(-HALF * alpha * alpha)
            passed = phi32(alpha) - skewed(work[GAP_SKEW + i] * inverse ** 3, alpha, density)
            common = ZERO
            if asked[0]:
                common = gap_strain * work[STRAIN + i] * work[STRAIN_SD + i] ** 2 - work[JOINTLY + i]
                common *= inverse * density * work[SHARE + i]
            work[ALONE + i] = min(max(work[ALONE + i] * passed + common, ZERO), ONE)
    total = ZERO
    for i in range(BLOCK):
        total += work[ALONE + i]
    return total


@njit(**FAST)
def heat_of_load(work, own):
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
def gaps_that_passed(work, own):
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
def film_states(work, fields, states, feature, own, log_max):
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
def room(n):
    """Return n zeros that start on a cache line: a vector register then never straddles two."""
    buffer = np.zeros(n + 16, np.float32)
    skip = (-np.int64(buffer.ctypes.data)) % 64 // 4
    return buffer[skip:skip + n]
