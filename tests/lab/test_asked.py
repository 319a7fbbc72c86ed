"""Conditions that someone asks about: read like result files, refused whole, with file, row and column."""

import pandas
import pytest

from planner.lab.asked import HEADERS, checked, read_conditions
from planner.lab.campaign import read_definition
from planner.lab.errors import UserError

HEADER = ",".join(HEADERS)


@pytest.fixture(scope="module")
def definition(request):
    return read_definition(request.config.rootpath / "campaigns_demo" / "cold_plate_start")


def written(tmp_path, text, name="in.csv"):
    path = tmp_path / name
    path.write_text(text, encoding="utf-8")
    return path


def test_rows_keep_their_order_and_strangers_stay(definition, tmp_path):
    table = read_conditions(written(tmp_path, f"who,{HEADER}\nann,O,200,0.05,600,3\nbob,H14,20,0.1,601,4\n"), definition)
    assert list(table.columns) == ["who", *HEADERS] and list(table["who"]) == ["ann", "bob"]
    assert table[list(HEADERS[1:])].to_numpy(float).tolist() == [[200, 0.05, 600, 3], [20, 0.1, 601, 4]]


def test_semicolons_decimal_commas_and_other_units_are_read(definition, tmp_path):
    text = "temper;forming_temperature [K];strain [%];braze_temperature [degC];braze_time [s]\nO;473,15;5;600;180\n"
    table = read_conditions(written(tmp_path, text), definition)
    assert list(table.columns) == list(HEADERS)
    assert table.iloc[0, 1:].to_numpy(float) == pytest.approx([200, 0.05, 600, 3])


@pytest.mark.parametrize("text, says", [
    (f"{HEADER}\nO,200,12,600,3\n", ["in.csv, row 2, column strain", "looks like percent"]),
    (f"{HEADER}\nO,200,0.1,1110,3\n", ["in.csv, row 2, column braze_temperature", "looks like degF"]),
    (f"{HEADER}\nO,200,0.1,600,3\n\nT9,200,,600,3\n", ["in.csv, row 4, column temper", "in.csv, row 4, column strain", "is blank"]),
    (f"{HEADER}\nO,200,x,600,3\n", ["row 2, column strain [1]", "is no number"]),
    ("temper,strain [1]\nO,0.1\n", ["in.csv, row 1, column braze_time [min]: is missing"]),
    (f"{HEADER}\nO,200,0,1,600,3\n", ["in.csv, row 2: has more cells than the header"]),
    (f"{HEADER},strain [1]\n", ["stands there twice"]),
])
def test_mistakes_are_named_by_file_row_and_column(definition, tmp_path, text, says):
    with pytest.raises(UserError) as caught:
        read_conditions(written(tmp_path, text), definition)
    for words in [*says, "give the command again"]:
        assert words in str(caught.value)


def test_a_table_from_python_is_held_to_the_same_bounds(definition):
    table = pandas.DataFrame([["O", 200, 0.05, 600, 3]], columns=list(HEADERS))
    assert checked(table, definition).iloc[0].tolist() == ["O", 200.0, 0.05, 600.0, 3.0]
    with pytest.raises(UserError, match="the table, row 2, column strain"):
        checked(table.assign(**{HEADERS[2]: 3.0}), definition)
