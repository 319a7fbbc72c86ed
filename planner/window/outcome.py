"""The outcome of the joints: P(enough joints sound and no leak) as a function of the joint predictor.

Load and component effects and whatever else makes the predictor uncertain enter as a variance.  The conditional outcome
is tabulated once per draw, blurred by that variance in small steps, so that the kernel needs one look-up.  Two levels of
the table share a word, 16 bits each, because reading from scattered places is what the kernel waits for.
"""

from __future__ import annotations

import numpy as np

from models.likelihood import logistic, normal_nodes
from models.priors import Params
from models.responses import joints
from planner.window.lanes import compiled, plain
from planner.window.required import Required

RAW_LOW, RAW_STEP, N_RAW = -30.0, 0.125, 561    # predictor grid of the unblurred outcome
N_ETA = 256                                     # nodes of a draw's own grid of the predictor
ROOT_LOW, ROOT_STEP, N_LEVEL = 0.2, 0.1, 13     # levels of sqrt(extra variance + ROOT_LOW**2)
FULL = 65535.0                                  # what a probability of 1 is stored as
N_CONCENTRATION = 24                            # nodes of ln(concentration)
N_FIRST = 15                                    # nodes of the first blur; the later, small ones have three
EDGE = 1e-5                                     # outcome within this of its end values is taken as constant
REACH = 3.5                                     # standard deviations kept beyond the edge
LGAMMA_FROM = 64                                # joint counts above this use a series for ln gamma


def outcome_table(p: Params, required: Required, table: np.ndarray) -> np.ndarray:
    """Fill `table` with P(pass | extra variance, predictor); return each draw's grid (low, 1/step), (n_draws, 2).

    Parameters
    ----------
    table : uint32 (n_draws, N_LEVEL, N_ETA); the lower half of a word is FULL times the probability at a level, the upper half that at the next.
    """
    eta = RAW_LOW + RAW_STEP * np.arange(N_RAW)
    passed = np.ones((p.n_draws, N_RAW))
    if required.sound_min is not None:
        passed = _count_passes(logistic(eta), p.concentration[:, 0], required.n_joints, required.sound_min)
    if required.leaked:
        passed = passed * (1.0 - logistic(joints.leak_logit(p, eta)))
    sd = np.sqrt(p.component_sd ** 2 + p.load_joint_sd ** 2)[:, 0]
    low, step = _own_grid(passed, sd)
    x, w = normal_nodes(N_FIRST)
    _blur(plain(passed, np.float32), plain(sd, float), plain(low, float), plain(step, float), x, w, table)
    return np.stack([low, 1.0 / step], axis=1)


def _count_passes(chance, concentration, n_joints: int, least: int) -> np.ndarray:
    """Return P(sound >= least), (n_draws, n_chance): exact on nodes of ln(concentration), cubic between them."""
    log_c = np.log(concentration)
    low, high = log_c.min() - 1e-6, max(log_c.max(), log_c.min() + 0.01) + 1e-6
    step = (high - low) / (N_CONCENTRATION - 1)
    nodes = np.exp(low + step * np.arange(N_CONCENTRATION))
    exact = count_tail(plain(np.clip(chance, 1e-9, 1 - 1e-9), float), plain(nodes, float), n_joints, least)
    t = (log_c - low) / step
    first = np.clip(np.floor(t).astype(int) - 1, 0, N_CONCENTRATION - 4)
    u = (t - first)[:, None]
    weights = (-(u - 1) * (u - 2) * (u - 3) / 6, u * (u - 2) * (u - 3) / 2, -u * (u - 1) * (u - 3) / 2, u * (u - 1) * (u - 2) / 6)
    return np.clip(sum(w * exact[first + j] for j, w in enumerate(weights)), 0.0, 1.0)


def _own_grid(passed: np.ndarray, sd: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return first node and step of a grid that spans where each draw's outcome changes, with room for the blur."""
    start = np.argmax(passed > passed[:, :1] + EDGE, axis=1)
    stop = N_RAW - 1 - np.argmax(passed[:, ::-1] < passed[:, -1:] - EDGE, axis=1)
    flat = passed[:, -1] <= passed[:, 0] + EDGE
    start, stop = np.where(flat, 0, start), np.where(flat, N_RAW - 1, stop)
    reach = REACH * np.sqrt(sd ** 2 + 0.5)
    low, high = RAW_LOW + RAW_STEP * start - reach, RAW_LOW + RAW_STEP * stop + reach
    return low, (high - low) / (N_ETA - 1)


@compiled(fastmath=True, nogil=True, error_model="numpy")
def _blur(passed, sd, low, step, x, w, out):
    """Fill the table: level 0 blurred by the draw's own sd, every later level from the one before by three nodes."""
    n_raw, n_level, last = passed.shape[1], out.shape[1], out.shape[2] - 1
    buffer, levels = np.empty(out.shape[2]), np.empty((n_level + 1, out.shape[2]))
    for s in range(out.shape[0]):
        buffer[:] = 0.0
        stride = step[s] / RAW_STEP
        for j in range(x.size):
            offset = (low[s] + sd[s] * x[j] - RAW_LOW) / RAW_STEP
            for i in range(buffer.size):
                t = min(max(offset + stride * i, 0.0), n_raw - 1.001)
                a = int(t)
                f = t - a
                buffer[i] += w[j] * (passed[s, a] + f * (passed[s, a + 1] - passed[s, a]))
        levels[0] = buffer
        for level in range(1, n_level):
            root = ROOT_LOW + ROOT_STEP * level
            shift = np.sqrt(3.0 * ROOT_STEP * (2.0 * root - ROOT_STEP)) / step[s]
            whole = int(np.floor(shift))
            f = shift - whole
            for i in range(buffer.size):
                up = (1.0 - f) * levels[level - 1, min(i + whole, last)] + f * levels[level - 1, min(i + whole + 1, last)]
                down = (1.0 - f) * levels[level - 1, max(i - whole, 0)] + f * levels[level - 1, max(i - whole - 1, 0)]
                levels[level, i] = (up + down) / 6.0 + levels[level - 1, i] * (2.0 / 3.0)
        levels[n_level] = levels[n_level - 1]
        for level in range(n_level):
            for i in range(buffer.size):
                here = np.uint32(min(max(levels[level, i], 0.0), 1.0) * FULL + 0.5)
                above = np.uint32(min(max(levels[level + 1, i], 0.0), 1.0) * FULL + 0.5)
                out[s, level, i] = here | (above << np.uint32(16))


@compiled(nogil=True, error_model="numpy")
def count_tail(chance, concentration, n, least):
    """Return P(sound >= least) of a beta-binomial for every (concentration, chance), by recurrence from k = n down.

    Parameters
    ----------
    chance : (n_chance,) mean shares; concentration : (n_draws,) a + b; n : joints inspected; least : joints needed.
    """
    out = np.empty((concentration.size, chance.size))
    for s in range(concentration.size):
        c = concentration[s]
        for i in range(chance.size):
            a, b = chance[i] * c, (1 - chance[i]) * c
            log_top = 0.0
            if n <= LGAMMA_FROM:
                for k in range(n):
                    log_top += np.log((a + k) / (c + k))
            else:
                log_top = _lgamma(a + n) - _lgamma(a) - _lgamma(c + n) + _lgamma(c)
            term, total, scale = 1.0, 1.0, 0.0
            for k in range(n, least, -1):
                term *= k / (n - k + 1.0) * (b + n - k) / (a + k - 1.0)
                total += term
                if total > 1e200:
                    term, total, scale = term * 1e-200, total * 1e-200, scale + 200.0 * np.log(10.0)
            out[s, i] = min(1.0, np.exp(log_top + scale + np.log(total))) if least > 0 else 1.0
    return out


@compiled(nogil=True, error_model="numpy")
def _lgamma(x):
    """ln gamma of a positive number: Stirling's series after stepping up (Abramowitz & Stegun 6.1.41, from memory)."""
    shift = 0.0
    while x < 12.0:
        shift -= np.log(x)
        x += 1.0
    r = 1.0 / (x * x)
    return shift + (x - 0.5) * np.log(x) - x + 0.9189385332046727 + (1.0 / 12 - r * (1.0 / 360 - r * (1.0 / 1260 - r / 1680))) / x
