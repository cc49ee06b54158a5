"""Injector channels of a recording: found, named, and matched to the firings they feed."""

from __future__ import annotations

from dataclasses import replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from misfire.cycles.weighing import cylinder_angles, wrap_deg
from misfire.dsp.track import angle_at
from misfire.events.injector import InjectionTrain, find_injections, find_injections_levels
from misfire.features.injection import InjectionTable, match_injections
from misfire.records import Channel, CrankTrack, Engine, Finding, Firings, Recording

ROLES = ("injector_voltage", "injector_current")


def measure_injectors(
    recording: Recording,
    channels: tuple[Channel, ...],
    track: CrankTrack,
    firings: Firings,
    *,
    engine: Engine,
) -> tuple[InjectionTable | None, tuple[Finding, ...]]:
    """Measure the injections of every injector channel and give them to the firings.

    Parameters
    ----------
    recording : Recording
    channels : tuple of Channel
        The recording's, on the common clock.
    track : CrankTrack
    firings : Firings
    engine : Engine

    Returns
    -------
    table : InjectionTable or None
        None without a channel of one known injector.
    findings : tuple of Finding
    """
    findings: list[Finding] = []
    parts = []
    raw = {c.name: c for c in recording.channels}
    for channel in channels:
        if channel.role not in ROLES:
            continue
        if channel.is_levels:
            train = find_injections_levels(recording.read_levels(channel.name), channel)
        else:
            train = find_injections(partial(recording.read, channel.name), channel)
        findings += train.findings
        if not train.stop_s.size:
            continue
        train = _move(train, raw[channel.name])
        seen = channel.cylinders or ((1,) if engine.cylinders == 1 else ())
        if len(seen) != 1:
            seen, finding = _name(train, track, firings, engine)
            findings.append(finding)
        if len(seen) != 1:
            continue
        needle = train.needle_ms
        if np.isfinite(needle):
            what = "opens" if channel.role == "injector_current" else "lands"
            text = (
                f"injector: usual pulse {np.median(train.pulse_ms):.2f} ms, the needle {what} "
                f"{needle:.2f} ms after it is switched {'on' if what == 'opens' else 'off'}"
            )
            findings.append(Finding("injector_needle", "info", text, channel.name))
        if channel.is_levels:
            span = (float(train.start_s[0]), float(train.stop_s[-1]))
        else:
            span = (channel.start_s, channel.start_s + channel.n_samples / channel.rate_hz)
        parts.append((seen[0], train.stop_s, train.pulse_ms, train.kick_v, span, needle))
    if not parts:
        return None, tuple(findings)
    return match_injections(track, firings, parts), tuple(findings)


def _move(train: InjectionTrain, raw: Channel) -> InjectionTrain:
    """Put a logic capture's instants, which are on the file's clock, on the common one."""
    channel = train.channel
    if not channel.is_levels or raw is channel or not channel.rate_hz:
        return train
    drift = raw.rate_hz / channel.rate_hz

    def shift(time_s: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.asarray(channel.start_s + (time_s - raw.start_s) * drift)

    return replace(train, start_s=shift(train.start_s), stop_s=shift(train.stop_s))


def _name(
    train: InjectionTrain, track: CrankTrack, firings: Firings, engine: Engine
) -> tuple[tuple[int, ...], Finding]:
    """Say that a channel without a cylinder cannot be matched: timing differs by engine."""
    theta = angle_at(track, train.stop_s)
    theta = theta[np.isfinite(theta)]
    places = []
    if theta.size and firings.cylinder.size:
        first = firings.tdc_angle_deg[0] - cylinder_angles(engine)[int(firings.cylinder[0])]
        away = wrap_deg(theta - first, 720.0)
        places = [float(np.median(away))]
    where = f" ({places[0] % 720.0:.0f} degrees after TDC)" if places else ""
    text = (
        f"the job card names no single cylinder for this injector channel{where}: give "
        "`cylinders`, so that its pulses can be matched to firings"
    )
    return (), Finding("injector_unnamed", "warning", text, train.channel.name)
