"""Measure every firing of one recording; nothing is judged yet.

Events are left out once firings are placed: `diagnose` lets the teeth go before the torque is
worked out and the strokes before the firing table is laid out (`drop_teeth`, `drop_strokes`), as
either takes half of the memory of an hour; what needs them (`check_angles`, `gather`) comes
before. Angles and stretches of teeth stand nowhere, they are counted out (`dsp/teeth.py`); columns
of tables are shared, not copied; freed memory is handed back between the stages
(`measuring/freeing.py`). `tests/measuring/test_bounds.py` allows 8 bytes a tooth and 370 a firing
while there are teeth, later 640 a firing.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, fields, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from misfire.cycles.assign import find_firings
from misfire.cycles.naming import name_channels
from misfire.cycles.phase import find_phase
from misfire.cycles.ripple import find_ripples
from misfire.cycles.sparkclock import track_from_sparks
from misfire.dsp.running import running_quantile
from misfire.errors import CycleError
from misfire.features.compression import CompressionTable
from misfire.features.injection import InjectionTable
from misfire.features.spark import gather_strokes, iterate_spark
from misfire.features.table import build_firing_table
from misfire.features.torque import (
    Gains,
    TorqueTable,
    compute_torque,
    make_no_torque,
    measure_gains,
)
from misfire.measuring.blindness import find_blind
from misfire.measuring.cranking import measure_cranking
from misfire.measuring.detection import Detected, detect_events
from misfire.measuring.faintness import clear_faint_sparks, describe_faint, find_faint
from misfire.measuring.freeing import give_back
from misfire.measuring.injectors import measure_injectors
from misfire.measuring.recordinggaps import drop_firings, merge_gaps
from misfire.records import CrankTrack, Engine, Finding, Firings, Recording, StrokeTrain

if TYPE_CHECKING:
    import pandas as pd

Progress = Callable[[str, float], None]
Column = tuple[str, NDArray[np.float64]]

JUDGED_FIELDS = (
    "dwell_ms",
    "peak_current_a",
    "primary_peak_v",
    "firing_v",
    "burn_time_ms",
    "burn_level_v",
    "ramp_step_a",
    "flags",
    "watched",
)


COLUMNS_BETWEEN = 4  # of a table, worked out before freed memory is given back
LOUD_SHARE, LOUD_REACH = 0.4, 3  # of the highest of so many strokes before and behind
DECIDING_COLUMNS = ("torque_level_change", "no_breakdown", "no_dwell")
"""Of the firing table, what is looked at once its firings are judged."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Followed:
    """What was found in one recording along its crank angle; `trains` are the coils' strokes.

    `gains` is None where no teeth show the speed within a cycle; findings of the
    injectors are kept apart, to be reported after those of the coil channels.
    """

    recording: Recording
    detected: Detected
    track: CrankTrack
    trains: list[StrokeTrain]
    firings: Firings
    gains: Gains | None
    findings: tuple[Finding, ...]
    injector_findings: tuple[Finding, ...]
    injection: InjectionTable | None = None
    compression: CompressionTable | None = None

    @property
    def has_crank(self) -> bool:
        """Whether a crank sensor shows the angle."""
        return self.detected.track is not None


@dataclass(frozen=True, slots=True, kw_only=True)
class Placed:
    """Everything measured in one recording, each firing in its place of the cycle.

    `spark_trains`: coil and pick-up channels in order of precedence. `blind[name]`: firings whose
    missing stroke in that channel is ignored.
    """

    recording: Recording
    detected: Detected
    track: CrankTrack
    has_crank: bool
    firings: Firings
    torque: TorqueTable
    spark_trains: tuple[StrokeTrain, ...]
    blind: dict[str, NDArray[np.bool_]]
    findings: tuple[Finding, ...]
    injection: InjectionTable | None = None
    compression: CompressionTable | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence(Placed):
    """`Placed` plus the firing table (each firing relative to its neighbours).

    `strokes` hold JUDGED_FIELDS only; what else was measured stands in `firing_table`.
    """

    strokes: dict[str, NDArray[np.float64]]
    firing_table: pd.DataFrame


def measure(recording: Recording, *, progress: Progress | None = None) -> Evidence:
    """Measure every firing of a recording; nothing is judged yet.

    Parameters
    ----------
    recording : Recording
    progress : callable (stage, fraction), optional

    Returns
    -------
    evidence : Evidence

    Raises
    ------
    ChannelError, CycleError
        If no channel shows sparks or crank angle, or they do not make engine cycles.
    """
    placed = place(follow(recording, progress=progress))
    return tabulate(placed, gather(placed))


def gather(placed: Placed) -> dict[str, NDArray[np.float64]]:
    """Bring what all channels saw of each firing into one row.

    Parameters
    ----------
    placed : Placed
        With its strokes; the teeth are not looked at.

    Returns
    -------
    columns : dict of float64 arrays [shape=(n_firings,)]
        From `gather_strokes`.
    """
    return gather_strokes(placed.firings, placed.spark_trains, blind=placed.blind)


def tabulate(placed: Placed, strokes: dict[str, NDArray[np.float64]]) -> Evidence:
    """Set every firing against its neighbours.

    Parameters
    ----------
    placed : Placed
        Its teeth and strokes are not looked at.
    strokes : dict of float64 arrays [shape=(n_firings,)]
        From `gather`. Used up: what is not judged later is taken out.

    Returns
    -------
    evidence : Evidence
    """
    table = build_firing_table(
        placed.firings,
        placed.torque,
        _free_between(iterate_spark(strokes, placed.firings, kept=JUDGED_FIELDS)),
        engine=placed.recording.job.engine,
        injection=_mark_injections(placed),
    )
    return Evidence(
        **{f.name: getattr(placed, f.name) for f in fields(placed)},
        strokes=strokes,
        firing_table=table,
    )


def _mark_injections(
    placed: Placed,
) -> tuple[NDArray[np.float64], NDArray[np.float64]] | None:
    """Mark the firings without an injection, and those whose injector did not do its work."""
    found = placed.injection
    if found is None or not placed.firings.resolved:
        return None
    watched = np.isfinite(found.pulse_ms)
    return (
        np.where(watched, found.missing, np.nan),
        np.where(watched, found.find_fault() * 1.0, np.nan),
    )


def _free_between(columns: Iterable[Column]) -> Iterator[Column]:
    """Give back now and then what was needed to work columns out."""
    for number, column in enumerate(columns, start=1):
        yield column
        if number % COLUMNS_BETWEEN == 0:
            give_back()


def drop_teeth(followed: Followed) -> Followed:
    """Leave out the teeth, which only the crank angle is worked out from.

    Parameters
    ----------
    followed : Followed

    Returns
    -------
    followed : Followed
        Enough for all that comes; in a long recording it takes far less memory.
    """
    bare = np.empty(0)
    track = replace(followed.track, time_s=bare, angle_deg=bare, stretch=np.empty(0, np.int32))
    known = track if followed.has_crank else None
    return replace(followed, detected=replace(followed.detected, track=known), track=track)


def drop_strokes(placed: Placed) -> Placed:
    """Leave out of the strokes all but their instants, and which firing each belongs to.

    Parameters
    ----------
    placed : Placed

    Returns
    -------
    placed : Placed
        Enough to tabulate and judge the firings, once the strokes are gathered.
    """
    bare = [("stop_s", "f8")]
    trains, pickups = (
        [StrokeTrain(t.channel, t.strokes["stop_s"].astype(bare)) for t in found]
        for found in (placed.detected.trains, placed.detected.pickups)
    )
    detected = replace(placed.detected, trains=trains, pickups=pickups)
    nothing = np.empty(0)
    firings = replace(
        placed.firings,
        tdc_angle_deg=nothing,
        tdc_s=nothing,
        stretch=np.empty(0, np.int32),
        stroke_index={},
    )
    return replace(placed, detected=detected, firings=firings, spark_trains=(), blind={})


def drop_table(evidence: Evidence, *, kept: Sequence[str] = ()) -> Evidence:
    """Leave out columns of the firing table.

    Parameters
    ----------
    evidence : Evidence
    kept : sequence of str
        DECIDING_COLUMNS once the firings are judged; none are enough to show what was judged.

    Returns
    -------
    evidence : Evidence
    """
    return replace(evidence, firing_table=evidence.firing_table[[*kept]])


def follow(recording: Recording, *, progress: Progress | None = None) -> Followed:
    """Find the events of a recording, and every firing's place in the cycle.

    Parameters
    ----------
    recording : Recording
    progress : callable (stage, fraction), optional

    Returns
    -------
    followed : Followed

    Raises
    ------
    ChannelError, CycleError
        If no channel shows sparks or crank angle, or they do not make engine cycles.
    """
    job = recording.job
    engine = job.engine
    detected = detect_events(recording, progress=progress)
    give_back()
    if progress is not None:
        progress("assigning cylinders", 0.0)
    findings = [*recording.findings, *detected.findings]
    has_crank = detected.track is not None
    track = detected.track
    trains = [t for t in detected.trains if t.strokes.size]
    single = [p for p in detected.pickups if p.strokes.size]
    only_pickups = track is not None and not trains
    if only_pickups:
        trains = _firings_of_pickups(single)
    if track is None:
        if engine.ignition == "distributor":
            single = _firings_of_pickups(single)
        elif trains:
            single = []
        try:
            track = track_from_sparks([*trains, *single], engine=engine)
        except CycleError as error:
            worst = [f.message for f in findings if f.code == "no_sync"]
            raise CycleError(f"{recording.path}: " + "; ".join([*worst, str(error)])) from error
        findings += track.findings
        if not trains:
            trains = single
    phase = find_phase(
        track,
        trains,
        detected.pickups,
        detected.cam_rise_s,
        engine=engine,
        cam=job.cam,
        ripples=find_ripples(track, engine=engine) if has_crank else {},
    )
    trains, pickups, named = name_channels(
        track, trains, detected.pickups, engine=engine, phase=phase
    )
    findings += named
    if only_pickups:
        trains = _own_firings(trains, pickups, engine)
    firings = find_firings(track, trains, engine=engine, phase=phase)
    findings += firings.findings
    firings = drop_firings(firings, merge_gaps(recording, detected.channels, detected.track))
    give_back()
    injection, injector_findings = measure_injectors(
        recording, detected.channels, track, firings, engine=engine
    )
    dead = [t for t in detected.trains if not t.strokes.size]
    coils = [t for t in trains if t.channel.role != "coil_secondary"]
    return Followed(
        recording=recording,
        detected=replace(detected, trains=[*coils, *dead], pickups=pickups),
        track=track,
        trains=trains,
        firings=firings,
        # Sparks alone do not show the speed within a cycle: their own timing would pass for torque.
        gains=measure_gains(track, firings, engine=engine) if has_crank else None,
        findings=tuple(findings),
        injector_findings=tuple(injector_findings),
        injection=injection,
        compression=measure_cranking(
            recording, detected.channels, track, firings, engine=engine, has_crank=has_crank
        ),
    )


def place(followed: Followed) -> Placed:
    """Measure every firing of a recording against its neighbours, and hear each channel on it.

    Parameters
    ----------
    followed : Followed
        Its teeth are not looked at.

    Returns
    -------
    placed : Placed
    """
    recording, detected, firings = followed.recording, followed.detected, followed.firings
    engine = recording.job.engine
    torque = (
        make_no_torque(firings.cylinder.size)
        if followed.gains is None
        else compute_torque(followed.gains, firings, engine=engine)
    )
    trains, pickups = followed.trains, detected.pickups
    dead = [t for t in detected.trains if not t.strokes.size]
    coils = [t for t in trains if t.channel.role != "coil_secondary"]
    findings = list(followed.findings)
    blind, blind_findings = find_blind(recording, [*coils, *dead], firings, torque, engine=engine)
    findings += blind_findings
    indexed = _index_pickups(pickups, firings)
    faint = find_faint([*trains, *indexed], firings, torque, engine=engine)
    findings += describe_faint(faint)
    trains, coils, pickups, indexed = (
        clear_faint_sparks(part, firings, faint) for part in (trains, coils, pickups, indexed)
    )
    detected = replace(detected, trains=[*coils, *dead], pickups=pickups)
    return Placed(
        recording=recording,
        detected=detected,
        track=followed.track,
        has_crank=followed.has_crank,
        firings=firings,
        torque=torque,
        spark_trains=(*trains, *dead, *indexed),
        blind=blind,
        findings=(*findings, *followed.injector_findings),
        injection=followed.injection,
        compression=followed.compression,
    )


def _firings_of_pickups(pickups: list[StrokeTrain]) -> list[StrokeTrain]:
    """Keep the strokes at which a pick-up's own lead fired, by their kick or by their spark line.

    What it hears of other leads is lower and has no line. A kick of some microseconds may fall
    between two samples, a line does not.
    """
    kept = []
    for train in pickups:
        own = _stands_out(train, "firing_v") | _stands_out(train, "burn_level_v")
        if own.any():
            kept.append(StrokeTrain(train.channel, train.strokes[own]))
    return kept


def _stands_out(train: StrokeTrain, name: str) -> NDArray[np.bool_]:
    """Tell the strokes in which a measure is not far below the highest of those around."""
    height = np.nan_to_num(np.abs(train.strokes[name]))
    highest = running_quantile(height, reach=LOUD_REACH, quantile=1.0)
    return np.asarray((height > LOUD_SHARE * highest) & (height > 0))


def _own_firings(
    loud: list[StrokeTrain], pickups: list[StrokeTrain], engine: Engine
) -> list[StrokeTrain]:
    """Choose the pick-ups that stand for coil channels, once it is known whose leads they are on.

    Of a double-ended coil both strokes are kept: the crank angle tells compression from exhaust
    better than the height does, which few samples of a short kick often miss.
    """
    heard = [t.channel.name for t in loud]
    known = [p for p in pickups if p.channel.name in heard]
    if engine.ignition == "wasted_spark":
        return [p for p in known if p.channel.cylinders]
    named = {p.channel.name: p.channel for p in known}
    return [
        StrokeTrain(named[t.channel.name], t.strokes)
        for t in loud
        if named[t.channel.name].cylinders or engine.ignition == "distributor"
    ]


def _index_pickups(pickups: list[StrokeTrain], firings: Firings) -> list[StrokeTrain]:
    """Match pick-up measurements to firings by their instant, in place of a stroke index."""
    kept = []
    for train in pickups:
        stops = train.strokes["stop_s"]
        name = train.channel.name
        if stops.size == 0 or name in firings.stroke_index:
            continue
        at = np.clip(np.searchsorted(stops, firings.spark_s), 1, max(1, stops.size - 1))
        left = np.clip(at - 1, 0, stops.size - 1)
        at = np.clip(at, 0, stops.size - 1)
        near = np.where(
            np.abs(stops[left] - firings.spark_s) < np.abs(stops[at] - firings.spark_s), left, at
        )
        own = (
            np.isin(firings.cylinder, train.channel.cylinders)
            if train.channel.cylinders
            else np.ones(firings.cylinder.size, bool)
        )
        match = own & (np.abs(stops[near] - firings.spark_s) < 0.5e-3)
        firings.stroke_index[name] = np.where(match, near, -1)
        kept.append(train)
    return kept
