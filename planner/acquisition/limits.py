"""What one week may use, and what a plan under construction has used so far.

Limits are part of the choice, not a filter behind it: before a specimen is added, the tally says whether money,
hours, loads, places, tool temperatures, sections and stock still hold with it - and with the set-ups and the control it
would bring along - or else which limit binds.  One arithmetic serves the yes/no of a thousand candidates, the final
audit of a whole plan, and the message that tells a researcher the least change that would free a plan that does not fit.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from planner.acquisition.candidate import Candidate
from planner.lab.campaign import Definition, unreachable

LIMITS = (
    "out_of_reach",
    "stock",
    "furnace_loads",
    "places_per_load",
    "tool_temperatures",
    "sections",
    "hours",
    "budget",
)
SECTION_GIVES = frozenset({"recrystallised", "film_depth", "clad_left"})
TOLERANCE = 1e-9
NONE, OPEN = -1, -2
"""Into no load; into a load that would be opened for it."""


@dataclass(frozen=True)
class Use:
    """What one specimen of a type uses, and what cutting it open adds."""

    cost: float
    hours: float
    furnace: bool
    blanks: int
    places: int
    sections: int
    section_cost: float = 0.0
    section_hours: float = 0.0
    section_sections: int = 0
    days_to_result: int = 0
    section_days: int = 0


@dataclass(frozen=True)
class Limits:
    """Everything that bounds one week's plan; ``None`` is no limit."""

    definition: Definition
    blanks: Mapping[str, int]
    """Blanks free for this plan by lot: pending plans already subtracted."""
    lot_temper: Mapping[str, str]
    uses: Mapping[str, Use]
    allowed: Mapping[str, float]
    """Limit by name, infinite where none is set."""
    setup_load: float
    setup_tool: float

    @classmethod
    def of(
        cls, definition: Definition, *, blanks: Mapping[str, int] | None = None, budget: float | None = None
    ) -> Limits:
        """Read the week's limits.

        Parameters
        ----------
        definition : Definition
        blanks : mapping of lot to int, optional
            Blanks free now; default the numbers of ``[[stock]]``.
        budget : float, optional
            Money of this week in place of ``week.budget``.
        """
        week = definition.week
        given = {
            "furnace_loads": week.furnace_loads,
            "places_per_load": week.places_per_load,
            "tool_temperatures": week.tool_temperatures,
            "sections": week.sections,
            "hours": week.hours,
            "budget": week.budget if budget is None else budget,
        }
        stock = {entry.lot: entry.blanks for entry in definition.stock}
        if blanks is not None:
            stock = {lot: max(int(blanks.get(lot, 0)), 0) for lot in stock}
        return cls(
            definition=definition,
            blanks=stock,
            lot_temper={entry.lot: entry.temper for entry in definition.stock},
            uses={name: _use(kind) for name, kind in definition.specimens.items()},
            allowed={name: float("inf") if value is None else float(value) for name, value in given.items()},
            setup_load=week.setup.furnace_load,
            setup_tool=week.setup.tool_temperature,
        )

    def lots_of(self, temper: str) -> list[str]:
        """Return the lots of a temper that still have blanks, in the order of the definition."""
        return [lot for lot, t in self.lot_temper.items() if t == temper and self.blanks[lot] > 0]

    def control(self, lot: str, braze: tuple[float, float]) -> Candidate:
        """Return the control of a load as a candidate of one lot."""
        control = self.definition.control
        sectioned = always_sectioned(self.definition, control.specimen_type)
        return Candidate(
            specimen_type=control.specimen_type,
            temper=control.temper,
            lot=lot,
            forming_temperature_degC=control.forming_temperature_degC,
            strain=control.strain,
            braze_temperature_degC=braze[0],
            braze_time_min=braze[1],
            section_feature=self.definition.component.features[0].name if sectioned else None,
        )

    def reachable(self, candidate: Candidate) -> bool:
        """Tell whether the rig can reach a candidate's set values."""
        settings = {
            "forming_temperature_degC": candidate.forming_temperature_degC,
            "strain": candidate.strain,
            "braze_temperature_degC": candidate.braze_temperature_degC,
            "braze_time_min": candidate.braze_time_min,
        }
        given = {key: value for key, value in settings.items() if value is not None}
        return unreachable(self.definition, given) is None


def always_sectioned(definition: Definition, specimen_type: str) -> bool:
    """Tell whether every component is cut open, section or no section planned."""
    kind = definition.specimens[specimen_type]
    return specimen_type == "component" and bool(SECTION_GIVES & set(kind.gives))


def _use(kind: object) -> Use:
    use = {name: getattr(kind, name) for name in ("cost", "hours", "furnace", "blanks", "places", "sections")}
    use["days_to_result"] = kind.days_to_result
    section = kind.section
    if section is not None:
        use |= {"section_cost": section.cost, "section_hours": section.hours, "section_sections": section.sections}
        use["section_days"] = section.days_to_result
    return Use(**use)


class Needs:
    """What each candidate would use, as arrays that the tally adds up."""

    def __init__(self, limits: Limits, candidates: Sequence[Candidate]) -> None:
        uses = [limits.uses[c.specimen_type] for c in candidates]
        cut = [
            c.section_feature is not None and not always_sectioned(limits.definition, c.specimen_type)
            for c in candidates
        ]
        pairs = list(zip(uses, cut, strict=True))
        self.cost = np.array([u.cost + u.section_cost * s for u, s in pairs], float)
        self.hours = np.array([u.hours + u.section_hours * s for u, s in pairs], float)
        self.sections = np.array([u.sections + u.section_sections * s for u, s in pairs], float)
        self.blanks = np.array([u.blanks for u in uses], float)
        self.places = np.array([u.places for u in uses], float)
        self.furnace = np.array([u.furnace for u in uses], bool)
        self.temperature = np.array([round(c.forming_temperature_degC, 6) for c in candidates], float)
        self.lots = tuple(limits.blanks)
        number = {lot: i for i, lot in enumerate(self.lots)}
        self.lot = np.array([number[c.lot] for c in candidates], int)
        self.reachable = np.array([limits.reachable(c) for c in candidates], bool)


@dataclass
class LoadUse:
    """One furnace load under construction."""

    control: int | None
    """Candidate number of its control; ``None`` where controls are off."""
    members: list[int] = field(default_factory=list)
    """Candidate numbers, the control first."""


class Tally:
    """What a plan under construction uses.

    Parameters
    ----------
    limits : Limits
    needs : Needs
        Of the candidates by whose numbers this tally speaks.
    """

    def __init__(self, limits: Limits, needs: Needs) -> None:
        self.limits, self.needs = limits, needs
        self.loose: list[int] = []
        self.loads: dict[int, LoadUse] = {}
        self._on_hand = np.array([limits.blanks[lot] for lot in needs.lots], float)

    def copy(self) -> Tally:
        """Return an independent copy."""
        other = Tally(self.limits, self.needs)
        other.loose = list(self.loose)
        other.loads = {number: LoadUse(load.control, list(load.members)) for number, load in self.loads.items()}
        return other

    def members(self) -> list[int]:
        """Return every specimen of the plan, controls included."""
        return [*self.loose, *(m for load in self.loads.values() for m in load.members)]

    def add(self, candidate: int, load: int = NONE) -> None:
        """Add a specimen, to an open load or to none."""
        (self.loose if load == NONE else self.loads[load].members).append(int(candidate))

    def remove(self, candidate: int, load: int = NONE) -> None:
        """Take a specimen out again."""
        (self.loose if load == NONE else self.loads[load].members).remove(int(candidate))

    def open(self, number: int, control: int | None) -> None:
        """Open a load with its control."""
        self.loads[number] = LoadUse(control, [] if control is None else [int(control)])

    def close(self, number: int) -> None:
        """Take a load and all that is in it out again."""
        del self.loads[number]

    @property
    def temperatures(self) -> set[float]:
        """Distinct forming temperatures, degC."""
        return {float(self.needs.temperature[m]) for m in self.members()}

    @property
    def cost(self) -> float:
        """Specimens, sections and set-ups, controls included."""
        setups = len(self.loads) * self.limits.setup_load + len(self.temperatures) * self.limits.setup_tool
        return float(self.needs.cost[self.members()].sum() + setups)

    @property
    def hours(self) -> float:
        """Hands-on hours, controls included."""
        return float(self.needs.hours[self.members()].sum())

    @property
    def sections(self) -> int:
        """Sections to be cut, controls included."""
        return int(self.needs.sections[self.members()].sum())

    def demand(self, rows: np.ndarray, *, load: int = NONE, control: int | None = None) -> dict[str, np.ndarray]:
        """Return what the plan would use with one more specimen, by limit, for each candidate.

        Parameters
        ----------
        rows : (n,) int array
            Candidates.
        load : int
            ``NONE``, ``OPEN`` (a load is opened for it) or the number of an open load.
        control : int, optional
            With ``OPEN``: the control that the new load brings along.
        """
        needs, members = self.needs, self.members()
        extra = [control] if load == OPEN and control is not None else []
        base = [*members, *extra]
        warm = np.array(sorted({float(needs.temperature[m]) for m in base}), float)
        n_loads = len(self.loads) + (load == OPEN)
        n_tools = warm.size + ~np.isin(needs.temperature[rows], warm)
        used = np.bincount(needs.lot[base], weights=needs.blanks[base], minlength=len(needs.lots))
        own_stock = used[needs.lot[rows]] + needs.blanks[rows] - self._on_hand[needs.lot[rows]]
        shelf = max((used[needs.lot[m]] - self._on_hand[needs.lot[m]] for m in extra), default=-np.inf)
        if load == NONE:
            places = np.zeros(rows.size)
        else:
            inside = extra if load == OPEN else self.loads[load].members
            places = needs.places[inside].sum() + needs.places[rows]
        blocked = ~needs.reachable[rows] | any(not needs.reachable[m] for m in extra)
        setups = n_loads * self.limits.setup_load + n_tools * self.limits.setup_tool
        return {
            "out_of_reach": blocked.astype(float),
            "stock": np.maximum(own_stock, shelf),
            "furnace_loads": np.full(rows.size, float(n_loads)),
            "places_per_load": places,
            "tool_temperatures": n_tools.astype(float),
            "sections": needs.sections[base].sum() + needs.sections[rows],
            "hours": needs.hours[base].sum() + needs.hours[rows],
            "budget": needs.cost[base].sum() + needs.cost[rows] + setups,
        }

    def refusals(self, rows: np.ndarray, *, load: int = NONE, control: int | None = None) -> np.ndarray:
        """Return, for each candidate, 0 where it fits or else 1 + the position in ``LIMITS`` of a limit that binds."""
        rows = np.asarray(rows, int)
        code = np.zeros(rows.size, np.int8)
        for position, (name, used) in enumerate(self.demand(rows, load=load, control=control).items()):
            over = used > self.ceiling(name) + TOLERANCE * max(1.0, abs(self.ceiling(name)))
            code = np.where((code == 0) & over, position + 1, code)
        return code

    def ceiling(self, name: str) -> float:
        """Return what a limit allows; stock and reach are counted as what is missing."""
        return float(self.limits.allowed.get(name, 0.0))

    def broken(self) -> list[str]:
        """Return the limits that the plan as it stands breaks, worst named first in the order of ``LIMITS``."""
        needs, members = self.needs, self.members()
        used = np.bincount(needs.lot[members], weights=needs.blanks[members], minlength=len(needs.lots))
        places = [needs.places[load.members].sum() for load in self.loads.values()]
        use = {
            "out_of_reach": float(np.sum(~needs.reachable[members])),
            "stock": float(np.max(used - self._on_hand, initial=0.0)),
            "furnace_loads": len(self.loads),
            "places_per_load": max(places, default=0.0),
            "tool_temperatures": len(self.temperatures),
            "sections": self.sections,
            "hours": self.hours,
            "budget": self.cost,
        }
        return [n for n in LIMITS if use[n] > self.ceiling(n) + TOLERANCE * max(1.0, abs(self.ceiling(n)))]


def binding(codes: Iterable[int]) -> dict[str, int]:
    """Count how often each limit refused, most often first."""
    counted = np.bincount(np.asarray(list(codes), int), minlength=len(LIMITS) + 1)[1:]
    order = np.argsort(-counted, kind="stable")
    return {LIMITS[i]: int(counted[i]) for i in order if counted[i]}
