"""Measure every firing of one recording; nothing is judged yet."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from misfire.batch.blindness import find_blind
from misfire.batch.cranking import measure_cranking
from misfire.batch.detection import Detected, detect_events
from misfire.batch.faintness import describe_faint, find_faint, hush_faint
from misfire.batch.injectors import measure_injectors
from misfire.batch.recordinggaps import drop_firings, merge_gaps
from misfire.cycles.assign import find_firings
from misfire.cycles.naming import name_channels
from misfire.cycles.phase import find_phase
from misfire.cycles.ripple import find_ripple
from misfire.cycles.sparkclock import track_from_sparks
from misfire.errors import CycleError
from misfire.features.compression import CompressionTable
from misfire.features.injection import InjectionTable
from misfire.features.spark import compute_spark, gather_strokes
from misfire.features.table import build_firing_table
from misfire.features.torque import TorqueTable, compute_torque, make_no_torque
from misfire.records import CrankTrack, Finding, Firings, Recording, StrokeTrain

if TYPE_CHECKING:
    import pandas as pd

Progress = Callable[[str, float], None]


@dataclass(frozen=True, slots=True)
class Evidence:
    """Everything measured in one recording, before it is judged."""

    recording: Recording
    detected: Detected
    track: CrankTrack
    has_crank: bool
    firings: Firings
    torque: TorqueTable
    strokes: dict[str, NDArray[np.float64]]
    firing_table: pd.DataFrame
    findings: tuple[Finding, ...]
    injection: InjectionTable | None = None
    compression: CompressionTable | None = None


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
    job = recording.job
    engine = job.engine
    detected = detect_events(recording, progress=progress)
    if progress is not None:
        progress("assigning cylinders", 0.0)
    findings = [*recording.findings, *detected.findings]
    has_crank = detected.track is not None
    track = detected.track
    trains = [t for t in detected.trains if t.strokes.size]
    if track is None:
        single = [p for p in detected.pickups if p.strokes.size]
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
        ripple=find_ripple(track, engine=engine) if has_crank else None,
    )
    trains, pickups, named = name_channels(
        track, trains, detected.pickups, engine=engine, phase=phase
    )
    findings += named
    firings = find_firings(track, trains, engine=engine, phase=phase)
    findings += firings.findings
    firings = drop_firings(firings, merge_gaps(recording, detected.channels))
    # Sparks alone do not show the speed within a cycle: their own timing would pass for torque.
    torque = (
        compute_torque(track, firings, engine=engine)
        if has_crank
        else make_no_torque(firings.cylinder.size)
    )
    dead = [t for t in detected.trains if not t.strokes.size]
    coils = [t for t in trains if t.channel.role != "coil_secondary"]
    blind, said = find_blind(recording, [*coils, *dead], firings, torque, engine=engine)
    findings += said
    heard = _index_pickups(pickups, firings)
    faint = find_faint([*trains, *heard], firings, torque, engine=engine)
    findings += describe_faint(faint)
    trains, coils, pickups, heard = (
        hush_faint(part, firings, faint) for part in (trains, coils, pickups, heard)
    )
    detected = replace(detected, trains=[*coils, *dead], pickups=pickups)
    strokes = gather_strokes(firings, [*trains, *dead, *heard], blind=blind)
    injection, said = measure_injectors(recording, detected.channels, track, firings, engine=engine)
    findings += said
    compression = measure_cranking(
        recording, detected.channels, track, firings, engine=engine, has_crank=has_crank
    )
    table = build_firing_table(firings, torque, compute_spark(strokes, firings), engine=engine)
    return Evidence(
        recording=recording,
        detected=detected,
        track=track,
        has_crank=has_crank,
        firings=firings,
        torque=torque,
        strokes=strokes,
        firing_table=table,
        findings=tuple(findings),
        injection=injection,
        compression=compression,
    )


def _firings_of_pickups(pickups: list[StrokeTrain]) -> list[StrokeTrain]:
    """Keep the strokes at which a pick-up's own lead fired, not what it hears of the others."""
    kept = []
    for train in pickups:
        height = np.abs(train.strokes["firing_v"])
        finite = height[np.isfinite(height)]
        if finite.size == 0:
            continue
        loud = height > 0.4 * float(np.quantile(finite, 0.95))
        kept.append(StrokeTrain(train.channel, train.strokes[loud]))
    return kept


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
