"""A week's plan while it is being chosen.

Ties the three things that every step must agree on: which specimens are in (and in which furnace load), what they would
tell (the gain), and what they use (the tally).  It offers the steps and exchanges that ``search`` tries.  A furnace load is
opened as a whole - its control, and the specimens that would fill it - because no single specimen could ever pay for
the set-up.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from planner.acquisition import lazy
from planner.acquisition.candidates import Pool
from planner.acquisition.gain import NO_LOAD, Conditioned, LinearGain
from planner.acquisition.limits import LIMITS, NONE, OPEN, Limits, Needs, Tally

TRIAL, CONTROL, INSISTED, REPRESENTATIVE = "trial", "control", "insisted", "representative"
SMALLEST_GAIN = 1e-7
"""Fall of H below which a specimen counts as telling nothing."""
WORTH_SHARE = 0.25
"""A specimen is not worth its money below this share of the plan's average gain for its price."""
OPENINGS_TRIED = 4
LARGEST_BUNDLE = 12
SWAPPED = 14
"""Specimens, the least useful first, whose places are tried against each other."""
MONEY_TOO = 1e-6
"""What money counts for beside shares of scarce resources: enough that nothing is free."""
PRICED = ("budget", "hours", "sections")


@dataclass(frozen=True)
class Pick:
    """A specimen in the draft."""

    candidate: int
    load: int = NONE
    role: str = TRIAL


@dataclass(frozen=True)
class Step:
    """A change of the draft: what goes out, what comes in, which load is opened or brazed anew."""

    out: tuple[Pick, ...] = ()
    into: tuple[Pick, ...] = ()
    opens: int | None = None
    control: int | None = None


class Draft:
    """A plan under construction, as ``search`` wants it.

    Parameters
    ----------
    gain : LinearGain
    pool : Pool
    limits : Limits
    needs : Needs
        Of the pool's candidates.
    pending : tuple of (candidate, load)
        Specimens of earlier plans whose results are still to come: their knowledge is counted, their cost is not.
    correction : (n_candidates,) array, optional
        Factor on the gain of each candidate where one specimen is weighed against another; default 1.
    price : str, default "money"
        ``"money"``: gain per cost; ``"scarce"``: gain per share of every limited resource.
    region : (n_candidates,) bool array, optional
        Where a component represents the claimed and undecided region; default anywhere.
    """

    def __init__(
        self,
        gain: LinearGain,
        pool: Pool,
        limits: Limits,
        needs: Needs,
        *,
        pending: tuple[tuple[int, int], ...] = (), correction: np.ndarray | None = None,
        price: str = "money", region: np.ndarray | None = None,
    ) -> None:  # fmt: skip
        self.gain, self.pool, self.limits, self.needs = gain, pool, limits, needs
        self.pending, self.price = pending, price
        self.correction = np.ones(gain.n_candidates) if correction is None else correction
        self.region = np.ones(gain.n_candidates, bool) if region is None else region
        self.picks: list[Pick] = []
        self.tally = Tally(limits, needs)
        self.refused = np.zeros(len(LIMITS) + 1, int)
        self._conditioned: Conditioned | None = None
        self._start: float | None = None
        self._opening: tuple[float, Step] | None = None
        self._opening_stale = True
        self._chosen_ok = ~pool.is_control
        self._known = np.full(gain.n_candidates, np.inf)    # fall of each candidate when it was last scored, shared by copies

    # -- state ---------------------------------------------------------------------------------------------------

    def batch(self) -> list[tuple[int, int]]:
        """Return all that informs: pending specimens and the picks of this plan."""
        return [*self.pending, *((p.candidate, p.load if p.load != NONE else NO_LOAD) for p in self.picks)]

    @property
    def conditioned(self) -> Conditioned:
        """The map after the draft as it stands."""
        if self._conditioned is None:
            self._conditioned = self.gain.condition(self.batch())
        return self._conditioned

    @property
    def start(self) -> float:
        """H expected before this plan: pending specimens alone."""
        if self._start is None:
            self._start = self.gain.condition(self.pending).misclassification
        return self._start

    @property
    def misclassification(self) -> float:
        """H expected after the draft as it stands."""
        return self.conditioned.misclassification

    def value(self) -> float:
        """Return minus H, which the search raises."""
        return -self.misclassification

    def copy(self) -> Draft:
        """Return an independent copy."""
        other = Draft(self.gain, self.pool, self.limits, self.needs, pending=self.pending, correction=self.correction, price=self.price,
                      region=self.region)
        other.picks, other.tally = list(self.picks), self.tally.copy()
        other._conditioned, other._start, other._known = self._conditioned, self._start, self._known
        return other

    def under(self, price: str) -> Draft:
        """Return a copy that goes by another price rule and shares not even what was last scored."""
        other = self.copy()
        other.price, other._known = price, self._known.copy()
        return other

    def take(self, step: Step) -> None:
        """Make a change."""
        added = self._conditioned if not step.out else None
        for pick in step.out:
            self.picks.remove(pick)
            self.tally.remove(pick.candidate, pick.load)
        filled = {p.load for p in step.into} | {step.opens}
        for number in {p.load for p in step.out if p.load != NONE} - filled:
            if not self.tally.loads[number].members:
                self.tally.close(number)
        if step.opens is not None:
            self.tally.open(step.opens, step.control)
            if step.control is not None:
                self.picks.append(Pick(step.control, step.opens, CONTROL))
        for pick in step.into:
            self.picks.append(pick)
            self.tally.add(pick.candidate, pick.load)
        if added is not None:
            control = [] if step.control is None else [Pick(step.control, step.opens, CONTROL)]
            for pick in [*control, *step.into]:
                added = self.gain.with_pick(added, (pick.candidate, pick.load))
        self._conditioned = added
        self._opening_stale = True

    def free_load(self) -> int:
        """Return a number that no load has had."""
        pending = [load for _, load in self.pending]
        return max([-1, *self.tally.loads, *pending]) + 1

    def braze_of(self, load: int) -> int:
        """Return the braze number of an open load."""
        return int(next(self.pool.braze[p.candidate] for p in self.picks if p.load == load))

    # -- steps ---------------------------------------------------------------------------------------------------

    def options(self) -> tuple[np.ndarray, np.ndarray]:
        """Return every specimen that fits as things stand, and the load it would go into."""
        kinds = [(np.flatnonzero(self._chosen_ok & ~self.needs.furnace), NONE)]
        for load in self.tally.loads:
            if self.tally.loads[load].members:
                kinds.append((np.flatnonzero(self._chosen_ok & (self.pool.braze == self.braze_of(load))), load))
        rows, loads = [], []
        for candidates, load in kinds:
            code = self.tally.refusals(candidates, load=load)
            self.refused += np.bincount(code, minlength=self.refused.size)
            rows.append(candidates[code == 0])
            loads.append(np.full(rows[-1].size, load))
        return np.concatenate(rows), np.concatenate(loads)

    def priced(self, rows: np.ndarray, load: int, *, control: int | None = None) -> np.ndarray:
        """Return the price of each specimen more, on the scale of this draft's rule."""
        after = self.tally.demand(rows, load=load, control=control)
        now = {"budget": self.tally.cost, "hours": self.tally.hours, "sections": self.tally.sections}
        limited = self._limited()
        if not limited:
            return after["budget"] - now["budget"]
        scarce = sum((after[n] - now[n]) / self.tally.ceiling(n) for n in limited)
        return scarce + MONEY_TOO * (after["budget"] - now["budget"])

    def _falls(self, rows: np.ndarray, loads: np.ndarray) -> np.ndarray:
        """Return the fall of H that each specimen more would bring."""
        return self.correction[rows] * (self.misclassification - self.gain.score(self.conditioned, rows, loads))

    def best_single(self) -> tuple[float, Step] | None:
        """Return the specimen with the largest gain for its price that opens nothing, and that ratio."""
        rows, loads = self.options()
        if rows.size == 0:
            return None
        price = np.concatenate([self.priced(rows[loads == x], int(x)) for x in dict.fromkeys(loads.tolist())])
        best, fall = lazy.best_choice(self._falls, rows, loads, price, self._known)
        if fall <= SMALLEST_GAIN:
            return None
        return float(fall / price[best]), Step(into=(Pick(int(rows[best]), int(loads[best])),))

    def control_for(self, braze: int) -> tuple[bool, int | None]:
        """Return whether a load at this braze can have its control, and the control (None: controls are off)."""
        if self.limits.definition.control is None:
            return True, None
        used = [self.pool.candidates[p.candidate].lot for p in self.picks if p.role == CONTROL]
        lots = [lot for lot, b in self.pool.control if b == braze]
        for lot in sorted(lots, key=lambda x: x not in used):
            number = self.pool.control[(lot, braze)]
            code = self.tally.refusals(np.array([number]), load=NONE)[0]
            if LIMITS[code - 1] != "stock" or code == 0:
                return True, number
        return False, None

    def openings(self) -> dict[int, tuple[int | None, np.ndarray]]:
        """Return, by braze, the control and the candidates with which a new load would fit."""
        found = {}
        for braze in range(len(self.pool.brazes)):
            possible, control = self.control_for(braze)
            rows = np.flatnonzero(self._chosen_ok & (self.pool.braze == braze))
            if not possible:
                self.refused[1 + LIMITS.index("stock")] += rows.size
                continue
            code = self.tally.refusals(rows, load=OPEN, control=control)
            self.refused += np.bincount(code, minlength=self.refused.size)
            if (code == 0).any():
                found[braze] = (control, rows[code == 0])
        return found

    def best_opening(self) -> tuple[float, Step] | None:
        """Return the new load, filled as far as pays, with the largest gain for its price, and that ratio."""
        found = self.openings()
        if not found:
            return None
        rows = np.concatenate([r for _, r in found.values()])
        number = self.free_load()
        places = min(self.limits.allowed["places_per_load"], LARGEST_BUNDLE)
        promise = {}
        if rows.size > lazy.ABOVE:                          # of each braze only those that promised most
            top = {b: r[np.argsort(-self._known[r], kind="stable")[: 4 * LARGEST_BUNDLE]] for b, (_, r) in found.items()}
            found = {b: (control, top[b]) for b, (control, _) in found.items()}
            rows = np.concatenate(list(top.values()))
        fall = self._falls(rows, np.full(rows.size, number))
        for braze in found:
            top = np.sort(fall[self.pool.braze[rows] == braze])[::-1]
            promise[braze] = float(top[: max(int(places) - 1, 1)].sum())
        tried = sorted(promise, key=lambda b: -promise[b])[:OPENINGS_TRIED]
        offers = [self._bundle(number, *found[braze]) for braze in tried]
        offers = [o for o in offers if o is not None]
        return max(offers, key=lambda o: o[0]) if offers else None

    def _bundle(self, number: int, control: int | None, rows: np.ndarray) -> tuple[float, Step] | None:
        """Fill a trial copy of a new load by gain for price and cut it where the ratio of the whole is best."""
        trial = self.copy()
        start, opening = self.misclassification, self.priced(rows, OPEN, control=control)
        trial.take(Step(opens=number, control=control))
        spent, best, members = 0.0, None, []
        for _ in range(LARGEST_BUNDLE):
            price = opening if not members else trial.priced(rows, number)
            ok = trial.tally.refusals(rows, load=number) == 0
            if not ok.any():
                break
            fall = np.full(rows.size, -np.inf)
            fall[ok] = trial._falls(rows[ok], np.full(ok.sum(), number))
            pick = int(np.argmax(fall / trial.priced(rows, number)))
            if fall[pick] <= (SMALLEST_GAIN if members else -np.inf):
                break
            spent += float(price[pick])
            members.append(Pick(int(rows[pick]), number))
            trial.take(Step(into=(members[-1],)))
            ratio = (start - trial.misclassification) / spent
            if start - trial.misclassification > SMALLEST_GAIN and (best is None or ratio > best[0]):
                best = (ratio, Step(into=tuple(members), opens=number, control=control))
        return best

    def next_step(self) -> Step | None:
        """Return the better of one specimen more and one load more."""
        single = self.best_single()
        if self._opening is None or self._opening_stale:
            known = self._opening[0] if self._opening is not None else np.inf
            if single is None or known >= single[0]:
                self._opening = self.best_opening()
                self._opening_stale = False
        offers = [o for o in (single, None if self._opening_stale else self._opening) if o is not None]
        best = max(offers, key=lambda o: o[0], default=None)
        return None if best is None or best[0] < self.worth_floor() else best[1]

    def worth_floor(self) -> float:
        """Return the gain for its price below which a specimen is not worth it: a share of the plan's average so far.

        While a load may still be opened the average speaks of a few coupons only, and nothing is held against it.
        """
        if not self.tally.loads and (self._opening_stale or self._opening is not None):
            return 0.0
        spent = self.total_price()
        return WORTH_SHARE * (self.start - self.misclassification) / spent if spent > 0 else 0.0

    def total_price(self) -> float:
        """Return the price of the whole draft on the scale of its rule."""
        used = {"budget": self.tally.cost, "hours": self.tally.hours, "sections": float(self.tally.sections)}
        limited = self._limited()
        scarce = sum(used[n] / self.tally.ceiling(n) for n in limited) + MONEY_TOO * used["budget"]
        return scarce if limited else used["budget"]

    def _limited(self) -> list[str]:
        """Return the limits that make up the price; none where money alone does."""
        return [] if self.price == "money" else [n for n in PRICED if 0 < self.tally.ceiling(n) < np.inf]

    # -- exchange ------------------------------------------------------------------------------------------------

    def moves(self) -> Iterator[tuple[Any, ...]]:
        """Return exchanges: replace a specimen, braze a load otherwise, swap two specimens between loads."""
        free = [p for p in self.picks if p.role == TRIAL]
        yield from (("replace", p) for p in free)
        yield from (("rebraze", load, b) for load in self.tally.loads for b in range(len(self.pool.brazes)))
        losses = self.gain.losses(self.conditioned)[len(self.pending) :]
        weak = [p for _, p in sorted(zip(losses, self.picks, strict=True), key=lambda x: x[0])]
        inside = [p for p in weak if p.role == TRIAL and p.load != NONE][:SWAPPED]
        for i, first in enumerate(inside):
            for second in inside[i + 1 :]:
                if self.pool.braze[first.candidate] != self.pool.braze[second.candidate]:
                    yield ("swap", first, second)

    def propose(self, move: tuple[Any, ...]) -> tuple[float, Step] | None:
        """Return the value of the best form of a move and the change that makes it."""
        kind, *what = move
        if kind == "replace":
            return self._replace(what[0])
        step = self._rebrazed(*what) if kind == "rebraze" else self._swapped(*what)
        if step is None:
            return None
        trial = self.copy()
        trial.take(step)
        return None if trial.tally.broken() else (trial.value(), step)

    def _replace(self, pick: Pick) -> tuple[float, Step] | None:
        if pick not in self.picks:
            return None
        alone = pick.load != NONE and sum(p.load == pick.load and p.role != CONTROL for p in self.picks) == 1
        trial = self.copy()
        trial.take(Step(out=(pick,)))
        if alone and pick.load not in trial.tally.loads:
            return None
        rows, loads = trial.options()
        keep = (loads == pick.load) if alone else np.ones(rows.size, bool)
        rows, loads = rows[keep], loads[keep]
        if rows.size == 0:
            return None
        best, after = trial.best_addition(rows, loads)
        return -after, Step(out=(pick,), into=(Pick(int(rows[best]), int(loads[best])),))

    def best_addition(self, rows: np.ndarray, loads: np.ndarray) -> tuple[int, float]:
        """Return which specimen more leaves the least H whatever it costs, and that H."""
        weight = self.correction[rows]                      # taken off again: a whole plan is judged by the plain score
        best, fall = lazy.best_choice(self._falls, rows, loads, weight, self._known)
        return best, self.misclassification - fall / float(weight[best])

    def _rebrazed(self, load: int, braze: int) -> Step | None:
        members = [p for p in self.picks if p.load == load]
        if not members or self.pool.braze[members[0].candidate] == braze or any(p.role == INSISTED for p in members):
            return None
        moved = []
        for pick in members:
            if pick.role == CONTROL:
                number = self.pool.control.get((self.pool.candidates[pick.candidate].lot, braze))
            else:
                number = self.pool.at.get((int(self.pool.plate[pick.candidate]), braze))
            # what is insisted on exists at its own braze alone; what represents the region stays in it
            if number is None or (pick.role == REPRESENTATIVE and not self.region[number]):
                return None
            moved.append(replace(pick, candidate=number))
        control = next((p.candidate for p in moved if p.role == CONTROL), None)
        into = tuple(p for p in moved if p.role != CONTROL)
        return Step(out=tuple(members), into=into, opens=load, control=control)

    def _swapped(self, first: Pick, second: Pick) -> Step | None:
        if first not in self.picks or second not in self.picks:
            return None
        into = []
        for pick, other in ((first, second), (second, first)):
            number = self.pool.at.get((int(self.pool.plate[pick.candidate]), int(self.pool.braze[other.candidate])))
            if number is None:
                return None
            into.append(Pick(number, other.load))
        return Step(out=(first, second), into=tuple(into))
