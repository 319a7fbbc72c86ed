"""Handbook values the models lean on, each with its source and how far that source was verified.

Four small tables: the modulus of aluminium against temperature (`elastic`), the core alloy (`core`), the
brazing fillers and the liquid they give (`filler`), and what a temper designation says (`temper`). They
stand apart from the models so that a reviewer can read every borrowed number in one place.

Marks used in the docstrings: *published* = read in published text; *from memory* = a textbook value whose
page was not checked; *common practice* = a rule of the trade without a source.
"""

from models.handbook.core import (
    CORE_ALLOYS,
    H14_STRENGTH_3003,
    CoreConstants,
    Strength,
    h14_strength_3003,
)
from models.handbook.elastic import (
    MODULUS_NODES_DEGC,
    MODULUS_RATIO,
    modulus_factor,
    youngs_modulus,
)
from models.handbook.filler import (
    ALUMINIUM_MELTING_DEGC,
    CLAD_SILICON,
    EUTECTIC_DEGC,
    EUTECTIC_SILICON,
    FILLERS,
    FURNACE_WINDOW,
    SILICON_SOLUBILITY,
    Filler,
    FurnaceWindow,
    atomic_to_weight_percent,
    clad_silicon,
    eutectic_share,
    fahrenheit_to_celsius,
    liquid_fraction,
    liquidus_temperature,
)
from models.handbook.temper import TemperMeaning, temper_meaning

__all__ = [
    "ALUMINIUM_MELTING_DEGC",
    "CLAD_SILICON",
    "CORE_ALLOYS",
    "EUTECTIC_DEGC",
    "EUTECTIC_SILICON",
    "FILLERS",
    "FURNACE_WINDOW",
    "H14_STRENGTH_3003",
    "MODULUS_NODES_DEGC",
    "MODULUS_RATIO",
    "SILICON_SOLUBILITY",
    "CoreConstants",
    "Filler",
    "FurnaceWindow",
    "Strength",
    "TemperMeaning",
    "atomic_to_weight_percent",
    "clad_silicon",
    "eutectic_share",
    "fahrenheit_to_celsius",
    "h14_strength_3003",
    "liquid_fraction",
    "liquidus_temperature",
    "modulus_factor",
    "temper_meaning",
    "youngs_modulus",
]
