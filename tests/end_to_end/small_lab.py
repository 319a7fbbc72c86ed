"""An invented lab with three tempers whose truth behaves as the trade reports (checks S5, R5, F6: common practice, unverified).

Springback falls with temperature, most in harder tempers; a hard temper springs back more; limit strain at 250 degC is three
times that at 20; film migration of the soft temper is worst at a small strain and gone once the core recrystallises, which warm
forming delays; hard tempers recrystallise at every strain.
"""

from __future__ import annotations

from itertools import product
from pathlib import Path

import numpy as np

from models.priors import unpack
from planner.encode import padded_layout, priors_of
from planner.lab.specimen import Specimen
from planner.rehearse.bench import Bench, write_results
from planner.rehearse.world import Truth, World

TEMPERS = ("O", "H22", "H24")
LOTS = {"O": ("A1", "A2"), "H22": ("B1",), "H24": ("C1", "C2")}
DEFINITION = """
# invented
[campaign]
seed = 12
[factors]
tempers = ["O", "H22", "H24"]
[factors.forming_temperature_degC]
range = [20.0, 280.0]
setting_sd = 3.0
[factors.strain]
range = [0.01, 0.15]
setting_sd = 0.003
[factors.braze_temperature_degC]
range = [594.0, 608.0]
setting_sd = 1.0
[factors.braze_time_min]
range = [2.0, 5.0]
setting_sd = 0.1
[[component.features]]
name = "crest"
count = 4
strain_share = 1.0
joined = false
[[component.features]]
name = "shoulder"
count = 4
strain_share = 0.5
joined = true
[[component.features]]
name = "land"
count = 8
strain_share = 0.2
joined = true
[criteria]
cracked = false
gap_max_mm = 0.25
sound_share_min = 0.8
film_depth_max_um = 90.0
leaked = false
[specimens.tensile_coupon]
cost = 30.0
[specimens.bend_coupon]
cost = 20.0
[specimens.braze_coupon]
cost = 90.0
[specimens.component]
cost = 300.0
blanks = 2
[specimens.component.section]
cost = 60.0
[gauges]
springback_angle_deg = 0.2
film_depth_um = 3.0
gap_mm = 0.01
[[stock]]
lot = "A1"
temper = "O"
blanks = 40
"""


def truth(definition):
    """Return the invented truth: prior medians, with what the trade reports made pronounced."""
    p = unpack(np.zeros((1, padded_layout(3, 1, 1).size)), padded_layout(3, 1, 1), priors_of(definition))
    return p.with_values(softening=np.array([[0.75, 1.0, 1.3]]), angle_level=np.log([[2.0, 4.0, 7.0]]), limit_gain=np.full((1, 3), np.log(3.0)),
                         limit_exponent=np.ones((1, 1)), recovery=np.full((1, 1), 0.9), log_critical_strain=np.full((1, 3), np.log(0.045)),
                         prior_strain=np.array([[0.003, 0.12, 0.25]]), recrystallised_width=np.full((1, 1), 0.15), film_exponent=np.full((1, 1), 0.8))


def planned() -> list[Specimen]:
    """Return the specimens of the lab's trials, nothing measured yet."""
    out: list[Specimen] = []

    def add(kind, temper, temperature, strain=None, braze=None, feature=None):
        lots = LOTS[temper]
        hot, long, load = braze or (None, None, None)
        blank = dict.fromkeys(("date", "limit_strain", "springback_angle_deg", "recrystallised", "film_depth_um", "clad_left_um", "cracked", "gap_mm",
                               "joints_inspected", "joints_sound", "leaked"))
        out.append(Specimen(specimen=f"S{len(out) + 1:03d}", specimen_type=kind, temper=temper, lot=lots[len(out) % len(lots)],
                            forming_temperature_degC=temperature, strain=strain, braze_temperature_degC=hot, braze_time_min=long, furnace_load=load,
                            section_feature=feature, note="", **blank))

    for temper, temperature, _ in product(TEMPERS, (20.0, 140.0, 280.0), range(3)):
        add("bend_coupon", temper, temperature)
    for temper, temperature, _ in product(TEMPERS, (20.0, 140.0, 250.0), range(2)):
        add("tensile_coupon", temper, temperature)
    brazes = [(600.0, 3.0, "L1"), (602.0, 3.0, "L2"), (598.0, 3.0, "L3"), (600.0, 4.0, "L4")]
    for i, (temperature, strain) in enumerate(product((20.0, 220.0), (0.01, 0.025, 0.04, 0.055, 0.08, 0.12))):
        for k in range(2):
            add("braze_coupon", "O", temperature, strain, brazes[(i + k) % 4])
    for i, (temper, temperature, strain) in enumerate(product(("H22", "H24"), (20.0, 220.0), (0.01, 0.03, 0.05))):
        add("braze_coupon", temper, temperature, strain, brazes[i % 4])
    for i, (temper, temperature) in enumerate(product(TEMPERS, (20.0, 150.0, 250.0))):
        add("component", temper, temperature, 0.04, brazes[i % 4], feature="crest" if i % 2 else None)
    for i, (temper, strain, _) in enumerate(product(("H22", "H24"), (0.01, 0.03), range(3))):        # barely strained: where a hard temper could fail to
        add("braze_coupon", temper, 20.0, strain, brazes[i % 4])
    return out


def write(folder: Path) -> Bench:
    """Write the campaign's folder with all measured; returns the bench, for more."""
    from planner.lab.campaign import read_definition

    (folder / "results").mkdir(parents=True)
    (folder / "campaign.toml").write_text(DEFINITION, encoding="utf-8")
    definition = read_definition(folder)
    bench = Bench(definition, World.of(Truth("prior", truth(definition), 8), definition))
    write_results(folder / "results" / "first.csv", [bench.measured(s) for s in planned()])
    return bench
