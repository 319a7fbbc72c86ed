"""A small, fast share of fuzzing: whatever comes, a specimen or one message."""

from __future__ import annotations

import io
import tomllib
from pathlib import Path

import xlsxwriter
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from planner.lab.campaign import definition_from, read_definition
from planner.lab.errors import UserError
from planner.lab.intake import read_results
from planner.lab.ledger import open_ledger

DATA = Path(__file__).parent / "data"
CSV = (DATA / "results_example.csv").read_bytes()
TOML = (DATA / "campaign.toml").read_bytes()
FAST = settings(
    max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
SPLICES = st.sampled_from(
    [b"", b",", b";", b'"', b"\n", b"\0", b"\xff", b"=cmd", b">", b"<", b"nan", b"1e999", b"-1",
     "½".encode(), "\u202e".encode(), b"[", b"]", b"[mm]", b"9" * 50, b"true", b"inf", b"12"]
)  # fmt: skip


@st.composite
def mutated(draw, source):
    data = bytearray(source)
    for _ in range(draw(st.integers(1, 4))):
        at = draw(st.integers(0, len(data)))
        cut = draw(st.integers(0, 6))
        data[at : at + cut] = draw(SPLICES | st.binary(max_size=3))
    return bytes(data)


def whole_or_refused(path, definition, folder):
    with open_ledger(folder) as ledger:
        before = len(ledger.history())
        try:
            parsed = read_results(path, definition)
            ledger.record(parsed)
        except UserError as error:
            assert "Traceback" not in str(error)
            assert len(ledger.history()) == before


@FAST
@given(data=mutated(CSV))
def test_mutated_csv(data, tmp_path, definition):
    path = tmp_path / "a.csv"
    path.write_bytes(data)
    whole_or_refused(path, definition, tmp_path)


def example_workbook():
    data = io.BytesIO()
    with xlsxwriter.Workbook(data) as book:
        sheet = book.add_worksheet()
        for i, line in enumerate(CSV.decode().splitlines()):
            sheet.write_row(i, 0, line.split(","))
    return data.getvalue()


@FAST
@given(data=mutated(example_workbook()))
def test_mutated_workbook(data, tmp_path, definition):
    path = tmp_path / "a.xlsx"
    path.write_bytes(data)
    whole_or_refused(path, definition, tmp_path)


@FAST
@given(data=mutated(TOML))
def test_mutated_definition(data, tmp_path):
    path = tmp_path / "campaign.toml"
    path.write_bytes(data)
    try:
        read_definition(path)
    except UserError as error:
        assert "campaign.toml" in str(error)


VALUES = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=5) | st.dates(),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3),
    max_leaves=6,
)


@FAST
@given(data=st.data())
def test_any_value_at_any_key(data):
    tree = tomllib.loads(TOML.decode())
    place = tree
    while True:
        key = data.draw(st.sampled_from(sorted(place)) if isinstance(place, dict)
                        else st.integers(0, len(place) - 1))  # fmt: skip
        inner = place[key]
        if not isinstance(inner, (dict, list)) or not inner or data.draw(st.booleans()):
            place[key] = data.draw(VALUES)
            break
        place = inner
    try:
        definition_from(tree)
    except UserError as error:
        assert str(error)
