"""A plan that nobody will read on paper is the same plan."""

import shutil
from pathlib import Path

import pytest

from planner.cycle import open_campaign

DEMO = Path(__file__).resolve().parents[2] / "campaigns_demo" / "cold_plate_start"


@pytest.mark.filterwarnings("ignore:\\nArviZ:FutureWarning")      # its notice of the day, where this is the first import
def test_a_plan_without_papers_chooses_the_same_trials(tmp_path):
    records, files = [], []
    for papers in (True, False):
        folder = tmp_path / str(papers)
        shutil.copytree(DEMO, folder)
        made = open_campaign(folder).plan(papers=papers)
        records.append(made.record)
        files.append({p.name for p in made.folder.iterdir()})
    full, lean = records
    assert lean["trials"] == full["trials"] and lean["expected"] == full["expected"]
    assert files[1] == {"plan.csv", "plan.json"} and files[0] - files[1] == {"plan.html", "bench_sheet.html", "plan.xlsx"}
