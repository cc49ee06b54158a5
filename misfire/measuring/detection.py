"""From a recording to events on one clock: strokes of every coil channel, crank track, cam."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from misfire.cycles.edges import choose_edge
from misfire.cycles.pattern import describe_wheel
from misfire.cycles.plainwheel import find_plain_wheel
from misfire.cycles.repeats import count_parts, repeat_wheel
from misfire.cycles.wheel import decode_wheel
from misfire.dsp.blocks import iterate_blocks
from misfire.dsp.levels import survey_counts
from misfire.errors import ChannelError, CycleError
from misfire.events.cam import find_edges, find_edges_levels
from misfire.events.crank import find_teeth, find_teeth_levels
from misfire.events.current import find_current_strokes
from misfire.events.primary import find_primary_strokes
from misfire.events.secondary import find_pickup_strokes, measure_pickup
from misfire.events.trigger import pair_edges
from misfire.measuring.freeing import give_back
from misfire.measuring.instruments import join_clocks
from misfire.measuring.recordinggaps import (
    drop_explained_losses,
    drop_instants,
    drop_strokes,
    find_gaps,
)
from misfire.measuring.scanning import Report, scan_channels
from misfire.records import Channel, CrankTrack, Engine, Finding, Recording, StrokeTrain

Progress = Callable[[str, float], None]

PICKUP_ROLE = "coil_secondary"
STROKE_ROLES = ("coil_primary", "coil_current", "coil_trigger")
SUPPLY_V = 12.0  # where no other primary shows it
LEAST_SUPPLY_V = 5.0
LEAST_KICK = 5.0  # of the supply: cross-talk of other coils is less
REST_SAMPLES = 64  # at each place where a channel's rest is looked at


@dataclass(frozen=True, slots=True)
class Detected:
    """Events of one recording on the common clock, and what went wrong on the way.

    `trains` hold primary, current and trigger channels in this order; `pickups` the secondary
    ones. `channels` are the recording's with `start_s` and `rate_hz` on the common clock.
    """

    channels: tuple[Channel, ...]
    trains: list[StrokeTrain]
    pickups: list[StrokeTrain]
    track: CrankTrack | None
    cam_rise_s: NDArray[np.float64]
    duration_s: float
    findings: tuple[Finding, ...]


@dataclass(frozen=True, slots=True)
class _Scan:
    """What each channel showed, by its name and on its own clock.

    `both_edges`: in words, what each edge of a crank channel shows of the wheel.
    """

    recording: Recording
    coils: list[Channel]
    strokes: dict[str, NDArray[np.void]] = field(default_factory=dict)
    kicks: dict[str, NDArray[np.void]] = field(default_factory=dict)
    teeth: dict[str, NDArray[np.float64]] = field(default_factory=dict)
    cam: dict[str, NDArray[np.float64]] = field(default_factory=dict)
    shift_pitch: dict[str, float] = field(default_factory=dict)
    both_edges: dict[str, str] = field(default_factory=dict)

    def look_through(self, channel: Channel, report: Report) -> list[Finding]:
        """Run the detector of a channel, and leave out what falls into a gap of the recording."""
        recording = self.recording
        if channel.role == "crank":
            found = self._find_teeth(channel, report)
        else:
            found = []
            self._find_strokes(channel, report)
        gaps = find_gaps(recording, channel)
        if gaps.size:
            name = channel.name
            for trains in (self.strokes, self.kicks):
                if name in trains:
                    trains[name] = drop_strokes(trains[name], gaps)
            for instants in (self.teeth, self.cam):
                if name in instants:
                    instants[name] = drop_instants(instants[name], gaps)
        give_back()  # what this thread has freed: nothing else can use it
        return found

    def _find_strokes(self, channel: Channel, report: Report) -> None:
        """Find the strokes of a coil channel, the kicks of a pick-up, or the edges of a cam."""
        name, read = channel.name, _reader(self.recording, channel)
        blocks = _blocks(self.recording, channel, report)
        if channel.role == "coil_primary":
            self.strokes[name] = find_primary_strokes(read, channel, on_block=report)
        elif channel.role == "coil_current":
            self.strokes[name] = find_current_strokes(read, channel, on_block=report)
        elif channel.role == "coil_trigger":
            self.strokes[name] = _trigger_strokes(self.recording, channel, blocks)
        elif channel.role == PICKUP_ROLE:
            stops = [  # to the last bit as they will stand on the common clock
                _move(self.strokes[c.name]["stop_s"].copy(), c, c)
                for c in self.coils
                if _may_feed(c, channel, self.recording.job.engine)
            ]
            self.kicks[name] = _measure_pickup(read, channel, stops, report)
        else:
            self.cam[name] = _rises(self.recording, channel, blocks)

    def _find_teeth(self, channel: Channel, report: Report) -> list[Finding]:
        """Find the teeth of a crank channel."""
        wheel = self.recording.job.wheel
        if channel.is_levels:
            train = find_teeth_levels(self.recording.read_levels(channel.name))
        else:
            blocks = _blocks(self.recording, channel, report)
            train = find_teeth(
                blocks, rate_hz=channel.rate_hz, sensor=wheel.sensor if wheel else None
            )
        train = choose_edge(train, wheel=wheel)
        self.teeth[channel.name] = train.tooth_s
        if not channel.is_levels:
            self.teeth[channel.name] += channel.start_s
        self.shift_pitch[channel.name] = train.edge_shift_pitch
        self.both_edges[channel.name] = train.seen
        return [replace(f, channel=channel.name) for f in train.findings]


def detect_events(recording: Recording, *, progress: Progress | None = None) -> Detected:
    """Run every channel's detector once and put all events on one clock.

    Parameters
    ----------
    recording : Recording
    progress : callable (stage, fraction), optional

    Returns
    -------
    detected : Detected

    Raises
    ------
    ChannelError
        If no channel shows sparks or crank angle.
    """
    findings: list[Finding] = []
    useful = [c for c in recording.channels if c.role in (*STROKE_ROLES, "crank", "cam")]
    pickups_too = [c for c in recording.channels if c.role == PICKUP_ROLE and not c.is_levels]
    scan = _Scan(recording, [c for c in useful if c.role in STROKE_ROLES])
    strokes, kicks = scan.strokes, scan.kicks
    # Pick-ups come behind the coils, in the same go where no clock has to be worked out.
    placed = all(c.clock_known for c in recording.channels)
    for found in scan_channels(
        [*useful, *pickups_too] if placed else useful,
        scan.look_through,
        behind={PICKUP_ROLE: STROKE_ROLES},
        progress=progress,
    ):
        findings += found
    give_back()
    findings += _report_empty(recording, useful, strokes)
    channels, clock_findings = join_clocks(recording, strokes, scan.teeth)
    findings += clock_findings
    renamed = {c.name: c for c in channels}
    trains = []
    for role in STROKE_ROLES:
        for old in recording.channels:
            if old.role == role and strokes.get(old.name) is not None:
                new = renamed.get(old.name)
                if new is not None:
                    # popped, as teeth below: a long recording has millions, not to be kept twice
                    trains.append(StrokeTrain(new, _move_strokes(strokes.pop(old.name), old, new)))
    pickups_too = [c for c in pickups_too if c.name in renamed]
    if not placed:

        def scan_pickup(old: Channel, report: Report) -> NDArray[np.void]:
            new, engine = renamed[old.name], recording.job.engine
            stops = [t.strokes["stop_s"] for t in trains if _may_feed(t.channel, new, engine)]
            found = _measure_pickup(_reader(recording, old), new, stops, report)
            return drop_strokes(found, find_gaps(recording, new))

        names = [c.name for c in pickups_too]
        kicks = dict(zip(names, scan_channels(pickups_too, scan_pickup), strict=True))
    pickups = [StrokeTrain(renamed[c.name], kicks.pop(c.name)) for c in pickups_too]
    track, crank_findings = _find_track(scan, renamed, trains)
    findings += crank_findings
    rises = [
        _move(scan.cam[old.name], old, renamed.get(old.name))
        for old in recording.channels
        if old.role == "cam"
    ]
    if track is None and not any(t.strokes.size for t in (*trains, *pickups)):
        reasons = "; ".join(f.message for f in findings if f.severity != "info")
        raise ChannelError(
            f"{recording.path}: neither crank angle nor a spark can be read from any channel"
            + (f" ({reasons})" if reasons else "; record a coil primary or the crank sensor too")
        )
    return Detected(
        channels=channels,
        trains=trains,
        pickups=pickups,
        track=track,
        cam_rise_s=np.sort(np.concatenate(rises)) if rises else np.empty(0),
        duration_s=_duration(recording, channels),
        findings=tuple(findings),
    )


def _report_empty(
    recording: Recording, useful: list[Channel], strokes: dict[str, NDArray[np.void]]
) -> list[Finding]:
    """Report the coil channels without a stroke; those that show nothing at all are taken out."""
    findings = []
    for channel in useful:
        if channel.role in STROKE_ROLES and strokes[channel.name].size == 0:
            if channel.role == "coil_primary" and (
                _rests_on_nothing(recording, channel, strokes) or _kicks(recording, channel)
            ):
                # shows nothing of its coil, not even that it stands still
                del strokes[channel.name]
            findings.append(
                Finding(
                    "no_strokes",
                    "warning",
                    f"no coil stroke is to be seen in this {channel.role} channel: check the "
                    "connection, the range and the attenuation",
                    channel.name,
                )
            )
    return findings


def _find_track(
    scan: _Scan, renamed: dict[str, Channel], trains: list[StrokeTrain]
) -> tuple[CrankTrack | None, list[Finding]]:
    """Work out the crank angle from the first crank channel that shows it; its teeth are taken."""
    recording = scan.recording
    findings: list[Finding] = []
    track: CrankTrack | None = None
    for old in recording.channels:
        if old.role == "crank" and track is None:
            tooth_s = _move(scan.teeth.pop(old.name), old, renamed.get(old.name))
            try:
                track = _decode(tooth_s, trains, recording)
                gaps = find_gaps(recording, renamed.get(old.name, old))
                track = drop_explained_losses(track, gaps)
                track = _count_from_falling_edge(track, scan.shift_pitch[old.name])
                findings += [
                    f if f.channel else replace(f, channel=old.name) for f in track.findings
                ]
            except CycleError as error:
                seen = scan.both_edges[old.name]
                text = f"{error}; {seen}" if seen else str(error)
                findings.append(Finding("no_sync", "error", text, old.name))
    return track, findings


def _rests_on_nothing(
    recording: Recording, channel: Channel, strokes: dict[str, NDArray[np.void]]
) -> bool:
    """Tell a primary channel that is not connected from a coil that is never switched.

    A primary at rest hangs on the supply, as the other primaries of the recording show.
    """
    others = [
        abs(_find_rest_v(recording, c))
        for c in recording.channels
        if c.role == "coil_primary" and c.name in strokes and strokes[c.name].size
    ]
    supply_v = float(np.median(others)) if others else SUPPLY_V
    if supply_v < LEAST_SUPPLY_V:
        return False  # not coupled to direct voltage: a rest at zero says nothing
    return abs(_find_rest_v(recording, channel)) < 0.5 * supply_v


def _kicks(recording: Recording, channel: Channel) -> bool:
    """Tell whether a primary without a stroke kicks all the same: it is not read, and not dead."""
    counts = survey_counts(_reader(recording, channel), channel.n_samples)
    rest = float(np.median(counts)) + channel.offset / channel.scale
    reach = float(counts.max()) + channel.offset / channel.scale
    return rest > 0 and reach > LEAST_KICK * rest


def _find_rest_v(recording: Recording, channel: Channel) -> float:
    """Give the volts on which a channel rests most of the time, from places spread over it."""
    last = max(0, channel.n_samples - REST_SAMPLES)
    starts = np.unique(np.linspace(0, last, 32).astype(np.int64)).tolist()
    parts = [
        recording.read(channel.name, a, min(a + REST_SAMPLES, channel.n_samples)) for a in starts
    ]
    return float(np.median(np.concatenate(parts))) * channel.scale + channel.offset


def _decode(
    tooth_s: NDArray[np.float64], trains: list[StrokeTrain], recording: Recording
) -> CrankTrack:
    """Find the crank angle, with the wheel of the card or one that is worked out."""
    if recording.job.wheel is not None:
        return decode_wheel(tooth_s, wheel=recording.job.wheel)
    try:
        return _complete_wheel(decode_wheel(tooth_s, wheel=None), tooth_s, trains, recording)
    except CycleError:
        plain = find_plain_wheel(tooth_s, trains, engine=recording.job.engine)
        if plain is None:
            raise
    track = decode_wheel(tooth_s, wheel=plain)
    text = (
        f"the crank wheel has no gap; {plain.positions} teeth in a revolution were counted between "
        "the sparks"
    )
    return replace(track, findings=(Finding("wheel_found", "info", text), *track.findings))


def _complete_wheel(
    track: CrankTrack,
    tooth_s: NDArray[np.float64],
    trains: list[StrokeTrain],
    recording: Recording,
) -> CrankTrack:
    """Take a wheel that was worked out for a part of one, if the engine says so."""
    n_parts = count_parts(track, trains, engine=recording.job.engine)
    if n_parts == 1:
        return track
    whole = decode_wheel(tooth_s, wheel=repeat_wheel(track.wheel, n_parts))
    teeth = whole.wheel.positions - sum(len(gap) for gap in whole.wheel.gaps)
    text = (
        f"the crank wheel was worked out from its signal: {describe_wheel(whole.wheel)}, {teeth} "
        f"teeth in a revolution; it looks the same {n_parts} times a turn"
    )
    return replace(whole, findings=(Finding("wheel_found", "info", text), *whole.findings))


def _count_from_falling_edge(track: CrankTrack, shift_pitch: float) -> CrankTrack:
    """Move TDC by the distance from the falling edge, from which the card counts, to the used."""
    wheel = track.wheel
    if shift_pitch == 0 or wheel.tdc_deg is None:
        return track
    tdc_deg = (wheel.tdc_deg - shift_pitch * 360.0 / wheel.positions) % 360.0
    return replace(track, wheel=replace(wheel, tdc_deg=tdc_deg))


def _reader(recording: Recording, channel: Channel) -> Callable[[int, int], NDArray[np.int16]]:
    """Reader of one channel."""
    return lambda start, stop: recording.read(channel.name, start, stop)


def _blocks(
    recording: Recording, channel: Channel, report: Callable[[float], None]
) -> Callable[[], Iterator[NDArray[np.int16]]]:
    """Blocks of one channel from its beginning, each time it is called; the right way up."""

    def walk() -> Iterator[NDArray[np.int16]]:
        for _, stop, _, counts in iterate_blocks(_reader(recording, channel), channel.n_samples):
            # a negative scale says that the signal was recorded upside down; ~x is -x-1
            yield ~counts if channel.scale < 0 else counts
            report(stop / channel.n_samples)

    return walk


def _trigger_strokes(
    recording: Recording, channel: Channel, blocks: Callable[[], Iterator[NDArray[np.int16]]]
) -> NDArray[np.void]:
    """Strokes of a trigger channel, sampled or as level changes."""
    if channel.is_levels:
        edges = find_edges_levels(recording.read_levels(channel.name))
        shift = 0.0
    else:
        edges = find_edges(blocks, rate_hz=channel.rate_hz)
        shift = channel.start_s
    time_s = np.concatenate((edges.rise_s, edges.fall_s)) + shift
    sign = np.concatenate(
        (np.ones(edges.rise_s.size, np.int8), np.full(edges.fall_s.size, -1, np.int8))
    )
    order = np.argsort(time_s, kind="stable")
    return pair_edges(time_s[order], sign[order])


def _rises(
    recording: Recording, channel: Channel, blocks: Callable[[], Iterator[NDArray[np.int16]]]
) -> NDArray[np.float64]:
    """Rising edges of a cam channel on the file's clock."""
    if channel.is_levels:
        return find_edges_levels(recording.read_levels(channel.name)).rise_s
    edges = find_edges(blocks, rate_hz=channel.rate_hz)
    sharp = edges.rise_s if edges.steep > 0 else edges.fall_s
    return sharp + channel.start_s


def _move(time_s: NDArray[np.float64], old: Channel, new: Channel | None) -> NDArray[np.float64]:
    """Move instants of a channel to the clock that was worked out for it."""
    if new is None:
        return np.empty(0)
    # in place: a long recording has millions of teeth
    time_s -= old.start_s
    time_s *= old.rate_hz / new.rate_hz
    time_s += new.start_s
    return time_s


def _move_strokes(strokes: NDArray[np.void], old: Channel, new: Channel) -> NDArray[np.void]:
    """Move strokes to the common clock."""
    for name in ("start_s", "stop_s"):
        _move(strokes[name], old, new)
    return strokes


def _may_feed(coil: Channel, pickup: Channel, engine: Engine) -> bool:
    """Tell whether the lead of a pick-up may be that of a coil channel, as far as the card says."""
    leads = set(pickup.cylinders).union(
        *(mates for mates in engine.shared_coils if set(mates) & set(pickup.cylinders))
    )
    return not leads or not coil.cylinders or not leads.isdisjoint(coil.cylinders)


def _measure_pickup(
    read: Callable[[int, int], NDArray[np.int16]],
    channel: Channel,
    stops: list[NDArray[np.float64]],
    report: Report,
) -> NDArray[np.void]:
    """Measure a pick-up where its coil switched off, or find the firings in it alone."""
    stops = [stop_s for stop_s in stops if stop_s.size]
    if not stops:
        return find_pickup_strokes(read, channel, on_block=report)
    merged = np.sort(np.concatenate(stops))
    merged = merged[np.concatenate(([True], np.diff(merged) > 0.5e-3))]
    return measure_pickup(read, channel, merged, on_block=report)


def _duration(recording: Recording, channels: tuple[Channel, ...]) -> float:
    """Time from the first to the last sample of any channel."""
    spans = []
    for c in channels:
        if c.is_levels:
            levels = recording.read_levels(c.name)
            if levels.size:
                spans.append((float(levels["time_s"][0]), float(levels["time_s"][-1])))
        else:
            spans.append((c.start_s, c.start_s + c.n_samples / c.rate_hz))
    return max(b for _, b in spans) - min(a for a, _ in spans) if spans else 0.0
