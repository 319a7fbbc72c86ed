"""The reviewer's evidence put into records and sentences: what is claimed, on what it rests, and how past forecasts fared.

Everything here is assembled from records made elsewhere; a sentence never says more than the numbers beside it.
"""

from __future__ import annotations

import json
import platform
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

from models.fit import code_digest
from models.priors import SHARED, Params
from planner.lab.specimen import Specimen
from planner.outlook.words import counted, ranges_words

TRANSFER = (
    ("limit_shift", "limit strain: shift"), ("limit_shift_tau", "limit strain: slope with forming temperature"),
    ("gap_level", "gap: level of the geometry"), ("gap_slope", "gap: slope on the coupon's springback"),
    ("gap_slope_tau", "gap: slope with forming temperature"), ("stored_shift", "recrystallisation: shift of stored strain"),
    ("film_shift", "film depth: shift"), ("clad_shift", "clad left: shift"))


def claims(window: Mapping[str, Any], specimens: Sequence[Specimen]) -> list[dict[str, Any]]:
    """Return every claim with its sentence and what it rests on.

    Parameters
    ----------
    window : `Window.to_json()`
    specimens : in force.
    """
    rows = []
    for one in window["claims"]:
        rests = _rests(one, specimens, window)
        rows.append(dict(one) | {"rests_on": rests, "words": _claim_words(one, window, rests)})
    return rows


def target_words(window: Mapping[str, Any]) -> str | None:
    """Return the sentence on [target], None without one."""
    one = window["target"]
    if one is None:
        return None
    sure = "certified" if one["verdict"] == "CERTIFIED" else "not certified"
    return (f"Target: {one['temper']}, {ranges_words(one['ranges'])}: with probability {_probability(one)}, at every condition in these ranges at least "
            f"{100 * window['reliability']:.0f} % of new components conform; {sure} as a whole at confidence {window['confidence']:g}.")


def _rests(one, specimens, window) -> dict[str, Any]:
    mine = [s for s in specimens if s.temper == one["temper"]]
    within = [s for s in mine if s.specimen_type == "component" and all(
        getattr(s, key) is not None and low <= getattr(s, key) <= high for key, (low, high) in one["ranges"].items())]
    kinds = Counter(s.specimen_type for s in mine)
    return {"components_of_temper": kinds["component"], "components_inside": len(within), "coupons_of_temper": sum(kinds.values()) - kinds["component"],
            "lots": len({s.lot for s in mine}), "loads": len({s.furnace_load for s in mine if s.furnace_load}),
            "lot_spread_rests_on_prior": window["lot_spread_rests_on_prior"], "extrapolated": one["extrapolated"]}


def _probability(one: Mapping[str, Any]) -> str:
    """Write a joint probability with its Monte Carlo standard error."""
    error = one.get("error")
    return f"{one['joint_probability']:.3f}" + ("" if error is None else f" ± {error:.3f}")


def _claim_words(one, window, rests) -> str:
    text = (f"{one['temper']}, {ranges_words(one['ranges'])}: with probability {_probability(one)}, at every condition in these ranges at least "
            f"{100 * window['reliability']:.0f} % of new components conform. It rests on {rests['components_of_temper']} components of this temper "
            f"({rests['components_inside']} made inside the ranges) and {rests['coupons_of_temper']} coupons, from {counted(rests['lots'], 'lot')} and "
            f"{counted(rests['loads'], 'furnace load')}")
    if rests["lot_spread_rests_on_prior"]:
        text += "; the spread between lots or loads rests on the prior"
    if one["extrapolated"]:
        text += "; part of it extrapolates beyond the components of this temper"
    return text + "."


def transfer(params: Params, specimens: Sequence[Specimen]) -> list[dict[str, Any]]:
    """Return what components taught about each step from coupon to component: prior and posterior, and the share learnt."""
    prior = {p.name: p for p in SHARED}
    n = sum(s.specimen_type == "component" for s in specimens)
    rows = []
    for name, words in TRANSFER:
        value = np.asarray(getattr(params, name), float)[:, 0]
        low, high = np.quantile(value, [0.05, 0.95])
        learnt = 1.0 - float(value.var()) / prior[name].scale ** 2 if n else 0.0         # without a component only the scatter of the draws
        rows.append({"what": words, "unit": prior[name].unit, "prior_90": list(prior[name].interval()), "posterior_90": [float(low), float(high)],
                     "mean": float(value.mean()), "learnt_share": float(np.clip(learnt, 0.0, 1.0)), "components": n})
    return rows


WAITING, WITHDRAWN, MIXED, TOLD = "waiting", "withdrawn", "not told apart", "told"


def forecasts(plans: Sequence[Mapping[str, Any]], *, now: Mapping[str, Any], reported: Iterable[bool], withdrawn: Iterable[bool] = ()) -> list[dict[str, Any]]:
    """Set what each plan promised beside what came.

    Parameters
    ----------
    plans : plan.json records in order.
    now : the window today.
    reported : per plan, whether every one of its specimens has results.
    withdrawn : per plan, whether another one took its place; default none.

    Returns
    -------
    list of dict
        What came is H when the next plan was made, or today's for the last plan; None while results are missing, where a plan was
        withdrawn, and where the next plan was made while most of its results were awaited: what came then came together. `state`
        says which.
    """
    done, gone, rows = list(reported), [*withdrawn] or [False] * len(plans), []
    kept = [i for i in range(len(plans)) if not gone[i]]
    early = [j for i, j in zip(kept, kept[1:]) if plans[j].get("pending", 0) > plans[i]["n_trials"] / 2]
    mixed = {*early, *(i for i, j in zip(kept, kept[1:]) if j in early)}
    for i, plan in enumerate(plans):
        before, expected = plan["now"]["misclassification"], plan["expected"]
        after = next((plans[j]["now"]["misclassification"] for j in kept if j > i), now["misclassification"])
        state = WITHDRAWN if gone[i] else MIXED if i in mixed else WAITING if not done[i] else TOLD
        came = before - after if state == TOLD and before is not None and after is not None else None
        low, high = expected["gain_band_80"]
        rows.append({"plan": plan["plan_file"], "n_trials": plan["n_trials"], "cost": plan["cost"], "misclassification_before": before,
                     "gain_expected": expected["gain"], "gain_band_80": [low, high], "gain_came": came, "state": state,
                     "inside_band": None if came is None else bool(low <= came <= high)})
    return rows


def changes(history: Iterable[Any], excluded: Mapping[str, str], problems: Sequence[str]) -> dict[str, Any]:
    """Return corrections, exclusions and what does not agree with the ledger."""
    kept = [{"specimen": r.specimen, "kind": r.kind, "time": r.time, "reason": r.reason, "file": r.file} for r in history
            if r.kind in ("corrected", "excluded", "included")]
    return {"corrections_and_exclusions": kept, "excluded": dict(excluded), "problems": list(problems)}


def convergence(verdict: Any, method: str, draws: Any) -> dict[str, Any]:
    """Return what the diagnostics say."""
    return {"verdict": verdict.name, "words": verdict.words, "rhat": verdict.rhat, "ess": verdict.ess, "bfmi": verdict.bfmi,
            "divergences": verdict.divergences, "worst": list(verdict.worst), "method": method, "draws": int(draws.n_draws), "sampler": draws.sampler}


UNREADABLE = (OSError, ValueError, KeyError, TypeError, AttributeError)
"""What a damaged or missing evidence file raises."""


def evidence(root: Path) -> list[dict[str, Any]]:
    """Return the stored evidence about the models, each with its date and whether the code is still the one it speaks of (None: not to be judged here).

    Parameters
    ----------
    root : folder that holds `models`, `planner` and `tests`; without `tests/evidence` there is none to show.
    """
    rows = []
    for path in sorted((root / "tests" / "evidence").glob("*.json")):
        try:
            record = json.loads(path.read_text(encoding="utf-8"))
            fresh = _speaks_of_this_code(root, record)
        except UNREADABLE:
            continue
        brief = _brief({k: v for k, v in record.items() if k not in ("command", "seed", "made_on", "code_digest", "versions", "rows")})
        rows.append({"name": path.stem, "made_on": record.get("made_on"), "code_digest": record["code_digest"], "fresh": fresh,
                     "python": _python_of(record), "command": record.get("command"), "says": brief})
    return rows


@cache
def is_fresh(root: Path, name: str) -> bool | None:
    """Tell whether a stored evidence file (`forecast`) speaks of the code as it is; None where there is none to ask, or none that can be judged here."""
    try:
        return _speaks_of_this_code(root, json.loads((root / "tests" / "evidence" / f"{name}.json").read_text(encoding="utf-8")))
    except UNREADABLE:
        return None


def _speaks_of_this_code(root: Path, record: Mapping[str, Any]) -> bool | None:
    """Compare digests; None under another Python than it was made with, where syntax trees print differently."""
    here = platform.python_version()
    if _minor(_python_of(record) or here) != _minor(here):
        return None
    return code_digest(*{path for name in record["modules"] for path in _module_files(root, name)}) == record["code_digest"]


def _python_of(record: Mapping[str, Any]) -> str | None:
    return record.get("versions", {}).get("python")


def _minor(version: str) -> list[str]:
    return version.split(".")[:2]


def _brief(record: Mapping[str, Any]) -> dict[str, Any]:
    """Return what an evidence file says in short: its plain values, bands (pairs of numbers), and those of its groups one level down."""
    plain = lambda v: isinstance(v, (int, float, bool, str)) or (isinstance(v, list) and len(v) == 2 and all(isinstance(x, (int, float)) for x in v))
    said = {}
    for key, value in record.items():
        if plain(value):
            said[key] = value
        elif isinstance(value, Mapping):
            said |= {f"{key}_{inner}": v for inner, v in value.items() if plain(v)}
    return said


def _module_files(root: Path, name: str) -> list[Path]:
    """Return the files of a module given as a path or pattern below the root, or by its dotted name."""
    if name.endswith(".py"):
        return sorted(root.glob(name))
    path = root / (name.replace(".", "/") + ".py")
    return [path if path.exists() else path.with_suffix("") / "__init__.py"]


def summary(window: Mapping[str, Any], checks: Sequence[Mapping[str, Any]], sensitivity: Sequence[Mapping[str, Any]],
            out: Sequence[Mapping[str, Any]], frozen: Sequence[Mapping[str, Any]]) -> list[str]:  # fmt: skip
    """Return what a reviewer should look at first, gravest first."""
    said = []
    said += [f"Frozen claim {f['number']:03d} is refuted: the evidence against it reached {f['highest']:.1f}." for f in frozen if f["state"] == "refuted"]
    said += [f"Frozen claim {f['number']:03d} was altered after it was frozen." for f in frozen if not f["intact"]]
    said += list(window["notices"])
    said += [f"Predictive check, {c['response']}: {c['words']} (p = {c['p']:.2g}, {counted(c['n'], 'reading')})." for c in checks if c["departs"]]
    loud = [s["what"] for s in sensitivity if s["loud"] and not s["what"].startswith("the data")]
    if loud:
        said.append("The window leans on: " + ", ".join(loud[:5]) + " (H changes by 5 % or more when scaled).")
    blind = [o["what"] for o in out if not o["trusted"] and not o.get("refit")]
    if blind:
        said.append(f"Leaving out {', '.join(blind[:6])}{' and others' if len(blind) > 6 else ''} changes the posterior too much to be told by reweighting: "
                    "these groups are influential; trialwright review DIR --deep fits again without each of them.")
    said += [f"Without {o['what']} the refit ended with {o['refit']}: what it would change is not known." for o in out if o.get("refit")]
    short = sorted((o["joint_probability"], o["what"]) for o in out if o["joint_probability"] is not None and o["joint_probability"] < window["confidence"])
    said += [f"Without {what} the claim would hold as a whole with probability {p:.3f}, below {window['confidence']:g}." for p, what in short[:3]]
    if window.get("extrapolated_share"):
        said.append(f"{100 * window['extrapolated_share']:.0f} % of the box lies beyond the components made so far (extrapolated).")
    return said
