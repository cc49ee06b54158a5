"""Fields of a job card: every mistake names the file, the field and what to do."""

import math

import pytest

from misfire.errors import JobCardError
from misfire.ingest.fields import FieldTable, suggest_name


def make_table(**values):
    known = ("name", "rate_hz", "column", "words", *values)
    return FieldTable(values, source="job.toml", place="[[channel]] 1", known=known)


def test_what_is_right_comes_back_as_it_stands():
    table = make_table(name="coil", rate_hz=5, column=2, words=[1])
    assert table.text("name", example='"a"') == "coil"
    assert table.number("rate_hz", positive=True) == 5.0
    assert table.integer("column", low=0, high=2, example=0) == 2
    assert table.items("words", example="[1]") == [1]
    assert make_table().number("rate_hz") is None
    assert make_table().optional_text("name") is None


@pytest.mark.parametrize(
    ("value", "said"),
    [
        (0, "above 0"),
        (-1.0, "above 0"),
        (math.nan, "finite"),
        (math.inf, "finite"),
        (10**400, "finite"),
        (True, "must be a number"),
        ("5", "must be a number"),
    ],
)
def test_what_is_no_rate_is_refused(value, said):
    with pytest.raises(JobCardError, match=r"job\.toml: \[\[channel\]\] 1 rate_hz: .*" + said):
        make_table(rate_hz=value).number("rate_hz", positive=True)


@pytest.mark.parametrize("value", [3, -1, 1.0, True, "1"])
def test_what_is_no_column_is_refused(value):
    with pytest.raises(JobCardError, match="column: must be"):
        make_table(column=value).integer("column", low=0, high=2, example=0)


def test_an_unknown_field_gets_the_nearest_known_one():
    with pytest.raises(JobCardError, match='nam: is not a known field; did you mean "name"'):
        FieldTable({"nam": 1}, source="job.toml", place="", known=("name", "rate_hz"))
    assert suggest_name("zzz", ("a", "b")) == 'known are "a", "b"'


@pytest.mark.parametrize("value", ["", "  ", "a\0b", 7])
def test_a_blank_text_is_refused(value):
    with pytest.raises(JobCardError, match="name: must"):
        make_table(name=value).text("name", example='"a"')
