"""The clairvoyant rival: our own search, told the truth.

Same candidates, limits and search as ours, but a batch is worth the mean fall of H over 64 data sets drawn at the truth, where ours
must average over everything the posterior thinks possible.  A heuristic bound, not a limit: it looks one week ahead, reads
H by the linear update, and chooses by a finite number of data sets; ours may beat it.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from models.responses.braze import actual_minutes
from models.priors import LOAD_EFFECTS, LOAD_SPREAD, LOT_EFFECTS
from models.rows import MIN_STRAIN, Conditions, Settings, Sheet
from models.simulate import Outcomes, simulate
from planner.acquisition.batch import Problem, choose
from planner.acquisition.candidate import Candidate
from planner.acquisition.candidates import Made, build_pool
from planner.acquisition.draft import CONTROL
from planner.acquisition.gain import NO_LOAD
from planner.acquisition.limits import NONE, Needs
from planner.acquisition.measurements import Measurements
from planner.acquisition.outcome_gain import OutcomeGain
from planner.cycle.planning import Choice
from planner.rehearse.bench import AMBIENT_BRAZE
from planner.rehearse.rivals import Batch
from planner.rehearse.row_values import RowValues
from planner.rehearse.world import COUPON_SHEET, World

CLAIRVOYANT = "clairvoyant"
N_SETS = 64
N_POINTS = 512                    # of the map: of each temper the first of its quasi-random sequence
N_CANDIDATES = 1000               # as ours
WORDS = ("clairvoyant: our own search, candidates and limits, but told the truth; a heuristic bound, for it looks one week ahead and chooses by "
         f"{N_SETS} data sets")


def clairvoyant_batch(choice: Choice, world: World, *, history: Sequence[Made], number: int, seed: int, n_candidates: int = N_CANDIDATES) -> Batch:
    """Choose a week's batch knowing the truth.

    Parameters
    ----------
    choice : what ours would choose from.
    world : the truth.
    history : specimens made so far.
    number : of the plan; with `seed` it makes the candidates those of ours.
    """
    rng = np.random.default_rng([seed, number])
    pool = build_pool(choice.definition, choice.limits, choice.reference, history=history, n_candidates=n_candidates, rng=rng)
    measurements = choice.predictor.measurements(pool.candidates)
    map_, each = choice.reference, N_POINTS // len(choice.reference.tempers)
    part = np.concatenate([np.flatnonzero(map_.temper == k)[:each] for k in range(len(map_.tempers))])
    lots = {lot: i for i, lot in enumerate(dict.fromkeys(c.lot for c in pool.candidates))}
    data = TrueDataSets(world, choice.definition, pool.candidates, measurements, seed=[seed, number])
    gain = OutcomeGain(map_.z[:, part], map_.z0[part], measurements, lots=np.array([lots[c.lot] for c in pool.candidates]), data=data)
    region = map_.c[map_.nearest(pool.candidates)] > 1.0 - choice.definition.goal.confidence
    draft = choose(Problem(gain, pool, choice.limits, Needs(choice.limits, pool.candidates), region))
    return Batch(tuple(pool.candidates[p.candidate] for p in draft.picks), tuple(None if p.load == NONE else p.load for p in draft.picks),
                 tuple(p.role == CONTROL for p in draft.picks), draft.tally)


class TrueDataSets:
    """What candidates would show in a world, data set by data set.

    Within a data set, specimens of one load share its effects; lots have the effects that the world gave them.

    Parameters
    ----------
    world : the truth.
    definition : for features and gauges.
    candidates : specimens that could be made.
    measurements : what they would yield; says on which scale a reading counts.
    seed : of the scatter.
    """

    def __init__(self, world: World, definition, candidates: Sequence[Candidate], measurements: Measurements, *, seed: Sequence[int], n_sets: int = N_SETS):
        self.world, self.definition, self.m, self.seed, self.n_sets = world, definition, measurements, list(seed), n_sets
        self.candidates = tuple(candidates)
        features = sorted(definition.component.features, key=lambda f: -f.strain_share)
        self.place = {f.name: i for i, f in enumerate(features)}
        self.part = np.array([c.specimen_type == "component" for c in candidates], bool)
        lots = {lot: world.lot(lot) for lot in {c.lot for c in candidates}}
        self.lots = {e: np.array([lots[c.lot][e] for c in candidates]) for e in LOT_EFFECTS}
        self.factors = np.array([_factors(c) for c in candidates], float).reshape(-1, 4)
        self.temper = np.array([world.tempers.index(c.temper) for c in candidates], int)

    def of_load(self, load: int) -> np.ndarray:
        """Return the readings (n_measurements, n_sets) of every candidate, were it put into this load."""
        out = np.zeros((self.m.candidate.size, self.n_sets))
        for component in (False, True):
            self._read(np.flatnonzero(self.part == component), load, self._rng(load, 1 + component, 1), out)
        return out

    def of_copy(self, candidate: int, load: int, copy: int) -> np.ndarray:
        """Return the readings (n, n_sets) of one more specimen like `copy` others of the same load."""
        out = np.zeros((self.m.candidate.size, self.n_sets))
        self._read(np.array([candidate]), load, self._rng(load, 3 + candidate, 1 + copy), out)
        return out[self.m.candidate == candidate]

    def _rng(self, load: int, *labels: int) -> np.random.Generator:
        return np.random.default_rng([*self.seed, load + 1, *labels])       # labels from 1: zeros at the end would not count

    def _load(self, load: int) -> tuple[dict[str, np.ndarray], np.ndarray]:
        """Return a load's effects (n_sets,) and its uniforms for the mechanism, (n_sets, n_load)."""
        rng, n_load = self._rng(load, 1, 2), 0 if self.world.mechanism is None else self.world.mechanism.n_load
        uniforms, p = rng.uniform(size=(self.n_sets, n_load)), self.world.params
        spread = {e: 1.0 if name is None else float(getattr(p, name)[0, 0]) for e, name in LOAD_SPREAD.items()}
        return {e: (0.0 if load == NO_LOAD else spread[e]) * rng.standard_normal(self.n_sets) for e in LOAD_EFFECTS}, uniforms

    def _read(self, index: np.ndarray, load: int, rng: np.random.Generator, out: np.ndarray) -> None:
        """Make each candidate of one kind once in every data set and note what is read."""
        if not index.size:
            return
        sets, world, sd, n = self.n_sets, self.world, self.world.settings, index.size * self.n_sets
        effects, of_load = self._load(load)
        each, within = (lambda a: np.repeat(a[index], sets, axis=0)), (lambda a: np.tile(a, (index.size, *[1] * (a.ndim - 1))))
        effects, of_load = {e: within(x) for e, x in effects.items()}, within(of_load)
        temperature, strain, braze, minutes = each(self.factors).T
        aimed = np.maximum(strain, MIN_STRAIN)
        actual = Conditions(each(self.temper), temperature + sd.forming_temperature * rng.standard_normal(n),
                            np.where(strain > 0, aimed * np.exp(sd.strain / aimed * rng.standard_normal(n)), 0.0),
                            braze + sd.braze_temperature * effects["temperature"], actual_minutes(minutes, sd.braze_time, effects["time"]))
        own = rng.uniform(size=(n, 0 if world.mechanism is None else world.mechanism.n_own))
        values, actual = world.changed(RowValues.of_one_draw(world.params, actual.temper), actual, own, of_load)
        component = bool(self.part[index[0]])
        sheet = world.sheet if component else Sheet(world.sheet.clad_um, world.sheet.silicon, **COUPON_SHEET)
        seen = simulate(values.with_effects({e: each(x) for e, x in self.lots.items()}, effects), actual, sheet, settings=Settings(),
                        component=float(component), lot=0, load=0, n_joints=world.n_joints, rng=rng)
        self._note(index, seen, out)

    def _note(self, index: np.ndarray, seen: Outcomes, out: np.ndarray) -> None:
        """Put outcomes on the scales of the measurements."""
        order = np.full(len(self.candidates), -1)
        order[index] = np.arange(index.size)
        through = ~seen.cracked.reshape(-1, self.n_sets)
        for kind in np.unique(self.m.kind[order[self.m.candidate] >= 0]):
            rows = np.flatnonzero((self.m.kind == kind) & (order[self.m.candidate] >= 0))
            at = order[self.m.candidate[rows]]
            place = np.array([self.place.get(self.candidates[c].section_feature, 0) for c in self.m.candidate[rows]])
            place = place if self.part[index[0]] else np.zeros(rows.size, int)
            value = self._value(kind, seen, at, place)
            if kind == "limit_strain":
                stop = [self.candidates[c].strain or np.inf for c in self.m.candidate[rows]]
                value = np.minimum(value, np.log(stop)[:, None])
            elif kind not in ("springback_angle", "cracked"):
                value = through[at] * (value - self.m.typical[rows, None])
            out[rows] = value

    def _value(self, kind: str, seen: Outcomes, at: np.ndarray, place: np.ndarray) -> np.ndarray:
        """Return what is read (n, n_sets) of the specimens `at`, sectioned at `place`."""
        gauges = self.definition.gauges
        whole = lambda a: a.reshape(-1, self.n_sets)[at].astype(float)
        feature = lambda a: a.reshape(-1, self.n_sets, a.shape[-1])[at, :, place].astype(float)
        match kind:
            case "limit_strain":
                return np.log(whole(seen.limit_strain))
            case "springback_angle":
                return np.log(np.maximum(whole(seen.angle), gauges.springback_angle_deg or 0.0))
            case "gap":
                return np.log(np.maximum(whole(seen.gap), gauges.gap_mm or 0.0))
            case "film_depth":
                return np.log(np.maximum(feature(seen.film), gauges.film_depth_um or 0.0))
            case "clad_left":
                return feature(seen.clad_left) / self.world.sheet.clad_um
            case "recrystallised":
                return feature(seen.recrystallised)
            case "joints_sound":
                return whole(seen.sound) / self.world.n_joints
            case "cracked":
                return whole(seen.cracked)
            case _:
                return whole(seen.leaked)


def _factors(c: Candidate) -> tuple[float, float, float, float]:
    """Return set values, with stand-ins where a specimen is not brazed."""
    return (c.forming_temperature_degC, c.strain if c.braze is not None and c.strain is not None else 0.0, *(c.braze or AMBIENT_BRAZE))
