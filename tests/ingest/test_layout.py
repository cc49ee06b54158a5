"""The layout of text files: a table of heads with what must be found in them."""

import pytest

from misfire.errors import FormatError
from misfire.ingest.formats.layout import find_layout

ROWS = "0.000,1.5,2\n0.001,1.6,3\n0.002,1.4,2\n"

LAYOUTS = [
    # (name, head, delimiter, decimal, width, first line, names, time column, s a unit)
    ("plain numbers", ROWS, ",", ".", 3, 0, ("", "", ""), 0, 1.0),
    ("names", "time,a,b\n" + ROWS, ",", ".", 3, 1, ("time", "a", "b"), 0, 1.0),
    ("names and units", "t,a,b\ns,V,A\n" + ROWS, ",", ".", 3, 2, ("t", "a", "b"), 0, 1.0),
    (
        "names, units, blank line",
        "Time,Channel A,Channel B\n(ms),(V),(mV)\n\n" + ROWS,
        ",",
        ".",
        3,
        3,
        ("Time", "Channel A", "Channel B"),
        0,
        1e-3,
    ),
    (
        "unit in the name",
        "Time [ms],a,b\n" + ROWS,
        ",",
        ".",
        3,
        1,
        ("Time [ms]", "a", "b"),
        0,
        1e-3,
    ),
    ("unit after a bar", "time_us,a,b\n" + ROWS, ",", ".", 3, 1, ("time_us", "a", "b"), 0, 1e-6),
    ("micro sign", "t (µs),a,b\n" + ROWS, ",", ".", 3, 1, ("t (µs)", "a", "b"), 0, 1e-6),
    ("Greek mu", "t (μs),a,b\n" + ROWS, ",", ".", 3, 1, ("t (μs)", "a", "b"), 0, 1e-6),
    (
        "blanks after commas",
        "Time[s], Channel 0, Channel 1\n0.0, 1, 1\n0.1, 0, 1\n0.3, 1, 1\n",
        ",",
        ".",
        3,
        1,
        ("Time[s]", "Channel 0", "Channel 1"),
        0,
        1.0,
    ),
    (
        "decimal comma, semicolon",
        "Zeit;K1\nms;V\n0,0;1,5\n0,1;1,6\n0,2;1,4\n",
        ";",
        ",",
        2,
        2,
        ("Zeit", "K1"),
        0,
        1e-3,
    ),
    ("decimal comma, tab", "t\tu\n0,0\t1,5\n0,1\t1,6\n", "\t", ",", 2, 1, ("t", "u"), 0, 1.0),
    ("decimal comma, quoted", '"0,0","1,5"\n"0,1","1,6"\n', ",", ",", 2, 0, ("", ""), 0, 1.0),
    ("semicolon, decimal point", "0.0;1.5\n0.1;1.6\n", ";", ".", 2, 0, ("", ""), 0, 1.0),
    ("tab", "0.0\t1.5\n0.1\t1.6\n", "\t", ".", 2, 0, ("", ""), 0, 1.0),
    ("bar", "t|a\n0.0|1.5\n0.1|1.6\n", "|", ".", 2, 1, ("t", "a"), 0, 1.0),
    ("blanks", "time  volts\n 0.0   1.5\n 0.1  -1.6\n", " ", ".", 2, 1, ("time", "volts"), 0, 1.0),
    (
        "blanks, names of two words",
        "Time [s]   Channel 1\n0.0  1.5\n0.1  1.6\n",
        " ",
        ".",
        2,
        1,
        ("Time [s]", "Channel 1"),
        0,
        1.0,
    ),
    (
        "preamble",
        "Device,bench scope\nDate,2024-05-17\nPoints,3\n\nt,a,b\n" + ROWS,
        ",",
        ".",
        3,
        5,
        ("t", "a", "b"),
        0,
        1.0,
    ),
    ("remark signs", "# run 3\n# t, a, b\n" + ROWS, ",", ".", 3, 2, ("t", "a", "b"), 0, 1.0),
    ("exponents", "0.0E+0\t6.0E-1\n1.0E-5\t6.1E-1\n", "\t", ".", 2, 0, ("", ""), 0, 1.0),
    (
        "over-range marks",
        "t,a\n0.0,1\n0.1,∞\n0.2,-∞\n0.3,OVL\n",
        ",",
        ".",
        2,
        1,
        ("t", "a"),
        0,
        1.0,
    ),
    ("blank cells", "t,a,b\n0.0,,1\n0.1,2,\n0.2,,4\n", ",", ".", 3, 1, ("t", "a", "b"), 0, 1.0),
    ("closing delimiter", "t,a,\n0.0,1,\n0.1,2,\n", ",", ".", 3, 1, ("t", "a", ""), 0, 1.0),
    ("one column", "1.5\n1.6\n1.4\n", ";", ".", 1, 0, ("",), None, 1.0),
    ("one column, decimal comma", "1,05\n1,60\n1,42\n", ";", ",", 1, 0, ("",), None, 1.0),
    (
        "sample numbers",
        "sample,a\n0,1.5\n1,1.6\n2,1.1\n",
        ",",
        ".",
        2,
        1,
        ("sample", "a"),
        None,
        1.0,
    ),
    ("counter without name", "0,1.5\n1,1.6\n2,1.1\n", ",", ".", 2, 0, ("", ""), None, 1.0),
    ("channels without time", "a,b\n1.5,2\n1.4,3\n1.6,2\n", ",", ".", 2, 1, ("a", "b"), None, 1.0),
    ("time last", "a,b,time\n1,2,0.0\n1,3,0.1\n", ",", ".", 3, 1, ("a", "b", "time"), 2, 1.0),
    ("carriage returns", ROWS.replace("\n", "\r\n"), ",", ".", 3, 0, ("", "", ""), 0, 1.0),
    ("bare list of changes", "0,0\n8e-05,1\n0.0038,0\n", ",", ".", 2, 0, ("", ""), 0, 1.0),
]


@pytest.mark.parametrize("row", LAYOUTS, ids=lambda row: row[0])
def test_layout(row: tuple) -> None:
    _, head, delimiter, decimal, width, first, names, time, unit_s = row
    layout = find_layout(head)
    assert layout is not None
    found = (layout.delimiter, layout.decimal, layout.width, layout.first_line)
    assert found == (delimiter, decimal, width, first)
    assert layout.names == names
    assert (layout.time_column, layout.time_unit_s) == (time, unit_s)


@pytest.mark.parametrize(
    ("line", "rate_hz"),
    [
        ("Sample rate,100000", 100000.0),
        ("Sample rate: 100 kHz", 100000.0),
        ("Sampling frequency;2;MHz", 2e6),
        ("sample_rate = 1.0E5", 1e5),
        ("Increment,1e-5", 1e5),
        ("Sample interval: 10 us", 1e5),
        ("Sample Interval (ms),0.5", 2000.0),
        ("# dt = 0.001", 1000.0),
        ("Points,100000", None),
        ("Date,2024", None),
    ],
)
def test_rate_in_the_preamble(line: str, rate_hz: float | None) -> None:
    layout = find_layout(line + "\na,b\n1.5,2\n1.4,3\n1.6,2\n")
    assert layout.first_line == 2
    assert layout.rate_hz == (None if rate_hz is None else pytest.approx(rate_hz, rel=1e-12))


def test_units_of_channels() -> None:
    layout = find_layout("Time,A,B [mV],C\n(s),(V),,(A)\n0,1,2,3\n0.1,1,2,3\n")
    assert layout.units == ("s", "V", "mV", "A")


@pytest.mark.parametrize("head", ["", "\n\n", "only words\nand more\n", "12:00:01,5\n12:00:02,6\n"])
def test_no_numbers(head: str) -> None:
    assert find_layout(head) is None


def test_unknown_time_unit() -> None:
    with pytest.raises(FormatError, match=r"'Time \[h\]' has a unit that is not known"):
        find_layout("Time [h],a\n0.0,1\n0.1,2\n")


def test_commas_between_columns_and_in_numbers_are_refused() -> None:
    with pytest.raises(FormatError, match="commas stand between the columns and inside the"):
        find_layout("time,a\n0,000,1,25\n0,001,1,31\n0,002,1,28\n")


def test_logic_columns() -> None:
    layout = find_layout("t,a,b\n0,0,1\n0.3,1,1\n0.35,1,0\n")
    assert layout.is_logic
    assert layout.changes_each_row
    layout = find_layout("t,a,b\n0,0,1\n0.1,0,1\n0.2,1,0\n")
    assert layout.is_logic
    assert not layout.changes_each_row
    assert not find_layout("t,a,b\n0,0,1\n0.3,1,2\n").is_logic


def test_first_column_is_no_time_where_the_preamble_gives_the_rate() -> None:
    head = "a;b\n1,5;3\n1,7;4\n1,8;3\n"
    assert find_layout(head).time_column == 0
    assert find_layout("Sample rate: 2 kHz\n" + head).time_column is None
