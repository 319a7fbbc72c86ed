"""An invented small campaign and its median world."""


import numpy as np
import pytest

from models.priors import unpack
from planner.encode import padded_layout, priors_of
from planner.lab.campaign import read_definition
from planner.rehearse.world import Truth, World

CAMPAIGN = """
# invented
[campaign]
seed = 5
[factors]
tempers = ["O", "H24"]
[factors.forming_temperature_degC]
range = [20.0, 250.0]
setting_sd = 4.0
[factors.strain]
range = [0.02, 0.2]
setting_sd = 0.004
[factors.braze_temperature_degC]
range = [592.0, 610.0]
setting_sd = 1.5
[factors.braze_time_min]
range = [1.5, 6.0]
setting_sd = 0.2
[[component.features]]
name = "crest"
count = 4
strain_share = 1.0
[[component.features]]
name = "land"
count = 8
strain_share = 0.3
joined = true
[criteria]
cracked = false
gap_max_mm = 0.2
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
springback_angle_deg = 0.5
film_depth_um = 5.0
gap_mm = 0.02
[week]
budget = 2200.0
furnace_loads = 2
places_per_load = 5
tool_temperatures = 3
sections = 5
[week.setup]
furnace_load = 100.0
tool_temperature = 40.0
[[stock]]
lot = "A1"
temper = "O"
blanks = 40
counted = 2026-02-02
[[stock]]
lot = "B1"
temper = "H24"
blanks = 40
"""

RESULTS = """specimen,specimen_type,temper,lot,forming_temperature [degC],strain [1],braze_temperature [degC],braze_time [min],furnace_load,date,limit_strain [1],springback_angle [deg],cracked,gap [mm],joints_inspected,joints_sound,leaked
T1,tensile_coupon,O,A1,20,,,,,2026-02-03,0.2,,,,,,
B1,bend_coupon,H24,B1,20,,,,,2026-02-03,,7.5,,,,,
C1,component,O,A1,200,0.06,601,3,L1,2026-02-03,,,no,0.06,24,24,no
"""


@pytest.fixture
def folder(tmp_path):
    """A campaign folder with three invented specimens."""
    home = tmp_path / "campaign"
    (home / "results").mkdir(parents=True)
    (home / "campaign.toml").write_text(CAMPAIGN)
    (home / "results" / "start.csv").write_text(RESULTS)
    return home


@pytest.fixture
def definition(folder):
    return read_definition(folder)


def median_params(definition):
    """Every unknown at its prior median; lots and loads without effect."""
    layout = padded_layout(len(definition.factors.tempers), 1, 1)
    return unpack(np.zeros((1, layout.size)), layout, priors_of(definition))


@pytest.fixture
def median(definition):
    return median_params(definition)


@pytest.fixture
def world(definition, median):
    """Return a maker of worlds around the median: of the model itself, or of a mechanism."""

    def make(mechanism=None, **arguments):
        from planner.rehearse.mechanisms import MECHANISMS

        known = {} if mechanism is None else MECHANISMS[mechanism].defaults() | arguments
        return World.of(Truth(mechanism or "prior", median, 11, mechanism, known), definition)

    return make
