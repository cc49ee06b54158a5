"""Several instruments on one vehicle: each one's clock put on the common one.

Instruments are joined one by one to those already placed, by coil switch-offs of shared coils,
else by the crank's references. A line is fitted: a drift that changes by ppm (a clock that warms
up) is not followed but told (`clock_bent`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from misfire.align.clocks import ClockFit, estimate_clock
from misfire.errors import AlignError
from misfire.records import Channel, Finding, Recording

WORST_BEND_S = 50e-6  # events of two instruments are to lie no farther apart
GAP_RATIO = 1.5  # pitch over a missing tooth to the pitches beside it: 2 at steady speed
LEAST_REFERENCES = 20
SAME_S = 0.5e-3  # switch-offs of two channels closer than this are one

_NOTHING = "no channel of it shows what a channel of another instrument shows"


def join_clocks(
    recording: Recording,
    strokes: dict[str, NDArray[np.void]],
    teeth: dict[str, NDArray[np.float64]],
) -> tuple[tuple[Channel, ...], list[Finding]]:
    """Work out offset and drift of every instrument whose place in time is not known.

    Parameters
    ----------
    recording : Recording
        Instruments whose channels have `clock_known` make the common clock.
    strokes, teeth : by channel
        Coil strokes [STROKE_FIELDS] and teeth [s], each on its own instrument's clock.

    Returns
    -------
    channels : tuple of Channel
        All on the common clock. An instrument that shares no events with the others is left out;
        if it has the crank signal, and the job card placed none by `start_s`, the others are.
    findings : list of Finding
    """
    joint = _Joint(recording, strokes, teeth)
    clocks = list(dict.fromkeys(c.clock for c in recording.channels))
    placed = [k for k in clocks if any(c.clock == k and c.clock_known for c in recording.channels)]
    joint.fits = dict.fromkeys(placed, _STILL)
    waiting = [k for k in clocks if k not in placed]
    while waiting:
        reasons: dict[str, str] = {}
        for clock in waiting:
            fit, reasons[clock] = joint.find_fit(clock)
            if fit is not None:
                joint.fits[clock] = fit
        if any(clock in joint.fits for clock in waiting):
            waiting = [k for k in waiting if k not in joint.fits]
            continue
        crank = next((k for k in waiting if joint.has_crank([k])), None)
        if crank is None or joint.has_crank(joint.fits) or joint.is_given(joint.fits):
            joint.findings += [_left_out(k, reasons[k]) for k in waiting]
            break
        # The crank tells more than anything else: what it cannot be joined to is left out.
        joint.findings = [_left_out(k, reasons[crank]) for k in joint.fits]
        joint.fits = {crank: _STILL}
        waiting.remove(crank)
    channels = tuple(
        _move_channel(c, joint.fits[c.clock]) for c in recording.channels if c.clock in joint.fits
    )
    for clock, fit in joint.fits.items():
        if fit is not _STILL:
            joint.findings += _describe(clock, fit)
    return channels, joint.findings


_STILL = ClockFit(0.0, 0.0, 0.0, 0, 0.0)


class _Joint:
    """What is known of the clocks while they are joined one by one."""

    def __init__(
        self,
        recording: Recording,
        strokes: dict[str, NDArray[np.void]],
        teeth: dict[str, NDArray[np.float64]],
    ) -> None:
        """Begin with nothing joined."""
        self.recording = recording
        self.strokes = strokes
        self.teeth = teeth
        self.fits: dict[str, ClockFit] = {}
        self.findings: list[Finding] = []

    def has_crank(self, clocks: Sequence[str] | dict[str, ClockFit]) -> bool:
        """Tell whether one of some instruments has the crank signal."""
        return any(c.role == "crank" and c.clock in clocks for c in self.recording.channels)

    def is_given(self, clocks: dict[str, ClockFit]) -> bool:
        """Tell whether the job card says when one of some instruments began."""
        return any(c.file in clocks and c.start_s is not None for c in self.recording.job.channels)

    def find_fit(self, clock: str) -> tuple[ClockFit | None, str]:
        """Find an instrument's clock from those that are joined; else the reason why not."""
        reason = _NOTHING
        for other in self.fits:
            pairs = [(self._find_stops(other, clock), self._find_stops(clock, other))]
            pairs += [(a, b) for a in self._find_teeth(other) for b in self._find_teeth(clock)]
            for reference_s, own_s in pairs:
                if reference_s.size == 0 or own_s.size == 0:
                    continue
                try:
                    return estimate_clock(_move(reference_s, self.fits[other]), own_s), ""
                except AlignError as error:
                    reason = str(error)
        return None, reason

    def _find_stops(self, clock: str, other: str) -> NDArray[np.float64]:
        """Give the switch-offs that an instrument saw of coils which the other sees too."""
        cylinders = self.recording.job.engine.firing_order
        coils = [c for c in self.recording.channels if c.name in self.strokes]
        facing = {k for c in coils if c.clock == other for k in c.cylinders or cylinders}
        parts = [
            self.strokes[c.name]["stop_s"]
            for c in coils
            if c.clock == clock and facing & set(c.cylinders or cylinders)
        ]
        merged = np.sort(np.concatenate([np.empty(0), *parts]))
        return np.asarray(merged[np.diff(merged, prepend=-np.inf) > SAME_S])

    def _find_teeth(self, clock: str) -> list[NDArray[np.float64]]:
        """Give the references of an instrument's crank channels; all teeth of a plain wheel."""
        channels = self.recording.channels
        trains = [self.teeth[c.name] for c in channels if c.clock == clock and c.name in self.teeth]
        return [_find_references(tooth_s) for tooth_s in trains]


def _find_references(tooth_s: NDArray[np.float64]) -> NDArray[np.float64]:
    """Give the first teeth after gaps: single teeth look alike, revolutions do not."""
    pitch = np.diff(tooth_s)
    if pitch.size < 3:
        return tooth_s
    beside = np.maximum(pitch[:-2], pitch[2:])
    after_gap = tooth_s[2:-1][pitch[1:-1] > GAP_RATIO * beside]
    return after_gap if after_gap.size >= LEAST_REFERENCES else tooth_s


def _move(time_s: NDArray[np.float64], fit: ClockFit) -> NDArray[np.float64]:
    """Put instants of an instrument on the common clock."""
    return np.asarray((1 + fit.drift) * time_s + fit.offset_s)


def _move_channel(channel: Channel, fit: ClockFit) -> Channel:
    """Put a channel on the common clock."""
    return replace(
        channel,
        start_s=channel.start_s * (1 + fit.drift) + fit.offset_s,
        rate_hz=channel.rate_hz / (1 + fit.drift),
        clock_known=True,
    )


def _describe(clock: str, fit: ClockFit) -> list[Finding]:
    """Say how an instrument's clock was found and how well."""
    findings = [
        Finding(
            "clock_joined",
            "info",
            f"{clock}: clock worked out from {fit.n_matched} events both instruments saw: "
            f"offset {_sign(fit.offset_s, 6)} s, drift {_sign(fit.drift * 1e6, 2)} ppm, "
            f"standard error {fit.uncertainty_s * 1e6:.1f} µs in the middle of the recording, "
            f"{fit.end_uncertainty_s * 1e6:.1f} µs at its ends",
        )
    ]
    if fit.bend_s > WORST_BEND_S:
        findings.append(
            Finding(
                "clock_bent",
                "warning",
                f"{clock}: the drift of its clock changes: events of the two instruments lie up "
                f"to {fit.bend_s * 1e6:.0f} µs apart; let both warm up, or record for less long",
            )
        )
    return findings


def _sign(value: float, decimals: int) -> str:
    """Write a number with its sign, a true minus."""
    return f"{round(value, decimals) + 0.0:+.{decimals}f}".replace(
        "-", "−"
    )  # no minus before a zero


def _left_out(clock: str, reason: str) -> Finding:
    """Make the finding for an instrument that nothing joins to the others."""
    return Finding(
        "clock_unknown",
        "warning",
        f"{clock} could not be put on the common clock and is left out: {reason}. It can be "
        "diagnosed by itself, with a job card that names its channels alone",
    )
