"""Levels of a coil primary from a survey of it."""

import numpy as np
import pytest
from numpy.testing import assert_array_equal

from misfire.dsp.levels import SURVEY_SAMPLES, find_coil_levels, survey_counts
from tests.builders.coils import Spark, digitise, primary_volts

RATE_HZ = 200e3
NEAR_V = 0.4  # 3 % of the step from 0.8 to 14 V: thresholds stand at parts of that step


def line(period_s, *, n=20, scale=0.02, noise=0.6, gain=1.0, **more):
    sparks = [Spark(stop_s=0.021 + period_s * k, **more) for k in range(n)]
    volts = primary_volts(sparks, rate_hz=RATE_HZ, duration_s=0.03 + period_s * n)
    return digitise(gain * volts, scale=scale, noise=noise)


class TestFindCoilLevels:
    # one spark in 150 ms is 800 rev/min, in 20 ms 6000 (ANCHORS D: 150 ms a cycle at 800)
    @pytest.mark.parametrize("period_s", [0.15, 0.04, 0.02, 0.01])
    @pytest.mark.parametrize("scale", [0.02, 0.2])
    def test_both_levels(self, period_s, scale):
        levels = find_coil_levels(line(period_s, scale=scale))
        assert levels.battery * scale == pytest.approx(14.0, abs=NEAR_V)
        assert levels.low * scale == pytest.approx(0.8, abs=NEAR_V)
        assert levels.top * scale == pytest.approx(164.0, abs=6.0)

    def test_driver_on_most_of_the_time(self):
        levels = find_coil_levels(line(0.012, dwell_s=8e-3, burn_s=0.8e-3))
        assert levels.battery * 0.02 == pytest.approx(14.0, abs=NEAR_V)
        assert levels.low * 0.02 == pytest.approx(0.8, abs=NEAR_V)

    @pytest.mark.parametrize("firing_v", [60.0, 90.0, 150.0, 350.0])
    def test_any_kick(self, firing_v):
        levels = find_coil_levels(line(0.04, firing_v=firing_v))
        assert levels.battery * 0.02 == pytest.approx(14.0, abs=NEAR_V)
        assert levels.low * 0.02 == pytest.approx(0.8, abs=NEAR_V)

    @pytest.mark.parametrize("gain", [0.1, 1.0, 3.0])
    def test_wrong_attenuation_does_not_matter(self, gain):
        levels = find_coil_levels(line(0.04, gain=gain, noise=0.5))
        ratio = (levels.battery - levels.low) / (levels.top - levels.low)
        assert ratio == pytest.approx((14.0 - 0.8) / (164.0 - 0.8), rel=0.06)

    def test_noise(self):
        levels = find_coil_levels(line(0.04, noise=12.0))
        assert levels.noise == pytest.approx(12.0, rel=0.15)

    @pytest.mark.parametrize(
        "counts",
        [
            np.empty(0, np.int16),
            np.full(1000, 5, np.int16),
            digitise(np.full(20_000, 14.0), scale=0.02, noise=4.0),
            -line(0.04),
        ],
        ids=["empty", "flat", "noise", "reversed"],
    )
    def test_no_coil(self, counts):
        assert find_coil_levels(counts) is None


class TestSurveyCounts:
    def test_short_channel_whole(self):
        counts = np.arange(1000, dtype=np.int16)
        assert_array_equal(survey_counts(lambda a, b: counts[a:b], 1000), counts)

    def test_long_channel_from_end_to_end(self):
        n, asked = 50 * SURVEY_SAMPLES, []

        def read(start, stop):
            asked.append((start, stop))
            return np.zeros(stop - start, np.int16)

        assert survey_counts(read, n).size == SURVEY_SAMPLES
        assert asked[0][0] == 0
        assert asked[-1][1] == n
        assert all(b <= c for (_, b), (c, _) in zip(asked, asked[1:], strict=False))


def test_a_supply_that_sags_is_not_taken_for_the_driver():
    # starter: 9.6 V, then 14.2 V; dwell at 1.2 V for 4 % of the time, kicks of 100 V (clipped)
    rng = np.random.default_rng(4)
    volts = np.where(np.arange(400_000) < 160_000, 9.6, 14.2)
    for at in range(5_000, 395_000, 10_000):
        volts[at : at + 400] = 1.2
        volts[at + 400 : at + 404] = 99.0
        volts[at + 404 : at + 600] = 30.0
    counts = np.round((volts + 0.05 * rng.standard_normal(volts.size)) / 0.05).astype(np.int16)
    levels = find_coil_levels(counts)
    assert levels is not None
    assert levels.low * 0.05 == pytest.approx(1.2, abs=0.2)
    assert levels.battery * 0.05 == pytest.approx(14.2, abs=0.3)


def test_a_swing_higher_than_the_kick_does_not_come_out_of_earth():
    # The spark goes out early: the coil then swings between 320 V and the driver's own diode, some
    # 25 V below earth, more often and higher than the firing lines of 60 to 110 V (common practice)
    rng = np.random.default_rng(6)
    volts = np.full(600_000, 14.6)
    for at in range(5_000, 590_000, 6_000):
        volts[at : at + 200] = 1.6
        volts[at + 200 : at + 203] = rng.uniform(60.0, 110.0)
        volts[at + 203 : at + 430] = np.linspace(26.0, 38.0, 227)
        for swing, high in enumerate((320.0, 220.0, 150.0, 100.0)):
            start = at + 430 + 32 * swing
            volts[start : start + 14] = -25.0
            volts[start + 14 : start + 32] = high * np.sin(np.pi * np.arange(18) / 18)
    counts = np.round((volts + 0.4 * rng.standard_normal(volts.size)) / 0.2).astype(np.int16)
    levels = find_coil_levels(counts)
    assert levels is not None
    assert levels.low * 0.2 == pytest.approx(1.6, abs=0.3)
    assert levels.battery * 0.2 == pytest.approx(14.6, abs=0.3)


def test_the_only_high_swing_after_the_burn_does_not_come_out_of_earth():
    # all gaps break down at 50 to 75 V; what the burn left swings once to 100 to 210 V, out of a
    # trough of the driver's own diode (common practice). A current limit lifts the dwell's end.
    rng = np.random.default_rng(8)
    volts = np.full(1_600_000, 14.2)
    for at in range(5_000, 1_590_000, 8_000):
        volts[at : at + 440] = 1.3
        volts[at + 440 : at + 470] = 12.0
        volts[at + 470 : at + 478] = np.linspace(40.0, rng.uniform(50.0, 75.0), 8)
        volts[at + 478 : at + 700] = np.linspace(25.0, 36.0, 222)
        volts[at + 700 : at + 730] = -26.0
        volts[at + 730 : at + 738] = rng.uniform(100.0, 210.0) * np.sin(np.pi * np.arange(8) / 8)
        volts[at + 738 : at + 760] = -26.0
    counts = np.round((volts + 0.8 * rng.standard_normal(volts.size)) / 0.061).astype(np.int16)
    levels = find_coil_levels(counts)
    assert levels is not None
    assert levels.low * 0.061 == pytest.approx(1.3, abs=0.3)
    assert levels.battery * 0.061 == pytest.approx(14.2, abs=0.3)


def test_a_supply_that_swings_under_the_starter_does_not_hide_the_driver():
    # 15 V, for a sixth of the time 6.5 to 10 V with each compression; dwell at 2.4 V, kicks 350 V
    rng = np.random.default_rng(7)
    at = np.arange(800_000)
    volts = np.where(at < 140_000, 8.3 + 1.8 * np.sin(at / 1500.0), 15.0)
    for start in range(145_000, 790_000, 4_500):
        volts[start : start + 250] = 2.4
        volts[start + 250 : start + 253] = rng.uniform(110.0, 350.0)
        volts[start + 253 : start + 370] = np.linspace(36.0, 32.0, 117)
    counts = np.round((volts + 1.0 * rng.standard_normal(volts.size)) / 0.0122).astype(np.int16)
    levels = find_coil_levels(counts)
    assert levels is not None
    assert levels.low * 0.0122 == pytest.approx(2.4, abs=0.5)
    assert levels.battery * 0.0122 == pytest.approx(15.0, abs=0.3)


def test_a_generators_pulses_have_no_level_of_a_driver():
    # It rests within fewer counts than the levels of its own swing are smoothed over.
    counts = np.random.default_rng(8).integers(-12, 13, 200_000).astype(np.int16)
    for start in range(500, 199_000, 2_000):
        counts[start : start + 20] = 14_000
    assert find_coil_levels(counts) is None
