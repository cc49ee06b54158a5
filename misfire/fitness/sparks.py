"""Fitness of the card against where the sparks fall: cylinders, firing angles, one engine.

Signals contradict a card in its firing order or in the places of its firings: the advance differs
by cylinder, scatters, strays, or a coil never fires at its cylinder's TDC (crank from teeth only).
Nor is anybody accused from a recording in which the speed jumps.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial

import numpy as np
from numpy.typing import NDArray

from misfire.dsp.running import reduce_windows
from misfire.dsp.track import angle_at
from misfire.fitness.engine import CRANKING_RPM, FOCUS
from misfire.records import CrankTrack, Engine, Finding, Firings, StrokeTrain

LEAST_STROKES = 20  # of a channel, before its sparks can contradict the card
LEAST_SEEN = 8  # firings of a cylinder whose usual advance is asked for
MOST_APART_DEG = 15.0  # usual advance of two cylinders; control differs by a few degrees
MOST_SCATTER_DEG = 9.0  # of single sparks about their neighbours; idle control moves less
MOST_STRAY = 0.15  # share of sparks that fall on no firing
MANY = 1.3  # sparks a firing: several strikes
SAME_S = 0.5e-3  # two channels that switch off within this saw one stroke
RESTRIKE_DEG = 60.0  # sparks this near to one that has its place are its strikes


MOST_RPM_PER_S = 20e3  # no engine without load gains speed faster (common practice: 5 to 15)
LEAST_STEP = 0.3  # of the lower speed
EITHER_SIDE = 4  # firings that must keep to the new speed, and to the old: no tooth too many


def check_spark_places(
    firings: Firings, trains: Sequence[StrokeTrain], track: CrankTrack, engine: Engine
) -> list[Finding]:
    """Compare where the sparks fall with the firings that the card makes of the crank's angle.

    Parameters
    ----------
    firings : Firings
    trains : sequence of StrokeTrain
    track : CrankTrack
        From teeth: a track made of the sparks agrees with them whatever they are.
    engine : Engine

    Returns
    -------
    findings : list of Finding
        At most one, `sparks_misplaced`: of another engine than the card's, or of two.

    Notes
    -----
    A control unit fires all cylinders at much the same advance, and no coil beside its firings; a
    waste-spark coil fires on exhaust too. Source: common practice.
    """
    if track.wheel.positions < 2:
        return []
    text = _count_strays(firings, trains, track, engine)
    text = text or _find_unplaced(firings, trains, track, engine)
    if not text and not _strikes_often(firings, trains):
        text = _compare_cylinders(firings, engine) or _measure_scatter(firings, engine)
    if not text:
        return []
    text += (
        ": this is not the engine of the job card (cylinders, firing order and angles, ignition, "
        "crank wheel, tdc_deg), the clocks of the channels do not agree, or parts of a recording "
        "are missing"
    )
    return [Finding("sparks_misplaced", "error", text)]


def _running(firings: Firings) -> NDArray[np.bool_]:
    """Tell which firings were seen with the engine running by itself."""
    return firings.seen & np.isfinite(firings.advance_deg) & (firings.rpm > CRANKING_RPM)


def _strikes_often(firings: Firings, trains: Sequence[StrokeTrain]) -> bool:
    """Tell whether a channel has more sparks than firings: which of them is the first is open."""
    for train in trains:
        index = firings.stroke_index.get(train.channel.name)
        if index is not None and train.strokes.size > MANY * (index >= 0).sum():
            return True
    return False


def _compare_cylinders(firings: Firings, engine: Engine) -> str:
    """Compare the usual advance of the cylinders."""
    good = _running(firings)
    usual = {}
    for c in engine.firing_order:
        own = good & (firings.cylinder == c)
        if own.sum() >= LEAST_SEEN:
            usual[c] = float(np.median(firings.advance_deg[own]))
    if len(usual) < 2:
        return ""
    first, last = min(usual, key=lambda c: usual[c]), max(usual, key=lambda c: usual[c])
    if usual[last] - usual[first] <= MOST_APART_DEG:
        return ""
    return (
        f"cylinder {last} seems to be fired {usual[last]:.0f} degrees before its TDC and cylinder "
        f"{first} {usual[first]:.0f} degrees"
    )


def _measure_scatter(firings: Firings, engine: Engine) -> str:
    """Measure how far the advance jumps from firing to firing."""
    advance = firings.advance_deg[_running(firings)]
    if advance.size < 3 * LEAST_SEEN:
        return ""
    width = max(5, engine.cylinders | 1)
    middle = reduce_windows(advance, width, partial(np.median, axis=1))
    half = width // 2
    away = np.abs(advance[half : half + middle.size] - middle)
    scatter = float(np.mean(np.minimum(away, 60.0)))
    if scatter <= MOST_SCATTER_DEG:
        return ""
    return f"the sparks scatter by {scatter:.0f} degrees on average from one to the next"


def _find_unplaced(
    firings: Firings, trains: Sequence[StrokeTrain], track: CrankTrack, engine: Engine
) -> str:
    """Find a coil that fires steadily, but never where one of its cylinders does.

    What it hears of another named coil is no spark of its own.
    """
    turn = 360.0 if engine.ignition == "wasted_spark" else 720.0
    few = [t for t in trains if 0 < 2 * len(t.channel.cylinders) <= engine.cylinders]
    for train in few:
        index = firings.stroke_index.get(train.channel.name)
        stops = train.strokes["stop_s"]
        if index is None or stops.size < LEAST_STROKES or (index >= 0).any():
            continue
        theta = angle_at(track, stops)
        known = np.isfinite(theta) & (np.interp(stops, firings.tdc_s, firings.rpm) > CRANKING_RPM)
        if known.sum() < LEAST_STROKES:
            continue
        focus = abs(np.mean(np.exp(2j * np.pi * theta[known] / turn)))
        others = [t.strokes["stop_s"] for t in few if t is not train and t.strokes.size]
        heard = [np.abs(stops[:, None] - o).min(axis=1) < SAME_S for o in others]
        if focus > FOCUS and not any(h.mean() > 0.5 for h in heard):
            own = ", ".join(map(str, train.channel.cylinders))
            return (
                f"the coil of {train.channel.name!r} fires steadily, but never near a TDC of "
                f"cylinder {own}"
            )
    return ""


def _count_strays(
    firings: Firings, trains: Sequence[StrokeTrain], track: CrankTrack, engine: Engine
) -> str:
    """Count the sparks of each channel that belong to no firing and are no strikes of one."""
    turn = 360.0 if engine.ignition == "wasted_spark" else 720.0
    for train in trains:
        index = firings.stroke_index.get(train.channel.name)
        if index is None or train.strokes.size < LEAST_STROKES:
            continue
        theta = angle_at(track, train.strokes["stop_s"])
        at = np.interp(train.strokes["stop_s"], firings.tdc_s, firings.rpm)
        known = np.isfinite(theta) & (at > CRANKING_RPM)
        placed = np.zeros(theta.size, bool)
        placed[index[index >= 0]] = True
        base = np.sort(theta[placed & np.isfinite(theta)])
        if known.sum() < LEAST_STROKES:
            continue
        if not base.size:  # of one cylinder's coil: see `_find_unplaced`
            if 2 * len(train.channel.cylinders) > engine.cylinders or not train.channel.cylinders:
                return f"no spark of {train.channel.name!r} falls near a TDC of the card's engine"
            continue
        after = np.clip(np.searchsorted(base, theta), 1, max(1, base.size - 1))
        away = np.minimum(
            np.abs(theta - base[after - 1]), np.abs(theta - base[np.minimum(after, base.size - 1)])
        )
        beside = np.minimum(away % turn, turn - away % turn) < RESTRIKE_DEG
        share = float(np.mean(~(placed | beside)[known]))
        if share > MOST_STRAY:
            return (
                f"{100 * share:.0f} % of the sparks of {train.channel.name!r} fall where none of "
                "its cylinders fires"
            )
    return ""


def check_continuity(firings: Firings) -> list[Finding]:
    """Find where the speed jumps from one firing to the next.

    Parameters
    ----------
    firings : Firings
        In time order.

    Returns
    -------
    findings : list of Finding
    """
    rpm, time_s = firings.rpm, firings.tdc_s
    n = EITHER_SIDE
    if rpm.size < 2 * n + 1:
        return []
    spans = np.lib.stride_tricks.sliding_window_view(rpm, n)
    before, after = spans[: rpm.size - 2 * n + 1], spans[n:]
    up = after.min(axis=1) - before.max(axis=1)
    down = before.min(axis=1) - after.max(axis=1)
    step = np.fmax(up, down)  # the least that the speeds of both sides lie apart
    apart_s = time_s[n : rpm.size - n + 1] - time_s[n - 1 : rpm.size - n]
    lower = np.fmin(before.min(axis=1), after.min(axis=1))
    with np.errstate(invalid="ignore"):
        jumps = np.flatnonzero(
            (step > LEAST_STEP * lower) & (step > MOST_RPM_PER_S * np.abs(apart_s))
        )
    if not jumps.size:
        return []
    at = int(jumps[0]) + n
    message = (
        f"the speed jumps from {rpm[at - 1]:.0f} to {rpm[at]:.0f} rev/min at {time_s[at]:.3f} s, "
        "which no engine does: recordings of several engines or drives seem to be joined here"
    )
    return [Finding("speed_jump", "error", message)]
