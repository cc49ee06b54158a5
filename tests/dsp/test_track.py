"""Crank angle and time through the teeth against scipy and against a known motion."""

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal
from scipy.interpolate import PchipInterpolator

from misfire.dsp.track import angle_at, find_known_intervals, time_at
from misfire.records import CrankTrack, CrankWheel
from tests.builders.wheels import GAPS, Crank


def make_track(time_s, angle_deg, *, stretch=None, lost_s=None, name="60-2"):
    positions, gaps = GAPS[name]
    if stretch is None:
        stretch = np.zeros(time_s.size, np.int32)
    return CrankTrack(time_s, angle_deg, stretch, CrankWheel(positions, gaps), lost_s=lost_s)


@pytest.fixture(scope="module")
def crank():
    """Idle: 800 rev/min with a swing of 3 %."""
    return Crank(lambda t: 800 + 150 * t, duration_s=1.0, ripple=0.03)


@pytest.fixture(scope="module")
def track(crank):
    return make_track(*crank.teeth("60-2"))


class TestTimeAt:
    def test_scipy(self, track):
        angle = np.linspace(track.angle_deg[0], track.angle_deg[-1], 5003)
        inner = angle[(angle > track.angle_deg[1]) & (angle < track.angle_deg[-2])]
        reference = PchipInterpolator(track.angle_deg, track.time_s)
        assert_allclose(time_at(track, inner), reference(inner), rtol=0, atol=1e-12)

    def test_motion_across_the_gap(self, crank, track):
        # the true instants, from the speed the teeth were made with: to 0.02 deg at 4.8 deg/ms
        angle = np.arange(track.angle_deg[1], track.angle_deg[-2], 0.37)
        rising = np.concatenate(([True], np.diff(crank.angle_deg) > 0))
        truth = np.interp(angle, crank.angle_deg[rising], crank.time_s[rising])
        assert_allclose(time_at(track, angle), truth, atol=4e-6)

    def test_teeth_themselves(self, track):
        assert_allclose(time_at(track, track.angle_deg), track.time_s, rtol=0, atol=1e-15)

    def test_rises(self, track):
        angle = np.linspace(track.angle_deg[0], track.angle_deg[-1], 20_001)
        assert np.all(np.diff(time_at(track, angle)) > 0)


class TestAngleAt:
    def test_motion(self, crank, track):
        time_s = np.linspace(track.time_s[0], track.time_s[-1], 3001)
        assert_allclose(angle_at(track, time_s), crank.angle(time_s), atol=0.15)

    def test_round_trip(self, track):
        angle = np.linspace(track.angle_deg[0], track.angle_deg[-1], 4001)
        back = angle_at(track, time_at(track, angle))
        # line one way, cubic the other: they part within the gap only
        in_gap = (angle % 360.0) > 342.0
        assert_allclose(back[~in_gap], angle[~in_gap], atol=0.02)
        assert_allclose(back[in_gap], angle[in_gap], atol=0.15)


class TestUnknown:
    def test_outside(self, track):
        far = np.array([track.angle_deg[0] - 1, track.angle_deg[-1] + 1])
        assert np.isnan(time_at(track, far)).all()
        out = np.array([track.time_s[0] - 1e-3, track.time_s[-1] + 1e-3])
        assert np.isnan(angle_at(track, out)).all()

    def test_between_stretches(self, track):
        stretch = (np.arange(track.time_s.size) >= 100).astype(np.int32)
        cut = make_track(track.time_s, track.angle_deg, stretch=stretch)
        middle = track.angle_deg[99:101].mean()
        assert np.isnan(time_at(cut, np.array([middle]))).all()
        assert np.isfinite(time_at(cut, track.angle_deg[[99, 100]])).all()
        assert not find_known_intervals(cut)[99]
        assert find_known_intervals(cut).sum() == track.time_s.size - 2

    def test_where_sync_was_lost(self, track):
        kept = np.delete(np.arange(track.time_s.size), np.arange(60, 70))
        lost_s = np.array([[track.time_s[59], track.time_s[70]]])
        cut = make_track(track.time_s[kept], track.angle_deg[kept], lost_s=lost_s)
        inside = np.linspace(track.time_s[59], track.time_s[70], 9)[1:-1]
        assert np.isnan(angle_at(cut, inside)).all()
        assert_array_equal(np.flatnonzero(~find_known_intervals(cut)), [59])

    @pytest.mark.parametrize("n", [0, 1])
    def test_hardly_a_tooth(self, n):
        short = make_track(np.array([0.5])[:n], np.array([12.0])[:n])
        assert np.isnan(time_at(short, np.array([11.0, 13.0]))).all()
        if n:
            assert time_at(short, np.array([12.0]))[0] == 0.5
