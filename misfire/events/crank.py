"""Teeth of the crank wheel from its sensor: inductive (VR), Hall or a logic capture."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from misfire.dsp.crossings import find_crossings, iterate_segments, iterate_smoothed
from misfire.errors import ParameterError
from misfire.events.halfwaves import SEGMENT_SAMPLES, find_half_waves
from misfire.records import Finding, ToothTrain

Blocks = Callable[[], Iterable[NDArray[np.int16]]]

SURVEY_STRIDE = 16  # every 16th sample is enough to know the levels
FLAT_SHARE = 0.85  # two-level: this share of each half lies ...
FLAT_WIDTH = 0.08  # ... within this share of the swing from its level
HYSTERESIS_SHARE = 0.12  # of the swing, each side of mid-level


@dataclass(frozen=True, slots=True)
class LevelSurvey:
    """The two levels of a channel [counts] and whether it keeps to them (`two_level`)."""

    low: float
    high: float
    two_level: bool


def find_teeth(
    blocks: Blocks, *, rate_hz: float, sensor: Literal["vr", "hall"] | None = None
) -> ToothTrain:
    """Find the teeth in a sampled crank signal.

    Parameters
    ----------
    blocks : callable () -> iterable of int16 arrays [shape=(n,), unit=counts]
        Gives the channel from its beginning, each time it is called (it is read once for a VR
        sensor whose steep flank stays the same, twice otherwise). Where it is cut does not change
        the result.
    rate_hz : float [unit=Hz, > 0]
    sensor : "vr", "hall" or None
        None: a channel that keeps to two levels is taken as Hall, any other as VR.

    Returns
    -------
    train : ToothTrain
        No teeth, with a finding, where the channel is silent.

    Raises
    ------
    ParameterError
        If `rate_hz` is not positive or `sensor` is none of the above.

    Notes
    -----
    VR: the crossing of the zero level on the steep flank, at the tooth centre. Which of the two
    directions that is depends on how the leads are connected: the other direction crosses slowly
    in the wheel's gap, so the one with the shorter flanks is taken. Hall: the falling edge, as the
    job card's `tdc_deg` is counted from it. Which edge counts in the end is decided by what it
    shows of the wheel (cycles/edges.py).
    Source: timing of VR sensors from the zero crossing at the tooth centre, reversed leads invert
    the signal: docs/sources.md, variable-reluctance sensors. The rest: common practice.
    """
    if not 0 < rate_hz < np.inf:
        raise ParameterError(f"need rate_hz > 0, got {rate_hz}")
    if sensor not in (None, "vr", "hall"):
        raise ParameterError(f"sensor must be 'vr' or 'hall', got {sensor!r}")
    survey = None
    if sensor != "vr":
        survey = survey_levels(blocks())
        if sensor is None:
            sensor = "hall" if survey.two_level else "vr"
    if sensor == "vr" or survey is None:
        return _vr_teeth(blocks, rate_hz)
    swing = survey.high - survey.low
    middle = (survey.low + survey.high) / 2
    if not swing >= 4:
        return ToothTrain(np.empty(0), "hall", -1, findings=(_silent(),))
    margin = HYSTERESIS_SHARE * swing
    found = find_crossings(
        iterate_smoothed(blocks(), size=SEGMENT_SAMPLES), low=middle - margin, high=middle + margin
    )
    rise = found["sample"][found["edge"] > 0] / rate_hz
    fall = found["sample"][found["edge"] < 0] / rate_hz
    return _begin_with_falling(rise, fall, swing / 2)


def find_teeth_levels(levels: NDArray[np.void]) -> ToothTrain:
    """Find the teeth in a logic capture of the crank signal.

    Parameters
    ----------
    levels : structured array [shape=(n,), dtype=LEVEL_FIELDS, ascending in `time_s`]
        Level changes; a repeated level is no change.

    Returns
    -------
    train : ToothTrain
        The falling edges, as of a Hall sensor.

    Raises
    ------
    ParameterError
        If the times are not ascending.
    """
    rise, fall = find_level_edges(levels)
    return _begin_with_falling(rise, fall, np.nan)


def find_level_edges(
    levels: NDArray[np.void],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Split level changes into rising and falling edges.

    Parameters
    ----------
    levels : structured array [shape=(n,), dtype=LEVEL_FIELDS, ascending in `time_s`]

    Returns
    -------
    rise_s, fall_s : float64 arrays [unit=s, ascending]
        The first entry only tells the level at the start; it is no edge.

    Raises
    ------
    ParameterError
        If the times are not ascending.
    """
    time_s, level = levels["time_s"], levels["level"]
    if np.any(np.diff(time_s) < 0):
        raise ParameterError("level changes must stand in ascending time")
    change = np.diff(level.astype(np.int16))
    return time_s[1:][change > 0].copy(), time_s[1:][change < 0].copy()


def survey_levels(blocks: Iterable[NDArray[np.int16]]) -> LevelSurvey:
    """Find the two levels between which a channel moves.

    Parameters
    ----------
    blocks : iterable of int16 arrays [shape=(n,), unit=counts]
        Where it is cut does not change the result.

    Returns
    -------
    survey : LevelSurvey
        From the pieces where the channel moves; a still channel has two equal levels.
    """
    rows: list[tuple[float, float, float]] = []  # low, high, flatness of the flatter-less half
    for segment in iterate_segments(blocks, size=SEGMENT_SAMPLES):
        sample = segment[::SURVEY_STRIDE] if segment.size > 1024 else segment
        bottom, top = np.percentile(sample, (0.2, 99.8))
        above = sample[sample > (bottom + top) / 2].astype(float)
        below = sample[sample <= (bottom + top) / 2].astype(float)
        if not above.size:
            rows.append((float(bottom), float(bottom), 0.0))
            continue
        low, high = float(np.median(below)), float(np.median(above))
        width = FLAT_WIDTH * (high - low)
        flat = min(np.mean(np.abs(below - low) <= width), np.mean(np.abs(above - high) <= width))
        rows.append((low, high, float(flat)))
    if not rows:
        return LevelSurvey(0.0, 0.0, False)
    low_s, high_s, flat_s = np.array(rows).T
    swing = high_s - low_s
    moving = swing >= 0.3 * swing.max()
    return LevelSurvey(
        low=float(np.median(low_s[moving])),
        high=float(np.median(high_s[moving])),
        two_level=bool(swing.max() > 0 and np.mean(flat_s[moving] >= FLAT_SHARE) > 0.5),
    )


def _vr_teeth(blocks: Blocks, rate_hz: float) -> ToothTrain:
    """Teeth of an inductive sensor: the crossings with the shorter flanks."""
    waves = find_half_waves(blocks(), only_steep=True)
    if waves.undecided:
        waves = find_half_waves(blocks())
    upwards = waves.rise_slowness < waves.fall_slowness
    tooth_s, other_s = (waves.rise, waves.fall) if upwards else (waves.fall, waves.rise)
    tooth_s /= rate_hz
    other_s /= rate_hz
    return ToothTrain(
        tooth_s,
        "vr",
        1 if upwards else -1,
        amplitude=waves.amplitude,
        findings=() if tooth_s.size else (_silent(),),
        other_s=other_s,
    )


def _begin_with_falling(
    rise: NDArray[np.float64], fall: NDArray[np.float64], amplitude: float
) -> ToothTrain:
    """Take the falling edges for the teeth, as job cards do."""
    findings = (_silent(),) if rise.size < 2 or fall.size < 2 else ()
    return ToothTrain(fall, "hall", -1, amplitude, findings=findings, other_s=rise)


def _silent() -> Finding:
    """Say that the channel has no teeth."""
    return Finding(
        "crank_silent",
        "error",
        "the crank channel shows no teeth: check the sensor's connection and the input range",
    )
