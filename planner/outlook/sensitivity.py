"""How much the window leans on priors, lots, loads and single specimens, told by reweighting the draws at hand.

Raising a prior, or leaving rows out, changes the posterior by a known factor per draw. Where the smoothed weights can be
trusted (k-hat within the gate), the changed map costs one matrix product; where they cannot, that is said and nothing is
printed in its place. Only top-level priors are scaled: effects of single lots and loads are part of the model, not of its prior.

References
----------
Kallioinen, Paananen, Buerkner & Vehtari (2024), Statistics and Computing 34:57 (power-scaling).
Vehtari, Simpson, Gelman, Yao & Gabry (2024), JMLR 25 (Pareto-smoothed importance sampling).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from models.priors import BY_TEMPER, LOAD_SPREAD, LOT_SPREAD, SHARED, Layout
from models.reweight import Weights, k_threshold, smoothed

DOWN, UP = 0.8, 1.25
"""Powers by which a prior or the likelihood is scaled."""
LEAST_ESS = 400.0
ALIKE = 0.01
"""Share of H below which leaving something out changes nothing worth a look; a rule of thumb, no source."""
LEAST_GROUPS = 4
"""Lots, and loads, below which their spread rests on its prior."""
LOUD = 0.05
"""Change of H, as a share of H, from which a prior is named as one the window leans on."""

OF_TEMPER = {
    "limit_level": "limit strain of each temper at 20 degC", "limit_gain": "how much warm forming raises the limit strain of each temper",
    "angle_level": "springback angle of each temper at 20 degC", "softening": "how much warm forming softens each temper",
    "prior_strain": "stored strain that each temper brings", "log_critical_strain": "stored strain at which each temper recrystallises in the braze"}
"""What priors by temper stand for; others carry their reason."""


@dataclass(frozen=True)
class Map:
    """The map under any weighting of the draws."""

    conforms: np.ndarray
    """float32 (n_draws, n_points): 1 where a draw says that the point conforms."""
    claimed: np.ndarray
    """(n_points,) bool, members of the joint claim."""

    def read(self, weights: np.ndarray) -> dict[str, np.ndarray]:
        """Return H, mean c and joint probability of the claim for weights (n_sets, n_draws) that sum to 1."""
        c = weights.astype(np.float32) @ self.conforms
        whole = self.conforms[:, self.claimed].all(axis=1) if self.claimed.any() else np.zeros(len(self.conforms))
        return {"misclassification": np.minimum(c, 1 - c).mean(axis=1), "conforming_share": c.mean(axis=1),
                "joint_probability": weights @ whole if self.claimed.any() else np.full(len(weights), np.nan)}


def trusted(weights: Weights) -> bool:
    """Tell whether a reweighting may be shown: the k-hat gate, and at least 400 effective draws."""
    return weights.k_hat <= k_threshold(len(weights.weight)) and weights.ess >= LEAST_ESS


def prior_groups(layout: Layout) -> dict[str, np.ndarray]:
    """Return the positions, in the vector of standard normals, of every top-level prior, by name."""
    groups = {prior.name: np.array([layout.start("shared") + i]) for i, prior in enumerate(SHARED)}
    for block in ("common", "own", "spread"):
        if block in layout.blocks:
            rows, columns = layout.blocks[block]
            for i, name in enumerate(BY_TEMPER):
                at = layout.start(block) + i * columns + np.arange(columns)
                groups[name] = np.concatenate([groups.get(name, np.zeros(0, int)), at])
            assert rows == len(BY_TEMPER)
    for block in ("limit_deviation", "angle_deviation", "joint_deviation"):
        rows, columns = layout.blocks[block]
        groups[f"{block}_shape"] = layout.start(block) + np.arange(rows * columns)
    return groups


def resting_on_prior(n_lots: int, n_loads: int) -> tuple[str, ...]:
    """Return the names of the priors that a spread rests on because too few lots or loads were seen."""
    lots = tuple(LOT_SPREAD.values()) if n_lots < LEAST_GROUPS else ()
    loads = tuple(name for name in LOAD_SPREAD.values() if name) if n_loads < LEAST_GROUPS else ()
    return (*lots, *loads)


def power_scaling(z: np.ndarray, layout: Layout, log_likelihood: np.ndarray, seen: Map, *, first: Sequence[str] = ()) -> list[dict[str, Any]]:
    """Scale each prior, all priors, and the likelihood to the powers 0.8 and 1.25.

    Parameters
    ----------
    z : (n_draws, size) standard normals behind every parameter.
    layout : Layout
    log_likelihood : (n_draws,) of all rows.
    seen : Map
    first : names of priors, from `resting_on_prior`; they are put first, whatever they change.

    Returns
    -------
    list of dict
        Loudest first: what, what it `means`, rests_on_prior, H and joint probability at both powers, `change` (largest change of H as a share of H), the worse k_hat and effective_draws.
    """
    density = -0.5 * z.astype(float) ** 2
    groups = prior_groups(layout)
    terms = {name: density[:, at].sum(axis=1) for name, at in groups.items()}
    terms["all priors together"] = sum(terms.values())
    terms["the data (likelihood)"] = np.asarray(log_likelihood, float)
    weights = [[smoothed((power - 1.0) * term) for power in (DOWN, UP)] for term in terms.values()]
    even = np.full((1, len(z)), 1.0 / len(z))
    told = seen.read(np.concatenate([even, *([w.weight for w in pair] for pair in weights)]))         # one product for all
    h = float(told["misclassification"][0])
    rows = [_scaled(name, pair, {key: value[1 + 2 * i : 3 + 2 * i] for key, value in told.items()}, h) for i, (name, pair) in enumerate(zip(terms, weights))]
    ahead = {_words(name) for name in first}
    means = _means()
    rows = [row | {"rests_on_prior": row["what"] in ahead, "means": means[name]} for row, name in zip(rows, terms)]
    return sorted(rows, key=lambda r: (not r["rests_on_prior"], -(r["change"] if r["change"] is not None else np.inf)))


def _words(name: str) -> str:
    return name.replace("_", " ")


def _means() -> dict[str, str]:
    """Return what each term stands for, in words."""
    shapes = {f"{block}_shape": f"how the small deviation term bends: {words}" for block, words in (
        ("limit_deviation", "limit strain"), ("angle_deviation", "springback angle"), ("joint_deviation", "joints"))}
    return {p.name: p.reason for p in SHARED} | OF_TEMPER | shapes | {
        "all priors together": "every prior above the effects of single lots and loads", "the data (likelihood)": "every measurement"}


def _scaled(name: str, weights: Sequence[Weights], told: Mapping[str, np.ndarray], h: float) -> dict[str, Any]:
    """Return the row of one term from its weights at both powers and what the map says under them; `h` is H as it stands."""
    sure = all(trusted(w) for w in weights)
    change = float(np.abs(told["misclassification"] - h).max()) / max(h, 1e-12)
    return {"what": _words(name), "k_hat": max(w.k_hat for w in weights), "effective_draws": min(w.ess for w in weights), "trusted": sure, "change": change if sure else None,
            "loud": bool(sure and change >= LOUD),
            **{f"{key}_at_{power:g}": _plain(value[i]) if sure else None for key, value in told.items() for i, power in enumerate((DOWN, UP))}}


def left_out(groups: Mapping[str, np.ndarray], row_log_likelihood: np.ndarray, seen: Map) -> list[dict[str, Any]]:
    """Leave groups of rows out by importance weights.

    Parameters
    ----------
    groups : label -> row positions.
    row_log_likelihood : (n_draws, n_rows)
    seen : Map

    Returns
    -------
    list of dict
        One a group, in the order given: rows, k_hat, trusted, `by` (`reweighting`), and where trusted H, mean c and joint probability without it, and
        `contribution`: by how much H is lower with it.
    """
    if not groups:
        return []
    weights = [smoothed(-row_log_likelihood[:, at].sum(axis=1)) for at in groups.values()]
    told = seen.read(np.stack([w.weight for w in weights]))
    base = float(seen.read(np.full((1, len(row_log_likelihood)), 1.0 / len(row_log_likelihood)))["misclassification"][0])
    rows = []
    for i, (label, at) in enumerate(groups.items()):
        sure = trusted(weights[i])
        row = {"what": label, "rows": int(len(at)), "k_hat": weights[i].k_hat, "effective_draws": weights[i].ess, "trusted": sure,
               "by": "reweighting" if sure else None}
        rows.append(row | {key: _plain(value[i]) if sure else None for key, value in told.items()}
                    | {"contribution": float(told["misclassification"][i]) - base if sure else None})
    return rows


def in_words(row: Mapping[str, Any]) -> str:
    """Say what leaving a group or a specimen out does: to H, and to the claim as a whole where there is one."""
    if not row["trusted"]:
        return (f"what it would change is not known: its refit ended with {row['refit']}" if row.get("refit") else
                "it weighs too much to be left out by reweighting: look at it first")
    part, without = row["contribution"], row["misclassification"]
    if abs(part) < ALIKE * max(without, 1e-9):
        words = "the map is as good without it"
    else:
        words = "the map is surer for it" if part > 0 else "the map is less sure for it: look whether it contradicts others"
    p = row.get("joint_probability")
    return words if p is None else f"{words}; without it today's claim would hold as a whole with probability {p:.3f}"


def grouped(labels: Sequence[str | None]) -> dict[str, np.ndarray]:
    """Return the positions of each label, in order of first appearance; None belongs to no group."""
    return {label: np.flatnonzero([x == label for x in labels]) for label in dict.fromkeys(labels) if label is not None}


def _plain(value) -> float | None:
    return None if np.isnan(value) else float(value)
