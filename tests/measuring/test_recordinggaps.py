"""Gaps between parts: what lies in one or touches it is left out, everything else is kept."""

import numpy as np
from numpy.testing import assert_array_equal

from misfire.dsp.strokes import make_strokes
from misfire.measuring.recordinggaps import (
    EDGE_S,
    drop_explained_losses,
    drop_instants,
    drop_strokes,
)
from misfire.records import CrankTrack, Finding
from tests.builders.engines import make_wheel

GAPS = np.array([[1.0, 2.0], [5.0, 5.5]])


def test_instants():
    time_s = np.array([0.5, 1 - 2 * EDGE_S, 1 - EDGE_S / 2, 1.5, 2 + EDGE_S / 2, 2.1, 5.2, 9.0])
    assert_array_equal(drop_instants(time_s, GAPS), time_s[[0, 1, 5, 7]])
    assert_array_equal(drop_instants(time_s, np.empty((0, 2))), time_s)


def test_strokes_go_with_dwell_and_burn():
    rows = make_strokes(5)
    rows["start_s"] = [0.990, 0.9975, 1.9, np.nan, 5.6]
    rows["stop_s"] = [0.993, 0.9985, 2.1, 4.9, 5.603]
    rows["burn_time_ms"] = [1.5, 2.0, 1.0, np.nan, 1.0]  # the second burns into the gap
    assert_array_equal(drop_strokes(rows, GAPS)["stop_s"], rows["stop_s"][[0, 3, 4]])


def make_track(lost_s, finding):
    teeth = np.arange(3.0)
    stretch = np.zeros(3, np.int32)
    wheel = make_wheel("60-2")
    return CrankTrack(teeth, teeth, stretch, wheel, lost_s=lost_s, findings=(finding,))


def test_no_sensor_is_blamed_for_a_gap():
    finding = Finding("crank_lost", "warning", "the crank signal was lost")
    track = make_track(np.array([[0.999, 2.01], [5.0, 5.5]]), finding)
    assert drop_explained_losses(track, GAPS).findings == ()
    track = make_track(np.array([[0.999, 2.01], [3.0, 3.5]]), finding)
    kept = drop_explained_losses(track, GAPS)
    assert kept.findings == (finding,)
    assert_array_equal(kept.lost_s, [[3.0, 3.5]])
