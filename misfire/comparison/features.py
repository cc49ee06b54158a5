"""Measured quantities before and after: the change at like speeds, with its interval."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from misfire.comparison.conditions import Match
from misfire.comparison.side import Side
from misfire.dsp.chances import compute_outlying
from misfire.dsp.running import robust_spread
from misfire.features.wheelerrors import PITCH_PRIOR
from misfire.report.summary import LOST

Z95 = 1.959963984540054  # 97.5 per cent point of the standard normal distribution
LEAST = 8  # values of one cylinder on each side
SPEED_STEP = 0.12  # width of a speed cell, as a difference of logs
MOST_TIED = 0.95  # correlation of neighbours in time: more is not believed
TORQUE_SPREADS = 2.0  # by which a cylinder that works less lies below the others
RPM = math.pi / 30.0  # rad/s
WEIGHT = 6  # cylinders for which the usual error of a wheel counts

# Quantity -> the difference from the other cylinders that is no more than cylinders have
# (common practice: plugs and coils of one engine agree within these).
USUAL = {
    "dwell_ms": 0.25,
    "peak_current_a": 0.15,
    "firing_voltage_kv": 0.30,
    "burn_time_ms": 0.25,
    "burn_voltage_kv": 0.35,
    "segment_accel": 0.0,
}


@dataclass(frozen=True, slots=True)
class FeatureChange:
    """One quantity of one cylinder on both sides, over firings at like speeds.

    `before`, `after`: medians; `change` with its 95 % interval [low, high]. `off_before`,
    `off_after`: how far the cylinder stands from the others; a log of the ratio, for the segment
    acceleration a difference in spreads; NaN where no other cylinder was measured.
    """

    quantity: str
    before: float
    after: float
    change: float
    low: float
    high: float
    n_before: int
    n_after: int
    off_before: float
    off_after: float

    @property
    def was_off(self) -> bool:
        """Whether the cylinder plainly stood apart before."""
        return is_off(self.quantity, self.off_before)

    @property
    def is_off(self) -> bool:
        """Whether it plainly stands apart after, to the same side as before where it did then."""
        same = not self.was_off or self.off_before * self.off_after > 0
        return same and is_off(self.quantity, self.off_after)


def is_off(quantity: str, off: float) -> bool:
    """Tell whether a cylinder stands further from the others than cylinders do.

    Parameters
    ----------
    quantity : str
        A key of USUAL.
    off : float

    Returns
    -------
    is_off : bool
        False for NaN. Of the segment acceleration only less is off.
    """
    if quantity == "segment_accel":
        return off < -TORQUE_SPREADS
    return abs(off) > USUAL[quantity]


def compute_changes(
    before: Side, after: Side, match: Match, cylinders: tuple[int, ...]
) -> tuple[FeatureChange, ...]:
    """Compare each quantity of one cylinder, or of a pair that cannot be told apart.

    Parameters
    ----------
    before, after : Side
    match : Match
    cylinders : tuple of int

    Returns
    -------
    changes : tuple of FeatureChange
        Only quantities that both recordings have.
    """
    changes = []
    for quantity in USUAL:
        sides = []
        for side, own in ((before, match.before), (after, match.after)):
            mine = own & np.isin(side.column("cylinder"), cylinders)
            values = side.column(quantity)
            mine &= np.isfinite(values)
            sides.append((values[mine], side.column("rpm")[mine]))
        if min(s[0].size for s in sides) < LEAST:
            continue
        change, error = compute_matched_change(*sides[0], *sides[1])
        if not math.isfinite(change):
            continue
        changes.append(
            FeatureChange(
                quantity=quantity,
                before=float(np.median(sides[0][0])),
                after=float(np.median(sides[1][0])),
                change=change,
                low=change - Z95 * error,
                high=change + Z95 * error,
                n_before=int(sides[0][0].size),
                n_after=int(sides[1][0].size),
                off_before=compute_offset(before, quantity, cylinders, match.before),
                off_after=compute_offset(after, quantity, cylinders, match.after),
            )
        )
    return tuple(changes)


def compute_matched_change(
    before: NDArray[np.float64],
    rpm_before: NDArray[np.float64],
    after: NDArray[np.float64],
    rpm_after: NDArray[np.float64],
) -> tuple[float, float]:
    """Change of the median at like speeds, and its standard error.

    Parameters
    ----------
    before, after : float64 array [shape=(n,), in time order]
    rpm_before, rpm_after : float64 array [shape=(n,), unit=rpm]

    Returns
    -------
    change, error : float
        NaN where the recordings share no speed cell.

    Notes
    -----
    Within each speed cell the difference of medians, weighted by the fewer of both counts. The
    error of a median is 1.2533 sigma / sqrt(n) (normal law), sigma = 1.4826 x median absolute
    deviation; n counts less where neighbours in time are alike: n (1 - r) / (1 + r), r their
    correlation (Bartlett 1946, from memory).
    """
    cells_b, cells_a = _number_speed_cells(rpm_before), _number_speed_cells(rpm_after)
    shared = np.intersect1d(cells_b, cells_a)
    total, weight_sum, variance = 0.0, 0.0, 0.0
    thin = (
        1 / _compute_independent_share(before, cells_b),
        1 / _compute_independent_share(after, cells_a),
    )
    for cell in shared:
        b, a = before[cells_b == cell], after[cells_a == cell]
        if min(b.size, a.size) < 4:
            continue
        weight = float(min(b.size, a.size))
        total += weight * float(np.median(a) - np.median(b))
        for values, factor in ((b, thin[0]), (a, thin[1])):
            variance += (weight * 1.2533 * _robust_deviation(values)) ** 2 * factor / values.size
        weight_sum += weight
    if not weight_sum:
        return math.nan, math.nan
    return total / weight_sum, math.sqrt(variance) / weight_sum


def compute_offset(
    side: Side, quantity: str, cylinders: tuple[int, ...], own: NDArray[np.bool_]
) -> float:
    """How far cylinders stand from the others of the same recording.

    Parameters
    ----------
    side : Side
    quantity : str
    cylinders : tuple of int
    own : bool array [shape=(n_firings,)]
        Which firings count.

    Returns
    -------
    off : float
        Log of the ratio of medians; of the segment acceleration the difference over the spread
        of the others' good firings. NaN where there is nothing to compare with.
    """
    values = side.column(quantity)
    usable = own & np.isfinite(values)
    if quantity == "segment_accel":
        values = values / np.maximum(side.column("rpm"), 1.0) ** 2
    number = side.column("cylinder")
    mine = values[usable & np.isin(number, cylinders)]
    rest = usable & ~np.isin(number, cylinders) & ~(side.column("misfire_probability") >= LOST)
    medians = [
        float(np.median(values[rest & (number == c)]))
        for c in side.cylinders
        if int((rest & (number == c)).sum()) >= LEAST
    ]
    if mine.size < LEAST or not medians:
        return math.nan
    usual = float(np.median(medians))
    if quantity == "segment_accel":
        spread = _robust_deviation(values[rest])
        return (float(np.median(mine)) - usual) / spread if spread > 0 else math.nan
    here = float(np.median(mine))
    if usual <= 0:
        return math.nan
    return math.log(max(here, 0.02 * usual) / usual)  # no spark at all is off by a factor of 50


def compute_torque_left(
    before: Side, after: Side, match: Match, cylinders: tuple[int, ...]
) -> tuple[float, float]:
    """Say how much of the torque that a cylinder lacked before is still lacking after.

    Parameters
    ----------
    before, after : Side
    match : Match
    cylinders : tuple of int
        Of a pair the weaker one counts.

    Returns
    -------
    share, chance : float
        Of the lack before; and the chance that a sound cylinder lies so far below the others after,
        by how the others scatter and by usual errors of a wheel. (0, 1) where nothing tells.

    Notes
    -----
    Levels are medians of the segment acceleration over omega squared. A leak made smaller lacks
    too little in each firing to be judged there, but lacks it in all of them.
    """
    lacks, others, error = [], np.empty(0), 0.0
    for side, use in ((before, match.before), (after, match.after)):
        work = side.column("segment_accel") / np.square(np.maximum(side.column("rpm"), 1.0) * RPM)
        number = side.column("cylinder")
        parts = {c: work[use & (number == c) & np.isfinite(work)] for c in side.cylinders}
        middle = {c: float(np.median(v)) for c, v in parts.items() if v.size >= LEAST}
        rest = np.array([x for c, x in middle.items() if c not in cylinders])
        mine = [x for c, x in middle.items() if c in cylinders]
        if not mine or not rest.size:
            return 0.0, 1.0
        usual = float(np.median(rest))
        lacks.append(usual - min(mine))
        others = usual - rest
        errors = [1.2533 * _robust_deviation(parts[c]) / math.sqrt(parts[c].size) for c in middle]
        error = float(np.median(errors))
    if lacks[0] <= 0:
        return 0.0, 1.0
    wheel = PITCH_PRIOR * len(after.order) / (4.0 * math.pi)
    chance = compute_outlying(lacks[1], others, error, usual=wheel, weight=WEIGHT)
    return lacks[1] / lacks[0], chance


def _number_speed_cells(rpm: NDArray[np.float64]) -> NDArray[np.int64]:
    """Give the number of each firing's speed cell."""
    return np.floor(np.log(np.maximum(rpm, 1.0)) / SPEED_STEP).astype(np.int64)


def _robust_deviation(values: NDArray[np.float64]) -> float:
    """Give the standard deviation from the median absolute one; of ties the plain one."""
    return robust_spread(values) or float(np.std(values))


def _compute_independent_share(values: NDArray[np.float64], cells: NDArray[np.int64]) -> float:
    """Share of the values that count as independent: (1 - r) / (1 + r), r of neighbours in time."""
    x = values.copy()
    for cell in np.unique(cells):
        x[cells == cell] -= np.median(x[cells == cell])
    limit = 3 * _robust_deviation(x)
    x = np.clip(x, -limit, limit)
    power = float(x @ x)
    if x.size < 4 or power <= 0:
        return 1.0
    alike = min(max(float(x[:-1] @ x[1:]) / power, 0.0), MOST_TIED)
    return (1 - alike) / (1 + alike)
