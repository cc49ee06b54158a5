"""Teeth from made signals whose tooth centres are known in closed form, and from real ones."""

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal

from misfire.errors import ParameterError
from misfire.events import halfwaves
from misfire.events.cam import find_edges, find_edges_levels
from misfire.events.crank import find_teeth, find_teeth_levels
from misfire.events.halfwaves import SEGMENT_SAMPLES, _add_up
from misfire.records import LEVEL_FIELDS
from tests.builders.wheels import Crank, as_counts

REAL = Path(__file__).parents[3] / "shared" / "real" / "single_60_2"
RATE = 100_000.0


def steady(rpm):
    return lambda time_s: np.full(time_s.size, float(rpm))


def whole(counts):
    return lambda: [counts]


def match(found_s, true_s, *, within_s):
    """Every true tooth found once, nothing else; gives the errors."""
    assert found_s.size == true_s.size
    assert_allclose(found_s, true_s, rtol=0, atol=within_s)
    return found_s - true_s


class TestVr:
    @pytest.mark.parametrize("polarity", [1, -1])
    @pytest.mark.parametrize("name", ["60-2", "36-1", "36-2-2-2"])
    def test_zero_crossing_at_tooth_centre(self, name, polarity):
        # the made signal is minus the slope of a bell of flux: zero at the tooth centre
        crank = Crank(steady(800), duration_s=1.0, start_deg=2.0)
        counts = as_counts(polarity * crank.vr(name, rate_hz=RATE))
        train = find_teeth(whole(counts), rate_hz=RATE)
        assert train.sensor == "vr"
        assert train.edge == -polarity
        true_s, _ = crank.teeth(name)
        # 0.02 deg at 800 rpm is 4.2 us; the rate's step is 10 us
        match(train.tooth_s, true_s[true_s < counts.size / RATE - 1e-4], within_s=4.2e-6)

    def test_amplitude_follows_speed(self):
        # 20 mV cranking to 50 V: from 20 to 20000 counts here, up and down again
        def rpm(time_s):
            return 60.0 * 100 ** (1 - np.abs(time_s - 2.0) / 2.0)

        crank = Crank(rpm, duration_s=4.0, start_deg=2.0)
        rng = np.random.default_rng(1)
        counts = as_counts(
            crank.vr("60-2", rate_hz=RATE, per_rpm=3.5), rng=rng, noise=1.5, offset=25
        )
        assert np.abs(counts[: int(0.05 * RATE)]).max() < 300
        assert np.abs(counts).max() > 15000
        train = find_teeth(whole(counts), rate_hz=RATE, sensor="vr")
        true_s, true_deg = crank.teeth("60-2")
        inside = (true_s > 0.02) & (true_s < 3.98)
        found = train.tooth_s[(train.tooth_s > 0.02) & (train.tooth_s < 3.98)]
        assert found.size == inside.sum()
        error_deg = crank.angle(found) - true_deg[inside]
        assert np.abs(error_deg).max() < 0.25  # deg, at an amplitude of 13 noise deviations

    @pytest.mark.parametrize("seed", range(3))
    def test_noise_glitches_offset_in_gap(self, seed):
        rng = np.random.default_rng(seed)
        crank = Crank(steady(700), duration_s=2.0, start_deg=2.0, ripple=0.1)
        signal = crank.vr("60-2", rate_hz=RATE)
        hum = 20 * np.sin(2 * np.pi * 50 * np.arange(signal.size) / RATE)
        counts = as_counts(signal + hum, rng=rng, noise=12, offset=-60)  # amplitude about 700
        counts[3 * rng.integers(0, counts.size // 3, 300)] = 3000  # glitches of one sample each
        train = find_teeth(whole(counts), rate_hz=RATE)
        true_s, _ = crank.teeth("60-2")
        error_s = match(train.tooth_s, true_s[true_s < 2.0 - 1e-4], within_s=40e-6)
        assert np.std(error_s) < 15e-6

    def test_silent_at_standstill(self):
        # turns for 1 s, stands for 2 s, turns again
        crank = Crank(
            lambda t: 400.0 * ((t < 1) | (t > 3)), duration_s=4.0, start_deg=2.0, step_s=1e-5
        )
        rng = np.random.default_rng(0)
        counts = as_counts(crank.vr("60-2", rate_hz=RATE), rng=rng, noise=4)
        train = find_teeth(whole(counts), rate_hz=RATE)
        standing = (train.tooth_s > 1.03) & (train.tooth_s < 2.97)
        assert not standing.any()
        true_s, _ = crank.teeth("60-2")
        assert abs(train.tooth_s.size - true_s.size) <= 3  # the step in speed itself is no tooth

    def test_nothing_connected(self):
        rng = np.random.default_rng(0)
        counts = as_counts(np.zeros(400_000), rng=rng, noise=2)
        train = find_teeth(whole(counts), rate_hz=RATE)
        assert train.tooth_s.size < 20

    @settings(max_examples=15, deadline=None)
    @given(st.lists(st.integers(0, 4 * SEGMENT_SAMPLES), max_size=8), st.booleans())
    def test_any_cutting(self, places, tail):
        counts = CUT_COUNTS if tail else CUT_COUNTS[: 2 * SEGMENT_SAMPLES]
        pieces = np.split(counts, sorted(p % (counts.size + 1) for p in places))
        reference = find_teeth(whole(counts), rate_hz=RATE)
        train = find_teeth(lambda: pieces, rate_hz=RATE)
        assert_array_equal(train.tooth_s, reference.tooth_s)
        assert train.edge == reference.edge

    def test_gain(self):
        crank = Crank(steady(900), duration_s=1.0, start_deg=2.0)
        signal = crank.vr("36-1", rate_hz=RATE)
        one = find_teeth(whole(as_counts(signal)), rate_hz=RATE)
        ten = find_teeth(whole(as_counts(10 * signal)), rate_hz=RATE)
        assert_allclose(ten.tooth_s, one.tooth_s, rtol=0, atol=0.3e-6)
        assert ten.amplitude == pytest.approx(10 * one.amplitude, rel=0.02)

    @pytest.mark.parametrize("turned_s", [None, 1.0, 4.0])
    def test_one_kind_of_crossing_kept_is_the_steep_one_of_all(self, monkeypatch, turned_s):
        # leads turned while it is recorded: the kind dropped early may be the steep one in the end
        crank = Crank(steady(900), duration_s=6.0, start_deg=2.0)
        counts = as_counts(crank.vr("60-2", rate_hz=RATE))
        if turned_s is not None:
            counts[int(turned_s * RATE) :] *= -1
        n_walks = []

        def walk():
            n_walks.append(1)
            return [counts]

        monkeypatch.setattr(halfwaves, "BATCH_WAVES", 1024)  # half a second
        whole_kept = find_teeth(walk, rate_hz=RATE, sensor="vr")
        assert len(n_walks) == 1
        monkeypatch.setattr(halfwaves, "ENOUGH_WAVES", 1)
        train = find_teeth(walk, rate_hz=RATE, sensor="vr")
        assert len(n_walks) == (3 if turned_s == 1.0 else 2)
        assert_array_equal(train.tooth_s, whole_kept.tooth_s)
        assert train.edge == whole_kept.edge == (1 if turned_s == 1.0 else -1)


def _cut_counts():
    crank = Crank(lambda t: 300.0 + 150.0 * t, duration_s=4.0, start_deg=2.0)
    rng = np.random.default_rng(5)
    return as_counts(crank.vr("60-2", rate_hz=RATE), rng=rng, noise=6, offset=10)


CUT_COUNTS = _cut_counts()


class TestHall:
    @pytest.mark.parametrize("share", [0.5, 0.2])
    def test_falling_edge(self, share):
        crank = Crank(steady(1200), duration_s=1.0, start_deg=2.0)
        rng = np.random.default_rng(2)
        counts = as_counts(crank.hall("36-1", rate_hz=RATE, tooth_share=share), rng=rng, noise=6)
        train = find_teeth(whole(counts), rate_hz=RATE)
        assert train.sensor == "hall"
        assert train.edge == -1
        true_s, _ = crank.teeth("36-1")
        # an ideal edge between two samples: half a sample, and 0.12 of one by hysteresis, and noise
        match(train.tooth_s, true_s[true_s < 1.0 - 1e-4], within_s=0.65 / RATE)

    def test_levels_not_ascending(self):
        levels = np.zeros(3, LEVEL_FIELDS)
        levels["time_s"] = [0, 2, 1]
        with pytest.raises(ParameterError, match="ascending"):
            find_teeth_levels(levels)


class TestRefusals:
    def test_rate(self):
        with pytest.raises(ParameterError, match="rate_hz"):
            find_teeth(whole(np.zeros(10, np.int16)), rate_hz=0)

    def test_sensor(self):
        with pytest.raises(ParameterError, match="sensor"):
            find_teeth(whole(np.zeros(10, np.int16)), rate_hz=1, sensor="optical")

    @pytest.mark.parametrize("n", [0, 1, 5, 1000])
    def test_short_channels(self, n):
        train = find_teeth(whole(np.zeros(n, np.int16)), rate_hz=1e5)
        assert train.tooth_s.size == 0
        assert [f.code for f in train.findings] == ["crank_silent"]


class TestEdges:
    def test_cam_window(self):
        # one high window of 30 % of a 0.1 s cycle, analog, with noise and glitches
        time_s = np.arange(200_000) / RATE
        counts = as_counts(
            np.where((time_s % 0.1) >= 0.07, 1200.0, 20.0), rng=np.random.default_rng(1), noise=15
        )
        counts[5000:200_000:7001] = 2500
        edges = find_edges(whole(counts), rate_hz=RATE)
        assert_allclose(edges.rise_s, np.arange(20) * 0.1 + 0.07, rtol=0, atol=2e-5)
        assert_allclose(edges.fall_s, np.arange(1, 20) * 0.1, rtol=0, atol=2e-5)

    def test_levels(self):
        levels = np.array([(0.0, 1), (1.0, 1), (2.0, 0), (3.0, 1)], LEVEL_FIELDS)
        edges = find_edges_levels(levels)
        assert edges.fall_s.tolist() == [2.0]
        assert edges.rise_s.tolist() == [3.0]

    def test_still(self):
        edges = find_edges(whole(np.full(5000, 7, np.int16)), rate_hz=RATE)
        assert edges.rise_s.size == edges.fall_s.size == 0
        assert [f.code for f in edges.findings] == ["edges_silent"]


@pytest.mark.skipif(not REAL.exists(), reason="recordings of real engines are not here")
class TestRealSensor:
    # column of the crank sensor and the counting of teeth: PROVENANCE of the recordings
    @pytest.mark.parametrize(
        ("name", "column"),
        [("A_train_no_load", 2), ("B_E0_full_1", 1), ("B_E0_half_4", 1), ("B_E0_no_1", 1),
         ("B_E0_no_4", 1), ("B_E0_no_5", 1), ("C_coast_1", 1)],
    )  # fmt: skip
    def test_58_teeth_a_revolution(self, name, column):
        volts = np.loadtxt(REAL / f"{name}.txt.gz")[:, column]
        counts = np.round(volts * 6000).astype(np.int16)
        train = find_teeth(whole(counts), rate_hz=1e5)
        assert train.sensor == "vr"
        assert train.edge == 1  # the wheel's reference is the rising edge after the gap
        pitch = np.diff(train.tooth_s)
        gaps = 1 + np.flatnonzero((pitch[1:-1] > 2 * pitch[:-2]) & (pitch[1:-1] > 2 * pitch[2:]))
        assert gaps.size >= 6
        assert_array_equal(np.diff(gaps), 58)
        ratio = pitch[gaps] / pitch[gaps + 2]
        assert 2.9 < ratio.min() < ratio.max() < 3.6


@pytest.mark.parametrize("n", [0, 1, 1 << 15, (1 << 17) + 3])
@pytest.mark.parametrize("count", [-32768, 32767])
def test_the_sum_of_counts_at_their_limit(n, count):
    # their sum does not fit into the counts' own 16 bits, nor the longest into 32
    assert _add_up(np.full(n, count, np.int16)) == n * count


def test_crossings_ascend_where_the_swing_grows_from_one_piece_to_the_next():
    """Time runs one way: each crossing of a sine is later than the one before.

    The level to arm at is judged anew for each piece; with this draw a flank once reached back
    beyond the arming before it.
    """
    rng = np.random.default_rng(1)
    n, period = 3 * SEGMENT_SAMPLES, rng.uniform(30, 150)
    large, small = 10 ** rng.uniform(1.5, 3.5), rng.uniform(4, 12)
    at = np.arange(n)
    swing = np.where(at < SEGMENT_SAMPLES + rng.integers(-500, 500), small, large)
    volts = swing * np.sin(2 * np.pi * at / period) + rng.normal(0, 0.3, n)
    found = halfwaves.find_half_waves(iter([np.round(volts).astype(np.int16)]))
    for crossings in (found.rise, found.fall):
        assert np.all(np.diff(crossings) > 0)
        assert 0.95 < crossings.size * period / n <= 1.001
