"""Put the real output of `trialwright plan` on the demos into the README, shortened where marked.

Run it from the top of the project, with the project installed (it takes as long as the fit does):

    python -m tests.demo.write_readme_output [DEMO ...]

The command runs on a fresh copy of the demo, so that nothing kept from an earlier run is shown.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
DEMOS = ("cold_plate_start", "cold_plate_week6")
MARK = "<!-- real output: {} {} -->"
KEPT_TRIALS = 3
CUT = "  [... shortened here: the other trials ...]"


def run(demo: str) -> str:
    """Return what `trialwright plan` prints on a fresh copy of a demo."""
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch) / "campaigns_demo" / demo
        shutil.copytree(ROOT / "campaigns_demo" / demo / "results", folder / "results")
        shutil.copy(ROOT / "campaigns_demo" / demo / "campaign.toml", folder)
        environment = os.environ | {"PYTHONPATH": str(ROOT), "PYTHONUTF8": "1", "COLUMNS": "100"}
        done = subprocess.run([sys.executable, "-m", "planner.cli", "plan", f"campaigns_demo/{demo}"], cwd=scratch, text=True,
                              capture_output=True, encoding="utf-8", check=False, env=environment)
    if done.returncode:
        sys.exit(done.stderr)
    return done.stdout


def shortened(text: str) -> str:
    """Keep the window, the first trials and what the plan uses; the cautions stand in the README itself."""
    lines = [line.rstrip() for line in text.partition("\nCautions")[0].splitlines()]
    starts = [i for i, line in enumerate(lines) if re.match(r"\s*\d+\s+P\d+-\d+", line)]
    last = next((i for i, line in enumerate(lines) if line.startswith("gain:")), None)
    if last is not None and len(starts) > KEPT_TRIALS:
        lines[starts[KEPT_TRIALS]:last - 1] = [CUT]
    return "\n".join(lines).strip("\n")


def with_block(text: str, demo: str, output: str) -> str:
    """Return the README with the block of one demo replaced.

    Raises
    ------
    ValueError
        When a mark is missing.
    """
    begin, end = MARK.format("begin", demo), MARK.format("end", demo)
    before, found, rest = text.partition(begin)
    _, closed, after = rest.partition(end)
    if not (found and closed):
        raise ValueError(f"README.md lacks the marks {begin} and {end}")
    return f"{before}{begin}\n```\n$ trialwright plan campaigns_demo/{demo}\n{shortened(output)}\n```\n{end}{after}"


def main() -> None:
    """Rewrite the blocks of the README."""
    readme = ROOT / "README.md"
    text = readme.read_text(encoding="utf-8")
    for demo in sys.argv[1:] or DEMOS:
        text = with_block(text, demo, run(demo))
    readme.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
