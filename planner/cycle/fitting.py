"""From ledger and definition to draws that may be trusted, kept under a digest of everything they depend on."""

from __future__ import annotations

import hashlib
import json
import time
from dataclasses import dataclass

import numpy as np

from models import fit as sampling
from models.priors import Params
from models.verdict import CONVERGED, PRIOR_ONLY, Verdict, judge
from planner.encode import Encoded, encode
from planner.lab.campaign import definition_digest
from planner.lab.errors import UserError
from planner.lab.specimen import Specimen
from planner.window.box import factor_box
from planner.window.conformance import Conformance, Required
from planner.window.points import corners, reference_points

MODEL_TABLES = ("factors", "sheet", "component", "beliefs")
N_PROBES = 16
MAX_ROUNDS = 3


@dataclass(frozen=True)
class Fit:
    """Draws with everything that speaks of them."""

    draws: sampling.Draws
    encoded: Encoded
    verdict: Verdict
    specimens: tuple[Specimen, ...]
    key: str                      # digest of data, definition, model code and versions
    method: str                   # "full", "kept" (from the posterior folder), "prior" or "reweighted"
    seconds: dict

    @property
    def params(self) -> Params:
        """Parameters of all draws."""
        return self.draws.params()


def required_of(definition) -> Required:
    """Return the criteria as the conformance kernel reads them."""
    c = definition.criteria
    return Required(cracked=c.cracked is False, gap_max=c.gap_max_mm, film_max=c.film_depth_max_um, leaked=c.leaked is False,
                    sound_min=None if c.sound_share_min is None else definition.joints_sound_min, n_joints=definition.component.joints)


def conformance_of(definition, encoded: Encoded, params: Params) -> Conformance:
    """Return conformance of a new component, lot and load under every draw."""
    return Conformance(params, sheet=encoded.sheet, settings=encoded.settings, required=required_of(definition), box=corners(factor_box(definition)))


def fit_key(campaign, data_digest: str) -> str:
    """Return the digest under which draws are kept."""
    parts = [data_digest, definition_digest(campaign.definition, tables=MODEL_TABLES), str(campaign.definition.campaign.seed),
             sampling.model_digest(), json.dumps(sampling.versions(), sort_keys=True)]
    return hashlib.sha256("\n".join(parts).encode()).hexdigest()[:24]


def current_fit(campaign, *, quick: bool = False, draws: int = sampling.DRAWS) -> Fit:
    """Return the fit of today's data: kept draws where they are current, otherwise a full fit (repeated once if it fails)."""
    with campaign.ledger(read_only=True) as ledger:
        data_digest = ledger.data_digest()
    specimens = tuple(campaign.specimens())
    encoded, key = encode(campaign.definition, specimens), fit_key(campaign, data_digest)
    path = campaign.directory / "posterior" / f"{key}.npz"
    kept = _kept(path, encoded, specimens, key)
    if kept is not None and kept.draws.z.shape[1] >= draws:
        return kept
    if encoded.observations.n_rows == 0:
        rng = np.random.default_rng(campaign.definition.campaign.seed)
        prior = sampling.prior_draws(encoded.layout, encoded.priors, draws=draws, rng=rng)
        verdict = Verdict(PRIOR_ONLY, "no measurement recorded yet: everything below is the prior.", 1.0, float(prior.n_draws), 2.0, 0)
        return Fit(prior, encoded, verdict, specimens, key, "prior", {})
    fitted = _full(campaign, encoded, specimens, key, draws)
    sampling.save(fitted.draws, path, {"verdict": fitted.verdict.__dict__, "lots": encoded.lots, "loads": encoded.loads,
                                       "data": data_digest, "rows": encoded.observations.n_rows})
    return fitted


def latest_fit(campaign) -> Fit:
    """Return the newest kept fit, current or not."""
    fit = _newest(campaign)
    if fit is None:
        raise UserError("no fit is kept yet", where=str(campaign.directory / "posterior"), fix=f"trialwright update {campaign.directory}")
    return fit


def _newest(campaign) -> Fit | None:
    specimens = tuple(campaign.specimens())
    encoded = encode(campaign.definition, specimens)
    folder = campaign.directory / "posterior"
    for path in sorted(folder.glob("*.npz"), key=lambda p: p.stat().st_mtime, reverse=True):
        kept = _kept(path, encoded, specimens, path.stem)
        if kept is not None:
            return kept
    return None


def _kept(path, encoded: Encoded, specimens, key: str) -> Fit | None:
    """Return kept draws, or None where there are none that can be read."""
    if not path.exists():
        return None
    started = time.perf_counter()
    try:
        draws, meta = sampling.load(path, encoded.priors)
        verdict = Verdict(**(meta["verdict"] | {"worst": tuple(meta["verdict"]["worst"])}))
    except (OSError, ValueError, KeyError, TypeError):
        return None
    return Fit(draws, encoded, verdict, specimens, key, "kept", {"load": time.perf_counter() - started})


def _full(campaign, encoded: Encoded, specimens, key: str, draws: int) -> Fit:
    """Sample; a failed fit is repeated once with smaller steps."""
    say, seed = campaign.say, campaign.definition.campaign.seed
    sampler = sampling.Sampler(encoded.observations, encoded.sheet, encoded.layout, encoded.priors, say=say)
    result, verdict = None, None
    for accept, more in ((sampling.TARGET_ACCEPT, 1), (sampling.CAUTIOUS_ACCEPT, 2)):
        result = sampler.sample(seed=seed, draws=draws * more, target_accept=accept)
        say("judging the draws")
        verdict = judge_draws(campaign.definition, encoded, result)
        if verdict.name == CONVERGED:
            break
        say(f"{verdict.name}: {verdict.words} Repeating once with smaller steps")
    return Fit(result, encoded, verdict, specimens, key, "full", dict(result.seconds))


def judge_draws(definition, encoded: Encoded, draws: sampling.Draws) -> Verdict:
    """Return the verdict on every parameter and on conformance at probe conditions."""
    box = factor_box(definition)
    probes = reference_points(box, N_PROBES, seed=definition.campaign.seed, scramble=99)
    conformance = conformance_of(definition, encoded, draws.params())(probes)
    shape = draws.z.shape[:2]
    quantities = np.concatenate([draws.z, conformance.reshape(*shape, -1).astype(float)], axis=-1)
    names = draws.layout.names() + [f"conformance at probe {i + 1}" for i in range(len(probes))]
    return judge(quantities, names, divergent=draws.divergent, energy=draws.energy)
