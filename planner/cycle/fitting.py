"""From ledger and definition to draws that may be trusted, kept under a digest of everything they depend on."""

from __future__ import annotations

import time
from dataclasses import dataclass, field, replace

import numpy as np

from models import fit as sampling
from models.joint_model import row_log_likelihood
from models.priors import Params
from models.reweight import resampled, smoothed
from models.verdict import CONVERGED, DIVERGED, PRIOR_ONLY, Verdict, judge
from planner.cycle.kept import QUICK, definition_key, fingerprints, fit_key, foreign, newest_first, origin, read_origin
from planner.encode import Encoded, encode, padded_layout, priors_of
from planner.lab.errors import UserError
from planner.lab.specimen import Specimen
from planner.window.box import factor_box
from planner.window.conformance import Conformance, Required
from planner.window.points import corners, reference_points

N_PROBES = 16
LEAST_FOR_CLAIMS = 1000.0         # effective draws


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
    definition_key: str = ""      # digest of the part of the definition that the models read
    fingerprints: dict = field(default_factory=dict)   # specimen -> digest of its content, as fitted

    @property
    def may_claim(self) -> bool:
        """Whether enough effective draws stand behind it for a claim."""
        return self.method != "reweighted" or self.verdict.ess >= LEAST_FOR_CLAIMS

    @property
    def params(self) -> Params:
        """Parameters of all draws."""
        return self.draws.params()


_COMPILED: dict = {}              # compiled models of this process, by layout, sheet and priors


@dataclass(frozen=True)
class SamplerPool:
    """Compiled models shared by many fits of one process; a campaign that carries one as `samplers` is fitted through it.

    Lots and loads are padded to at least the numbers given, so that the weeks of a virtual campaign, and campaigns one
    after another, cost one compilation.
    """

    n_lots: int = 0               # least padded numbers
    n_loads: int = 0
    cores: int = 2                # chains run at a time

    def widened(self, encoded: Encoded) -> Encoded:
        """Return the data with the layout that this pool compiles for."""
        old = encoded.layout
        return replace(encoded, layout=padded_layout(old.n_tempers, max(old.n_lots, self.n_lots), max(old.n_loads, self.n_loads)))

    def sampler(self, encoded: Encoded, *, say) -> sampling.Sampler:
        """Return the compiled model of this layout, sheet and priors, compiling it where it is new."""
        sheet, priors = encoded.sheet, encoded.priors
        arrays = (sheet.share, sheet.count, sheet.joined, priors.by_temper)
        key = (encoded.layout, sheet.clad_um, sheet.silicon, priors.shared, *(a.tobytes() for a in arrays))
        if key not in _COMPILED:
            _COMPILED[key] = sampling.Sampler(encoded.observations, sheet, encoded.layout, priors, say=say)
        return _COMPILED[key]


def _pool(campaign) -> SamplerPool | None:
    return getattr(campaign, "samplers", None)


def required_of(definition) -> Required:
    """Return the criteria as the conformance kernel reads them."""
    c = definition.criteria
    return Required(cracked=c.cracked is False, gap_max=c.gap_max_mm, film_max=c.film_depth_max_um, leaked=c.leaked is False,
                    sound_min=None if c.sound_share_min is None else definition.joints_sound_min, n_joints=definition.component.joints)


def conformance_of(definition, encoded: Encoded, params: Params) -> Conformance:
    """Return conformance of a new component, lot and load under every draw."""
    return Conformance(params, sheet=encoded.sheet, settings=encoded.settings, required=required_of(definition), box=corners(factor_box(definition)))


def current_fit(campaign, *, quick: bool = False, draws: int = sampling.DRAWS) -> Fit:
    """Return the fit of today's data: kept draws where they are current, otherwise a full fit (repeated once if it fails).

    With `quick`, the newest fit is reweighted for the specimens that came since, where that can be trusted.
    """
    with campaign.ledger(read_only=True) as ledger:
        data_digest = ledger.data_digest()
    specimens = tuple(campaign.specimens())
    key = fit_key(campaign.definition, data_digest)
    path = campaign.directory / "posterior" / f"{key}.npz"
    kept = _kept(campaign.definition, path, specimens)
    if kept is not None and kept.fingerprints == fingerprints(specimens) and kept.draws.z.shape[1] >= draws:
        return kept
    encoded = encode(campaign.definition, specimens)
    if _pool(campaign) is not None:
        encoded = _pool(campaign).widened(encoded)
    if encoded.observations.n_rows == 0:
        rng = np.random.default_rng(campaign.definition.campaign.seed)
        prior = sampling.prior_draws(encoded.layout, encoded.priors, draws=draws, rng=rng)
        verdict = Verdict(PRIOR_ONLY, "no measurement recorded yet: everything below is the prior.", 1.0, float(prior.n_draws), 2.0, 0)
        return Fit(prior, encoded, verdict, specimens, key, "prior", {})
    if quick:
        fitted = _reweighted(campaign, specimens, key)
        if fitted is not None:
            _keep(campaign.definition, fitted, path.with_name(f"{key}{QUICK}.npz"))
            return fitted
        campaign.say("reweighting is not enough here: a full fit follows")
    fitted = _full(campaign, encoded, specimens, key, draws)
    _keep(campaign.definition, fitted, path)
    return fitted


def latest_fit(campaign) -> Fit:
    """Return the newest kept fit of this definition and program, current or not.

    Raises
    ------
    UserError
        When none is kept.
    """
    specimens = tuple(campaign.specimens())
    with campaign.ledger(read_only=True) as ledger:
        key = fit_key(campaign.definition, ledger.data_digest())
    fit = _kept(campaign.definition, campaign.directory / "posterior" / f"{key}.npz", specimens)       # today's goes before a younger one
    if fit is None or fit.fingerprints != fingerprints(specimens):
        fit = _newest(campaign, specimens)
    if fit is None:
        raise UserError("no fit is kept that speaks of today's definition and program", where=str(campaign.directory / "posterior"),
                        found=_why_not(campaign) or None, fix=f"trialwright update {campaign.directory}")
    return fit


def _why_not(campaign) -> str:
    """Say why the newest file of draws is not used."""
    for path in newest_first(campaign.directory / "posterior"):
        try:
            return foreign(read_origin(path), campaign.definition)
        except (OSError, ValueError) as error:
            return str(error)
    return ""


def _newest(campaign, specimens, *, full_only: bool = False) -> Fit | None:
    for path in newest_first(campaign.directory / "posterior"):
        kept = None if full_only and path.stem.endswith(QUICK) else _kept(campaign.definition, path, specimens)
        if kept is not None:
            return kept
    return None


def _keep(definition, fit: Fit, path) -> None:
    """Write draws with what they were drawn from."""
    try:
        sampling.save(fit.draws, path, origin(definition, fit.specimens) | {
            "verdict": fit.verdict.__dict__, "lots": fit.encoded.lots, "loads": fit.encoded.loads, "method": fit.method})
    except OSError as error:
        raise UserError(f"the draws cannot be kept: {error.strerror or error}", where=f"posterior/{path.name}",
                        fix="free space or permissions in the campaign folder, then run it again") from None


def _kept(definition, path, specimens) -> Fit | None:
    """Return kept draws of this definition, program and versions, or None where they cannot be read or speak of others."""
    if not path.exists():
        return None
    started = time.perf_counter()
    try:
        meta = read_origin(path)
        if foreign(meta, definition):
            return None
        draws, meta = sampling.load(path, priors_of(definition))
        verdict = Verdict(**(meta["verdict"] | {"worst": tuple(meta["verdict"]["worst"])}))
        known = meta["specimens"]
        drawn_from = tuple(s for s in specimens if s.specimen in known)
        encoded = encode(definition, drawn_from, lots=meta["lots"], loads=meta["loads"])
        method = "reweighted" if meta["method"] == "reweighted" else "kept"
    except (OSError, ValueError, KeyError, TypeError):
        return None
    return Fit(draws, encoded, verdict, drawn_from, path.stem, method, {"load": time.perf_counter() - started}, meta["definition"], known)


def _reweighted(campaign, specimens, key: str) -> Fit | None:
    """Reweight the newest full fit for the specimens that came since; None where that cannot be trusted."""
    base = _newest(campaign, specimens, full_only=True)
    if base is None or base.verdict.name != CONVERGED:
        return None
    now = fingerprints(specimens)
    if any(now.get(name) != digest for name, digest in base.fingerprints.items()):
        return None                                    # a specimen of the fit was changed, completed or excluded
    fresh = tuple(s for s in specimens if s.specimen not in base.fingerprints)
    encoded = encode(campaign.definition, specimens, lots=base.encoded.lots, loads=base.encoded.loads)
    layout = base.draws.layout
    if len(encoded.lots) > layout.n_lots or len(encoded.loads) > layout.n_loads:
        return None
    new = encode(campaign.definition, fresh, lots=encoded.lots, loads=encoded.loads).observations
    weights = smoothed(row_log_likelihood(base.params, new, encoded.sheet).sum(axis=-1))
    campaign.say(f"reweighted for {len(fresh)} specimens: k-hat {weights.k_hat:.2f}, effective draws {weights.ess:.0f}")
    if not weights.usable:
        return None
    rng = np.random.default_rng(campaign.definition.campaign.seed)
    draws = resampled(base.draws, weights, rng)
    words = f"reweighted from the last full fit: k-hat {weights.k_hat:.2f}, effective draws {weights.ess:.0f}."
    if weights.ess < LEAST_FOR_CLAIMS:
        words += f" Map and H only: a claim needs {LEAST_FOR_CLAIMS:.0f} effective draws."
    verdict = replace(base.verdict, words=words, ess=weights.ess)
    return Fit(draws, replace(encoded, layout=layout), verdict, specimens, key, "reweighted", {}, base.definition_key, now)


def _full(campaign, encoded: Encoded, specimens, key: str, draws: int) -> Fit:
    """Sample; a failed fit is repeated once with smaller steps."""
    say, seed = campaign.say, campaign.definition.campaign.seed
    pool, given = _pool(campaign), {}
    if pool is None:
        sampler = sampling.Sampler(encoded.observations, encoded.sheet, encoded.layout, encoded.priors, say=say)
    else:
        sampler, given = pool.sampler(encoded, say=say), {"obs": encoded.observations, "cores": pool.cores}
    result, verdict, _ = judged_draws(sampler, campaign.definition, encoded, seed=seed, draws=draws, say=say, **given)
    return Fit(result, encoded, verdict, specimens, key, "full", dict(result.seconds), definition_key(campaign.definition),
               fingerprints(specimens))


def judged_draws(sampler: sampling.Sampler, definition, encoded: Encoded, *, seed: int, say, draws: int = sampling.DRAWS,
                 **given) -> tuple[sampling.Draws, Verdict, bool]:
    """Return draws, their verdict and whether they are the second ones: a failed fit is repeated once with smaller steps.

    Twice as many draws are made then, unless only divergences were at fault.  `given` goes to the sampler as it is.
    """
    for again, accept in enumerate((sampling.TARGET_ACCEPT, sampling.CAUTIOUS_ACCEPT)):
        result = sampler.sample(seed=seed, draws=draws, target_accept=accept, **given)
        say("judging the draws")
        verdict = judge_draws(definition, encoded, result)
        if verdict.name == CONVERGED:
            break
        say(f"{verdict.name}: {verdict.words.rstrip('.')}{'' if again else '. Repeating once with smaller steps'}")
        draws *= 1 if verdict.name == DIVERGED else 2
    return result, verdict, bool(again)


def judge_draws(definition, encoded: Encoded, draws: sampling.Draws) -> Verdict:
    """Return the verdict on every parameter and on conformance at probe conditions."""
    box = factor_box(definition)
    probes = reference_points(box, N_PROBES, seed=definition.campaign.seed, scramble=99)
    conformance = conformance_of(definition, encoded, draws.params())(probes)
    shape = draws.z.shape[:2]
    quantities = np.concatenate([draws.z, conformance.reshape(*shape, -1).astype(float)], axis=-1)
    names = draws.layout.names() + [f"conformance at probe {i + 1}" for i in range(len(probes))]
    return judge(quantities, names, divergent=draws.divergent, energy=draws.energy)
