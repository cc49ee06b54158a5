"""One firing out of a recording, with the points measured in it, ready to draw."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from misfire.dsp.track import time_at
from misfire.errors import ChannelError, CycleError, ParameterError
from misfire.measuring.evidence import Evidence, measure
from misfire.measuring.opening import open_recording
from misfire.records import COIL_ROLES, STROKE_FLAGS, Channel, Recording
from misfire.report.pictures.breakdown import label_breakdown
from misfire.report.pictures.firing_view import ChannelView, FiringView, Mark

Progress = Callable[[str, float], None]

MARGIN_S = 3.0  # recorded on either side of an instant, to find cycles and cylinders in
MOST_SAMPLES = 4_000_000


def show_firing(
    path: Path | str,
    *,
    time_s: float | None = None,
    firing: int | None = None,
    cylinder: int | None = None,
    all_channels: bool = False,
    progress: Progress | None = None,
) -> FiringView:
    """Take one firing out of a recording or job card.

    Parameters
    ----------
    path : path
    time_s : float, optional [unit=s, on the common clock]
        The firing nearest to this instant. Only a few seconds around it are read, unless the
        recording holds instruments whose clocks have to be worked out from the whole of it.
    firing : int, optional [>= 0]
        Row of events.parquet, counted from 0. The whole recording is measured to find it.
    cylinder : int, optional
        With `time_s`: the nearest firing of this cylinder.
    all_channels : bool
        Also the coils of other cylinders.
    progress : callable (stage, fraction), optional

    Returns
    -------
    view : FiringView

    Raises
    ------
    ParameterError
        If not exactly one of `time_s` and `firing` is given, or it is outside the recording, or
        there is no such cylinder.
    MisfireError
        If the recording cannot be used.
    """
    if (time_s is None) == (firing is None):
        raise ParameterError("give either --time or --firing, and not both")
    recording = open_recording(path, progress=progress, hash_source=False)
    try:
        _check(recording, time_s, cylinder)
        looked = recording
        if time_s is not None and all(c.clock_known for c in recording.channels):
            looked = cut_recording(recording, time_s - MARGIN_S, time_s + MARGIN_S)
        try:
            evidence = measure(looked, progress=progress)
        except (ChannelError, CycleError) as error:
            if time_s is None:
                raise
            raise type(error)(
                f"{recording.path}: no firing can be made out around {time_s:g} s ({error})"
            ) from error
        row = _find_row(evidence, time_s, firing, cylinder, recording)
        known = row if looked is recording else None
        return _make_view(recording, evidence, row, known, all_channels=all_channels)
    finally:
        recording.close()


def cut_recording(recording: Recording, start_s: float, stop_s: float) -> Recording:
    """Restrict a recording to [start_s, stop_s); nothing is read.

    Parameters
    ----------
    recording : Recording
    start_s, stop_s : float [unit=s, common clock]

    Returns
    -------
    part : Recording
        Reads from the same source.
    """
    first: dict[str, int] = {}
    channels = []
    for c in recording.channels:
        if c.is_levels:
            channels.append(c)
            continue
        start = min(max(0, math.floor((start_s - c.start_s) * c.rate_hz)), c.n_samples)
        stop = min(max(start, math.ceil((stop_s - c.start_s) * c.rate_hz)), c.n_samples)
        first[c.name] = start
        channels.append(replace(c, start_s=c.start_s + start / c.rate_hz, n_samples=stop - start))

    def read(name: str, start: int, stop: int) -> NDArray[np.int16]:
        return recording.read(name, first[name] + start, first[name] + stop)

    def read_levels(name: str) -> NDArray[np.void]:
        changes = recording.read_levels(name)
        inside = (changes["time_s"] >= start_s) & (changes["time_s"] < stop_s)
        return np.asarray(changes[inside])

    kept = tuple(c for c in channels if c.is_levels or c.n_samples > 0)
    return replace(recording, channels=kept, read=read, read_levels=read_levels)


def _check(recording: Recording, time_s: float | None, cylinder: int | None) -> None:
    """Refuse an instant or a cylinder that the recording does not have."""
    engine = recording.job.engine
    if cylinder is not None and cylinder not in engine.firing_order:
        raise ParameterError(
            f"cylinder {cylinder}: the engine has cylinders 1 to {engine.cylinders}"
        )
    if time_s is None:
        return
    spans = [_span(recording, c) for c in recording.channels]
    start, stop = min(s[0] for s in spans), max(s[1] for s in spans)
    if not start <= time_s <= stop:
        raise ParameterError(
            f"{recording.path}: --time {time_s:g} s is outside the recording, which goes from "
            f"{start:.3f} to {stop:.3f} s"
        )


def _span(recording: Recording, channel: Channel) -> tuple[float, float]:
    """First and last instant of a channel."""
    if channel.is_levels:
        times = recording.read_levels(channel.name)["time_s"]
        return (float(times[0]), float(times[-1])) if times.size else (math.inf, -math.inf)
    return channel.start_s, channel.start_s + channel.n_samples / channel.rate_hz


def _find_row(
    evidence: Evidence,
    time_s: float | None,
    firing: int | None,
    cylinder: int | None,
    recording: Recording,
) -> int:
    """Find the row of the firings that was asked for."""
    spark = evidence.firings.spark_s
    if firing is not None:
        if not 0 <= firing < spark.size:
            raise ParameterError(
                f"{recording.path}: --firing {firing} does not exist; the recording has the "
                f"firings 0 to {spark.size - 1} (rows of events.parquet, counted from 0)"
            )
        return firing
    distance = np.abs(spark - float(time_s or 0.0))
    if cylinder is not None:
        distance = np.where(evidence.firings.cylinder == cylinder, distance, np.inf)
    row = int(np.argmin(distance))
    if not distance[row] <= MARGIN_S:
        raise ParameterError(
            f"{recording.path}: no firing within {MARGIN_S:g} s of --time {time_s:g} s; the engine "
            "may not have been turning"
        )
    return row


def _make_view(
    recording: Recording, evidence: Evidence, row: int, known: int | None, *, all_channels: bool
) -> FiringView:
    """Read the samples around one firing and mark what was measured."""
    firings = evidence.firings
    cylinder, spark = int(firings.cylinder[row]), float(firings.spark_s[row])
    strokes = {t.channel.name: t for t in (*evidence.detected.trains, *evidence.detected.pickups)}
    of_row: dict[str, Any] = {}
    for name, index in firings.stroke_index.items():
        if name in strokes and index[row] >= 0:
            of_row[name] = strokes[name].strokes[index[row]]
    dwell = _longest([_get(s, "dwell_ms") for s in of_row.values()], usual=3.0)
    burn = _longest(
        [_get(s, "breakdown_us") / 1e3 + _get(s, "burn_time_ms") for s in of_row.values()],
        usual=1.5,
    )
    near = -1.15 * dwell - 0.4, min(burn, 6.0) + 1.6
    rpm = float(firings.rpm[row])
    turn = 60e3 / rpm if rpm > 0 else 100.0
    far = -0.55 * turn, 0.65 * turn
    moved = {c.name: c for c in evidence.detected.channels}
    near_views, far_views = [], []
    turns = recording.job.engine.coil_turns_ratio
    for raw in recording.channels:
        channel = moved.get(raw.name)
        if channel is None:
            continue
        if evidence.recording is not recording and not raw.is_levels:
            channel = raw  # the clock is known, and the cut has moved its start
        own = not channel.cylinders or cylinder in channel.cylinders
        if channel.role in COIL_ROLES:
            if own or all_channels:
                marks = _mark_stroke(channel, of_row.get(channel.name), spark, turns)
                near_views.append(_cut(recording, raw, channel, spark, near, marks))
        elif own or all_channels:
            view = _cut(recording, raw, channel, spark, far, ())
            if channel.role == "crank":
                view = _add_teeth(view, evidence, spark, far)
            far_views.append(view)
    tdc = 1e3 * (float(firings.tdc_s[row]) - spark)
    notes = []
    if not firings.seen[row]:
        notes.append("no channel shows a switch-off here: the instant is the expected one")
    if not firings.resolved:
        notes.append("cylinders 360 degrees apart cannot be told apart in this recording")
    if not firings.tdc_known:
        notes.append("tdc_deg is not on the job card: TDC is an estimate")
    if evidence.recording is not recording:
        notes.append("found in the few seconds around the instant, not in the whole recording")
    return FiringView(
        vehicle=recording.job.vehicle_id,
        source=recording.path.name,
        cylinder=cylinder,
        time_s=spark,
        rpm=rpm,
        row=known,
        near=tuple(v for v in near_views if v.values.size),
        far=tuple(v for v in far_views if v.values.size),
        near_ms=near,
        far_ms=far,
        far_marks=(Mark("switch-off", 0.0), Mark("TDC", tdc, said=f"cyl. {cylinder}")),
        notes=tuple(notes),
    )


def _mark_stroke(
    channel: Channel, stroke: Any, spark_s: float, turns: float | None
) -> tuple[Mark, ...]:
    """Name the points that were measured in one stroke."""
    if stroke is None:
        return ()
    at = 1e3 * (float(stroke["stop_s"]) - spark_s)
    marks = []
    start = 1e3 * (float(stroke["start_s"]) - spark_s)
    if math.isfinite(start):
        marks.append(Mark("dwell start", start, said=f"({_say(stroke, 'dwell_ms', 'ms', 2)})"))
    if channel.role == "coil_current":
        peak = _get(stroke, "peak_current_a")
        said = _say(stroke, "peak_current_a", "A", 2)
        marks.append(Mark("peak current, switch-off", at, peak, said))
        return tuple(marks)
    marks.append(Mark("switch-off", at))
    wait = _get(stroke, "breakdown_us") / 1e3
    burn = _get(stroke, "burn_time_ms")
    if math.isfinite(wait) or burn == 0:
        marks.append(_mark_breakdown(channel, stroke, at, wait, turns))
    if burn == 0:
        return tuple(marks)
    if math.isfinite(burn):
        end = at + burn + (wait if math.isfinite(wait) else 0.0)
        marks.append(Mark("end of burn", end, said=_say(stroke, "burn_time_ms", "ms", 2)))
    return tuple(marks)


def _mark_breakdown(
    channel: Channel, stroke: Any, at_ms: float, wait_ms: float, turns: float | None
) -> Mark:
    """Mark where the gap broke down, at the height it did; its words say what is a bound."""
    bits = int(stroke["flags"])
    flags = " ".join(name for name, bit in STROKE_FLAGS.items() if bits & bit)
    height = _get(stroke, "firing_v")
    voltage = ""
    if math.isfinite(height) and channel.role == "coil_primary":
        voltage = f"{height * turns / 1e3:.1f} kV" if turns else f"{height:.0f} V above supply"
    label = label_breakdown(flags, wait_us=1e3 * wait_ms, voltage=voltage)
    name = "no breakdown" if label.startswith("no ") else "breakdown"
    said = label.removeprefix(name).strip().removeprefix(", ")
    said = f"({said})" if said and name != "breakdown" else said
    value = height + _get(stroke, "battery_v")  # NaN where either is not known: no point is drawn
    at = at_ms + (wait_ms if math.isfinite(wait_ms) else 0.0)
    return Mark(name, at, value if channel.role == "coil_primary" else math.nan, said)


def _cut(
    recording: Recording,
    raw: Channel,
    channel: Channel,
    spark_s: float,
    span_ms: tuple[float, float],
    marks: tuple[Mark, ...],
) -> ChannelView:
    """Read a stretch of one channel and scale it."""
    if raw.is_levels:
        changes = recording.read_levels(raw.name)
        time_ms = 1e3 * (changes["time_s"] - spark_s)
        inside = (time_ms >= span_ms[0]) & (time_ms <= span_ms[1])
        before = np.flatnonzero(time_ms < span_ms[0])
        first = float(changes["level"][before[-1]]) if before.size else 0.0
        level = np.concatenate(([first], changes["level"][inside].astype(float)))
        edges = np.concatenate(([span_ms[0]], time_ms[inside], [span_ms[1]]))
        return ChannelView(
            raw.name,
            raw.role,
            raw.unit,
            np.repeat(edges, 2)[1:-1],
            np.repeat(level, 2),
            marks,
        )
    edges_s = [spark_s + ms / 1e3 for ms in span_ms]
    start, stop = (
        min(max(round((t - channel.start_s) * channel.rate_hz), 0), raw.n_samples) for t in edges_s
    )
    stop = min(stop, start + MOST_SAMPLES)
    values = recording.read(raw.name, start, stop).astype(float) * raw.scale + raw.offset
    time_s = channel.start_s + np.arange(start, stop) / channel.rate_hz
    return ChannelView(raw.name, raw.role, raw.unit, 1e3 * (time_s - spark_s), values, marks)


def _add_teeth(
    view: ChannelView, evidence: Evidence, spark_s: float, span_ms: tuple[float, float]
) -> ChannelView:
    """Add the teeth and the gaps of the wheel."""
    track = evidence.track
    if not evidence.has_crank:
        return view
    start, stop = (spark_s + ms / 1e3 for ms in span_ms)
    inside = (track.time_s >= start) & (track.time_s <= stop)
    gaps: list[tuple[float, float]] = []
    if track.wheel.gaps and inside.any():
        pitch = 360.0 / track.wheel.positions
        angle = track.angle_deg
        rows = np.flatnonzero(inside[:-1] & inside[1:])
        for i in rows[(angle[rows + 1] - angle[rows]) > 1.5 * pitch]:
            ends = time_at(track, angle[i : i + 2])
            gaps.append((1e3 * float(ends[0] - spark_s), 1e3 * float(ends[1] - spark_s)))
    teeth = 1e3 * (track.time_s[inside] - spark_s)
    return replace(view, teeth_ms=tuple(teeth.tolist()), gaps_ms=tuple(gaps))


def _get(stroke: Any, field: str) -> float:
    """Give one value of a stroke; NaN where it was not measured."""
    return float(stroke[field]) if field in stroke.dtype.names else math.nan


def _say(stroke: Any, field: str, unit: str, decimals: int) -> str:
    """Write one value of a stroke; nothing where it was not measured."""
    value = _get(stroke, field)
    return f"{value:.{decimals}f} {unit}" if math.isfinite(value) else ""


def _longest(values: list[float], *, usual: float) -> float:
    """Give the longest known length, or the usual one."""
    known = [v for v in values if math.isfinite(v) and v > 0]
    return max(known) if known else usual
