"""What specimens not yet made would measure, from the fitted model.

Second moments are all that the batch update needs: the expected reading under every draw, the scatter about it, and
how a new lot or furnace load would move it.  The same response functions as in the likelihood give them.  A reading that
exists only if forming does not crack the specimen counts as (reading - typical) x came through.

Readings of one specimen scatter together.  In closed form given the draw: a crack takes all others away; where a section recrystallised
its film is shallow, and the film's silicon is missing in the clad; joints and the leak test share the component's own effect and the
gap.  Left out, as the likelihood leaves it out or as it is small: that scatter of the settings moves several readings at once, and
that the film at a section tells of the film at the joints.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import NamedTuple

import numpy as np
from scipy.special import ndtr

from models.joint_model import clad_moments, component_predictor, formability_moments, section_states
from models.likelihood import logistic, normal_nodes
from models.priors import Params
from models.responses import joints, springback
from models.rows import EXACT, CountBlock, SectionBlock
from planner.acquisition.candidate import Candidate
from planner.acquisition.measurements import KINDS, Measurements
from planner.encode import Encoded, design_of_planned

N_LOADING_DRAWS = 80
N_NODES = 9
THREADS = 2                       # candidates of a kind are shared out; what one gives does not depend on the others
YES_NO = ("recrystallised", "cracked", "leaked")
LOT_EFFECTS, LOAD_EFFECTS = ("limit", "angle", "clad"), ("joint", "film", "temperature", "time")


class Reading(NamedTuple):
    """One kind of reading of some specimens under every draw."""

    name: str
    mean: np.ndarray              # (n_draws, n)
    variance: np.ndarray          # (n_draws, n) given the draw
    wanted: np.ndarray            # (n,) whether the specimen yields it
    through: np.ndarray | None = None   # (n_draws, n) chance that it exists at all; None: always
    common: dict[str, Callable[[], np.ndarray]] | None = None   # give (n_draws, n) covariances with readings before it, all existing

    @property
    def typical(self) -> np.ndarray:
        """(n,) what is taken off before the reading counts: its mean over draws where it may not exist, else 0."""
        never = self.through is None or self.name in YES_NO
        return np.zeros(self.mean.shape[1]) if never else self.mean.mean(axis=0)

    def counted(self, typical: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return mean and variance of (reading - typical) x exists."""
        if self.through is None:
            return self.mean, np.broadcast_to(self.variance, self.mean.shape)
        off = self.mean - typical
        return self.through * off, self.through * self.variance + self.through * (1 - self.through) * off ** 2

    def hangs(self, typical: np.ndarray) -> np.ndarray | None:
        """Return what having come through adds to the counted reading (n_draws, n); None where that plays no part."""
        if self.name == "cracked":
            return np.full(self.mean.shape, -1.0)
        return None if self.through is None else self.mean - typical


def within_specimens(readings: Sequence[Reading], typical: dict[str, np.ndarray]) -> dict[str, np.ndarray]:
    """Return the mean over draws of the covariances of each reading with those of other kinds, (n, len(KINDS)).

    With T for having come through, t its chance and x, y two readings: Cov(T x, T y) = t Cov(x, y) + t (1 - t) E[x] E[y].
    """
    out = {r.name: np.zeros((r.mean.shape[1], len(KINDS))) for r in readings}
    hangs = [r.hangs(typical[r.name]) for r in readings]
    through = next((r.through for r in readings if r.through is not None), None)
    both = None if through is None else through * (1 - through)
    for j, later in enumerate(readings):
        weighed = None if hangs[j] is None else both * hangs[j]
        for i, earlier in enumerate(readings[:j]):
            value = 0.0 if weighed is None or hangs[i] is None else np.einsum("sn,sn->n", weighed, hangs[i]) / len(weighed)
            if later.common and earlier.name in later.common:
                value = value + np.mean(through * later.common[earlier.name](), axis=0)
            out[later.name][:, KINDS.index(earlier.name)] = out[earlier.name][:, KINDS.index(later.name)] = value
    return out


class FittedPredictor:
    """Predictor over a fit's draws.

    Parameters
    ----------
    definition : campaign definition.
    encoded : the campaign's data as the models read them (lots that are known, constants).
    params : draws of the parameters; the same draws, in the same order, as the reference map's.
    """

    def __init__(self, definition, encoded: Encoded, params: Params):
        self.definition, self.encoded = definition, encoded
        self.params = _with_new_group(params, len(encoded.lots))
        step = max(1, params.n_draws // N_LOADING_DRAWS)
        self.few = self.params.take(np.arange(0, params.n_draws, step))
        self.lot_index = {name: i for i, name in enumerate(encoded.lots)}

    def measurements(self, candidates: Sequence[Candidate]) -> Measurements:
        """Return the measurements that these candidates would yield, ordered by candidate."""
        kinds = np.array([c.specimen_type for c in candidates])
        work = []
        for kind, of_kind in (("tensile_coupon", self._tensile), ("bend_coupon", self._bend), ("braze_coupon", self._coupon),
                              ("component", self._component)):
            index = np.flatnonzero(kinds == kind)
            work += [(of_kind, [candidates[i] for i in half], half) for half in np.array_split(index, THREADS) if len(half)]
        with ThreadPoolExecutor(THREADS) as threads:
            parts = [part for some in threads.map(lambda one: self._parts(*one), work) for part in some]
        if not parts:
            empty = np.zeros(0)
            return Measurements(np.zeros((self.params.n_draws, 0)), empty, empty.astype(int), empty.astype(str), empty.astype(bool),
                                np.zeros((0, 3)), np.zeros((0, 4)), empty, np.zeros((0, len(KINDS))))
        order = np.argsort(np.concatenate([p["candidate"] for p in parts]), kind="stable")
        pick = lambda name: np.concatenate([p[name] for p in parts])[order]
        return Measurements(np.concatenate([p["F"] for p in parts], axis=1)[:, order], pick("noise"), pick("candidate"), pick("kind"),
                            pick("is_binary"), pick("lot_loading"), pick("load_loading"), pick("typical"), pick("within"))

    def _parts(self, of_kind, chosen, index):
        """Return the readings of one specimen type, one part a kind of reading, with their loadings."""
        d = design_of_planned(self.definition, self.encoded, chosen, self.lot_index)
        new_lot = np.array([c.lot not in self.lot_index for c in chosen], float)
        gives = self._gives(chosen)
        readings = [r for r in of_kind(self.params, d, chosen) if r.name in gives]
        typical = {r.name: r.typical for r in readings}
        within = within_specimens(readings, typical)
        lot, load = self._loadings(of_kind, d, chosen, new_lot, typical)
        out = []
        for reading in readings:
            name, rows = reading.name, np.flatnonzero(reading.wanted)
            if not len(rows):
                continue
            mean, variance = reading.counted(typical[name])
            noise = variance.mean(axis=0) + (lot[name] ** 2).sum(-1) + (load[name] ** 2).sum(-1)
            out.append({"F": mean[:, rows], "noise": np.maximum(noise, 1e-9)[rows], "candidate": index[rows], "kind": np.full(len(rows), name),
                        "is_binary": np.full(len(rows), name in YES_NO), "lot_loading": lot[name][rows],
                        "load_loading": load[name][rows], "typical": typical[name][rows], "within": within[name][rows]})
        return out

    def _gives(self, chosen) -> set[str]:
        spec = self.definition.specimens[chosen[0].specimen_type]
        gives = set(spec.gives) | ({"cracked"} if chosen[0].specimen_type in ("component", "braze_coupon") else set())
        if getattr(spec, "section", None) is not None:
            gives |= set(spec.section.gives)
        return gives

    def _loadings(self, of_kind, d, chosen, new_lot, typical):
        """Return each reading's response to one sd of each effect of a new lot and of a new load, (n, 3) and (n, 4)."""
        lot = {name: np.zeros((len(chosen), 3)) for name in typical}
        load = {name: np.zeros((len(chosen), 4)) for name in typical}
        for table, prefix, effects, on in ((lot, "lot", LOT_EFFECTS, new_lot), (load, "load", LOAD_EFFECTS, np.ones(len(chosen)))):
            if prefix == "load" and chosen[0].braze is None or not on.any():
                continue
            for j, effect in enumerate(effects):
                sides = [{r.name: r.counted(typical[r.name])[0] for r in of_kind(_moved(self.few, prefix, effect, sign), d, chosen) if r.name in typical}
                         for sign in (1, -1)]
                for name in typical:
                    table[name][:, j] = on * 0.5 * (sides[0][name] - sides[1][name]).mean(axis=0)
        return lot, load

    def _tensile(self, p: Params, d, chosen):
        mean, variance = formability_moments(p, _exact_strain(d))
        bound = np.array([np.inf if c.strain is None else np.log(c.strain) for c in chosen])
        mean, variance = _below(mean, variance, bound)
        return [Reading("limit_strain", mean, variance, np.ones(len(chosen), bool))]

    def _bend(self, p: Params, d, chosen):
        mean, variance = springback.latent(p, d, p.lot_of(d.lot).angle)
        mean, variance = _above(mean, variance, _log(self.definition.gauges.springback_angle_deg))
        return [Reading("springback_angle", mean, variance, np.ones(len(chosen), bool))]

    def _cracked(self, p: Params, d):
        mean, variance = formability_moments(p, d)
        top = np.log(self.encoded.sheet.share.max()) * d.component
        return ndtr((d.log_strain + top - mean) / np.sqrt(variance))

    def _sectioned(self, p: Params, d, chosen, through, wanted):
        """Return state, film depth and clad left at the sectioned place."""
        shares = {f.name: f.strain_share for f in self.definition.component.features}
        share = np.array([shares.get(c.section_feature, 1.0) for c in chosen])
        n = len(chosen)
        none = np.zeros(n)
        at = d.__class__(**{**d.__dict__, "log_strain": d.log_strain + np.log(share)})
        block = SectionBlock(at, none, none, none, np.full(n, EXACT), none, none, none, np.full(n, EXACT))
        states = section_states(p, block)
        _, new, old, mean_new, var_new, mean_old, var_old = states
        gauge = _log(self.definition.gauges.film_depth_um)
        clad, clad_var = clad_moments(p, block, states, self.encoded.sheet)
        ln_new, spread_new = _above(mean_new, var_new, gauge)
        ln_old, spread_old = _above(mean_old, var_old, gauge)
        depth = new * ln_new + old * ln_old
        depth_var = new * (spread_new + ln_new ** 2) + old * (spread_old + ln_old ** 2) - depth ** 2
        um_new, um_old = (lambda: np.exp(mean_new + 0.5 * var_new)), (lambda: np.exp(mean_old + 0.5 * var_old))
        missing = -p.silicon_share / self.encoded.sheet.clad_um                     # clad per um of film

        def ln_with_um():                                                           # weighed by its um, ln film is normal v further up
            parts = [(chance * um(), _above(m + v, v, gauge)[0]) for chance, um, m, v in ((new, um_new, mean_new, var_new), (old, um_old, mean_old, var_old))]
            return sum(um * (ln - depth) for um, ln in parts)

        return [Reading("recrystallised", new, new * (1 - new), wanted, through),
                Reading("film_depth", depth, depth_var, wanted, through, {"recrystallised": lambda: new * old * (ln_new - ln_old)}),
                Reading("clad_left", clad, clad_var, wanted, through,
                        {"recrystallised": lambda: missing * new * old * (um_new() - um_old()), "film_depth": lambda: missing * ln_with_um()})]

    def _coupon(self, p: Params, d, chosen):
        crack = self._cracked(p, d)
        every = np.ones(len(chosen), bool)
        return [Reading("cracked", crack, crack * (1 - crack), every), *self._sectioned(p, d, chosen, 1 - crack, every)]

    def _component(self, p: Params, d, chosen):
        n, every = len(chosen), np.ones(len(chosen), bool)
        crack = self._cracked(p, d)
        through = 1 - crack
        out = [Reading("cracked", crack, crack * through, every)]
        gap, gap_var = springback.latent(p, d, p.lot_of(d.lot).angle)
        gauge = _log(self.definition.gauges.gap_mm)
        out.append(Reading("gap", *_above(gap, gap_var, gauge), every, through))
        none = np.zeros(n)
        eta, eta_var = component_predictor(p, CountBlock(d, none, none, none, none, none), self.encoded.sheet)
        share, share_var, leak, both, share_slope, leak_slope = _joints_and_leak(p, eta, eta_var, self.definition.component.joints)
        # ln gap and the predictor are taken as jointly normal, to first order in their covariance (exact above the gauge, if the
        # readings were linear): Cov(f(x), g(y)) = Cov(x, y) E f' E g' (Stein's identity, from memory)
        reads = ndtr((gap - gauge) / np.sqrt(gap_var)) * gap_var
        with_gap = -p.joint_gap / joints.GAP_REFERENCE * np.exp(gap + 0.5 * gap_var) * reads
        out.append(Reading("joints_sound", share, share_var, every, through, {"gap": lambda: with_gap * share_slope}))
        out.append(Reading("leaked", leak, leak * (1 - leak), every, through, {"gap": lambda: with_gap * leak_slope, "joints_sound": lambda: both}))
        cut = np.array([c.section_feature is not None for c in chosen])
        return out + (self._sectioned(p, d, chosen, through, cut) if cut.any() else [])


def _with_new_group(p: Params, n_lots: int) -> Params:
    """Return parameters whose lot effects end with one of zero (a new lot), and whose loads are one of zero (a new load)."""
    zero = np.zeros((p.n_draws, 1))
    lots = {f"lot_{e}": np.concatenate([getattr(p, f"lot_{e}")[:, :n_lots], zero], axis=1) for e in LOT_EFFECTS}
    return p.with_values(**lots, **{f"load_{e}": zero for e in LOAD_EFFECTS})


def _moved(p: Params, prefix: str, effect: str, sign: int) -> Params:
    """Return parameters with one effect of the new group one sd away."""
    name = f"{prefix}_{effect}"
    sd = getattr(p, f"{name}_sd", 1.0)
    value = getattr(p, name).copy()
    value[:, -1:] = sign * sd
    return p.with_values(**{name: value})


def _exact_strain(d):
    return d.__class__(**{**d.__dict__, "log_strain_sd": np.zeros(len(d))})


def _log(value: float | None) -> float:
    return float(np.log(value)) if value else -np.inf


def _density(x):
    return np.exp(-0.5 * x * x) / np.sqrt(2 * np.pi)


def _below(mean, variance, bound):
    """Return mean and variance of min(y, bound) for normal y (a pull stopped at the bound)."""
    low, spread = _above(-mean, variance, -bound)
    return -low, spread


def _above(mean, variance, bound):
    """Return mean and variance of max(y, bound) for normal y (a gauge that resolves no less)."""
    variance = np.broadcast_to(variance, mean.shape)
    if np.all(np.isneginf(bound)):
        return mean, variance
    sd = np.sqrt(variance)
    finite = np.where(np.isneginf(bound), mean - 40 * sd, bound)
    a = (finite - mean) / sd
    tail = ndtr(-a)
    first = mean * tail + sd * _density(a) + finite * (1 - tail)
    second = (mean ** 2 + variance) * tail + sd * (mean + finite) * _density(a) + finite ** 2 * (1 - tail)
    return first, np.maximum(second - first ** 2, 0.0)


def _joints_and_leak(p: Params, eta, variance, n_joints: int):
    """Integrate joints and leak test over a component's own effect.

    Returns
    -------
    mean and variance of the counted share of sound joints, P(leak), covariance of share and leak, mean slopes of share and leak
    over the joint predictor; each (n_draws, n).
    """
    x, w = normal_nodes(N_NODES)
    sd, share, square, leak, both, by_share, by_leak = np.sqrt(variance), 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
    for node, weight in zip(x, w):
        at = eta + sd * node
        chance, leaks = logistic(at), logistic(joints.leak_logit(p, at))
        share, square = share + weight * chance, square + weight * chance ** 2
        leak, both = leak + weight * leaks, both + weight * chance * leaks
        by_share, by_leak = by_share + weight * node * chance, by_leak + weight * node * leaks
    within = (share - square) * (1 + (n_joints - 1) / (p.concentration + 1)) / n_joints
    return share, np.maximum(square - share ** 2, 0.0) + within, leak, both - share * leak, by_share / sd, by_leak / sd
