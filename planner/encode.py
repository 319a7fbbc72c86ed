"""The only place where natural units and labels meet model arrays.

Specimens and definition go in; designs, observed blocks, priors and sheet constants come out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from models import rows
from models.handbook import clad_silicon, temper_meaning
from models.priors import Layout, PriorSet, prior_set
from planner.lab.specimen import Measured, Specimen

SMALLEST_PAD = 8


@dataclass(frozen=True)
class Encoded:
    """A campaign's data as the models read them."""

    observations: rows.Observations
    sheet: rows.Sheet
    settings: rows.Settings
    layout: Layout
    priors: PriorSet
    lots: tuple[str, ...]         # lots with at least one row, in order of index
    loads: tuple[str, ...]
    row_specimens: tuple[str, ...]  # specimen behind each row of the likelihood, in its order


def padded(n: int) -> int:
    """Return the least of 8, 16, 32, ... that holds n."""
    return max(SMALLEST_PAD, 1 << max(n - 1, 0).bit_length())


def padded_layout(n_tempers: int, n_lots: int, n_loads: int) -> Layout:
    """Return the layout of the unknowns with lots and loads padded, so that one compilation serves many data sets."""
    return Layout(n_tempers, padded(n_lots), padded(n_loads))


def sheet_constants(definition) -> rows.Sheet:
    """Return clad, silicon and the features in order of falling strain share."""
    features = sorted(definition.component.features, key=lambda f: -f.strain_share)
    return rows.Sheet(clad_um=definition.clad_thickness_um, silicon=clad_silicon(definition.sheet.clad),
                      share=np.array([f.strain_share for f in features]), count=np.array([float(f.count) for f in features]),
                      joined=np.array([bool(f.joined) for f in features]))


def settings_of(definition) -> rows.Settings:
    """Return the standard deviations of the actual settings."""
    f = definition.factors
    return rows.Settings(f.forming_temperature_degC.setting_sd, f.strain.setting_sd, f.braze_temperature_degC.setting_sd,
                         f.braze_time_min.setting_sd)


def hardness(temper: str) -> int:
    """Return 0 soft .. 4 full hard from the designation (EN 515 second digit / 2); quarter hard where it is not in the table."""
    try:
        return min(4, int(temper_meaning(temper).hardness / 2 + 0.5))
    except (KeyError, ValueError):
        return 1


def priors_of(definition) -> PriorSet:
    """Return the priors in force: documented defaults, replaced where the definition states beliefs."""
    beliefs = {k: dict(v) for k, v in (definition.beliefs or {}).items()}
    braze = beliefs.pop("braze", {})
    tempers = definition.factors.tempers
    return prior_set(tempers, [hardness(t) for t in tempers], beliefs=beliefs, braze=braze)


def conditions(definition, tempers: Sequence[str], factors) -> rows.Conditions:
    """Return conditions from temper names and an array (n, 4) of settings."""
    index = {t: i for i, t in enumerate(definition.factors.tempers)}
    return rows.Conditions.from_factors([index[t] for t in tempers], factors)


def _value(x: float | None, default: float = 0.0) -> float:
    return default if x is None else float(x)


class _Rows:
    """Collects rows of one block."""

    def __init__(self, encoder):
        self.encoder, self.specimens, self.columns, self.strain, self.scatter = encoder, [], [], [], []

    def add(self, specimen: Specimen, *columns: float, strain: float | None = None, strain_scatter: bool = True):
        self.specimens.append(specimen)
        self.columns.append(columns)
        self.strain.append(_value(specimen.strain) if strain is None else strain)
        self.scatter.append(strain_scatter)

    def design(self) -> rows.Design:
        e, s = self.encoder, self.specimens
        pick = lambda get, kind=float: np.array([get(x) for x in s], kind)
        measured = lambda name: pick(lambda x: getattr(x, name) is not None, bool)
        setting = lambda name: pick(lambda x: _value(getattr(x, name), _DEFAULTS[name]))
        known = lambda name, value: np.where(measured(name), pick(lambda x: _value(getattr(x, name))), value)
        x = rows.Conditions(pick(lambda x: e.temper[x.temper], np.int64),
                            known("forming_temperature_measured_degC", setting("forming_temperature_degC")), np.array(self.strain, float),
                            known("braze_temperature_measured_degC", setting("braze_temperature_degC")),
                            known("braze_time_measured_min", setting("braze_time_min")))
        d = rows.design(x, settings=e.settings, component=pick(lambda x: float(x.specimen_type == "component")),
                        lot=pick(lambda x: e.lot[x.lot], np.int64), load=pick(lambda x: e.load.get(x.furnace_load, 0), np.int64),
                        measured_forming=measured("forming_temperature_measured_degC"),
                        measured_braze_temperature=measured("braze_temperature_measured_degC"),
                        measured_braze_time=measured("braze_time_measured_min"))
        # the scatter of strain is relative to the component's own strain; a feature carries the same relative scatter
        whole = pick(lambda x: max(_value(x.strain), rows.MIN_STRAIN))
        sd = np.where(np.array(self.scatter, bool) & (d.strain > 0), e.settings.strain / whole, 0.0)
        return replace(d, log_strain_sd=sd)

    def column(self, j: int, kind=float) -> np.ndarray:
        return np.array([c[j] for c in self.columns], kind)


_DEFAULTS = {"forming_temperature_degC": 20.0, "braze_temperature_degC": 600.0, "braze_time_min": 3.0}


class _Encoder:
    """Sorts specimens into the blocks of the likelihood."""

    def __init__(self, definition, specimens: Sequence[Specimen], lots: Sequence[str] = (), loads: Sequence[str] = ()):
        self.definition, self.settings, self.sheet = definition, settings_of(definition), sheet_constants(definition)
        self.temper = {t: i for i, t in enumerate(definition.factors.tempers)}
        self.lots = _in_order(lots, {s.lot for s in specimens})
        self.loads = _in_order(loads, {s.furnace_load for s in specimens if s.furnace_load and _brazed(s)})
        self.lot = {name: i for i, name in enumerate(self.lots)}
        self.load = {name: i for i, name in enumerate(self.loads)}
        self.share = {f.name: f.strain_share for f in definition.component.features}
        self.top = float(self.sheet.share.max())
        self.blocks = {name: _Rows(self) for name in ("formability", "springback", "section", "counts")}
        for s in specimens:
            self._limit(s)
            self._spring(s)
            self._section(s)
            self._counts(s)

    def _limit(self, s: Specimen):
        block = self.blocks["formability"]
        if s.limit_strain is not None:
            block.add(s, np.log(s.limit_strain.value), s.limit_strain.censor, strain_scatter=False)
        elif s.strain and (s.cracked is not None or _came_through(s)):
            strain = s.strain * (self.top if s.specimen_type == "component" else 1.0)
            block.add(s, np.log(strain), rows.LEFT if s.cracked else rows.RIGHT)

    def _spring(self, s: Specimen):
        block = self.blocks["springback"]
        measured = s.gap_mm if s.specimen_type == "component" else s.springback_angle_deg
        if measured is not None:
            block.add(s, np.log(measured.value), measured.censor)

    def _section(self, s: Specimen):
        if s.recrystallised is None and s.film_depth_um is None and s.clad_left_um is None or not _brazed(s):
            return
        share = self.share.get(s.section_feature, 1.0) if s.specimen_type == "component" else 1.0
        known = float(s.recrystallised is not None)
        state_not = known * float(not s.recrystallised)
        film_y, film_censor, film_known, depth = _film(s.film_depth_um)
        clad = s.clad_left_um
        self.blocks["section"].add(
            s, known, state_not, film_y, film_censor, film_known, depth, clad.value / self.sheet.clad_um if clad else 0.0,
            clad.censor if clad else rows.MISSING, strain=_value(s.strain) * share)

    def _counts(self, s: Specimen):
        counted = s.joints_inspected is not None and s.joints_sound is not None
        if s.specimen_type != "component" or not (counted or s.leaked is not None) or not _brazed(s):
            return
        gap = s.gap_mm
        known = float(gap is not None and gap.censor <= 0)
        value = 0.0 if not known else gap.value * (0.5 if gap.censor < 0 else 1.0)
        self.blocks["counts"].add(s, float(s.joints_inspected or 0) if counted else 0.0, float(s.joints_sound or 0) if counted else 0.0,
                                  0.0 if s.leaked is None else (1.0 if s.leaked else -1.0), known, value)

    def encoded(self) -> Encoded:
        b = self.blocks
        normal = lambda r: rows.NormalBlock(r.design(), r.column(0), r.column(1, np.int64))
        s, c = b["section"], b["counts"]
        section = rows.SectionBlock(s.design(), s.column(0), s.column(1), s.column(2), s.column(3, np.int64), s.column(4), s.column(5),
                                    s.column(6), s.column(7, np.int64))
        counts = rows.CountBlock(c.design(), *(c.column(j) for j in range(5)))
        n_tempers = len(self.temper)
        observations = rows.Observations(normal(b["formability"]), normal(b["springback"]), section, counts, n_tempers,
                                         len(self.lots), len(self.loads))
        names = [x.specimen for name in ("formability", "springback", "section", "section", "counts") for x in b[name].specimens]
        return Encoded(observations, self.sheet, self.settings, padded_layout(n_tempers, len(self.lots), len(self.loads)),
                       priors_of(self.definition), self.lots, self.loads, tuple(names))


def _brazed(s: Specimen) -> bool:
    """Tell whether a specimen went through the furnace."""
    return s.furnace_load is not None and s.braze_temperature_degC is not None and not s.cracked


def _came_through(s: Specimen) -> bool:
    """Tell whether later measurements show that forming did not crack a specimen whose `cracked` cell is blank.

    Leaving these rows out would keep the cracked ones only and bias the limit strain low.
    """
    later = (s.recrystallised, s.film_depth_um, s.clad_left_um, s.gap_mm, s.joints_sound, s.leaked)
    return s.specimen_type in ("component", "braze_coupon") and any(x is not None for x in later)


def _film(measured: Measured | None) -> tuple[float, int, float, float]:
    """Return ln of the reading, its censoring, whether it is exact, and the depth where exact."""
    if measured is None:
        return 0.0, rows.MISSING, 0.0, 0.0
    exact = measured.censor == rows.EXACT
    return float(np.log(measured.value)), measured.censor, float(exact), measured.value if exact else 0.0


def design_of_planned(definition, encoded: Encoded, planned: Sequence, lot_index: dict[str, int]) -> rows.Design:
    """Return the design of specimens not yet made; lots not in `lot_index` get the index after the last, loads the index 0.

    Parameters
    ----------
    planned : records with specimen_type, temper, lot, forming_temperature_degC, strain, braze_temperature_degC and
        braze_time_min (None where not applicable).
    """
    index = {t: i for i, t in enumerate(definition.factors.tempers)}
    pick = lambda name, default: np.array([_value(getattr(c, name), default) for c in planned])
    x = rows.Conditions(np.array([index[c.temper] for c in planned]), pick("forming_temperature_degC", 20.0), pick("strain", 0.0),
                        pick("braze_temperature_degC", 600.0), pick("braze_time_min", 3.0))
    return rows.design(x, settings=encoded.settings, component=np.array([float(c.specimen_type == "component") for c in planned]),
                       lot=np.array([lot_index.get(c.lot, len(lot_index)) for c in planned]))


def _in_order(first: Sequence[str], present: set[str]) -> tuple[str, ...]:
    """Return labels in a given order, those not named there behind them, sorted."""
    return (*first, *sorted(present - set(first)))


def encode(definition, specimens: Sequence[Specimen], *, lots: Sequence[str] = (), loads: Sequence[str] = ()) -> Encoded:
    """Return a campaign's specimens as model arrays.

    Parameters
    ----------
    definition : planner.lab Definition.
    specimens : recorded specimens that are not excluded, in a fixed order.
    lots, loads : labels whose indices must stay as they were in an earlier fit; new ones follow.
    """
    return _Encoder(definition, specimens, lots, loads).encoded()
