"""Which trials the invented lab made: the legacy of the start and five weeks of plans, as set.

The lists are written, not optimised: a lab that had no planner spreads its trials by habit.  Nothing here knows outcomes.
"""

from __future__ import annotations

import datetime
from dataclasses import dataclass

import numpy as np

TENSILE, BEND, COUPON, PART = "tensile_coupon", "bend_coupon", "braze_coupon", "component"
FEATURES = ("channel crest", "turning bend", "edge land")
LOTS = ("M301", "M302", "M303", "N701", "N702", "N703")
CONTROL_STRAIN = 0.05
FIRST_MONDAY = datetime.date(2026, 4, 6)

# Braze condition (degC, min) of each load, in the order of use.
LEGACY_LOADS = {"A01": (601.0, 3.0), "A02": (593.0, 2.5), "A03": (608.0, 4.5)}
WEEKLY_LOADS = (
    {"B11": (601.0, 3.0), "B12": (591.0, 2.0), "B13": (611.0, 4.0)},
    {"B21": (600.0, 6.5), "B22": (597.0, 1.5), "B23": (606.0, 3.0)},
    {"B31": (602.0, 4.0), "B32": (590.0, 6.0), "B33": (609.0, 2.5)},
    {"B41": (594.0, 2.0), "B42": (605.0, 5.5), "B43": (600.0, 4.5)},
    {"B51": (603.0, 2.5), "B52": (595.0, 4.0), "B53": (608.0, 6.0)},
)
WEEKLY_TOOLS = ((20.0, 100.0, 180.0, 250.0), (20.0, 140.0, 200.0, 260.0), (20.0, 150.0, 210.0, 240.0),
                (20.0, 170.0, 220.0, 260.0), (20.0, 190.0, 230.0, 250.0))  # fmt: skip
WEEKLY_LOTS = ((("M301",), ("N701",)), (("M301", "M302"), ("N701", "N702")), (("M302", "M303"), ("N701", "N702")),
               (("M302", "M303"), ("N702", "N703")), (("M303",), ("N703",)))  # fmt: skip


@dataclass(frozen=True)
class Trial:
    """One specimen as set, before anything is known of it."""

    specimen: str
    kind: str
    temper: str
    lot: str
    temperature: float            # degC, forming
    strain: float | None          # None: pulled to necking, or a bend
    load: str | None
    date: datetime.date
    section: str | None = None    # feature to be cut on a component
    late: bool = False            # the section is reported in a file of its own


class Labels:
    """Running specimen labels by type."""

    LETTER = {TENSILE: "T", BEND: "B", COUPON: "Z", PART: "C"}

    def __init__(self):
        self.last = dict.fromkeys(self.LETTER, 0)

    def next(self, kind: str) -> str:
        """Return the next free label of a type."""
        self.last[kind] += 1
        return f"{self.LETTER[kind]}-{self.last[kind]:03d}"


def temper_of(lot: str) -> str:
    """Return the temper of a coil from the mill's letter."""
    return "O" if lot.startswith("M") else "H14"


def legacy(labels: Labels) -> list[Trial]:
    """Return 40 coupons and 4 components that lay in the drawer before the campaign began."""
    day = datetime.date(2026, 2, 16)
    pulls = [("M301", t, None) for t in (20, 20, 150, 250)] + [("M302", t, None) for t in (20, 200)] + [
        ("M302", 250, 0.40), ("M301", 200, 0.40)] + [("N701", t, None) for t in (20, 20, 150, 250)] + [
        ("N702", t, None) for t in (20, 100, 200)] + [("N702", 250, 0.12)]
    bends = [("M301", 20), ("M301", 200), ("M302", 20), ("M302", 250), ("N701", 20), ("N701", 20), ("N701", 150),
             ("N701", 250), ("N702", 20), ("N702", 100), ("N702", 200), ("N702", 250)]
    coupons = {"A01": [("M301", 20, 0.02), ("M301", 20, 0.10), ("N701", 20, 0.03)],
               "A02": [("M302", 20, 0.15), ("N702", 200, 0.06), ("M302", 200, 0.05)],
               "A03": [("M301", 200, 0.03), ("M302", 20, 0.08), ("N701", 250, 0.10)]}
    parts = [("A01", "M301", 20, 0.06, "edge land"), ("A01", "N701", 200, 0.04, None), ("A02", "N702", 20, 0.08, None),
             ("A03", "M302", 200, 0.12, None)]
    made = [Trial(labels.next(TENSILE), TENSILE, temper_of(lot), lot, float(t), stop, None, day) for lot, t, stop in pulls]
    made += [Trial(labels.next(BEND), BEND, temper_of(lot), lot, float(t), None, None, day + datetime.timedelta(1)) for lot, t in bends]
    for i, (load, rows) in enumerate(coupons.items()):
        baked = day + datetime.timedelta(7 + i)
        for lot, t, strain in [("M301", 20, CONTROL_STRAIN), *rows]:
            made.append(Trial(labels.next(COUPON), COUPON, temper_of(lot), lot, float(t), strain, load, baked))
        for _, lot, t, strain, feature in [p for p in parts if p[0] == load]:
            made.append(Trial(labels.next(PART), PART, temper_of(lot), lot, float(t), strain, load, baked, feature))
    return made


def week(number: int, labels: Labels, rng: np.random.Generator) -> list[Trial]:
    """Return the 51 trials of one week (1 to 5): 16 pulls, 14 bends, and 3 loads of 4 coupons and 3 components."""
    monday = FIRST_MONDAY + datetime.timedelta(7 * (number - 1))
    tools, (soft, hard) = WEEKLY_TOOLS[number - 1], WEEKLY_LOTS[number - 1]
    pick = lambda lots: str(rng.choice(lots))
    made = []
    for i in range(16):
        lot, t = pick(hard if i % 2 else soft), tools[i // 2 % 4]
        stop = (0.40 if temper_of(lot) == "O" else 0.25) if t >= 180 else None
        made.append(Trial(labels.next(TENSILE), TENSILE, temper_of(lot), lot, t, stop, None, monday))
    for i in range(14):
        lot = pick(soft if i % 3 == 0 else hard)
        made.append(Trial(labels.next(BEND), BEND, temper_of(lot), lot, tools[i % 4], None, None, monday + datetime.timedelta(1)))
    for i, load in enumerate(WEEKLY_LOADS[number - 1]):
        day = monday + datetime.timedelta(2 + i)
        made.append(Trial(labels.next(COUPON), COUPON, "O", soft[-1], 20.0, CONTROL_STRAIN, load, day))
        for j in range(3):
            lot, t = pick(hard if j == 2 else soft), float(rng.choice(tools))
            made.append(Trial(labels.next(COUPON), COUPON, temper_of(lot), lot, t, _strain(lot, t, rng), load, day))
        for j in range(3):
            lot = pick(hard if (i + j + number) % 2 else soft)
            t = float(rng.choice(tools if temper_of(lot) == "O" else tools[1:]))
            cut = FEATURES[(i + j + number) % 3] if j == 0 or (i, j) == (1, 1) else None
            made.append(Trial(labels.next(PART), PART, temper_of(lot), lot, t, _strain(lot, t, rng), load, day, cut,
                              late=cut is not None and number == 4))
    return made


def _strain(lot: str, temperature: float, rng: np.random.Generator) -> float:
    """Return a strain that this lab would dare at that temperature."""
    top = 0.20 if temper_of(lot) == "O" else 0.07 + 0.12 * (temperature - 20.0) / 240.0
    return round(float(rng.uniform(0.015, top)), 3)
