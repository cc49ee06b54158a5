"""Which cylinders a channel sees, where the job card does not say: from where its sparks fall."""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from misfire.cycles.phase import Phase, permute_cylinders
from misfire.cycles.weighing import (
    EARLIEST_DEG,
    LATEST_DEG,
    USUAL_ADVANCE_DEG,
    cylinder_angles,
    wrap_deg,
)
from misfire.dsp.track import angle_at, find_longest_stretch
from misfire.records import CrankTrack, Engine, Finding, StrokeTrain

LEAST_SHARE = 0.15  # of the firings of the cylinder most met: less are strays of other coils
LEAST_STROKES = 5
QUIET_SHARE = 0.5  # a lead that does not fire shows less than this of the one that does
SLOW_SHARE = 0.6  # a feed of several coils has intervals below this part of one coil's
STEADY_MEAN = 0.9  # length of the mean direction of switch-offs that keep to one place


def name_channels(
    track: CrankTrack,
    trains: list[StrokeTrain],
    pickups: list[StrokeTrain],
    *,
    engine: Engine,
    phase: Phase,
) -> tuple[list[StrokeTrain], list[StrokeTrain], list[Finding]]:
    """Give channels that name no cylinder the cylinders in whose place they fire.

    Parameters
    ----------
    track : CrankTrack
    trains : list of StrokeTrain
        Primary, current and trigger channels.
    pickups : list of StrokeTrain
        Secondary channels.
    engine : Engine
    phase : Phase
        Where it leaves several places open, the names are those of the chosen one.

    Returns
    -------
    trains, pickups : list of StrokeTrain
        A channel that meets more than half of the cylinders is left as it is: it sees all of
        them, and those it does not meet do not fire.
    findings : list of Finding
        What was found.
    """
    findings: list[Finding] = []
    named: list[list[StrokeTrain]] = [[], []]
    for group, is_pickup in ((trains, False), (pickups, True)):
        for train in group:
            seen: tuple[int, ...] = ()
            if not train.channel.cylinders and engine.cylinders > 1:
                slot = _find_slots(track, train.strokes["stop_s"], engine, phase)
                if is_pickup:
                    seen = _find_loud(train.strokes, slot, engine)
                else:
                    seen = _find_met(slot, engine)
            if seen:
                train = replace(train, channel=replace(train.channel, cylinders=seen))
                findings.append(_report(train, engine, phase))
            named[int(is_pickup)].append(train)
    findings += _report_order(track, named[0], engine)
    return named[0], named[1], findings


def _find_slots(
    track: CrankTrack, stop_s: NDArray[np.float64], engine: Engine, phase: Phase
) -> NDArray[np.int64]:
    """Cylinder in whose place each spark falls; 0 where none is near or the angle not known."""
    at = np.clip(np.searchsorted(track.time_s, stop_s), 0, track.time_s.size - 1)
    extra = np.array([phase.offset_deg.get(int(k), np.nan) for k in track.stretch[at]])
    theta = angle_at(track, stop_s) - phase.tdc_deg + extra
    angles = cylinder_angles(engine)
    away = wrap_deg(theta[:, None] - np.array(list(angles.values()))[None, :], 720.0)
    away = np.where(np.isfinite(away), away, np.inf)
    nearest = np.abs(away + USUAL_ADVANCE_DEG).argmin(axis=1)
    own = away[np.arange(theta.size), nearest]
    inside = (own > -EARLIEST_DEG) & (own < LATEST_DEG)
    return np.where(inside, np.array(list(angles))[nearest], 0)


def _find_met(slot: NDArray[np.int64], engine: Engine) -> tuple[int, ...]:
    """Cylinders of a coil channel; empty for all, or where that is not clear."""
    counts = np.bincount(slot[slot > 0], minlength=engine.cylinders + 1)
    if counts.max() < LEAST_STROKES:
        return ()
    met = tuple(int(c) for c in np.flatnonzero(counts > LEAST_SHARE * counts.max()))
    return met if 2 * len(met) <= engine.cylinders else ()


def _find_loud(
    strokes: NDArray[np.void], slot: NDArray[np.int64], engine: Engine
) -> tuple[int, ...]:
    """Cylinder whose lead a pick-up is clipped to; empty where no lead or several stand out."""
    height = np.abs(strokes["firing_v"])
    usual = np.zeros(engine.cylinders + 1)
    for c in range(1, engine.cylinders + 1):
        own = height[(slot == c) & np.isfinite(height)]
        usual[c] = float(np.median(own)) if own.size >= LEAST_STROKES else 0.0
    loud = tuple(int(c) for c in np.flatnonzero(usual > QUIET_SHARE * usual.max()))
    return loud if len(loud) == 1 and np.count_nonzero(usual) > 1 else ()


def _report(train: StrokeTrain, engine: Engine, phase: Phase) -> Finding:
    """Say which cylinders a channel was taken to see, and which else it may be."""
    seen = train.channel.cylinders
    words = " and ".join(map(str, seen))
    text = f"the job card names no cylinder for it; it fires together with cylinder {words}"
    if phase.others_deg:
        maps = [permute_cylinders(engine, turn) for turn in phase.others_deg]
        sets = {tuple(sorted(m[c] for c in seen)) for m in maps} - {tuple(sorted(seen))}
        may = ", ".join(" and ".join(map(str, s)) for s in sorted(sets))
        text += f", if the TDC found here is right; otherwise with {may}" if may else ""
    return Finding("channel_named", "info", text, train.channel.name)


def _report_order(track: CrankTrack, trains: list[StrokeTrain], engine: Engine) -> list[Finding]:
    """Say in which order the coils of a recording are switched off, and how far apart."""
    turn = 720.0 if engine.ignition == "coil_on_plug" else 360.0
    places: dict[float, list[str]] = {}
    longest = find_longest_stretch(track)
    for train in trains:
        stops = train.strokes["stop_s"]
        at = np.clip(np.searchsorted(track.time_s, stops), 0, track.time_s.size - 1)
        theta = angle_at(track, stops)[track.stretch[at] == longest]
        theta = np.deg2rad(theta[np.isfinite(theta)] * 360.0 / turn)
        mean = np.mean(np.exp(1j * theta)) if theta.size >= LEAST_STROKES else 0.0
        if len(train.channel.cylinders) * turn > 720.0 or abs(mean) < STEADY_MEAN:
            continue
        place = float(np.rad2deg(np.angle(mean)) % 360.0) * turn / 360.0
        near = [p for p in places if abs(float(wrap_deg(np.array([p - place]), turn)[0])) < 10.0]
        places.setdefault(near[0] if near else place, []).append(train.channel.name)
    order = sorted(places)
    if len(order) < 2:
        return []
    steps = [(b - a) % turn for a, b in zip(order, [*order[1:], order[0]], strict=True)]
    names = ["/".join(places[p]) for p in order]
    then = ", ".join(
        f"after {step:.0f} degrees {name}"
        for step, name in zip(steps, [*names[1:], f"{names[0]} again"], strict=True)
    )
    text = f"order in which the coils switch off, in degrees of crank: {names[0]}, {then}"
    return [Finding("coil_order", "info", text)]


def name_by_time(trains: list[StrokeTrain], *, engine: Engine) -> list[StrokeTrain]:
    """Name channels of single coils by when they fire between the strokes of another.

    For recordings without crank angle. Where no channel is named, the first is taken for the coil
    of firing_order[0].

    Parameters
    ----------
    trains : list of StrokeTrain
    engine : Engine

    Returns
    -------
    trains : list of StrokeTrain
        In the order given; channels of all coils are left as they are.

    Notes
    -----
    A primary or a trigger line belongs to one coil unless there is but one coil (distributor); a
    clamp may hold the feed of all: then it fires more often than one coil does.
    """
    n = engine.cylinders
    if n == 1 or engine.ignition == "distributor":
        return trains
    turn = 720.0 if engine.ignition == "coil_on_plug" else 360.0
    usual = {
        id(t): float(np.median(np.diff(t.strokes["stop_s"])))
        for t in trains
        if t.strokes.size >= LEAST_STROKES
    }
    alone = [t for t in trains if id(t) in usual and t.channel.role != "coil_current"]
    alone = [t for t in alone if len(t.channel.cylinders) <= max(1, round(720.0 / turn))]
    slowest = max((usual[id(t)] for t in alone), default=np.inf)
    open_ = [
        t
        for t in trains
        if not t.channel.cylinders
        and id(t) in usual
        and (
            t in alone if t.channel.role != "coil_current" else usual[id(t)] > SLOW_SHARE * slowest
        )
    ]
    if not open_ or len(engine.waste_pairs) == 1:
        return trains
    known = [t for t in alone if t.channel.cylinders]
    angles = cylinder_angles(engine)
    reference = known[0] if known else open_[0]
    first = angles[reference.channel.cylinders[0]] if known else 0.0
    named = []
    for train in trains:
        if any(train is t for t in open_):
            place = first + turn * _find_lag(reference, train)
            away = {
                c: abs(float(wrap_deg(np.array([a - place]), turn)[0])) for c, a in angles.items()
            }
            seen = tuple(sorted(c for c, d in away.items() if d < min(away.values()) + 1.0))
            train = replace(train, channel=replace(train.channel, cylinders=seen))
        named.append(train)
    return named


def _find_lag(reference: StrokeTrain, train: StrokeTrain) -> float:
    """Middle place of a train's strokes between those of another [0..1)."""
    marks, own = reference.strokes["stop_s"], train.strokes["stop_s"]
    after = np.searchsorted(marks, own, side="right")
    inside = (after > 0) & (after < marks.size)
    before_s, after_s = marks[after[inside] - 1], marks[after[inside]]
    usual = float(np.median(np.diff(marks)))
    good = (after_s - before_s < 1.5 * usual) & (after_s > before_s)
    share = ((own[inside] - before_s) / (after_s - before_s))[good]
    if not share.size:
        return 0.0
    return float(np.angle(np.mean(np.exp(2j * np.pi * share))) / (2 * np.pi) % 1.0)
