"""The lab's room stays light: the quick commands must not pay for the heavy libraries."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

CODE = """
import sys
import planner.lab.campaign, planner.lab.recording, planner.lab.tamper, planner.lab.stock
heavy = {"pymc", "scipy.stats", "pandas", "pint", "numpy", "arviz", "nutpie", "numba"}
print(sorted(heavy & set(sys.modules)))
"""


CHECK = """
import contextlib, io, sys
from planner import cli
with contextlib.redirect_stdout(io.StringIO()):
    assert cli.main(["check", "campaigns_demo/cold_plate_week6"]) == 0
heavy = {"pymc", "scipy.special", "scipy.stats", "pandas", "pint", "arviz", "nutpie", "numba", "models.fit", "bokeh", "jinja2"}
print(sorted(heavy & set(sys.modules)))
"""


@pytest.mark.parametrize("code", [CODE, CHECK], ids=["the lab's room", "check"])
def test_no_heavy_library_is_imported(code):
    root = Path(__file__).parents[2]
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=root, capture_output=True, text=True, check=True
    )
    assert done.stdout.strip() == "[]"
