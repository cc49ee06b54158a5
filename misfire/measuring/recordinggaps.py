"""Gaps between the parts of a recording: nothing seen at their edges counts as an event."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from misfire.dsp.strokes import get_measure
from misfire.dsp.teeth import StretchNumbers
from misfire.dsp.track import list_stretches
from misfire.records import Channel, CrankTrack, Firings, Recording

EDGE_S = 0.2e-3  # the jump to and from the level in a gap, and what it sets ringing
LATEST_BURN_S = 8e-3  # a firing's spark is over by then
SPARK_LEAD_S = 20e-3  # dwell and all before switch-off
SLOWEST_RPM = 150.0  # where the speed is not known: a power stroke at cranking speed


def find_gaps(recording: Recording, channel: Channel) -> NDArray[np.float64]:
    """Give the gaps of a channel [shape=(n, 2), unit=s, the clock of `channel.start_s`].

    One without length is a joint of parts of which nothing says when they began.
    `channel` may be the recording's own or have had its clock worked out.
    """
    card = next((c for c in recording.job.channels if c.name == channel.name), None)
    own = next((c for c in recording.channels if c.name == channel.name), channel)
    if card is None or not card.gaps_s:
        return np.empty((0, 2))
    gaps = np.asarray(card.gaps_s, np.float64) * (own.rate_hz / channel.rate_hz)
    return np.asarray(channel.start_s + gaps)


def drop_instants(time_s: NDArray[np.float64], gaps: NDArray[np.float64]) -> NDArray[np.float64]:
    """Leave out instants in a gap or at its edge."""
    gaps = gaps[gaps[:, 1] > gaps[:, 0]]
    return np.asarray(time_s[~_touch(time_s - EDGE_S, time_s + EDGE_S, gaps)])


def drop_strokes(strokes: NDArray[np.void], gaps: NDArray[np.float64]) -> NDArray[np.void]:
    """Leave out strokes of which a part lies in a gap [some of STROKE_FIELDS]."""
    gaps = gaps[gaps[:, 1] > gaps[:, 0]]
    if gaps.size == 0 or strokes.size == 0:
        return strokes
    stop = strokes["stop_s"]
    begin = np.where(np.isfinite(strokes["start_s"]), strokes["start_s"], stop)
    burn = np.nan_to_num(get_measure(strokes, "burn_time_ms")) * 1e-3
    return np.asarray(strokes[~_touch(begin - EDGE_S, stop + burn + 5 * EDGE_S, gaps)])


def drop_firings(firings: Firings, gaps: NDArray[np.float64]) -> Firings:
    """Leave out firings whose spark or power stroke reaches into a gap: they cannot be judged."""
    if gaps.size == 0 or firings.cylinder.size == 0:
        return firings
    rpm = np.where(np.isfinite(firings.rpm), np.maximum(firings.rpm, SLOWEST_RPM), SLOWEST_RPM)
    late = np.fmax(firings.tdc_s + 40.0 / rpm, firings.spark_s + LATEST_BURN_S)
    early = np.fmin(firings.tdc_s, firings.spark_s - SPARK_LEAD_S)
    keep = ~_touch(early, late, gaps)
    names = ("cycle", "cylinder", "tdc_angle_deg", "tdc_s", "spark_s", "seen", "advance_deg", "rpm")
    rows = {name: getattr(firings, name)[keep] for name in (*names, "stretch", "strikes")}
    index = {name: at[keep] for name, at in firings.stroke_index.items()}
    return replace(firings, **rows, stroke_index=index)


def merge_gaps(
    recording: Recording, channels: Sequence[Channel], crank: CrankTrack | None
) -> NDArray[np.float64]:
    """Give the gaps of all channels [shape=(n, 2), unit=s, common clock].

    A joint without length at which the crank, recorded in the same parts, runs on is none: no time
    is missing there.
    """
    found = [find_gaps(recording, channel) for channel in channels]
    gaps = np.unique(np.concatenate([np.empty((0, 2)), *found]), axis=0)
    if crank is None:
        return gaps
    of_crank = np.concatenate(
        [
            np.empty((0, 2)),
            *(g for g, channel in zip(found, channels, strict=True) if channel.role == "crank"),
        ]
    )
    inside = np.zeros(len(gaps), bool)
    for _, first, stop in list_stretches(crank):
        begin_s, end_s = crank.time_s[[first, stop - 1]]
        inside |= (begin_s < gaps[:, 0]) & (gaps[:, 1] < end_s)
    return np.asarray(gaps[~(inside & np.isin(gaps[:, 0], of_crank[:, 0]))])


def _touch(
    begin: NDArray[np.float64], end: NDArray[np.float64], gaps: NDArray[np.float64]
) -> NDArray[np.bool_]:
    """Tell which spans reach into a gap."""
    hit = np.zeros(begin.shape, bool)
    for low, high in gaps:
        hit |= (begin < high) & (end > low)
    return hit


def drop_explained_losses(track: CrankTrack, gaps: NDArray[np.float64]) -> CrankTrack:
    """Drop the spans of lost crank sync that a gap between parts explains: no sensor failed.

    A new stretch begins behind each gap: how many revolutions it holds is only known as well as
    the parts' beginnings are, and either revolution may follow. A joint behind which the crank runs
    on for a turn is none: by then the wheel's gap has come where it was due.
    """
    lost_s = track.lost_s
    if gaps.size == 0 or lost_s is None:
        return track
    a_turn_on = np.searchsorted(track.time_s, gaps[:, 1]) + track.wheel.positions
    a_turn_on_s = track.time_s[np.minimum(a_turn_on, track.time_s.size - 1)]
    is_joint = gaps[:, 1] == gaps[:, 0]
    reach = np.column_stack((gaps[:, 0], np.where(is_joint, a_turn_on_s, gaps[:, 1])))
    is_open = ~is_joint | _touch(reach[:, 0], reach[:, 1], lost_s) | (not track.revolution_known)
    gaps, reach = gaps[is_open], reach[is_open]
    behind = np.unique(np.searchsorted(track.time_s, gaps[:, 1]))
    behind = behind[(behind > 0) & (behind < track.time_s.size)]
    first = np.union1d([f for _, f, _ in list_stretches(track)], behind).astype(np.int64)
    number = np.arange(first.size, dtype=np.int32)
    track = replace(track, stretch=StretchNumbers(first, number, track.time_s.size))
    lost = lost_s[~_touch(lost_s[:, 0] - EDGE_S, lost_s[:, 1] + EDGE_S, reach)]
    findings = tuple(f for f in track.findings if f.code != "crank_lost" or lost.size)
    return replace(track, lost_s=lost, findings=findings)
