"""Teeth of the crank wheel from its sensor: inductive (VR), Hall or a logic capture."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from misfire.dsp.crossings import find_crossings, iterate_segments, iterate_smoothed
from misfire.errors import ParameterError
from misfire.events.halfwaves import SEGMENT_SAMPLES, find_half_waves
from misfire.records import Finding

Blocks = Callable[[], Iterable[NDArray[np.int16]]]

SURVEY_STRIDE = 16  # every 16th sample is enough to know the levels
FLAT_SHARE = 0.85  # two-level: this share of each half lies ...
FLAT_WIDTH = 0.08  # ... within this share of the swing from its level
HYSTERESIS_SHARE = 0.12  # of the swing, each side of mid-level
WORSE_SCATTER = 2.0  # the falling edge is given up when its scatter is this much the larger


@dataclass(frozen=True, slots=True)
class ToothTrain:
    """The teeth that one crank channel saw.

    `tooth_s` [shape=(n_teeth,), unit=s, ascending]: from the channel's first sample; of a logic
    capture, on the file's clock. `edge`: which crossing it is, +1 upwards, -1 downwards.
    `amplitude` [unit=counts]: typical peak (VR) or half the swing (Hall); NaN of a logic capture.
    `edge_shift_pitch`: where the chosen edge stands after the falling edge of the same tooth, in
    tooth pitches; 0 when the falling edge (Hall) or the steep flank (VR) itself is used.
    """

    tooth_s: NDArray[np.float64]
    sensor: Literal["vr", "hall"]
    edge: int
    amplitude: float = np.nan
    edge_shift_pitch: float = 0.0
    findings: tuple[Finding, ...] = ()


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
    job card's `tdc_deg` is counted from it, unless its pitch scatters more than twice as much.
    Source: timing of VR sensors from the zero crossing at the tooth centre, reversed leads invert
    the signal: ANCHORS D, overview of variable-reluctance sensors. The rest: common practice.
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
    return _choose_edge(rise, fall, swing / 2)


def find_teeth_levels(levels: NDArray[np.void]) -> ToothTrain:
    """Find the teeth in a logic capture of the crank signal.

    Parameters
    ----------
    levels : structured array [shape=(n,), dtype=LEVEL_FIELDS, ascending in `time_s`]
        Level changes; a repeated level is no change.

    Returns
    -------
    train : ToothTrain
        Edges are chosen as for a Hall sensor.

    Raises
    ------
    ParameterError
        If the times are not ascending.
    """
    rise, fall = find_level_edges(levels)
    return _choose_edge(rise, fall, np.nan)


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
    tooth_s = waves.rise if upwards else waves.fall
    tooth_s /= rate_hz
    return ToothTrain(
        tooth_s,
        "vr",
        1 if upwards else -1,
        amplitude=waves.amplitude,
        findings=() if tooth_s.size else (_silent(),),
    )


def _choose_edge(
    rise: NDArray[np.float64], fall: NDArray[np.float64], amplitude: float
) -> ToothTrain:
    """Take the falling edges unless their pitch scatters plainly more than the rising edges'."""
    if rise.size < 2 or fall.size < 2:
        return ToothTrain(fall, "hall", -1, amplitude, findings=(_silent(),))
    fall_scatter, rise_scatter = _pitch_scatter(fall), _pitch_scatter(rise)
    if not fall_scatter > WORSE_SCATTER * rise_scatter:
        return ToothTrain(fall, "hall", -1, amplitude)
    shift = _edge_shift(rise, fall)
    message = (
        f"the falling edges scatter {fall_scatter / rise_scatter:.1f} times as much as the rising "
        f"edges: rising edges are used, {abs(shift):.3f} of a tooth pitch "
        f"{'after' if shift > 0 else 'before'} the falling edge of the same tooth; "
        "tdc_deg is counted from the falling edge"
    )
    finding = Finding("crank_edge", "info", message)
    return ToothTrain(rise, "hall", 1, amplitude, edge_shift_pitch=shift, findings=(finding,))


def _pitch_scatter(edge_s: NDArray[np.float64]) -> float:
    """Median change from one pitch to the next, relative; a gap does not move a median."""
    if edge_s.size < 4:
        return np.nan
    log_pitch = np.log(np.maximum(np.diff(edge_s), 1e-12))
    return float(np.median(np.abs(np.diff(log_pitch, 2)))) + 1e-6


def _edge_shift(rise: NDArray[np.float64], fall: NDArray[np.float64]) -> float:
    """How far the rising edge stands after the falling edge of the same tooth, in pitches."""
    pitch = float(np.median(np.diff(rise)))
    until_fall = np.searchsorted(fall, rise)
    known = until_fall < fall.size
    high = fall[until_fall[known]] - rise[known]
    until_rise = np.searchsorted(rise, fall)
    known = until_rise < rise.size
    low = rise[until_rise[known]] - fall[known]
    # the level that lasts in the gap is the one between teeth
    gap_is_high = np.percentile(high, 99.5) > np.percentile(low, 99.5)
    return float(np.median(low) if gap_is_high else -np.median(high)) / pitch


def _silent() -> Finding:
    """Say that the channel has no teeth."""
    return Finding(
        "crank_silent",
        "error",
        "the crank channel shows no teeth: check the sensor's connection and the input range",
    )
