"""Units in headers, against the prefixes of the SI brochure (9th edition, table 7)."""

import pytest

from misfire.ingest.units import TIME_UNITS, convert_unit, is_unit, split_unit

PREFIX = {"": 1.0, "m": 1e-3, "u": 1e-6, "µ": 1e-6, "μ": 1e-6, "n": 1e-9, "k": 1e3}


def test_prefixes_of_seconds():
    for prefix in ("", "m", "u", "µ", "μ", "n"):
        assert TIME_UNITS[f"{prefix}s"] == PREFIX[prefix]


@pytest.mark.parametrize("given", ["V", "mV", "uV", "µV", "μV", "kV"])
@pytest.mark.parametrize("wanted", ["V", "kV"])
def test_prefixes_of_volts(given, wanted):
    factor = PREFIX[given[:-1]] / PREFIX[wanted[:-1]]
    assert convert_unit(given, wanted) == pytest.approx(factor, rel=1e-12)
    assert convert_unit(given, "A") is None


@pytest.mark.parametrize("given", ["A", "mA", "kA"])
def test_prefixes_of_amperes(given):
    assert convert_unit(given, "A") == PREFIX[given[:-1]]
    assert convert_unit(given, "V") is None


@pytest.mark.parametrize(
    ("header", "parts"),
    [
        ("Coil 1 [V]", ("Coil 1", "V")),
        ("Coil 1 (mV)", ("Coil 1", "mV")),
        ("time_us", ("time", "us")),
        ("time / ms", ("time", "ms")),
        ("Channel 0", ("Channel 0", "")),
        ("pressure [bar]", ("pressure [bar]", "")),  # no unit of a job card
    ],
)
def test_name_and_unit_of_a_header(header, parts):
    assert split_unit(header) == parts


def test_a_row_of_units_is_told_from_one_of_names():
    assert all(is_unit(cell) for cell in ("(ms)", "[V]", "{A}", "", "-", "bar"))
    assert not any(is_unit(cell) for cell in ("Time", "Coil 1", "12.5"))
