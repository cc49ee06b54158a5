"""Dwells from the edges of a trigger line."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from misfire.errors import ParameterError
from misfire.events.trigger import pair_edges


def edges(start_s, dwell_s, *, active=1):
    """Edges of a line that is `active` while the coil charges."""
    time_s = np.stack((start_s, start_s + dwell_s), axis=1).ravel()
    sign = np.tile(np.array([active, -active], np.int8), start_s.size)
    return time_s, sign


STARTS = 0.01 + 0.0401 * np.arange(20)


class TestPairEdges:
    @pytest.mark.parametrize("active", [1, -1])
    @pytest.mark.parametrize("dwell_ms", [1.5, 3.0, 5.0])
    def test_either_polarity(self, active, dwell_ms):
        # dwell 1.5 to 5 ms: ANCHORS C1, from memory
        strokes = pair_edges(*edges(STARTS, dwell_ms * 1e-3, active=active))
        assert_allclose(strokes["start_s"], STARTS, atol=1e-12)
        assert_allclose(strokes["stop_s"], STARTS + dwell_ms * 1e-3, atol=1e-12)
        assert_allclose(strokes["dwell_ms"], dwell_ms, rtol=1e-9)

    @pytest.mark.parametrize("active", [1, -1])
    def test_varying_speed(self, active):
        # 600 to 6000 rev/min, one spark a cycle: 200 to 20 ms; the dwell hardly changes
        starts = np.cumsum(np.linspace(0.2, 0.02, 60))
        dwell = np.linspace(3.4e-3, 3.0e-3, 60)
        strokes = pair_edges(*edges(starts, dwell, active=active))
        assert_allclose(strokes["dwell_ms"], dwell * 1e3, rtol=1e-9)

    @pytest.mark.parametrize("cut", [1, 2, 3])
    def test_recording_begins_anywhere(self, cut):
        time_s, sign = edges(STARTS, 3e-3)
        strokes = pair_edges(time_s[cut:], sign[cut:])
        assert_allclose(strokes["start_s"], STARTS[(cut + 1) // 2 :], atol=1e-12)

    def test_stuck_line_is_no_dwell(self):
        dwell = np.full(20, 3e-3)
        dwell[7] = 38e-3
        strokes = pair_edges(*edges(STARTS, dwell))
        assert strokes.size == 19
        assert strokes["dwell_ms"].max() < 4.0

    def test_a_missing_edge_costs_one_stroke(self):
        time_s, sign = edges(STARTS, 3e-3)
        strokes = pair_edges(np.delete(time_s, 11), np.delete(sign, 11))
        assert_allclose(strokes["start_s"], np.delete(STARTS, 5), atol=1e-12)

    def test_what_a_trigger_does_not_show_is_open(self):
        strokes = pair_edges(*edges(STARTS, 3e-3))
        for name in ("peak_current_a", "burn_time_ms", "firing_v", "primary_peak_v"):
            assert np.isnan(strokes[name]).all()

    @pytest.mark.parametrize("n", [0, 1])
    def test_too_little(self, n):
        time_s, sign = edges(STARTS, 3e-3)
        assert pair_edges(time_s[:n], sign[:n]).size == 0

    def test_refusal(self):
        with pytest.raises(ParameterError, match="as many edges as times"):
            pair_edges(np.zeros(3), np.ones(2, np.int8))
