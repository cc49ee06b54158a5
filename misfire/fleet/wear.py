"""Wear over a vehicle's recordings: does burn time or peak current fall, and towards what."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import timedelta
from typing import Any

import numpy as np
from numpy.typing import NDArray

from misfire.fleet.urgency import parse_time

LEAST = 4  # recordings: with fewer, no order of them is rarer than 5 % (1 of 3! = 17 %)
LEVEL = 0.05
INTERVAL = 0.90  # two-sided, so that each end matches the one-sided test at 5 %
LIMITS = {"burn_time_ms": 0.8}
"""Source: normal spark duration 0.8 to 2.0 ms, a training guide's figure (as read)."""
LEAST_PEAK = 0.8  # of the first recordings' peak current: stored energy goes with its square (64 %)
UNITS = {"burn_time_ms": "ms", "peak_current_a": "A"}


@dataclass(frozen=True, slots=True)
class Trend:
    """How one quantity of one cylinder went over a vehicle's recordings.

    `cylinder` 0 stands for all together. `values` are what the cylinder showed, in the order of
    `names`; the test is made on `compared`: over the median of the other cylinders' in the same
    recording, where there are others, so that speed, load and battery voltage fall out. `p` is
    the one-sided chance of such a fall where there is none; `q` the same with regard to all tests
    of the fleet. `slope`, `low`, `high`: change of `values` for each `step`, and its 90 %
    interval. `reach`: how many steps until the limit, None when it is not approached.
    """

    vehicle: str
    cylinder: int
    quantity: str
    names: tuple[str, ...]
    times: tuple[float, ...]
    values: tuple[float, ...]
    compared: tuple[float, ...]
    relative: bool
    step: str
    tau: float
    p: float
    slope: float
    low: float
    high: float
    limit: float
    reach: float | None
    q: float = 1.0

    @property
    def grade(self) -> str:
        """Give "drift" where all tests of the fleet allow to say so, "hint" where one does."""
        if not (self.slope < 0 and self.p <= LEVEL and self.high < 0):
            return ""
        return "drift" if self.q <= LEVEL else "hint"


def find_trends(rows: Sequence[dict[str, Any]]) -> list[Trend]:
    """Test every vehicle, cylinder and quantity for a fall.

    Parameters
    ----------
    rows : sequence of dict
        Judged recordings: `vehicle`, `name`, `recorded`, `cylinders` with the medians of their
        good firings. Of one vehicle they stand in the order of time: `order_rows`.

    Returns
    -------
    trends : list of Trend
        All that were tested, with their adjusted `q`, in the order of vehicle, quantity, cylinder.

    Notes
    -----
    Mann-Kendall test (H. B. Mann, Econometrica 13 (1945) 245; M. G. Kendall, Rank Correlation
    Methods, 1975), one-sided, exact without ties; slope of Theil (1950) and Sen, J. Am. Stat.
    Assoc. 63 (1968) 1379, with Sen's interval. Many tests: Benjamini and Hochberg, J. R. Stat.
    Soc. B 57 (1995) 289, so that of all drifts told at most 5 % are expected to be chance.
    """
    of_vehicle: dict[str, list[dict[str, Any]]] = {}
    for row in rows:
        of_vehicle.setdefault(row["vehicle"], []).append(row)
    trends: list[Trend] = []
    for vehicle, history in sorted(of_vehicle.items()):
        if len(history) < LEAST:
            continue
        times, step = _lay_out_times(history)
        numbers = sorted({c["cylinder"] for row in history for c in row["cylinders"]})
        for quantity in UNITS:
            table = np.array([[_value(r, number, quantity) for number in numbers] for r in history])
            for number, values, compared, relative in _list_series(table, numbers):
                found = _test(values, compared, times)
                if found is None:
                    continue
                kept, tau, p, slope, low, high = found
                limit = LIMITS.get(quantity, LEAST_PEAK * float(np.median(values[kept][:3])))
                trends.append(
                    Trend(
                        vehicle,
                        number,
                        quantity,
                        tuple(history[i]["name"] for i in kept),
                        tuple(times[kept].tolist()),
                        tuple(values[kept].tolist()),
                        tuple(compared[kept].tolist()),
                        relative,
                        step,
                        tau,
                        p,
                        slope,
                        low,
                        high,
                        limit,
                        _reach(values[kept], times[kept], slope, limit),
                    )
                )
    return adjust(trends)


def order_rows(rows: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    """Put a vehicle's recordings in the order of time: as recorded, where all of them tell.

    Parameters
    ----------
    rows : sequence of dict
        With `recorded` and `name`.

    Returns
    -------
    ordered : list of dict
        By `recorded` if every row has it, else by name, numbers in it by their value.
    """
    if all(row["recorded"] for row in rows):
        return sorted(rows, key=lambda r: (parse_time(r["recorded"]), split_name(r["name"])))
    return sorted(rows, key=lambda r: split_name(r["name"]))


def split_name(name: str) -> list[tuple[int, int, str]]:
    """Give a key that orders names as people do: "run 2" before "run 10".

    Examples
    --------
    >>> sorted(["b", "run 10", "run 2"], key=split_name)
    ['b', 'run 2', 'run 10']
    """
    parts: list[tuple[int, int, str]] = []
    word = ""
    digits = ""
    for sign in f"{name}\0":
        if sign.isascii() and sign.isdigit():
            if word:
                parts.append((1, 0, word.casefold()))
                word = ""
            digits += sign
            continue
        if digits:
            parts.append((0, int(digits[:300]), digits))
            digits = ""
        word += sign
    parts.append((1, 0, word.casefold()))
    return [*parts, (2, 0, name)]


def adjust(trends: Sequence[Trend]) -> list[Trend]:
    """Give every trend its `q` by Benjamini and Hochberg.

    Parameters
    ----------
    trends : sequence of Trend
    """
    order = sorted(range(len(trends)), key=lambda i: trends[i].p, reverse=True)
    q, adjusted = 1.0, list(trends)
    for place, i in enumerate(order):
        q = min(q, trends[i].p * len(trends) / (len(trends) - place))
        adjusted[i] = replace(trends[i], q=q)
    return adjusted


def _lay_out_times(history: Sequence[dict[str, Any]]) -> tuple[NDArray[np.float64], str]:
    """Give days since the first recording, or the recordings' numbers where times lack."""
    if all(row["recorded"] for row in history):
        moments = [parse_time(row["recorded"]) for row in history]
        if len(set(moments)) > 1:
            days = [(m - moments[0]) / timedelta(days=1) for m in moments]
            return np.array(days), "day"
    return np.arange(len(history), dtype=float), "recording"


def _list_series(
    table: NDArray[np.float64], numbers: Sequence[int]
) -> list[tuple[int, NDArray[np.float64], NDArray[np.float64], bool]]:
    """Give each cylinder beside the others, and all together: number, values, compared, relative.

    `table` [shape=(n_recordings, n_cylinders)].
    """
    series = []
    measured: NDArray[np.bool_] = np.asarray(np.isfinite(table).any(axis=0))
    several = int(measured.sum()) > 1
    for column, number in enumerate(numbers):
        if not measured[column]:
            continue
        values = table[:, column]
        if not several:
            series.append((number, values, values, False))
            continue
        others = np.delete(table, column, axis=1)
        reference = np.array([_median(row) for row in others])
        with np.errstate(divide="ignore", invalid="ignore"):
            series.append((number, values, values / reference, True))
    if several:
        together = np.array([_median(row) for row in table])
        series.append((0, together, together, False))
    return series


def _test(
    values: NDArray[np.float64], compared: NDArray[np.float64], times: NDArray[np.float64]
) -> tuple[NDArray[np.int64], float, float, float, float, float] | None:
    """Test one series for a fall: kept rows, tau, p, slope of the values, its interval."""
    from scipy.stats import kendalltau, theilslopes

    kept = np.flatnonzero(np.isfinite(values) & np.isfinite(compared))
    if kept.size < LEAST or np.unique(times[kept]).size < LEAST:
        return None
    if np.ptp(compared[kept]) == 0:
        return None
    found = kendalltau(times[kept], compared[kept], alternative="less")
    # The slope is that of what was tested, in units of the values.
    scale = float(np.median(values[kept]) / np.median(compared[kept]))
    line = theilslopes(compared[kept], times[kept], alpha=INTERVAL)
    numbers = [float(x) * scale for x in (line.slope, line.low_slope, line.high_slope)]
    if not all(map(math.isfinite, (*numbers, float(found.pvalue)))):
        return None
    return kept, float(found.statistic), float(found.pvalue), numbers[0], numbers[1], numbers[2]


def _reach(
    values: NDArray[np.float64], times: NDArray[np.float64], slope: float, limit: float
) -> float | None:
    """Say how many steps after the last recording the line reaches the limit."""
    if slope >= 0:
        return None
    now = float(np.median(values - slope * (times - times[-1])))
    return max(0.0, (limit - now) / slope)


def _value(row: dict[str, Any], number: int, quantity: str) -> float:
    """Give a cylinder's median in one recording, NaN where there is none."""
    for cylinder in row["cylinders"]:
        if cylinder["cylinder"] == number and cylinder[quantity] is not None:
            return float(cylinder[quantity])
    return math.nan


def _median(row: NDArray[np.float64]) -> float:
    """Give the median of what was measured, NaN where nothing was."""
    known = row[np.isfinite(row)]
    return float(np.median(known)) if known.size else math.nan
