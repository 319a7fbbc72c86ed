"""Four people at once: no lost row, no duplicate plan number, no corrupt file."""

import json
import subprocess
import sys

from tests.crash.harness import ROOT


def test_rounds_of_four_writers(tmp_path):
    done = subprocess.run([sys.executable, "-m", "tests.crash.writers", str(tmp_path), "3", "4", "100"], cwd=ROOT, capture_output=True, text=True, timeout=200)
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout) == {"rounds": 3, "problems": []}
