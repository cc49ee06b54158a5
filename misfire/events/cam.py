"""Edges of cam and logic channels: cam sensor, coil trigger, injector command."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from misfire.dsp.crossings import find_crossings, iterate_smoothed
from misfire.errors import ParameterError
from misfire.events.crank import HYSTERESIS_SHARE, Blocks, find_level_edges, survey_levels
from misfire.events.halfwaves import SEGMENT_SAMPLES, find_half_waves
from misfire.records import Finding

LEAST_SWING_COUNTS = 4.0  # below this a channel is taken as still

SHARPER = 2.0  # the sharp crossing of a VR sensor is many times as steep as the other


@dataclass(frozen=True, slots=True)
class EdgeTrain:
    """Edges of one channel.

    `rise_s`, `fall_s` [unit=s, ascending]: from the channel's first sample; of a logic capture, on
    the file's clock. `two_level`: the channel keeps to two levels; if not (a VR cam sensor), the
    edges are zero crossings and `steep` says which of them is the sharp one: +1 rise, -1 fall.
    """

    rise_s: NDArray[np.float64]
    fall_s: NDArray[np.float64]
    two_level: bool = True
    steep: int = 1
    findings: tuple[Finding, ...] = ()


def find_edges(blocks: Blocks, *, rate_hz: float) -> EdgeTrain:
    """Find rising and falling edges of a sampled cam or logic channel.

    Parameters
    ----------
    blocks : callable () -> iterable of int16 arrays [shape=(n,), unit=counts]
        Gives the channel from its beginning, each time it is called (it is read twice). Where it
        is cut does not change the result.
    rate_hz : float [unit=Hz, > 0]

    Returns
    -------
    edges : EdgeTrain
        Two-level: crossings of the middle between the levels, with hysteresis. Otherwise: zero
        crossings of the half waves that stand out. None, with a finding, of a still channel.

    Raises
    ------
    ParameterError
        If `rate_hz` is not positive.
    """
    if not 0 < rate_hz < np.inf:
        raise ParameterError(f"need rate_hz > 0, got {rate_hz}")
    survey = survey_levels(blocks())
    swing, middle = survey.high - survey.low, (survey.high + survey.low) / 2
    if not swing >= LEAST_SWING_COUNTS:
        none = np.empty(0)
        message = "the channel does not move: check its connection and the input range"
        return EdgeTrain(none, none, findings=(Finding("edges_silent", "warning", message),))
    if not survey.two_level:
        waves = find_half_waves(blocks())
        # a switched signal whose levels wander has both edges alike: rises, as on the card
        steep = -1 if waves.rise_slowness > SHARPER * waves.fall_slowness else 1
        return EdgeTrain(waves.rise / rate_hz, waves.fall / rate_hz, two_level=False, steep=steep)
    margin = HYSTERESIS_SHARE * swing
    smoothed = iterate_smoothed(blocks(), size=SEGMENT_SAMPLES)
    found = find_crossings(smoothed, low=middle - margin, high=middle + margin)
    return EdgeTrain(
        found["sample"][found["edge"] > 0] / rate_hz, found["sample"][found["edge"] < 0] / rate_hz
    )


def find_edges_levels(levels: NDArray[np.void]) -> EdgeTrain:
    """Find rising and falling edges of a logic capture.

    Parameters
    ----------
    levels : structured array [shape=(n,), dtype=LEVEL_FIELDS, ascending in `time_s`]
        Level changes; a repeated level is no change.

    Returns
    -------
    edges : EdgeTrain

    Raises
    ------
    ParameterError
        If the times are not ascending.
    """
    rise_s, fall_s = find_level_edges(levels)
    return EdgeTrain(rise_s, fall_s)
