"""Is a recording fit for a diagnosis: all checks, in the order in which they help one another.

Roles come first, then scale and polarity, then the measuring of a diagnosis, wheel and firing
order, last each channel by itself (`dsp/tally.py`, one walk, 3 MB an hour). What follows from an
earlier finding is not said again. A limit is physics or a share of the channel's own swing; a
defect is planted in `tests/fitness/test_fitness.py` for each code, and thirteen sound layouts must
stay silent. For a check an engine starts below 450 rev/min, elsewhere below 400 (`limits.py`): one
that just catches has no settled places of sparks. `diagnose` puts scale and polarity right
(`fitness/scale.py`) and adds what costs nothing.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from misfire.dsp.chances import find_rarest
from misfire.dsp.tally import tally_channel
from misfire.errors import ChannelError, CycleError
from misfire.fitness.channels import CheckedChannel, check_channel, describe_stretches
from misfire.fitness.engine import (
    check_advance,
    check_blind,
    check_firing_order,
    check_length,
    check_roles,
    find_other_wheel,
)
from misfire.fitness.ripple import check_crosstalk, check_ripple
from misfire.fitness.scale import correct_recording, read_spread
from misfire.fitness.sparks import check_continuity, check_spark_places
from misfire.measuring.detection import Detected, detect_events
from misfire.measuring.evidence import Evidence, Followed, Placed, measure
from misfire.measuring.freeing import give_back
from misfire.measuring.scanning import Report, scan_channels
from misfire.records import Channel, Finding, Recording, StrokeTrain

Progress = Callable[[str, float], None]

CRANK_TROUBLE = (
    "no_sync",
    "crank_mostly_lost",
    "crank_tooth_missing",
    "crank_repaired",
    "crank_lost",
)
# What a wrong role looks like before roles are looked at.
OF_WRONG_ROLES = (
    *("no_strokes", "crank_silent", "no_sync", "crank_mostly_lost"),
    *("attenuation_wrong", "polarity_reversed"),
)
# What follows from a wrong role, order or wheel is no news beside it.
FOLLOWS = (
    "no_strokes",
    "no_sync",
    "crank_silent",
    "crank_mostly_lost",
    "not_measurable",
    "no_crank",
    "phase_unknown",
    "cylinders_unknown",
    "channel_named",
    "edges_silent",
    "dropout",
)


@dataclass(frozen=True, slots=True)
class Fitness:
    """What was found, worst first, and how rare a fault the recording can show (0: not known)."""

    findings: tuple[Finding, ...]
    n_firings: int
    one_in: int

    @property
    def fit(self) -> bool:
        """No finding forbids a diagnosis."""
        return all(f.severity != "error" for f in self.findings)


def check_recording(
    recording: Recording, *, one_in: int | None = None, progress: Progress | None = None
) -> Fitness:
    """Judge the fitness of a recording.

    Parameters
    ----------
    recording : Recording
    one_in : int, optional
        The fault is felt once in so many firings of its cylinder: is the recording long enough.
    progress : callable (stage, fraction), optional

    Returns
    -------
    fitness : Fitness
        A sound recording has no finding above `info`.
    """
    findings = list(recording.findings)
    wrong_roles = check_roles(recording)
    findings += [finding for finding, _ in wrong_roles]
    roles = {finding.channel: role for finding, role in wrong_roles}
    recording = replace(
        recording,
        findings=(),
        channels=tuple(
            replace(c, role=roles[c.name]) if c.name in roles else c for c in recording.channels
        ),
    )
    upright = correct_recording(recording)
    # units and scales of a swapped channel are those of the other
    findings += [f for f in upright.findings if f.channel not in roles]
    recording = replace(upright, findings=())
    evidence, detected, found = _measure(recording, progress)
    codes = {f.code for f in found}
    if codes & {*CRANK_TROUBLE, "not_measurable"}:
        other = find_other_wheel(recording)
        if other is not None:
            wheel, finding = other
            findings.append(finding)
            recording = replace(recording, job=replace(recording.job, wheel=wheel))
            evidence, detected, found = _measure(recording, progress)
            found = [f for f in found if f.code not in ("wheel_found", "tdc_worked_out")]
    order = _check_order(recording, detected)
    if order is not None:
        findings.append(order)
    elif evidence is not None:
        findings += _check_tdc(recording, evidence)
        findings += _check_places(evidence)
    if order is not None or roles:
        found = [f for f in found if f.code not in FOLLOWS]
    findings += found
    findings += _check_channels(recording, detected, evidence, progress)
    n_firings = 0
    if evidence is not None:
        findings += check_continuity(evidence.firings)
        findings += check_length(evidence.firings, one_in=one_in)
        counts = np.bincount(evidence.firings.cylinder)
        n_firings = int(counts[counts > 0].min())
    return Fitness(_tidy(findings), n_firings, find_rarest(n_firings))


def check_angles(recording: Recording, evidence: Followed) -> tuple[Finding, ...]:
    """Give those findings about angles that cost next to nothing beside a diagnosis.

    Parameters
    ----------
    recording : Recording
    evidence : Followed
        With its teeth.

    Returns
    -------
    findings : tuple of Finding
    """
    order = _check_order(recording, evidence.detected)
    give_back()
    found = [*_check_tdc(recording, evidence), *_check_places(evidence)]
    return tuple(found if order is None else [order, *found])


def check_roles_in_doubt(recording: Recording, findings: Sequence[Finding]) -> tuple[Finding, ...]:
    """Look for channels of another role, where something is wrong that a wrong role explains.

    Parameters
    ----------
    recording : Recording
    findings : sequence of Finding
        What was found so far; without one of `OF_WRONG_ROLES` nothing is read again.

    Returns
    -------
    findings : tuple of Finding
    """
    if {f.code for f in findings}.isdisjoint(OF_WRONG_ROLES):
        return ()
    return tuple(finding for finding, _ in check_roles(recording))


def drop_following(findings: Sequence[Finding]) -> tuple[Finding, ...]:
    """Leave out what only follows from a wrong role or firing order, where there is one.

    Parameters
    ----------
    findings : sequence of Finding

    Returns
    -------
    findings : tuple of Finding
    """
    wrong = {f.channel for f in findings if f.code == "role_wrong"}
    is_order = any(f.code == "firing_order_wrong" for f in findings)
    if not wrong and not is_order:
        return tuple(findings)
    follows = (*FOLLOWS, "sparks_misplaced") if is_order else FOLLOWS
    return tuple(
        f
        for f in findings
        if f.code not in follows and (f.code == "role_wrong" or f.channel not in wrong)
    )


def check_quickly(evidence: Placed) -> tuple[Finding, ...]:
    """Give those other findings that cost next to nothing beside a diagnosis.

    Parameters
    ----------
    evidence : Placed
        With its strokes.

    Returns
    -------
    findings : tuple of Finding
    """
    told = {f.channel for f in evidence.findings if f.code == "dropout"}
    findings = [f for f in _report_blind(evidence) if f.channel not in told]
    findings += check_continuity(evidence.firings)
    findings += check_length(evidence.firings, one_in=None)
    return tuple(findings)


def _measure(
    recording: Recording, progress: Progress | None
) -> tuple[Evidence | None, Detected | None, list[Finding]]:
    """Measure as a diagnosis does; that it cannot be is a finding here, not a failure."""
    try:
        evidence = measure(recording, progress=progress)
    except (ChannelError, CycleError) as error:
        message = str(error).removeprefix(f"{recording.path}: ")
        found = [Finding("not_measurable", "error", message)]
        try:
            detected = detect_events(recording)
        except (ChannelError, CycleError):
            return None, None, found
        return None, detected, [*detected.findings, *found]
    return evidence, evidence.detected, list(evidence.findings)


def _check_order(recording: Recording, detected: Detected | None) -> Finding | None:
    """Compare the firing order with the channels as the job card names them."""
    if detected is None:
        return None
    card = {c.name: c.cylinders for c in recording.channels}
    trains = [
        StrokeTrain(replace(t.channel, cylinders=card[t.channel.name]), t.strokes)
        for t in detected.trains
    ]
    track = detected.track
    known = track is not None and track.revolution_known
    return check_firing_order(trains, track if known else None, recording.job.engine)


def _check_tdc(recording: Recording, evidence: Followed | Placed) -> list[Finding]:
    """Compare the card's TDC, if it gives one, with the sparks."""
    wheel = recording.job.wheel
    return check_advance(evidence.firings, given=wheel is not None and wheel.tdc_deg is not None)


def _check_places(evidence: Followed | Placed) -> list[Finding]:
    """Compare the sparks' places with the crank's angle, where teeth tell it."""
    if not evidence.has_crank:
        return []
    engine = evidence.recording.job.engine
    return check_spark_places(evidence.firings, evidence.detected.trains, evidence.track, engine)


def _check_channels(
    recording: Recording,
    detected: Detected | None,
    evidence: Evidence | None,
    progress: Progress | None,
) -> list[Finding]:
    """Judge every sampled channel by itself and against the sparks."""
    sampled = [c for c in recording.channels if not c.is_levels and c.n_samples]
    spark_s = np.empty(0)
    track = detected.track if detected is not None else None
    tooth_s = np.nan
    if detected is not None:
        stops = [t.strokes["stop_s"] for t in detected.trains if t.strokes.size]
        spark_s = np.sort(np.concatenate(stops)) if stops else spark_s
    if track is not None and track.time_s.size > 20:
        # 3 pitches at the highest speed, so that a gap or one bad tooth does not matter
        tooth_s = float(np.quantile(np.diff(track.time_s), 0.02))
    on_clock = {c.name: c for c in (detected.channels if detected is not None else ())}

    def scan(channel: Channel, report: Report) -> list[Finding]:
        def read(start: int, stop: int) -> NDArray[np.int16]:
            return recording.read(channel.name, start, stop)

        tally = tally_channel(read, channel.n_samples, rate_hz=channel.rate_hz, on_block=report)
        view = CheckedChannel(channel, tally, read_spread(read, channel))
        found = check_channel(view, tooth_s=tooth_s if channel.role == "crank" else np.nan)
        if any(f.code == "dead_channel" for f in found):
            return found
        found += check_ripple(read, view)
        if channel.role in ("crank", "cam") and channel.name in on_clock:
            view.channel = on_clock[channel.name]
            extra = track.n_extra if track is not None and channel.role == "crank" else 0
            found += check_crosstalk(read, view, spark_s, n_extra=extra)
        return found

    findings = [f for found in scan_channels(sampled, scan, progress=progress) for f in found]
    told = {f.channel for f in findings if f.code == "dropout"}
    if evidence is not None:
        told |= {f.channel for f in evidence.findings if f.code == "dropout"}
        findings += [f for f in _report_blind(evidence) if f.channel not in told]
    return findings


def _report_blind(evidence: Placed) -> list[Finding]:
    """Say where a coil channel missed what another saw."""
    trains = [*evidence.detected.trains]
    return [
        Finding(
            "dropout",
            "warning",
            describe_stretches("no spark is seen here while other channels show them", spans),
            name,
        )
        for name, spans in check_blind(evidence.firings, trains)
    ]


def _tidy(findings: list[Finding]) -> tuple[Finding, ...]:
    """Say each finding once, the worst first; a dead channel needs no second word."""
    dead = {f.channel for f in findings if f.code == "dead_channel"}
    kept = [
        f
        for f in dict.fromkeys(findings)
        if not (
            f.channel in dead
            and f.code in ("no_strokes", "crank_silent", "edges_silent", "no_sync")
        )
    ]
    # a limit of the hook-up, not a defect of the recording
    kept = [replace(f, severity="info") if f.code == "phase_unknown" else f for f in kept]
    rank = {"error": 0, "warning": 1, "info": 2}
    return tuple(sorted(kept, key=lambda f: rank[f.severity]))
