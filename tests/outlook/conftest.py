"""The invented posterior of the planner's tests, for the outlook."""

import importlib.util
from pathlib import Path

import numpy as np
import pytest

PLANNER = Path(__file__).parents[1] / "acquisition"


def _neighbour():
    spec = importlib.util.spec_from_file_location("invented_planner", PLANNER / "conftest.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def _set_out(n_draws: int):
    from planner.acquisition.limits import Limits
    from planner.lab.campaign import read_definition
    from planner.outlook.forward import PLENTY, set_out

    invented = _neighbour()
    definition = read_definition(PLANNER / "data" / "campaign.toml")
    model = invented.Invented(definition, n_draws=n_draws)
    reference = invented.reference_map(definition, model, log2_points=7)
    limits = Limits.of(definition)
    limits = Limits(**{**limits.__dict__, "blanks": {lot: PLENTY for lot in limits.blanks}})
    return set_out(reference, model, limits, n_candidates=120, rng=np.random.default_rng(1))


@pytest.fixture(scope="session")
def outset():
    """The invented campaign set out: Outset over 400 draws and 128 points."""
    return _set_out(400)


@pytest.fixture(scope="session")
def outset_in_more_doubt():
    """Another one over 4000 draws, where twice as much is in doubt."""
    return _set_out(4000)
