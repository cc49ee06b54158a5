"""From crank angle and coil strokes to firings: which cylinder, which cycle, seen or missed."""

from functools import partial

import numpy as np
from numpy.typing import NDArray

from misfire.cycles.phase import Phase, permute_cylinders
from misfire.cycles.restrikes import list_first_strikes
from misfire.cycles.weighing import EARLIEST_DEG, LATEST_DEG, cylinder_angles, wrap_deg
from misfire.dsp.running import reduce_windows
from misfire.dsp.track import angle_at, list_stretches, time_at
from misfire.errors import CycleError
from misfire.records import CrankTrack, Engine, Firings, StrokeTrain

ADVANCE_NEIGHBOURS = 9  # sparks over which the advance is smoothed (median)


def find_firings(
    track: CrankTrack, trains: list[StrokeTrain], *, engine: Engine, phase: Phase
) -> Firings:
    """List every power stroke the track covers and match the coil strokes to them.

    Parameters
    ----------
    track : CrankTrack
    trains : list of StrokeTrain
        Primary, current and trigger channels; their order is their precedence for the instant.
    engine : Engine
    phase : Phase

    Returns
    -------
    firings : Firings

    Raises
    ------
    CycleError
        If the track does not cover one whole power stroke.
    """
    tdc_angle, cycle, cylinder, stretch = _list_power_strokes(track, engine, phase)
    tdc_s = time_at(track, tdc_angle)
    good = np.isfinite(tdc_s)
    if not good.any():
        raise CycleError("the crank signal covers no whole power stroke: record for longer")
    rows = np.flatnonzero(good)[np.argsort(tdc_s[good], kind="stable")]
    tdc_angle, tdc_s = tdc_angle[rows], tdc_s[rows]
    cycle, cylinder, stretch = cycle[rows], cylinder[rows], stretch[rows]
    del rows, good
    cycle -= cycle.min()
    index, advance, strikes = _match(track, trains, engine, tdc_angle, cylinder)
    spark_s = np.full(tdc_s.size, np.nan)
    for train in trains:
        index_of = index[train.channel.name]
        take = np.isnan(spark_s) & (index_of >= 0)
        spark_s[take] = train.strokes["stop_s"][index_of[take]]
    seen = np.isfinite(spark_s)
    expected = _fill_advance(tdc_s, advance)
    unseen = np.flatnonzero(~seen)
    unseen_s = time_at(track, tdc_angle[unseen] - expected[unseen])
    spark_s[unseen] = np.where(np.isfinite(unseen_s), unseen_s, tdc_s[unseen])
    advance = np.where(np.isfinite(advance), advance, expected)
    del expected, unseen, unseen_s
    rpm = _speed(track, tdc_angle, tdc_s)
    by_time = np.argsort(spark_s, kind="stable")
    for name in index:  # one after the other, not all of them twice
        index[name] = index[name][by_time]
    cycle, cylinder = cycle[by_time], cylinder[by_time]
    return Firings(
        cycle=cycle,
        cylinder=cylinder,
        tdc_angle_deg=tdc_angle[by_time],
        tdc_s=tdc_s[by_time],
        spark_s=spark_s[by_time],
        seen=seen[by_time],
        advance_deg=advance[by_time],
        rpm=rpm[by_time],
        stretch=stretch[by_time],
        strikes=strikes[by_time],
        stroke_index=index,
        resolved=phase.resolved or engine.cylinders == 1,
        mates=_find_mates(engine),
        tdc_deg=phase.tdc_deg,
        tdc_known=phase.tdc_known,
        findings=phase.findings,
        renamings=tuple(permute_cylinders(engine, turn) for turn in phase.others_deg),
    )


def _list_power_strokes(
    track: CrankTrack, engine: Engine, phase: Phase
) -> tuple[NDArray[np.float64], NDArray[np.int64], NDArray[np.int64], NDArray[np.int32]]:
    """List the compression TDC of every power stroke: angle, cycle, cylinder, stretch."""
    angles = cylinder_angles(engine)
    order = np.array(engine.firing_order)
    offsets = np.array([angles[int(c)] for c in order])
    parts: list[
        tuple[NDArray[np.float64], NDArray[np.int64], NDArray[np.int64], NDArray[np.int32]]
    ] = []
    teeth = {number: (first, stop) for number, first, stop in list_stretches(track)}
    for number, extra in phase.offset_deg.items():
        if not np.isfinite(extra):
            continue
        first_tooth, stop_tooth = teeth[number]
        begin_deg, end_deg = track.angle_deg[np.array([first_tooth, stop_tooth - 1])]
        # Angle of firing_order[0]'s TDC in cycle 0 of the common count, on this stretch.
        zero = phase.tdc_deg - extra
        first = int(np.floor((begin_deg - zero) / 720.0)) - 1
        last = int(np.ceil((end_deg - zero) / 720.0)) + 1
        cycles = np.repeat(np.arange(first, last + 1), order.size)
        tdc = zero + 720.0 * cycles + np.tile(offsets, last + 1 - first)
        keep = (tdc >= begin_deg) & (tdc <= end_deg)
        parts.append(
            (
                tdc[keep],
                cycles[keep],
                np.tile(order, last + 1 - first)[keep],
                np.full(int(keep.sum()), number, np.int32),
            )
        )
    if not parts or not sum(p[0].size for p in parts):
        raise CycleError("the crank signal covers no whole power stroke: record for longer")
    return (
        np.concatenate([p[0] for p in parts]),
        np.concatenate([p[1] for p in parts]),
        np.concatenate([p[2] for p in parts]),
        np.concatenate([p[3] for p in parts]),
    )


def _find_mates(engine: Engine) -> dict[int, int]:
    """Find the cylinders 360 degrees apart from one another."""
    angles = cylinder_angles(engine)
    mates = {}
    for a, at in angles.items():
        for b, bt in angles.items():
            if a != b and abs(float(wrap_deg(np.array([at - bt - 360.0]), 720.0)[0])) < 1.0:
                mates[a] = b
    return mates


def _match(
    track: CrankTrack,
    trains: list[StrokeTrain],
    engine: Engine,
    tdc_angle: NDArray[np.float64],
    cylinder: NDArray[np.int64],
) -> tuple[dict[str, NDArray[np.int64]], NDArray[np.float64], NDArray[np.int64]]:
    """Find for every firing the first stroke of each channel within its window."""
    n = tdc_angle.size
    index = {t.channel.name: np.full(n, -1, np.int64) for t in trains}
    advance = np.full(n, np.nan)
    strikes = np.ones(n, np.int64)
    centre = _usual_advance(track, trains, engine, tdc_angle, cylinder)
    for train in trains:
        theta = angle_at(track, train.strokes["stop_s"])
        known = np.flatnonzero(np.isfinite(theta))
        if known.size == 0:
            continue
        theta = theta[known]
        rank = np.argsort(theta, kind="stable")
        theta, known = theta[rank], known[rank]
        seen = train.channel.cylinders or engine.firing_order
        rows = np.flatnonzero(np.isin(cylinder, seen))
        by_angle = rows[np.argsort(tdc_angle[rows], kind="stable")]
        at = tdc_angle[by_angle] - centre[by_angle]
        if at.size > 1:
            # Half way to the neighbour that this channel sees too, also across a waste spark.
            spacing = np.diff(at)
            least = float(np.median(spacing)) if spacing.size else 720.0
            before = np.minimum(np.concatenate(([least], spacing)), 360.0) / 2
            after = np.minimum(np.concatenate((spacing, [least])), 360.0) / 2
        else:
            before = after = np.full(at.size, 90.0)
        lo = np.searchsorted(theta, at - np.minimum(before, EARLIEST_DEG))
        hi = np.searchsorted(theta, at + np.minimum(after, EARLIEST_DEG + LATEST_DEG))
        del before, after, rank, rows
        has = hi > lo
        # The nearest to the expected angle is the firing; later ones in the window are strikes.
        first = np.where(has, lo, 0)
        if theta.size:
            mid = np.clip(np.searchsorted(theta, at), 0, theta.size - 1)
            left = np.clip(mid - 1, 0, theta.size - 1)
            nearest = np.where(np.abs(theta[mid] - at) < np.abs(theta[left] - at), mid, left)
            long_before = theta[nearest] - theta[np.minimum(first, theta.size - 1)] > 25.0
            first = np.where(has & long_before, nearest, first)
            del mid, left, nearest, long_before
        own, first = by_angle[has], first[has]
        index[train.channel.name][own] = known[first]
        strikes[own] = np.maximum(strikes[own], hi[has] - first)
        new = np.isnan(advance[own])
        advance[own[new]] = tdc_angle[own[new]] - theta[first[new]]
        del at, lo, hi, theta, known, own, by_angle, first, new
    return index, advance, strikes


def _usual_advance(
    track: CrankTrack,
    trains: list[StrokeTrain],
    engine: Engine,
    tdc_angle: NDArray[np.float64],
    cylinder: NDArray[np.int64],
) -> NDArray[np.float64]:
    """Advance to be expected at each firing: a running median of what was seen nearby."""
    usual = 12.0
    found: list[NDArray[np.float64]] = []
    where: list[NDArray[np.float64]] = []
    for train in trains:
        theta = angle_at(track, list_first_strikes(train.strokes["stop_s"]))
        theta = np.sort(theta[np.isfinite(theta)])
        seen = train.channel.cylinders or engine.firing_order
        rows = np.flatnonzero(np.isin(cylinder, seen))
        if theta.size == 0 or rows.size == 0:
            continue
        tdc = np.sort(tdc_angle[rows])
        # Each spark belongs to the TDC that best fits -60..25 degrees around the usual advance.
        at = np.clip(np.searchsorted(tdc, theta + usual), 1, max(1, tdc.size - 1))
        near = np.where(
            np.abs(tdc[np.minimum(at, tdc.size - 1)] - theta - usual)
            < np.abs(tdc[at - 1] - theta - usual),
            np.minimum(at, tdc.size - 1),
            at - 1,
        )
        advance = tdc[near] - theta
        del tdc, at, near
        keep = (advance > -LATEST_DEG) & (advance < EARLIEST_DEG)
        found.append(advance[keep])
        where.append(theta[keep])
    if not found or not sum(v.size for v in found):
        return np.full(tdc_angle.size, usual)
    advance, theta = np.concatenate(found), np.concatenate(where)
    del found, where
    rank = np.argsort(theta)
    advance, theta = advance[rank], theta[rank]
    del rank
    smooth = _running_median(advance, ADVANCE_NEIGHBOURS)
    return np.asarray(np.interp(tdc_angle - usual, theta, smooth))


def _fill_advance(tdc_s: NDArray[np.float64], advance: NDArray[np.float64]) -> NDArray[np.float64]:
    """Advance of every firing, from the neighbours in time where none was seen."""
    known = np.flatnonzero(np.isfinite(advance))
    if known.size == 0:
        return np.full(tdc_s.size, 12.0)
    return np.asarray(np.interp(tdc_s, tdc_s[known], advance[known]))


def _running_median(values: NDArray[np.float64], width: int) -> NDArray[np.float64]:
    """Median over `width` neighbours, shorter at the ends."""
    if values.size <= width:
        return np.full(values.size, np.median(values)) if values.size else values
    half = width // 2
    padded = np.concatenate((values[:half][::-1], values, values[-half:][::-1]))
    return reduce_windows(padded, width, partial(np.median, axis=1))


def _speed(
    track: CrankTrack, tdc_angle: NDArray[np.float64], tdc_s: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Mean speed over the revolution around each TDC, over less at the ends of the track."""
    rpm = np.full(tdc_angle.size, np.nan)
    for half in (180.0, 90.0, 30.0, 6.0):
        open_ = np.flatnonzero(np.isnan(rpm))
        at_deg, at_s = tdc_angle[open_], tdc_s[open_]
        before, after = time_at(track, at_deg - half), time_at(track, at_deg + half)
        speed = 2 * half / 6.0 / (after - before)
        if half <= 90.0:
            one = half / 6.0 / np.where(np.isfinite(after), after - at_s, at_s - before)
            speed = np.where(np.isnan(speed), one, speed)
        rpm[open_] = speed
    return rpm
