"""The kept corpus, a fast share of the mutations, and property-based cells: a whole record or one message, nothing else."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from planner.lab.campaign import read_definition
from planner.lab.ledger import open_ledger
from planner.lab.specimen import COLUMNS
from planner.lab.tamper import verify
from tests.fuzz.cases import KINDS, Found, batch, campaign, judge_definition, judge_results

CORPUS = sorted(p for p in (Path(__file__).parent / "corpus").iterdir() if p.suffix != ".md")
CASES = {"csv": 300, "xlsx": 300, "toml": 300}


@pytest.mark.parametrize("path", CORPUS, ids=lambda p: p.name)
def test_corpus(path, tmp_path):
    found = Found()
    if path.suffix == ".toml":
        copy = tmp_path / "campaign.toml"
        copy.write_bytes(path.read_bytes())
        judge_definition(copy, found, path.name, deep=True)
    else:
        campaign(tmp_path / "c")
        copy = tmp_path / "c" / "results" / path.name
        copy.write_bytes(path.read_bytes())
        with open_ledger(tmp_path / "c") as ledger:
            judge_results(copy, read_definition(tmp_path / "c"), ledger, found, path.name)
            assert verify(ledger) == []
    assert (found.tracebacks, found.partial) == ([], [])
    assert found.accepted == path.name.startswith("accepted_")


@pytest.mark.parametrize("kind", KINDS)
def test_mutations(kind, tmp_path):
    found = batch(kind, 1, CASES[kind], tmp_path / "c")
    assert (found.tracebacks, found.partial) == ([], [])
    assert found.cases == CASES[kind]
    assert 0 < found.accepted < found.cases          # both ways out are taken


def test_a_harness_that_lets_errors_pass_is_found_out(tmp_path, monkeypatch):
    """Positive control: without the guard of the readers the same cases bring tracebacks to light."""
    monkeypatch.setattr("planner.lab.intake.CellFault", type("Other", (Exception,), {}))
    assert batch("csv", 1, 60, tmp_path / "c").tracebacks != []


@settings(max_examples=120, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture], derandomize=True)
@given(header=st.sampled_from([c.header for c in COLUMNS[4:]]), cell=st.text(max_size=12) | st.floats().map(str) | st.integers().map(str))
def test_any_text_in_any_column(header, cell, tmp_path):
    home = tmp_path / "c"
    if not home.exists():
        campaign(home)
    quoted = '"' + cell.replace('"', '""') + '"'
    columns = ["specimen", "specimen_type", "temper", "lot", "forming_temperature [degC]", header]
    cells = ["N-1", "component", "O", "K1", "20", quoted]
    if header == columns[4]:
        columns.pop(4), cells.pop(4)
    path, found = home / "results" / "case.csv", Found()
    path.write_text(",".join(columns) + "\n" + ",".join(cells) + "\n", encoding="utf-8", errors="surrogatepass", newline="")
    with open_ledger(home) as ledger:
        judge_results(path, read_definition(home), ledger, found, repr((header, cell)))
    assert (found.tracebacks, found.partial) == ([], [])
