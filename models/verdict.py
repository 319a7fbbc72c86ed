"""A named verdict on a fit: may its draws carry a claim, and if not, what is at fault.

Gates after Vehtari et al., Bayesian Analysis 16 (2021) 667 (rank R-hat, bulk and tail ESS) and Betancourt (2016)
(E-BFMI), at the levels the campaign promises.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from arviz_stats.base import array_stats

RHAT_MAX, ESS_MIN, BFMI_MIN, DIVERGENT_MAX = 1.01, 400.0, 0.3, 1e-3
CONVERGED, NOT_MIXED, DIVERGED, FEW_DRAWS, PRIOR_ONLY = "CONVERGED", "NOT_MIXED", "DIVERGED", "FEW_DRAWS", "PRIOR_ONLY"


@dataclass(frozen=True)
class Verdict:
    """What the diagnostics say."""

    name: str                     # one of the five
    words: str                    # cause and remedy
    rhat: float                   # worst R-hat
    ess: float                    # least of bulk and tail ESS
    bfmi: float                   # least E-BFMI
    divergences: int
    worst: tuple[str, ...] = ()   # quantities at fault

    @property
    def converged(self) -> bool:
        """Whether claims may rest on the draws."""
        return self.name == CONVERGED


def diagnostics(x: np.ndarray) -> np.ndarray:
    """Return R-hat, bulk ESS and tail ESS, shape (3, n), of quantities (n_chains, n_draws, n); constants count as mixed."""
    out = np.empty((3, x.shape[-1]))
    for i in range(x.shape[-1]):
        v = np.ascontiguousarray(x[..., i])
        if np.ptp(v) < 1e-12:
            out[:, i] = 1.0, v.size, v.size
            continue
        out[:, i] = (float(array_stats.rhat(v, chain_axis=0, draw_axis=1)),
                     float(array_stats.ess(v, chain_axis=0, draw_axis=1, method="bulk")),
                     float(array_stats.ess(v, chain_axis=0, draw_axis=1, method="tail", prob=(0.05, 0.95))))
    return out


def judge(quantities: np.ndarray, names: list[str], *, divergent: np.ndarray, energy: np.ndarray) -> Verdict:
    """Return the verdict on draws of named quantities.

    Parameters
    ----------
    quantities : (n_chains, n_draws, n) parameters and conformance at probe conditions.
    divergent, energy : (n_chains, n_draws) from the sampler.
    """
    rhat, bulk, tail = diagnostics(quantities)
    ess = np.minimum(bulk, tail)
    bfmi = float(np.min(array_stats.bfmi(np.asarray(energy), chain_axis=0, draw_axis=1)))
    n_divergent = int(divergent.sum())
    summary = dict(rhat=float(rhat.max()), ess=float(ess.min()), bfmi=bfmi, divergences=n_divergent)

    def worst(order, count=5):
        return tuple(names[i] for i in order[:count])

    if n_divergent > DIVERGENT_MAX * divergent.size or _divergences_matter(quantities, divergent):
        return Verdict(DIVERGED, f"{n_divergent} divergent draws of {divergent.size}: the sampler could not follow part of the "
                       "posterior. Look for rows that contradict each other (`check --deep`).", worst=worst(np.argsort(ess)), **summary)
    if not (rhat.max() <= RHAT_MAX and bfmi >= BFMI_MIN):        # a diagnostic that is no number passes no gate
        return Verdict(NOT_MIXED, f"R-hat {rhat.max():.3f} (allowed {RHAT_MAX}), E-BFMI {bfmi:.2f} (allowed {BFMI_MIN}): the chains "
                       "disagree; look at the quantities named.", worst=worst(np.argsort(-rhat)), **summary)
    if not ess.min() >= ESS_MIN:
        return Verdict(FEW_DRAWS, f"effective draws {ess.min():.0f} (needed {ESS_MIN:.0f}): more draws are needed.",
                       worst=worst(np.argsort(ess)), **summary)
    return Verdict(CONVERGED, f"R-hat {rhat.max():.3f}, effective draws {ess.min():.0f}, E-BFMI {bfmi:.2f}, {n_divergent} divergent.", **summary)


def _divergences_matter(x: np.ndarray, divergent: np.ndarray) -> bool:
    """Tell whether leaving the divergent draws out moves a mean by more than its Monte Carlo error (4 standard errors of the part left out)."""
    if not divergent.any():
        return False
    flat, out = x.reshape(-1, x.shape[-1]), divergent.ravel()
    moved = np.abs(flat[~out].mean(0) - flat.mean(0))
    error = flat.std(0) / np.sqrt(max(ESS_MIN, len(flat) / 10))
    return bool((moved > error + 1e-12).any())
