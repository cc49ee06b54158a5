"""Were both recordings taken under the same conditions: speed, load, engine, channels."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from misfire.comparison.side import Side
from misfire.report.summary import LOST

SPEED_SHARE = 0.20  # firings within this share of each other's speed are alike
SPEED_RPM = 200.0  # or within this: idle is idle, with or without a dead cylinder
LEAST_CYCLES = 3  # of the other recording at such a speed, for the speed to count as met
LEAST_COVER = 0.5  # share of the firings that have to find their like
FEW = 4  # lost firings; below, and by so many, the share of all firings counts
GAINING = 0.08  # speed change a second, in parts of the speed: above it the engine pulls
TREND_CYCLES = 6
LEAST_LOST, ALIKE = 10, 0.7  # losses and their share under one load, for the load not to matter
# as the quality notes of a result have them
UNREAD, NO_CRANK, UNSEEN = "no_sync", "no_crank", "no_strokes"
GONE = 0.1  # a quantity measured so much more rarely was not recorded; else the fault may hide it


@dataclass(frozen=True, slots=True)
class Match:
    """Which firings have their like in the other recording.

    `before`, `after` [bool, shape=(n_firings,)]: usable firings at speeds that both recordings
    have. `speed_cover`: share of the lost firings of BEFORE (of all, where few were lost) at whose
    speed AFTER has firings; `cover`: the same where speeding up and slowing down count as other
    conditions.
    """

    before: NDArray[np.bool_]
    after: NDArray[np.bool_]
    cover: float
    speed_cover: float


def find_obstacles(
    before: Side, after: Side, suspects: tuple[tuple[int, ...], ...]
) -> tuple[str, ...]:
    """Say what of engine and channels keeps two recordings from being compared.

    Parameters
    ----------
    before, after : Side
    suspects : tuple of tuple of int
        Cylinders under suspicion, and pairs that cannot be told apart.

    Returns
    -------
    reasons : tuple of str
        Empty where they can be compared.
    """
    if len(before.order) != len(after.order):
        return (
            f"the engines differ: {len(before.order)} cylinders before, {len(after.order)} after",
        )
    reasons = []
    if _start_at_lowest(before.order) != _start_at_lowest(after.order):
        reasons.append(
            f"the firing orders differ: {_write_order(before.order)} before, "
            f"{_write_order(after.order)} after"
        )
    if before.ignition and after.ignition and before.ignition != after.ignition:
        reasons.append(f"the ignitions differ: {before.ignition} before, {after.ignition} after")
    if any(abs(a - b) > 1 for a, b in zip(before.angles_deg, after.angles_deg, strict=True)) and (
        before.ignition and after.ignition
    ):
        reasons.append("the firing angles differ")
    if reasons:
        return tuple(reasons)
    words = {
        "torque": "the torque (a crank channel)",
        "burn": "the spark line (a coil primary or secondary)",
    }
    for group in suspects or (before.cylinders,):
        had = _find_kinds(before, group)
        has = _find_kinds(after, group)
        name = "" if not suspects else f" of cylinder {' or '.join(map(str, group))}"
        for kind, what in words.items():
            if kind == "burn" and "torque" in had & has and UNSEEN in _list_codes(after):
                continue  # the channel was there and showed nothing: the work tells of the fault
            if kind in had - has and _is_missing(before, after, kind, group):
                reasons.append(f"{what}{name} was recorded before, not after")
        if not had & has & {"torque", "burn"} and _has_lost_crank(before, after):
            reasons.append(
                f"a crank channel was recorded before, not after: whether the charges{name} burn "
                "again cannot be seen"
            )
        if had and not had & has and not reasons:
            reasons.append(f"no quantity{name} was recorded both times")
    return tuple(reasons)


def _has_lost_crank(before: Side, after: Side) -> bool:
    """Whether BEFORE has a crank channel, which could not be read, and AFTER none."""
    codes = [_list_codes(s) for s in (before, after)]
    return UNREAD in codes[0] and UNREAD not in codes[1] and NO_CRANK in codes[1]


def _list_codes(side: Side) -> set[str]:
    """Give the codes of the quality notes of a recording."""
    return {str(note.get("code")) for note in side.summary.get("quality", [])}


def _find_kinds(side: Side, cylinders: tuple[int, ...]) -> frozenset[str]:
    """Give the kinds of evidence that a recording has of any of some cylinders."""
    return frozenset(k for c in cylinders for k in side.witnesses.get(c, ()))


def find_match(
    before: Side,
    after: Side,
    suspects: tuple[int, ...],
) -> Match:
    """Find the firings of both recordings that were taken under like conditions.

    Parameters
    ----------
    before, after : Side
    suspects : tuple of int
        Cylinders under suspicion; their lost firings weigh.

    Returns
    -------
    match : Match
    """
    usable = [_find_usable(side) for side in (before, after)]
    speeds = [side.column("rpm") for side in (before, after)]
    modes = [_find_modes(side) for side in (before, after)]
    n = len(before.order)
    met_b = _is_met(speeds[0], speeds[1][usable[1]], LEAST_CYCLES * n)
    met_a = _is_met(speeds[1], speeds[0][usable[0]], LEAST_CYCLES * n)
    number, cylinders = before.column("cylinder"), suspects or before.cylinders
    weight = usable[0] & np.isin(number, cylinders)
    lost = weight & (before.column("misfire_probability") >= LOST)
    speed_cover = _find_share(met_b, lost, weight)
    # A firing while the engine gains or loses speed needs one of the same kind in AFTER.
    same_mode = met_b.copy()
    for mode in (-1, 1):
        own = modes[0] == mode
        there = speeds[1][usable[1] & (modes[1] == mode)]
        same_mode[own] &= _is_met(speeds[0][own], there, n)
    cover = _find_share(same_mode, lost, weight)
    if lost.sum() >= FEW and _is_lost_as_often(
        lost, usable[0] & np.isin(number, cylinders), same_mode
    ):
        cover = speed_cover
    return Match(
        before=usable[0] & met_b,
        after=usable[1] & met_a,
        cover=cover,
        speed_cover=speed_cover,
    )


def _find_share(
    met: NDArray[np.bool_], lost: NDArray[np.bool_], judged: NDArray[np.bool_]
) -> float:
    """Share of the lost firings that AFTER meets, drawn to that of all by FEW firings.

    Below FEW lost firings: the share of all.
    """
    if not judged.any():
        return math.nan
    whole = float(met[judged].mean())
    n = int(lost.sum())
    return (int(met[lost].sum()) + FEW * whole) / (n + FEW) if n >= FEW else whole


def _is_lost_as_often(
    lost: NDArray[np.bool_], judged: NDArray[np.bool_], met: NDArray[np.bool_]
) -> bool:
    """Whether at least 70 % as many were lost where AFTER meets the conditions as elsewhere."""
    here, there = judged & met, judged & ~met
    if lost[here].sum() < LEAST_LOST or not there.any():
        return False
    return bool(lost[here].mean() >= ALIKE * lost[there].mean())


def write_speed_mismatch(before: Side, after: Side, match: Match) -> tuple[str, ...]:
    """Say how the speeds keep two recordings from being compared; empty if they do not.

    Parameters
    ----------
    before, after : Side
    match : Match

    Returns
    -------
    reasons : tuple of str
    """
    if match.speed_cover >= LEAST_COVER:
        return ()
    return (
        f"the speed ranges differ: {_write_range(before)} before, {_write_range(after)} after; "
        "record again at the speed at which the fault was felt",
    )


def write_load_mismatch(match: Match) -> tuple[str, ...]:
    """Say that AFTER was not driven under the load of BEFORE; empty if it was.

    Parameters
    ----------
    match : Match

    Returns
    -------
    reasons : tuple of str
    """
    if match.cover >= LEAST_COVER:
        return ()
    return (
        "the load differs: before, the firings that matter came while the engine gained or "
        "lost speed, after it was not driven like that; repeat the same drive",
    )


def get_speed_range(side: Side) -> tuple[float, float, float]:
    """Give the 5, 50 and 95 per cent points of the speed [rpm]; NaN where it is not known."""
    rpm = side.column("rpm")
    rpm = rpm[np.isfinite(rpm)]
    if not rpm.size:
        return math.nan, math.nan, math.nan
    low, middle, high = np.quantile(rpm, (0.05, 0.5, 0.95))
    return float(low), float(middle), float(high)


def _find_usable(side: Side) -> NDArray[np.bool_]:
    """Find the firings that were judged and had fuel."""
    return (
        np.isfinite(side.column("misfire_probability"))
        & np.isfinite(side.column("rpm"))
        & ~side.flagged("fuel_cut")
    )


def _is_met(
    speed: NDArray[np.float64], others: NDArray[np.float64], least: int
) -> NDArray[np.bool_]:
    """Whether at least `least` of the other firings had about this speed."""
    reach = np.maximum(SPEED_SHARE * speed, SPEED_RPM)
    ordered = np.sort(others)
    found = np.searchsorted(ordered, speed + reach) - np.searchsorted(ordered, speed - reach)
    return np.asarray(np.isfinite(speed) & (found >= least))


def _find_modes(side: Side) -> NDArray[np.int64]:
    """Whether the engine pulls (+1), rolls (0) or slows down (-1), from the trend of its speed."""
    rpm, time = side.column("rpm"), side.column("time_s")
    width = TREND_CYCLES * len(side.order)
    mode = np.zeros(rpm.size, np.int64)
    if rpm.size < 3 * width or not np.isfinite(rpm).any():
        return mode
    smooth = np.convolve(np.nan_to_num(rpm, nan=float(np.nanmedian(rpm))), np.ones(width) / width)
    smooth = smooth[width // 2 : width // 2 + rpm.size]
    trend = np.zeros(rpm.size)
    trend[width:-width] = (smooth[2 * width :] - smooth[: -2 * width]) / np.maximum(
        time[2 * width :] - time[: -2 * width], 1e-6
    )
    share = trend / np.maximum(smooth, 1.0)
    fast = smooth > 1.4 * np.nanquantile(rpm, 0.05)  # idle hunts without any load
    mode[fast & (share > GAINING)] = 1
    mode[fast & (share < -GAINING)] = -1
    return mode


def _is_missing(before: Side, after: Side, kind: str, cylinders: tuple[int, ...]) -> bool:
    """Whether less than a tenth as large a share of firings has the quantity as before."""
    column = "burn_time_ms" if kind == "burn" else "segment_accel"
    shares = []
    for side in (before, after):
        values = side.column(column)[np.isin(side.column("cylinder"), cylinders)]
        shares.append(float(np.isfinite(values).mean()) if values.size else 0.0)
    return shares[1] < GONE * shares[0]


def _start_at_lowest(order: tuple[int, ...]) -> tuple[int, ...]:
    """Start a firing order with its lowest number: orders that repeat alike become equal."""
    at = order.index(min(order))
    return order[at:] + order[:at]


def _write_order(order: tuple[int, ...]) -> str:
    """Write a firing order as the trade does."""
    return "-".join(map(str, _start_at_lowest(order)))


def _write_range(side: Side) -> str:
    """Write a speed range."""
    low, _, high = get_speed_range(side)
    if not math.isfinite(low):
        return "unknown"
    return f"{round(low, -1):.0f} to {round(high, -1):.0f} rev/min"
