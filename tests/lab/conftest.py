"""Shared ground of the lab's tests: an invented campaign and ways to write files into it."""

from __future__ import annotations

import csv
import io
import shutil
from pathlib import Path

import pytest

from planner.lab.campaign import read_definition
from planner.lab.specimen import COLUMNS

DATA = Path(__file__).parent / "data"
HEADERS = [column.header for column in COLUMNS]


@pytest.fixture(scope="session")
def definition():
    """The contract's own example campaign (invented numbers)."""
    return read_definition(DATA / "campaign.toml")


@pytest.fixture
def folder(tmp_path):
    """A campaign folder with that definition and an empty results folder."""
    shutil.copy(DATA / "campaign.toml", tmp_path / "campaign.toml")
    (tmp_path / "results").mkdir()
    return tmp_path


@pytest.fixture
def example():
    """Rows of the contract's results example as dicts by header, by specimen."""
    with (DATA / "results_example.csv").open(newline="", encoding="utf-8") as file:
        return {row["specimen"]: row for row in csv.DictReader(file)}


@pytest.fixture
def write(folder):
    """Write rows (dicts by header) as a CSV file of the campaign's results."""

    def to_file(name: str, rows: list[dict[str, str]], *, headers=None, delimiter=","):
        headers = headers or list(dict.fromkeys(HEADERS + [k for row in rows for k in row]))
        text = io.StringIO()
        writer = csv.DictWriter(
            text, headers, delimiter=delimiter, extrasaction="ignore", restval=""
        )
        writer.writeheader()
        writer.writerows(rows)
        path = folder / "results" / name
        path.write_text(text.getvalue(), encoding="utf-8", newline="")
        return path

    return to_file
