"""The lab's room stays light: the quick commands must not pay for the heavy libraries."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

CODE = """
import sys
import planner.lab.campaign, planner.lab.recording, planner.lab.tamper, planner.lab.stock
heavy = {"pymc", "scipy.stats", "pandas", "pint", "numpy", "arviz", "nutpie", "numba"}
print(sorted(heavy & set(sys.modules)))
"""


def test_no_heavy_library_is_imported():
    root = Path(__file__).parents[2]
    done = subprocess.run(
        [sys.executable, "-c", CODE], cwd=root, capture_output=True, text=True, check=True
    )
    assert done.stdout.strip() == "[]"
