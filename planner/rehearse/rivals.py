"""Rival strategies, played fairly: what a careful lab would try without a planner.

Each keeps every limit of the week, spends on a sensible mix of specimen types, pays for set-ups and controls, stays where the
lab's own beliefs call the sheet formable, and is fitted by the same model.  They differ in where specimens are put:

- `space_filling`: quasi-random over forming and braze settings, one sequence over all weeks;
- `factorial`: two levels of every factor, all combinations by turns, replicated;
- `one_temper_at_a_time`: quasi-random, but the weeks are divided among the tempers, one after another.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from itertools import cycle, islice, product

import numpy as np
from scipy.special import ndtr
from scipy.stats import qmc

from models.joint_model import formability_moments
from models.priors import sample_prior
from models.rows import Conditions, design
from planner.acquisition.candidate import Candidate
from planner.acquisition.candidates import SMALLEST_STRAIN, STEP, snapped
from planner.acquisition.limits import NONE, OPEN, Limits, Needs, Tally, always_sectioned
from planner.encode import padded_layout, priors_of, settings_of
from planner.lab.campaign import unreachable
from planner.window.box import FACTORS

SPACE_FILLING, FACTORIAL, ONE_TEMPER = "space_filling", "factorial", "one_temper_at_a_time"
RIVALS = (SPACE_FILLING, FACTORIAL, ONE_TEMPER)
SPEND = {"component": 0.6, "braze_coupon": 0.22, "tensile_coupon": 0.12, "bend_coupon": 0.06}
"""Shares of the money by type, set-ups and controls apart; common practice, no source."""
LEVELS = (0.2, 0.8)               # of a factor's range, for the factorial
FORMABLE = 0.5                    # least believed chance of forming without a crack
UNLIMITED = {"furnace_loads": 4, "tool_temperatures": 4, "places_per_load": 12}   # what a week holds where no limit is set
MOST_LOADS, MOST_TOOLS = 12, 12
UNPRICED_SPECIMENS, MOST_SPECIMENS = 120, 2000          # a week without a budget; the most that any week is laid out for
N_BELIEFS, N_STRAINS = 400, 40


@dataclass(frozen=True)
class Batch:
    """A rival's week."""

    candidates: tuple[Candidate, ...]
    loads: tuple[int | None, ...]     # furnace load of each
    controls: tuple[bool, ...]
    tally: Tally                      # what it uses


class Formable:
    """Strains that the lab's beliefs call formable, by temper and forming temperature."""

    def __init__(self, definition, *, seed: int):
        self.definition = definition
        n_tempers = len(definition.factors.tempers)
        self.params = sample_prior(padded_layout(n_tempers, 1, 1), priors_of(definition), N_BELIEFS, np.random.default_rng([seed, 17]))
        self.settings = settings_of(definition)
        self.known: dict[tuple[str, float], float] = {}

    def most(self, temper: str, temperature: float) -> float:
        """Return the largest strain of the range at which a component is believed to come through at least half of the time."""
        key = (temper, temperature)
        if key not in self.known:
            low, high = self.definition.factor_ranges["strain"]
            strains = np.linspace(low, high, N_STRAINS)
            k, other = self.definition.factors.tempers.index(temper), np.zeros(N_STRAINS)
            d = design(Conditions(np.full(N_STRAINS, k), other + temperature, strains, other + 600.0, other + 3.0), settings=self.settings)
            mean, variance = formability_moments(self.params, d)
            top = np.log(max(f.strain_share for f in self.definition.component.features))
            through = ndtr((mean - d.log_strain - top) / np.sqrt(variance)).mean(axis=0) >= FORMABLE
            self.known[key] = float(strains[through].max()) if through.any() else low
        return self.known[key]


def choose_batch(definition, limits: Limits, strategy: str, *, week: int, weeks: int, used: Mapping[str, int], formable: Formable, seed: int) -> Batch:
    """Return a rival's batch of one week.

    Parameters
    ----------
    limits : the week's limits and stock.
    week, weeks : which week, from 1, of how many.
    used : specimens of each type in the weeks before, controls apart; their sequences go on from there.
    seed : of the quasi-random sequence, the same in all weeks.
    """
    points = _Points(definition, limits, strategy, week, weeks, used, formable, seed)
    candidates, loads_of = points.candidates()
    tally = Tally(limits, Needs(limits, candidates))
    spent = dict.fromkeys(points.queues, 0.0)
    total = sum(SPEND[kind] for kind in points.queues) or 1.0
    share = {kind: SPEND[kind] / total for kind in points.queues}
    picks: list[tuple[int, int | None, bool]] = []
    position = dict.fromkeys(points.queues, 0)
    while points.queues and len(picks) < points.most:
        cost = sum(spent.values())
        first = "component" in points.queues and len(tally.loads) < len(loads_of)      # loads and their controls before all else
        kind = "component" if first else max(points.queues, key=lambda t: share[t] * (cost + limits.uses[t].cost) - spent[t])
        if _add_next(points, tally, kind, position, picks, loads_of):
            spent[kind] += float(tally.needs.cost[picks[-1][0]])
        else:
            del points.queues[kind]
    return Batch(tuple(candidates[i] for i, _, _ in picks), tuple(load for _, load, _ in picks), tuple(c for _, _, c in picks), tally)


def _add_next(points: _Points, tally: Tally, kind: str, position: dict, picks: list, loads_of) -> bool:
    """Add the next specimen of a type that fits, its load and control with it; False where none does."""
    queue = points.queues[kind]
    for at in range(position[kind], len(queue)):
        rows = queue[at]
        for row, load, control in _ways(points, tally, rows, points.first_load(kind, at), loads_of):
            fits = [r for r in (row, points.uncut.get(row)) if r is not None and not tally.refusals(np.array([r]), load=load, control=control)[0]]
            if not fits:
                continue
            row = fits[0]
            if load == OPEN:
                load = points.load_of[row]
                tally.open(load, control)
                picks += [] if control is None else [(control, load, True)]
            tally.add(row, load)
            picks.append((row, None if load == NONE else load, False))
            position[kind] = at + 1
            return True
    return False


def _ways(points: _Points, tally: Tally, rows: dict[int, int], first: int, loads_of) -> Iterator[tuple[int, int, int | None]]:
    """Yield (candidate, load, control) in the order in which to try them, from the load where it belongs."""
    if NONE in rows:
        yield rows[NONE], NONE, None
        return
    order = [(first + i) % len(rows) for i in range(len(rows))]
    for load in order:
        if load in tally.loads:
            if sum(tally.needs.places[m] for m in tally.loads[load].members) < points.places:
                yield rows[load], load, None
        else:
            for control in loads_of[load] or (None,):
                yield rows[load], OPEN, control


class _Points:
    """Where a rival puts its specimens this week: plates by type, each at every braze of the week."""

    def __init__(self, definition, limits: Limits, strategy: str, week: int, weeks: int, used: Mapping[str, int], formable: Formable, seed: int):
        self.definition, self.limits, self.strategy, self.week, self.seed = definition, limits, strategy, week, seed
        self.formable, self.used = formable, used
        most = {name: int(limits.allowed[name]) if np.isfinite(limits.allowed[name]) else n for name, n in UNLIMITED.items()}
        self.n_loads, self.n_tools = min(most["furnace_loads"], MOST_LOADS), min(most["tool_temperatures"], MOST_TOOLS)
        self.places = most["places_per_load"]
        money, cheapest = limits.allowed["budget"], min((use.cost for use in limits.uses.values()), default=0.0)
        affordable = int(money / cheapest) + 1 if np.isfinite(money) and cheapest > 0 else UNPRICED_SPECIMENS
        self.most = min(affordable, sum(limits.blanks.values()) + 1, MOST_SPECIMENS)
        tempers = [t for t in definition.factors.tempers if limits.lots_of(t)]
        if strategy == ONE_TEMPER and tempers:
            tempers = [tempers[min((week - 1) * len(tempers) // weeks, len(tempers) - 1)]]
        self.tempers = tempers
        self.queues: dict[str, list[dict[int, int]]] = {}
        self.load_of: dict[int, int] = {}
        self.uncut: dict[int, int] = {}    # the same specimen without its section
        self.n_warm = 1               # forming temperatures of the factorial

    def _sequence(self, dimensions: int, start: int, n: int, stream: int) -> np.ndarray:
        """Return a stretch of a quasi-random sequence, (n, dimensions)."""
        sobol = qmc.Sobol(dimensions, scramble=True, rng=np.random.default_rng([self.seed, stream]))
        return sobol.random_base2(int(np.ceil(np.log2(start + n + 1))))[start:start + n]

    def _range(self, key: str, share: float) -> float:
        low, high = self.definition.factor_ranges[key]
        return snapped(self.definition, key, low + share * (high - low))

    def brazes(self) -> list[tuple[float, float]]:
        """Return the braze condition of each load of the week."""
        keys = FACTORS[2:]
        if self.strategy == FACTORIAL:
            pairs = list(product(LEVELS, LEVELS))
            start = (self.week - 1) * self.n_loads
            shares = list(islice(cycle(pairs), start, start + 4 * self.n_loads))
        else:
            shares = self._sequence(2, 4 * self.n_loads * (self.week - 1), 4 * self.n_loads, 1).tolist()
        found = [tuple(self._range(k, s) for k, s in zip(keys, pair)) for pair in shares]
        return [b for b in found if unreachable(self.definition, dict(zip(keys, b))) is None][:self.n_loads]

    def tools(self) -> list[float]:
        """Return the tool temperatures of the week, the control's among them."""
        key, control = FACTORS[0], self.definition.control
        fixed = [] if control is None or not self.n_loads else [control.forming_temperature_degC]
        free = max(self.n_tools - len(fixed), 0)
        shares = LEVELS[:free] if self.strategy == FACTORIAL else [x[0] for x in self._sequence(1, free * (self.week - 1), free, 2)]
        return list(dict.fromkeys([*fixed, *(self._range(key, s) for s in shares)])) or [self._range(key, 0.0)]

    def candidates(self) -> tuple[list[Candidate], list[list[int]]]:
        """Return all candidates and, by load, its possible controls; fills `queues` and `load_of`."""
        out: list[Candidate] = []
        brazes, tools = self.brazes(), self.tools()

        def put(candidate: Candidate, load: int) -> int:
            out.append(candidate)
            number = len(out) - 1
            self.load_of[number] = load
            if candidate.section_feature is not None and not always_sectioned(self.definition, candidate.specimen_type):
                self.uncut[number] = put(replace(candidate, section_feature=None), load)
            return number

        for kind in SPEND:
            if kind not in self.limits.uses or not self.tempers:
                continue
            furnace = self.limits.uses[kind].furnace
            if furnace and not brazes:
                continue
            plates = self._plates(kind, tools)
            at = lambda plate: {b: put(plate.at_braze(x), b) for b, x in enumerate(brazes)} if furnace else {NONE: put(plate, NONE)}
            self.queues[kind] = [at(plate) for plate in plates]
        control = self.definition.control
        lots = [] if control is None else self.limits.lots_of(control.temper)
        controls = [[put(self.limits.control(lot, b), i) for lot in lots] for i, b in enumerate(brazes)]
        if control is not None and not lots:
            self.queues = {k: q for k, q in self.queues.items() if not self.limits.uses[k].furnace}
        return out, controls

    def first_load(self, kind: str, at: int) -> int:
        """Return the load in which a place of a queue belongs: settings of forming and of brazing must not go together.

        The factorial moves on by one load a round, so that all combinations come about; the others are random in blocks.
        """
        n_loads = max(len(self.queues[kind][at]), 1)
        if self.strategy == FACTORIAL:
            run = self.used.get(kind, 0) + at
            return (run + run // max(len(self.tempers) * len(LEVELS) * self.n_warm, 1)) % n_loads
        rng = np.random.default_rng([self.seed, self.week, list(SPEND).index(kind), at // n_loads])
        return int(rng.permutation(n_loads)[at % n_loads])

    def _plates(self, kind: str, tools: list[float]) -> list[Candidate]:
        """Return the specimens of one type in the order in which to take them."""
        n, start = self.most, self.used.get(kind, 0)
        if self.strategy == FACTORIAL:
            warm = tools[1:] if len(tools) > 1 and self.definition.control is not None else tools
            self.n_warm = len(warm)
            spots = list(islice(cycle(product(self.tempers, warm, LEVELS)), start, start + n))
        else:
            u = self._sequence(3, start, n, 3 + list(SPEND).index(kind))
            spots = [(self.tempers[int(a * len(self.tempers))], tools[int(b * len(tools))], c) for a, b, c in u]
        return [self._plate(kind, i, *spot) for i, spot in enumerate(spots)]

    def _plate(self, kind: str, i: int, temper: str, temperature: float, share: float) -> Candidate:
        lots = self.limits.lots_of(temper)
        plate = Candidate(kind, temper, lots[i % len(lots)], temperature)
        if not self.limits.uses[kind].furnace:
            return plate
        features, low = self.definition.component.features, self.definition.factor_ranges["strain"][0]
        strain = low + share * (self.formable.most(temper, temperature) - low)
        if kind == "braze_coupon":
            strain *= features[i % len(features)].strain_share
        cut = always_sectioned(self.definition, kind) or (self.limits.uses[kind].section_sections > 0 and i % 2 == 0)
        step = STEP["strain"]
        return replace(plate, strain=max(round(round(strain / step) * step, 6), SMALLEST_STRAIN),
                       section_feature=features[(i // 2) % len(features)].name if cut else None)
