"""Finding the best of thousands of choices without scoring them all.

What a specimen adds shrinks as a plan grows, all but exactly: what it added when it was last scored is nearly a bound on what it
adds now.  Choices are scored from the most promising down, and left alone once the rest cannot win.

References
----------
Minoux, M. (1978), in Optimization Techniques, Lecture Notes in Control and Information Sciences 7, 234-243 (accelerated greedy).
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

ABOVE = 1500
"""Choices up to which all are scored."""
BLOCK = 256
MARGIN = 1.25
"""What was last found is trusted to bound today's fall within so much: linear falls of H are not exactly submodular."""


def best_choice(
    falls: Callable[[np.ndarray, np.ndarray], np.ndarray], rows: np.ndarray, loads: np.ndarray, price: np.ndarray, known: np.ndarray
) -> tuple[int, float]:
    """Return the place of the choice with the largest fall for its price, and that fall.

    Parameters
    ----------
    falls : callable
        Fall of H of candidates in loads.
    rows, loads : (n,) int arrays
        Candidate and load of each choice.
    price : (n,) array
    known : (n_candidates,) array
        Fall of each candidate when last scored, infinite where it never was; brought up to date here.
    """
    if rows.size <= ABOVE:
        fall = falls(rows, loads)
        best = int(np.argmax(fall / price))
        return best, float(fall[best])
    promise = MARGIN * known[rows] / price
    order = np.argsort(-promise, kind="stable")
    best, most, fall_of_best = int(order[0]), -np.inf, -np.inf
    for at in range(0, order.size, BLOCK):
        part = order[at : at + BLOCK]
        if promise[part[0]] < most:
            break
        fall = falls(rows[part], loads[part])
        known[rows[part]] = fall
        ratio = fall / price[part]
        i = int(np.argmax(ratio))
        if ratio[i] > most:
            best, most, fall_of_best = int(part[i]), float(ratio[i]), float(fall[i])
    return best, fall_of_best
