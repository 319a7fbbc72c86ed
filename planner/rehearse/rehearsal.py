"""`rehearse`: virtual campaigns of a lab, kept one by one, and what they add up to.

A rehearsal's folder carries a digest of all that its results depend on (definition, start data, truth, weeks, seed, code), so a
command that was broken off goes on where it stopped, more repeats or rivals add to what is there, and nothing stale is ever
counted.
"""

from __future__ import annotations

import hashlib
import json
import os
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from models.fit import versions
from models.priors import sample_prior
from models.simulate import new_effects
from models.verdict import CONVERGED
from planner.cycle.fitting import Fit, current_fit
from planner.cycle.pace import Pace
from planner.encode import padded_layout, priors_of
from planner.lab.campaign import definition_digest
from planner.lab.errors import UserError
from planner.lab.specimen import cells_of
from planner.lab.stock import stock_on_hand
from planner.rehearse.clairvoyant import CLAIRVOYANT, WORDS
from planner.rehearse.job import OURS, Job, run_job, week_is_over
from planner.rehearse.rivals import RIVALS
from planner.rehearse.runner import Run, cores_of, reach, run_all
from planner.rehearse.truth_file import POSTERIOR, TruthSource, read_truth
from planner.rehearse.version import code_key
from planner.rehearse.world import Truth

PROCESSES = 2
EVERY_RIVAL = (*RIVALS, CLAIRVOYANT)
MAX_WEEKS, MAX_REPEATS = 52, 10_000
UNEQUAL = 0.1
"""Share by which the spending of two strategies may differ before it is said."""


@dataclass(frozen=True)
class Rehearsal:
    """Virtual campaigns and what they add up to."""

    folder: Path                  # holds one JSON a campaign
    campaigns: list[dict]         # as in the files, by strategy and repeat
    fresh: int                    # run now; the others were there

    @property
    def weeks(self) -> list[dict]:
        """Rows week by week, all campaigns."""
        return [row for one in self.campaigns for row in one["weeks"]]

    def to_json(self) -> dict[str, Any]:
        """Return the contract's keys and the summary."""
        return {"weeks": self.weeks, "summary": summary(self.weeks), "campaigns": len(self.campaigns), "fresh": self.fresh,
                "ended_early": [{"strategy": c["strategy"], "repeat": c["repeat"], "why": c["ended"]} for c in self.campaigns if c["ended"]],
                "folder": str(self.folder), "remarks": remarks(self.weeks)}


def strategies_of(against: str | None) -> tuple[str, ...]:
    """Read `--against`: ours and the rivals named, dashes or underscores.

    Raises
    ------
    UserError
    """
    names = [x.strip().replace("-", "_") for x in (against or "").split(",") if x.strip()]
    for name in names:
        if name not in (*EVERY_RIVAL, OURS):
            raise UserError("there is no such strategy", found=name, where="--against", allowed=", ".join(EVERY_RIVAL))
    return tuple(dict.fromkeys([OURS, *names]))


def rehearse(campaign, *, weeks: int = 4, truth: str = "prior", against: str | None = None, repeats: int = 4, seed: int | None = None,
             scheduler: str | None = None, processes: int = PROCESSES, run: Run = run_job, **options) -> Rehearsal:
    """Rehearse a campaign.

    Parameters
    ----------
    campaign : from `planner.open_campaign`; only its `reports/` is written (and its fit renewed where truths come from it).
    weeks : weeks of each virtual campaign, default 4.
    truth : `prior`, `posterior`, `foreign` or a truth file (planner.rehearse.truth_file).
    against : rivals, separated by commas; ours is always run.
    repeats : truths, default 4; every strategy meets the same ones.
    seed : default the campaign's.
    scheduler : address of a Dask scheduler; default local processes.
    run : what runs one job.
    options : further fields of `planner.rehearse.job.Job`.

    Raises
    ------
    UserError
        When an option makes no sense, no truth can be drawn, or the cluster cannot be reached.
    """
    for name, value, most in (("--weeks", weeks, MAX_WEEKS), ("--repeats", repeats, MAX_REPEATS)):
        if not 1 <= value <= most:
            raise UserError("the number is out of range", found=value, where=name, allowed=f"1 to {most}")
    seed = campaign.definition.campaign.seed if seed is None else seed
    if seed < 0:
        raise UserError("the seed is negative", found=seed, where="--seed", allowed="a whole number from 0")
    strategies, source = strategies_of(against), read_truth(truth, n_tempers=len(campaign.definition.factors.tempers))
    if scheduler is not None:
        reach(scheduler)              # before anything is fitted or announced for it
    campaign.record()
    fit = _fit_for(campaign, source)
    cores = 1 if scheduler is not None else cores_of(min(processes, repeats * len(strategies)))
    common = _common(campaign, weeks, source.base != POSTERIOR, {"cores": cores} | options)
    folder = campaign.directory / "reports" / "rehearsal" / _key(campaign, common, source, fit, seed)
    jobs = [Job(**common, truth=one, strategy=s, repeat=i, seed=one.seed) for i in range(repeats)
            for one in [_truth(campaign, source, fit, i, seed)] for s in strategies]
    return _run_missing(campaign, jobs, folder, scheduler=scheduler, processes=processes, run=run)


def _run_missing(campaign, jobs: list[Job], folder: Path, *, scheduler, processes: int, run: Run) -> Rehearsal:
    kept = {job.name: _read(folder / f"{job.name}.json") for job in jobs}
    missing = [job for job in jobs if kept[job.name] is None]
    beside = min(processes, len(missing))
    pace = Pace(sum(job.weeks + 1 for job in missing), "refits", beside=max(1, beside))
    campaign.say(f"{len(jobs)} virtual campaigns, {len(jobs) - len(missing)} of them kept from before")
    if missing:
        campaign.say(f"{pace.total} refits lie ahead{f', {beside} at a time' if scheduler is None and beside > 1 else ''}: each takes about as long as an update and "
                     "a plan, often one to three minutes; how long is left is told from the first on, and the command may be broken off and given again")
    done, judged = len(jobs) - len(missing), {}

    def say(text: str) -> None:
        if week_is_over(text):
            pace.step()
            label = text.partition(" (")[0]
            judged[label] = judged.get(label, 0) + 1
            text += f"; {pace.words()}"
        campaign.say(text)

    for job, result in run_all(missing, processes=processes, scheduler=scheduler, say=say, run=run):
        pace.step(max(0, job.weeks + 1 - judged.get(job.words, 0)))     # weeks that were not run, or not told of
        _write(folder / f"{job.name}.json", result)
        kept[job.name] = json.loads(json.dumps(result))
        done += 1
        last = result["weeks"][-1]
        campaign.say(f"{done} of {len(jobs)} campaigns: {job.words} ({result['truth']}) ended with H {100 * last['misclassification']:.1f} %, "
                     f"claimed {100 * last['claimed_share']:.1f} %{', a FALSE claim' if last['false_claim'] else ''}; {result['seconds']:.0f} s; {pace.words()}")
    return Rehearsal(folder, [kept[job.name] for job in sorted(jobs, key=lambda j: (j.strategy != OURS, j.strategy, j.repeat))], len(missing))


def _fit_for(campaign, source: TruthSource) -> Fit | None:
    """Return the fit that truths are drawn from; None where they come from the prior."""
    if source.base != POSTERIOR:
        return None
    fit = current_fit(campaign)
    if fit.verdict.name != CONVERGED:
        raise UserError(f"no truth can be drawn from the posterior: {fit.verdict.name}", found=fit.verdict.words, where="--truth posterior",
                        allowed="a fit that is CONVERGED", fix=f"trialwright rehearse {campaign.directory} --truth prior")
    return fit


def _common(campaign, weeks: int, remeasure: bool, options: dict) -> dict:
    """Return what all jobs of a rehearsal share."""
    with campaign.ledger(read_only=True) as ledger:
        everything, pending = ledger.specimens(with_excluded=True), ledger.pending()
    return {"definition": (campaign.directory / "campaign.toml").read_text(encoding="utf-8-sig"), "start": tuple(campaign.specimens()),
            "remeasure": remeasure, "stock": stock_on_hand(campaign.definition, everything, pending), "weeks": weeks,
            "pending": tuple(pending), **options}


def _truth(campaign, source: TruthSource, fit: Fit | None, repeat: int, seed: int) -> Truth:
    """Draw the truth of a repeat."""
    rng = np.random.default_rng([seed, repeat, 3])
    own_seed = int(rng.integers(1 << 31))
    mechanism = source.mechanism(repeat)
    more = {"mechanism": mechanism, "arguments": source.arguments_of(mechanism)}
    if fit is not None:
        p = fit.params.take([int(rng.integers(fit.draws.n_draws))])
        return Truth(mechanism or POSTERIOR, p, own_seed, lots=fit.encoded.lots, loads=fit.encoded.loads, **more)
    n_tempers = len(campaign.definition.factors.tempers)
    p = new_effects(sample_prior(padded_layout(n_tempers, 1, 1), priors_of(campaign.definition), 1, rng), 1, 1, rng)
    return Truth(mechanism or source.base, p, own_seed, **more)


def _key(campaign, common: dict, source: TruthSource, fit: Fit | None, seed: int) -> str:
    """Return the digest under which results are kept: everything but the strategies, the number of repeats and the cores."""
    plain = {k: v for k, v in common.items() if k not in ("definition", "start", "pending", "cores")}
    parts = [definition_digest(campaign.definition), [cells_of(s) for s in common["start"]], [cells_of(s) for s in common["pending"]], plain, source.__dict__, fit and fit.key, seed,
             code_key(), versions()]
    return hashlib.sha256(json.dumps(parts, sort_keys=True, default=str).encode()).hexdigest()[:16]


def _read(path: Path) -> dict | None:
    """Return a finished campaign, or None where there is none that can be read."""
    try:
        return json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None


def _write(path: Path, result: dict) -> None:
    """Write a finished campaign beside its place and rename it into it."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        aside = path.with_name(f".{path.name}.{os.getpid()}")
        aside.write_text(json.dumps(result, indent=1, allow_nan=False) + "\n", encoding="utf-8")
        os.replace(aside, path)
    except OSError as error:
        raise UserError(f"the rehearsal cannot be kept: {error.strerror or error}", where=str(path.parent),
                        fix="make room or permit writing there, then run it again") from None


def summary(rows: list[dict]) -> list[dict]:
    """Return means and 80 % bands over truths, by strategy and week, with the number of campaigns behind them and of false claims."""
    groups: dict[tuple[str, int], list[dict]] = {}
    for row in rows:
        groups.setdefault((row["strategy"], row["week"]), []).append(row)
    names = ("cost", "misclassification", "actual_misclassification", "claimed_share")
    band = lambda group, name: np.quantile([r[name] for r in group], [0.1, 0.9]).tolist()
    out = []
    for (strategy, week), group in sorted(groups.items(), key=lambda g: (g[0][0] != OURS, g[0])):
        shares = [r["claimed_share_of_conforming"] for r in group if r["conforming_share"] >= 0.02]
        out.append({"strategy": strategy, "week": week, "campaigns": len(group), **{n: float(np.mean([r[n] for r in group])) for n in names},
                    **{f"{n}_band_80": band(group, n) for n in names},
                    "false_claims": sum(r["false_claim"] for r in group),
                    "median_claimed_share_of_conforming": float(np.median(shares)) if shares else None})
    return out


def remarks(rows: list[dict]) -> list[str]:
    """Return what must be said of unequal spending, of the clairvoyant, and whether ours beat it, week by week on the truths that both met."""
    return [*_unequal(rows), *_clairvoyant(rows)]


def _unequal(rows: list[dict]) -> list[str]:
    """Name strategies that spent otherwise than ours, over the weeks that both reached: where no weekly budget binds, or another limit does first."""
    spent = {(r["strategy"], r["repeat"], r["week"]): r["cost"] for r in rows}
    told = []
    for strategy in sorted({r["strategy"] for r in rows} - {OURS}):
        both = [(cost, spent[OURS, repeat, week]) for (name, repeat, week), cost in spent.items() if name == strategy and week and (OURS, repeat, week) in spent]
        if not both:
            continue
        theirs, ours = np.mean(both, axis=0)
        if abs(theirs - ours) > UNEQUAL * ours:
            told.append(f"{strategy.replace('_', ' ').capitalize()} had spent {theirs:.0f} where ours had spent {ours:.0f}, on average over weeks: not at equal spend. A [week] budget that binds before hours, loads and stock do makes it so.")
    return told


def _clairvoyant(rows: list[dict]) -> list[str]:
    h = {(r["strategy"], r["repeat"], r["week"]): r["misclassification"] for r in rows}
    pairs: dict[int, list[tuple[float, float]]] = {}
    for (strategy, repeat, week), value in sorted(h.items()):
        if strategy == CLAIRVOYANT and week and (OURS, repeat, week) in h:
            pairs.setdefault(week, []).append((h[OURS, repeat, week], value))
    if not pairs:
        return []
    means = {week: np.mean(both, axis=0) for week, both in pairs.items()}
    beaten = [f"week {week} (H {ours:.4f} against {told:.4f})" for week, (ours, told) in means.items() if ours < told]
    return [f"{WORDS}.", f"Ours beat the clairvoyant in {', '.join(beaten)}: there the bound is not tight." if beaten
            else "Ours beat the clairvoyant in no week."]
