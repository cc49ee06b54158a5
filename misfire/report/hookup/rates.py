"""What can be measured at which sampling rate: the one table for plan, check and handbook."""

from __future__ import annotations

import math
from dataclasses import dataclass

from misfire.numerals import spell
from misfire.records import CrankWheel

SAMPLES_A_TOOTH = 6.0  # with fewer the place of an edge is left to chance; `check` warns below
USUAL_POSITIONS = 60  # of the commonest wheel, 60-2
TOP_RPM = 6000.0


@dataclass(frozen=True, slots=True)
class RateRow:
    """One quantity: from which rate on it can be measured, how well, and what holds below it.

    `roles`: the channels that show it.
    """

    quantity: str
    roles: tuple[str, ...]
    least_hz: float
    well: str
    below: str


# Medians over the firings of drawn sweeps of this project's simulator: gap 0.5 to 3 mm, load, kind
# of ignition, driver, 100 kS/s to 2 MS/s.
_COIL_ROWS = (
    RateRow(
        "dwell and coil current",
        ("coil_primary", "coil_current", "coil_trigger"),
        50e3,
        "dwell and peak current without error",
        "not reliable",
    ),
    RateRow(
        "burn time",
        ("coil_primary", "coil_secondary"),
        100e3,
        "error within 5 %",
        "not reliable",
    ),
    RateRow(
        "firing voltage",
        ("coil_primary", "coil_secondary"),
        500e3,
        "error 3 %",
        "error 5 % from 150 kS/s on, if the channel holds 24 sparks or more; otherwise not "
        "measurable at idle: the gap breaks down within 8 to 10 µs of switch-off",
    ),
)


def list_rates(wheel: CrankWheel | None = None, *, rpm: float = TOP_RPM) -> tuple[RateRow, ...]:
    """List what can be measured from which rate on.

    Parameters
    ----------
    wheel : CrankWheel, optional
        None: the commonest, 60-2.
    rpm : float [unit=rev/min, > 0]
        The highest speed at which the crank's teeth are to be timed.

    Returns
    -------
    rows : tuple of RateRow
        The coil's, then the crank's.

    Notes
    -----
    Crank: positions x rpm / 60 teeth a second, SAMPLES_A_TOOTH samples each, rounded up to 1, 2 or
    5 times a power of ten. 60 x 6000 / 60 x 6 = 36 000, so 50 kS/s.

    Examples
    --------
    >>> [(row.quantity, format_rate(row.least_hz)) for row in list_rates()[2:]]
    [('firing voltage', '500 kS/s'), ('crank teeth', '50 kS/s')]
    """
    positions = wheel.positions if wheel is not None else USUAL_POSITIONS
    teeth = positions * rpm / 60.0
    crank = RateRow(
        "crank teeth",
        ("crank",),
        _round_up(teeth * SAMPLES_A_TOOTH),
        f"{positions} positions a turn up to {spell(rpm)} rev/min",
        f"fewer than {spell(SAMPLES_A_TOOTH)} samples a tooth at that speed",
    )
    return (*_COIL_ROWS, crank)


def find_least_rate(role: str, wheel: CrankWheel | None = None) -> float:
    """Give the rate from which on a channel shows all but the firing voltage.

    Parameters
    ----------
    role : str
        One with a row in the table.
    wheel : CrankWheel, optional

    Returns
    -------
    rate_hz : float

    Examples
    --------
    >>> find_least_rate("coil_primary"), find_least_rate("coil_current")
    (100000.0, 50000.0)
    """
    return max(
        row.least_hz
        for row in list_rates(wheel)
        if role in row.roles and row.quantity != "firing voltage"
    )


def say_rates() -> str:
    """Give the table as a clause.

    Examples
    --------
    >>> say_rates()
    'dwell and coil current from 50 kS/s, burn time from 100 kS/s, firing voltage from 500 kS/s, \
crank teeth from 50 kS/s'
    """
    return ", ".join(f"{r.quantity} from {format_rate(r.least_hz)}" for r in list_rates())


def format_rate(rate_hz: float) -> str:
    """Give a sampling rate in words.

    Examples
    --------
    >>> format_rate(200e3), format_rate(1e6)
    ('200 kS/s', '1 MS/s')
    """
    return f"{spell(rate_hz / 1e6)} MS/s" if rate_hz >= 1e6 else f"{spell(rate_hz / 1e3)} kS/s"


def _round_up(value: float) -> float:
    """Round up to 1, 2 or 5 times a power of ten."""
    power = 10.0 ** math.floor(math.log10(value))
    return next(m * power for m in (1.0, 2.0, 5.0, 10.0) if m * power >= value * (1 - 1e-9))
