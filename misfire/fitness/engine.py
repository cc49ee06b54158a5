"""Fitness of the card against the signals: wheel, firing order, roles, length."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from misfire.cycles.edges import choose_edge
from misfire.cycles.pattern import describe_wheel
from misfire.cycles.wheel import decode_wheel
from misfire.dsp.blocks import iterate_blocks
from misfire.dsp.chances import count_needed, find_rarest
from misfire.dsp.levels import find_coil_levels, survey_counts
from misfire.dsp.track import angle_at
from misfire.errors import CycleError, ParameterError
from misfire.events.crank import find_teeth, find_teeth_levels
from misfire.events.current import find_current_strokes
from misfire.events.primary import find_primary_strokes
from misfire.records import (
    Channel,
    CrankTrack,
    CrankWheel,
    Engine,
    Finding,
    Firings,
    Recording,
    StrokeTrain,
)

RECOGNISED = ("coil_primary", "coil_current", "crank")
PIECE_S = 4.0  # enough to recognise a signal by
DEFAULT_ONE_IN = 10  # what fails less often than this is asked for by --one-in
CRANKING_RPM = 450.0  # while the starter turns, many a control unit fires every revolution
LEAST_STROKES = 5
MOST_POSITIONS = 150  # of a wheel worked out; noise makes larger ones
FOCUS = 0.9  # mean resultant length: the strokes of one coil fall in one place
SPARK_PLACE_DEG = (-70.0, 25.0)  # from TDC; no ignition is earlier or later (common practice)
LEAST_COMMAND_S = 0.5e-3  # a coil is charged for longer, and rests for longer
SQUARE, BETWEEN = 0.1, 1e-3  # of the swing, so near to a level; share of samples further off
EDGE_S = 0.1
BLIND_RUN = 4  # firings in a row that another channel saw and this one did not

Read = Callable[[int, int], NDArray[np.int16]]


def check_length(firings: Firings, *, one_in: int | None) -> list[Finding]:
    """Is the recording long enough for the rarity of the fault.

    Parameters
    ----------
    firings : Firings
    one_in : int, optional
        The fault comes once in so many firings of its cylinder; default: 10, and starts are let
        pass.

    Returns
    -------
    findings : list of Finding
    """
    moving = firings.rpm[np.isfinite(firings.rpm)]
    counts = np.bincount(firings.cylinder)
    fewest = int(counts[counts > 0].min()) if counts.size else 0
    wanted = one_in or DEFAULT_ONE_IN
    needed = count_needed(wanted)
    is_start = moving.size > 0 and float(np.min(moving)) < CRANKING_RPM
    if fewest >= needed or (one_in is None and is_start):
        return []
    message = (
        f"{fewest} firings of each cylinder; a fault that comes once in {wanted} firings needs "
        f"{needed} to be caught with 95 % certainty"
    )
    rarest = find_rarest(fewest)
    if rarest > 1:
        message += f"; these catch one that comes once in {rarest} or more often"
    return [Finding("too_short", "warning", message)]


def check_roles(recording: Recording) -> list[tuple[Finding, str]]:
    """Find channels whose signal is that of another role.

    Parameters
    ----------
    recording : Recording

    Returns
    -------
    found : list of (Finding, role)
        The role that the signal supports.
    """
    found = []
    for channel in recording.channels:
        if channel.is_levels or channel.role not in RECOGNISED:
            continue
        roles = recognise(recording, channel)
        if roles and channel.role not in roles:
            words = {"coil_primary": "a coil primary", "coil_current": "a coil's current",
                     "crank": "a crank sensor", "coil_trigger": "a coil's command"}  # fmt: skip
            message = (
                f"the job card says {channel.role}, but the signal is that of {words[roles[0]]}: "
                "channels swapped, or a wrong `role` or `column`"
            )
            found.append((Finding("role_wrong", "error", message, channel.name), roles[0]))
    return found


def recognise(recording: Recording, channel: Channel) -> tuple[str, ...]:
    """Name the roles that a sampled channel's signal supports: RECOGNISED, or a coil's command.

    Parameters
    ----------
    recording : Recording
    channel : Channel

    Returns
    -------
    roles : tuple of str
        Empty where nothing is recognised.
    """
    n = min(channel.n_samples, int(PIECE_S * channel.rate_hz))
    first = (channel.n_samples - n) // 2
    piece = replace(channel, n_samples=n, start_s=0.0, scale=abs(channel.scale) or 1.0)

    def read(start: int, stop: int) -> NDArray[np.int16]:
        return recording.read(channel.name, first + start, first + stop)

    is_square = channel.role != "crank" and _is_square(read(0, n), piece)
    tests = {
        "coil_primary": lambda: not is_square and _is_primary(read, piece),
        "coil_current": lambda: not is_square and _is_current(read, piece),
        "crank": lambda: _is_crank(read, piece, recording.job.wheel),
        "coil_trigger": lambda: is_square,
    }
    # the card's own word first: what fits it needs no other name
    order = sorted(tests, key=lambda role: role != channel.role)
    return next(((role,) for role in order if tests[role]()), ())


def _is_primary(read: Read, piece: Channel) -> bool:
    """Are there kicks far above a supply, either way up."""
    for view in (read, lambda a, b: np.negative(np.maximum(read(a, b), np.int16(-32767)))):
        levels = find_coil_levels(survey_counts(view, piece.n_samples))
        if levels is not None and levels.top - levels.battery > 4 * (levels.battery - levels.low):
            dwell_ms = find_primary_strokes(view, piece)["dwell_ms"]
            usual = float(np.median(dwell_ms)) if dwell_ms.size else 0.0
            if dwell_ms.size >= 3 and np.mean(np.abs(dwell_ms - usual) < 0.3 * usual) > 0.7:
                return True
    return False


def _is_square(counts: NDArray[np.int16], piece: Channel) -> bool:
    """Are there two levels and nothing between or above: a coil would kick and ring.

    What the instrument cut off may have had more.
    """
    if not counts.size or counts.max() >= piece.clip_high or counts.min() <= piece.clip_low:
        return False
    low, high = int(counts.min()), int(counts.max())
    is_high = counts > (low + high) / 2.0
    turns = np.flatnonzero(is_high[1:] != is_high[:-1])
    if turns.size < 2 * LEAST_STROKES:
        return False
    shorter_s = min(float(np.median(np.diff(turns)[k::2])) for k in (0, 1)) / piece.rate_hz
    if shorter_s < LEAST_COMMAND_S:  # a kick is a spike
        return False
    levels = [float(np.median(counts[rows])) for rows in (~is_high, is_high)]
    off = np.abs(counts - np.where(is_high, levels[1], levels[0]))
    return bool(np.mean(off > SQUARE * (high - low)) < BETWEEN)


def _is_crank(read: Read, piece: Channel, wheel: CrankWheel | None) -> bool:
    """Are there teeth of a wheel, of the card's or of another one."""
    train = find_teeth(
        lambda: (counts for *_, counts in iterate_blocks(read, piece.n_samples)),
        rate_hz=piece.rate_hz,
    )
    train = choose_edge(train, wheel=wheel)
    if train.tooth_s.size < 50:
        return False
    for tried in (wheel, None) if wheel is not None else (None,):
        try:
            track = decode_wheel(train.tooth_s, wheel=tried)
        except (CycleError, ParameterError):
            continue
        placed = track.time_s.size - track.n_missing - track.n_extra
        if tried is None and track.wheel.positions > MOST_POSITIONS:
            continue
        if placed > 0.8 * train.tooth_s.size and track.angle_deg[-1] - track.angle_deg[0] > 1000.0:
            return True
    return False


def _is_current(read: Read, piece: Channel) -> bool:
    """Are there ramps that end in a cut-off: height is slope times dwell."""
    strokes = find_current_strokes(read, piece)
    if strokes.size < 3:
        return False
    share = strokes["dwell_ms"] * strokes["ramp_a_per_ms"] / strokes["peak_current_a"]
    known = np.isfinite(share)
    if known.sum() < 3:
        return False
    good = (share[known] > 0.5) & (share[known] < 2.0) & (strokes["dwell_ms"][known] > 0.4)
    return bool(good.mean() > 0.7)


def find_other_wheel(recording: Recording) -> tuple[CrankWheel, Finding] | None:
    """Work out the wheel from the crank signal where the card's does not fit it.

    Parameters
    ----------
    recording : Recording
        With a wheel on its card.

    Returns
    -------
    wheel, finding : or None
        None where the card's wheel fits, or no other one does better.
    """
    wheel = recording.job.wheel
    channel = next((c for c in recording.channels if c.role == "crank"), None)
    if wheel is None or channel is None:
        return None
    if channel.is_levels:
        train = find_teeth_levels(recording.read_levels(channel.name))
    else:
        train = find_teeth(
            lambda: (
                counts
                for *_, counts in iterate_blocks(
                    lambda a, b: recording.read(channel.name, a, b), channel.n_samples
                )
            ),
            rate_hz=channel.rate_hz,
            sensor=wheel.sensor,
        )
    tooth_s = choose_edge(train, wheel=wheel).tooth_s
    try:
        own = _share_placed(decode_wheel(tooth_s, wheel=wheel), tooth_s)
    except (CycleError, ParameterError):
        own = 0.0
    try:
        track = decode_wheel(tooth_s, wheel=None)
    except (CycleError, ParameterError):
        return None
    seen = track.wheel
    same = (seen.positions, seen.gaps) == (wheel.positions, wheel.gaps)
    if (
        same
        or seen.positions > MOST_POSITIONS
        or _share_placed(track, tooth_s) < max(0.8, own + 0.05)
    ):
        return None
    message = (
        f"the job card says the wheel is {describe_wheel(wheel)}; the signal is that of "
        f"{describe_wheel(seen)}"
    )
    return seen, Finding("wheel_wrong", "error", message, channel.name)


def _share_placed(track: CrankTrack, tooth_s: NDArray[np.float64]) -> float:
    """Share of the pulses that found their place without repair."""
    return (track.time_s.size - track.n_missing - track.n_extra) / max(1, tooth_s.size)


def check_firing_order(
    trains: Sequence[StrokeTrain], track: CrankTrack | None, engine: Engine
) -> Finding | None:
    """Compare where the coils of known cylinders fire with the card's firing order.

    Parameters
    ----------
    trains : sequence of StrokeTrain
        With the cylinders that the job card gives them.
    track : CrankTrack or None
        Crank angle from teeth; None: the sparks time one another.
    engine : Engine

    Returns
    -------
    finding : Finding or None
        None where order and signals agree, or fewer than two coils can be placed. The order that
        the signals support is named.
    """
    turn = 360.0 if engine.ignition == "wasted_spark" else 720.0
    angles = dict(zip(engine.firing_order, engine.firing_angles_deg, strict=True))
    one_coil = 2 if engine.ignition == "wasted_spark" else 1
    usable = [
        t
        for t in trains
        if t.strokes.size >= LEAST_STROKES and 1 <= len(t.channel.cylinders) <= one_coil
    ]
    usable = list({t.channel.cylinders: t for t in reversed(usable)}.values())[::-1]
    if len(usable) < 2 or engine.ignition == "distributor":
        return None
    reference = usable[0]
    placed: list[tuple[float, tuple[int, ...]]] = [(0.0, reference.channel.cylinders)]
    for train in usable[1:]:
        place = _find_place(reference, train, track, turn)
        if place is not None:
            placed.append((place, train.channel.cylinders))
    if len(placed) < 2:
        return None
    zero = angles[placed[0][1][0]]
    spacing = min(
        np.diff([*engine.firing_angles_deg, 720.0]).min() if engine.cylinders > 1 else 720.0, 180.0
    )
    wrong = []
    for place, cylinders in placed:
        expected = (angles[cylinders[0]] - zero) % turn
        away = abs((place - expected + turn / 2) % turn - turn / 2)
        apart = any(
            abs((angles[c] - angles[cylinders[0]] + turn / 2) % turn - turn / 2) > 1.0
            for c in cylinders
        )
        if away > 0.5 * spacing or apart:
            wrong.append(
                f"cylinder {_write(cylinders)} should fire {expected:.0f} degrees after cylinder "
                f"{_write(reference.channel.cylinders)}, and fires {place:.0f} degrees after it"
            )
    if not wrong:
        return None
    placed.sort()
    first = next((i for i, (_, c) in enumerate(placed) if engine.firing_order[0] in c), 0)
    placed = placed[first:] + placed[:first]
    card = "-".join(map(str, engine.firing_order))
    message = f"by the job card's firing order, {card}, {'; '.join(wrong)}; the order is another"
    if sum(len(c) for _, c in placed) == engine.cylinders:
        order = "-".join(_write(c) for _, c in placed)
        message = f"the job card's firing order is {card}; the signals support {order}"
    message += ", or leads are swapped between these cylinders"
    return Finding("firing_order_wrong", "error", message)


def _write(cylinders: tuple[int, ...]) -> str:
    """Write the cylinders of one coil."""
    return "/".join(map(str, cylinders))


def _find_place(
    reference: StrokeTrain, train: StrokeTrain, track: CrankTrack | None, turn: float
) -> float | None:
    """Crank angle from the reference coil's switch-off to another's [0..turn), if steady."""
    marks, own = reference.strokes["stop_s"], train.strokes["stop_s"]
    if track is not None:
        here, there = angle_at(track, marks), angle_at(track, own)
        at = np.clip(np.searchsorted(marks, own), 1, marks.size) - 1
        lag = there - here[at]
        lag = lag[np.isfinite(lag) & (np.abs(own - marks[at]) < 2.0)]
    else:
        usual = float(np.median(np.diff(marks)))
        after = np.searchsorted(marks, own, side="right")
        inside = (after > 0) & (after < marks.size)
        begin, end = marks[after[inside] - 1], marks[after[inside]]
        good = (end - begin < 1.3 * usual) & (end - begin > 0.7 * usual)
        lag = turn * ((own[inside] - begin) / (end - begin))[good]
    if lag.size < LEAST_STROKES:
        return None
    mean = np.mean(np.exp(2j * np.pi * lag / turn))
    if abs(mean) < FOCUS:
        return None
    return float(np.angle(mean) / (2 * np.pi) % 1.0 * turn)


def check_blind(
    firings: Firings, trains: Sequence[StrokeTrain]
) -> list[tuple[str, NDArray[np.float64]]]:
    """Find stretches in which a coil channel missed firings that another channel saw.

    Parameters
    ----------
    firings : Firings
    trains : sequence of StrokeTrain

    Returns
    -------
    blind : list of (channel name, spans) with spans float64 array [shape=(n, 2), unit=s]
    """
    blind = []
    everyone = set(firings.cylinder.tolist())
    for train in trains:
        index = firings.stroke_index.get(train.channel.name)
        if index is None or not train.strokes.size:
            continue
        own = np.isin(firings.cylinder, list(train.channel.cylinders or everyone))
        channel = train.channel
        if not channel.is_levels:  # an instrument may start later or stop sooner than another
            own &= firings.spark_s > channel.start_s + EDGE_S
            own &= firings.spark_s < channel.start_s + channel.n_samples / channel.rate_hz - EDGE_S
        witness = np.zeros(own.size, bool)
        for other in trains:
            seen = firings.stroke_index.get(other.channel.name)
            if other is not train and seen is not None:
                witness |= seen >= 0
        rows = np.flatnonzero(own & witness)
        missed = index[rows] < 0
        if not rows.size or missed.mean() > 0.5:
            continue
        edges = np.flatnonzero(np.diff(np.concatenate(([0], missed.astype(np.int8), [0]))))
        runs = [(a, b) for a, b in edges.reshape(-1, 2) if b - a >= BLIND_RUN]
        if runs:
            at = firings.spark_s[rows]
            spans = [(at[max(a - 1, 0)], at[min(b, rows.size - 1)]) for a, b in runs]
            blind.append((train.channel.name, np.array(spans, float)))
    return blind


def check_advance(firings: Firings, *, given: bool) -> list[Finding]:
    """Do the sparks fall where sparks can fall, with the card's TDC.

    Parameters
    ----------
    firings : Firings
    given : bool
        The job card gives `tdc_deg`.

    Returns
    -------
    findings : list of Finding
    """
    if not given or not firings.tdc_known or firings.seen.sum() < LEAST_STROKES:
        return []
    place = -float(np.median(firings.advance_deg[firings.seen]))
    if SPARK_PLACE_DEG[0] <= place <= SPARK_PLACE_DEG[1]:
        return []
    side = "after" if place > 0 else "before"
    message = f"with the job card's tdc_deg the sparks fall {abs(place):.0f} degrees {side} TDC"
    return [Finding("tdc_doubtful", "warning", message)]
