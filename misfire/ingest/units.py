"""Units as they stand in the headers of text files and in attributes."""

import re

TIME_UNITS = {
    "s": 1.0,
    "sec": 1.0,
    "secs": 1.0,
    "second": 1.0,
    "seconds": 1.0,
    "ms": 1e-3,
    "msec": 1e-3,
    "millisecond": 1e-3,
    "milliseconds": 1e-3,
    "us": 1e-6,
    "µs": 1e-6,  # micro sign
    "μs": 1e-6,  # Greek mu
    "usec": 1e-6,
    "microsecond": 1e-6,
    "microseconds": 1e-6,
    "ns": 1e-9,
}
"""Seconds in one unit of a time column."""

CHANNEL_UNITS = {
    "v": ("V", 1.0),
    "volt": ("V", 1.0),
    "volts": ("V", 1.0),
    "mv": ("V", 1e-3),
    "uv": ("V", 1e-6),
    "µv": ("V", 1e-6),
    "μv": ("V", 1e-6),
    "kv": ("kV", 1.0),
    "a": ("A", 1.0),
    "amp": ("A", 1.0),
    "amps": ("A", 1.0),
    "ma": ("A", 1e-3),
    "ka": ("A", 1e3),
    "bool": ("bool", 1.0),
    "logic": ("bool", 1.0),
}
"""Unit of a job card and factor to it."""

_OTHERS = {"", "-", "1", "bar", "mbar", "kpa", "psi", "%", "°c", "°", "deg", "rpm", "hz", "khz"}
_BRACKETED = re.compile(r"^(.*?)\s*[\[({]\s*([^\])}]*?)\s*[\])}]\s*$")
_SUFFIXED = re.compile(r"^(.*?)(?:_|\s*/\s*|\s+)([A-Za-zµμ]{1,12})$")


def is_unit(cell: str) -> bool:
    """Tell whether a header cell is a unit, with or without brackets, or blank.

    Examples
    --------
    >>> [is_unit(cell) for cell in ("(ms)", "[V]", "Channel 1")]
    [True, True, False]
    """
    plain = cell.strip().strip("()[]{}").strip().lower()
    return plain in TIME_UNITS or plain in CHANNEL_UNITS or plain in _OTHERS


def split_unit(header: str) -> tuple[str, str]:
    """Split a header cell into name and unit.

    Examples
    --------
    >>> split_unit("Time [ms]"), split_unit("t_us"), split_unit("Channel 0")
    (('Time', 'ms'), ('t', 'us'), ('Channel 0', ''))
    """
    for pattern in (_BRACKETED, _SUFFIXED):
        match = pattern.match(header.strip())
        if match:
            unit = match[2].strip().lower()
            if unit in TIME_UNITS or unit in CHANNEL_UNITS:
                return match[1].strip(), match[2].strip()
    return header.strip(), ""


def convert_unit(given: str, wanted: str) -> float | None:
    """Give the factor from a file's unit to a unit of the job card, or None.

    Examples
    --------
    >>> convert_unit("mV", "V"), convert_unit("V", "kV"), convert_unit("V", "A")
    (0.001, 0.001, None)
    """
    unit, factor = CHANNEL_UNITS.get(given.strip().lower(), ("", 0.0))
    if unit == wanted:
        return factor
    if {unit, wanted} == {"V", "kV"}:
        return factor * (1e-3 if wanted == "kV" else 1e3)
    return None
