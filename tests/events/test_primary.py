"""Strokes of a coil primary against the closed forms they were made from."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal

from misfire.events.primary import find_primary_strokes
from misfire.records import STROKE_FLAGS
from tests.builders.coils import (
    TURNS,
    VOLT,
    Spark,
    digitise,
    make_channel,
    primary_volts,
    reader,
)

RATES = (100e3, 200e3, 500e3, 1e6)
N = 12


def at(k, **more):
    """Spark number k; the period is no whole number of samples at any rate."""
    return Spark(stop_s=0.0201 + 0.0400037 * k, **more)


def measure(sparks, *, rate_hz=500e3, scale=0.02, limit=32767, noise=0.6, duration_s=None, **how):
    duration_s = duration_s or sparks[-1].stop_s + 0.02
    volts = primary_volts(sparks, rate_hz=rate_hz, duration_s=duration_s)
    counts = digitise(volts + how.pop("offset", 0.0), scale=scale, limit=limit, noise=noise)
    channel = make_channel(
        counts.size,
        rate_hz=rate_hz,
        scale=scale,
        clip_low=-limit - 1,
        clip_high=limit,
        **how.pop("channel", {}),
    )
    return find_primary_strokes(reader(counts), channel, **how)


def pull_down(counts, spark, *, rate_hz, scale, low_v=0.3):
    """An open feed: the terminal lies low for 10 ms about a switch-off, and nothing kicks."""
    first, last = (round((spark.stop_s + d) * rate_hz) for d in (-4e-3, 6e-3))
    counts[first:last] = round(low_v / scale)
    counts[last : last + round(4e-3 * rate_hz)] = round(VOLT / scale)
    return counts


class TestOpenFeed:
    @pytest.mark.parametrize("rate_hz", RATES)
    def test_a_low_without_a_kick_is_no_stroke(self, rate_hz):
        # A coil that carried current makes several times the supply as it is cut off: L di/dt, and
        # 100 V even into a shunt of a tenth of a megohm seen through 80 turns (worked out).
        sparks, scale = [at(k) for k in range(N)], 0.02
        volts = primary_volts(sparks, rate_hz=rate_hz, duration_s=sparks[-1].stop_s + 0.02)
        counts = digitise(volts, scale=scale)
        for k in (3, 7, 8):
            pull_down(counts, sparks[k], rate_hz=rate_hz, scale=scale)
        channel = make_channel(counts.size, rate_hz=rate_hz, scale=scale)
        strokes = find_primary_strokes(reader(counts), channel)
        left = [s.stop_s for k, s in enumerate(sparks) if k not in (3, 7, 8)]
        assert_allclose(strokes["stop_s"], left, atol=max(0.6 / rate_hz, 3e-6))


class TestOrdinaryStroke:
    @pytest.mark.parametrize("rate_hz", RATES)
    @pytest.mark.parametrize("dwell_ms", [1.5, 3.0, 5.0])
    def test_instants_and_dwell(self, rate_hz, dwell_ms):
        # dwell 1.5 to 5 ms: ANCHORS C1, from memory; instants to half a sample or 3 us
        sparks = [at(k, dwell_s=dwell_ms * 1e-3) for k in range(N)]
        strokes = measure(sparks, rate_hz=rate_hz)
        assert strokes.size == N
        within = max(0.6 / rate_hz, 3e-6)
        assert_allclose(strokes["stop_s"], [s.stop_s for s in sparks], atol=within)
        starts = [s.stop_s - s.dwell_s for s in sparks]
        assert_allclose(strokes["start_s"], starts, atol=1.2 / rate_hz)
        assert_allclose(strokes["dwell_ms"], dwell_ms, rtol=0.01)

    @pytest.mark.parametrize("rate_hz", RATES)
    @pytest.mark.parametrize("burn_ms", [0.5, 0.8, 1.4, 2.0, 3.0])
    def test_burn_time(self, rate_hz, burn_ms):
        # normal spark duration 0.8 to 2.0 ms: ANCHORS C3, read
        strokes = measure([at(k, burn_s=burn_ms * 1e-3) for k in range(N)], rate_hz=rate_hz)
        assert_allclose(strokes["burn_time_ms"], burn_ms, rtol=0.05)

    @pytest.mark.parametrize(("burn_kv", "at_primary_v"), [(1.0, 26.5), (1.5, 32.75)])
    def test_spark_line(self, burn_kv, at_primary_v):
        # ANCHORS C1: V_bat + V_sec / N, burn 1 kV -> 26.5 V above earth with 14 V and 80 turns
        above = burn_kv * 1e3 / TURNS
        assert VOLT + above == pytest.approx(at_primary_v)
        strokes = measure([at(k, burn_v=above) for k in range(N)])
        assert_allclose(strokes["burn_level_v"] + strokes["battery_v"], at_primary_v, rtol=0.03)

    @pytest.mark.parametrize("firing_kv", [8.0, 12.0, 15.0])
    def test_kick(self, firing_kv):
        # ANCHORS C1: firing 12 kV -> 164 V at the primary; required voltage 8 to 15 kV (C3, read)
        above = firing_kv * 1e3 / TURNS
        strokes = measure([at(k, firing_v=above) for k in range(N)], rate_hz=1e6)
        # one sample of the 5 V/us flank may be missing
        assert_allclose(strokes["primary_peak_v"], VOLT + above, atol=6.0)

    def test_higher_firing_voltage_reads_higher(self):
        series = [
            np.median(measure([at(k, firing_v=v) for k in range(N)])["firing_v"])
            for v in (80.0, 120.0, 170.0, 240.0)
        ]
        assert np.all(np.diff(series) > 15.0)

    def test_supply(self):
        sparks = [at(k, supply_v=12.4) for k in range(N)]
        volts = primary_volts(sparks, rate_hz=500e3, duration_s=0.6, supply_v=12.4)
        counts = digitise(volts, scale=0.02)
        strokes = find_primary_strokes(reader(counts), make_channel(counts.size))
        assert_allclose(strokes["battery_v"], 12.4, atol=0.05)

    def test_times_start_with_the_channel(self):
        sparks = [at(k) for k in range(N)]
        moved = measure(sparks, channel={"start_s": 1000.25})
        assert_allclose(moved["stop_s"] - 1000.25, measure(sparks)["stop_s"], atol=1e-9)


class TestOddStroke:
    def test_low_kicks(self):
        # A band-limited probe on a warm engine at idle: 60 V of kick are 4.8 kV at 80 turns.
        strokes = measure([at(k, firing_v=60.0) for k in range(N)])
        assert_allclose(strokes["dwell_ms"], 3.0, rtol=0.01)
        assert_allclose(strokes["burn_time_ms"], 1.5, rtol=0.05)

    @pytest.mark.parametrize("rate_hz", RATES)
    def test_no_breakdown(self, rate_hz):
        # CONTRACT section 4: the burn of a firing whose gap never broke down is 0, not NaN
        sparks = [at(k, burn_s=0.0 if k in (3, 4, 9) else 1.5e-3) for k in range(N)]
        strokes = measure(sparks, rate_hz=rate_hz)
        dark = np.isin(np.arange(N), (3, 4, 9))
        assert_array_equal(strokes["burn_time_ms"] == 0, dark)
        assert_array_equal((strokes["flags"] & STROKE_FLAGS["no_breakdown"]) > 0, dark)
        assert_allclose(strokes["dwell_ms"], 3.0, rtol=0.01)
        assert_allclose(strokes["primary_peak_v"][dark], 400.0, atol=2.0)

    @pytest.mark.parametrize("rate_hz", RATES)
    @pytest.mark.parametrize("width_s", [12e-6, 18e-6, 24e-6])
    def test_restrike(self, rate_hz, width_s, monkeypatch):
        # CONTRACT section 4: burn time from the first breakdown to the last extinction
        monkeypatch.setattr("tests.builders.coils.RESTRIKE_S", width_s)
        strokes = measure([at(k, restrike_s=0.7e-3) for k in range(N)], rate_hz=rate_hz)
        assert_allclose(strokes["burn_time_ms"], 1.5, rtol=0.05)
        if width_s * rate_hz >= 1.5:  # a shorter one may leave a single sample, as noise does
            assert_array_equal(strokes["restrikes"], 1)

    @pytest.mark.parametrize("rate_hz", RATES)
    def test_current_limit(self, rate_hz):
        # The driver lifts the primary to limit the current: the dwell goes on to the kick.
        strokes = measure([at(k, dwell_s=5e-3, limit_s=2e-3) for k in range(N)], rate_hz=rate_hz)
        assert strokes.size == N
        assert_allclose(strokes["dwell_ms"], 5.0, rtol=0.01)
        assert_allclose(strokes["burn_time_ms"], 1.5, rtol=0.05)

    def test_a_short_current_limit_is_no_spark_line(self):
        # 40 us below the supply, then a kick of one or two samples: their mean is that of a line
        sparks = [at(k, dwell_s=3e-3, limit_s=40e-6, limit_share=0.7) for k in range(N)]
        strokes = measure(sparks, rate_hz=100e3)
        assert strokes.size == N
        assert_allclose(strokes["stop_s"], [s.stop_s for s in sparks], atol=10e-6)
        assert_allclose(strokes["burn_time_ms"], 1.5, rtol=0.03)

    @pytest.mark.parametrize("limit_s", [0.1e-3, 0.4e-3, 2e-3])
    def test_current_limit_in_noise(self, limit_s):
        # Some 4 A of 6 A through 0.5 ohm leave 2 to 3 V to the supply: no more than 2 spreads of
        # this noise, but a level that hundreds of samples show.
        sparks = [at(k, dwell_s=5e-3, limit_s=limit_s, limit_share=0.8) for k in range(N)]
        strokes = measure(sparks, scale=0.25, noise=5.6)
        assert strokes.size == N
        assert_allclose(strokes["stop_s"], [s.stop_s for s in sparks], atol=10e-6)
        assert_allclose(strokes["burn_time_ms"], 1.5, rtol=0.05)

    def test_current_limit_in_steps(self):
        # Steps of 4.2 V tell both 10.4 and 14 V as three of them; but nothing charges so soon.
        sparks = [at(k, dwell_s=3e-3, limit_s=0.15e-3, limit_share=0.74) for k in range(N)]
        strokes = measure(sparks, rate_hz=250e3, scale=4.2, limit=127, noise=0.3)
        assert strokes.size == N
        assert_allclose(strokes["stop_s"], [s.stop_s for s in sparks], atol=10e-6)
        assert_allclose(strokes["burn_time_ms"], 1.5, rtol=0.05)

    def test_clipped_kick(self):
        # An input of 100 V full scale: the kick is cut, everything else stands.
        strokes = measure([at(k) for k in range(N)], scale=100 / 2047, limit=2047)
        assert strokes.size == N
        assert np.all(strokes["flags"] & STROKE_FLAGS["clipped"])
        assert_allclose(strokes["dwell_ms"], 3.0, rtol=0.01)
        assert_allclose(strokes["burn_time_ms"], 1.5, rtol=0.05)
        whole = measure([at(k) for k in range(N)])
        assert not np.any(whole["flags"] & STROKE_FLAGS["clipped"])

    def test_second_strike_is_a_stroke_of_its_own(self):
        first = [at(k, dwell_s=3e-3, burn_s=0.7e-3) for k in range(N)]
        again = [Spark(s.stop_s + 2.2e-3, dwell_s=1.2e-3, burn_s=0.6e-3) for s in first]
        both = sorted([*first, *again], key=lambda s: s.stop_s)
        volts = np.minimum(  # each line rests on the supply while the other one charges
            primary_volts(first, rate_hz=500e3, duration_s=0.6),
            primary_volts(again, rate_hz=500e3, duration_s=0.6),
        )
        lit = np.maximum(
            primary_volts(first, rate_hz=500e3, duration_s=0.6),
            primary_volts(again, rate_hz=500e3, duration_s=0.6),
        )
        volts = np.where(lit > VOLT + 1.0, lit, volts)
        counts = digitise(volts, scale=0.02)
        strokes = find_primary_strokes(reader(counts), make_channel(counts.size))
        assert_allclose(strokes["stop_s"], [s.stop_s for s in both], atol=3e-6)

    def test_missing_strokes_are_not_invented(self):
        kept = [0, 1, 2, 5, 6, 9, 11]
        strokes = measure([at(k) for k in kept])
        assert_allclose(strokes["stop_s"], [at(k).stop_s for k in kept], atol=3e-6)

    def test_earth_offset(self):
        # A clip on a bad earth lifts everything by 2 V; times and differences stay.
        strokes = measure([at(k) for k in range(N)], offset=2.0)
        assert_allclose(strokes["dwell_ms"], 3.0, rtol=0.01)
        assert_allclose(strokes["burn_time_ms"], 1.5, rtol=0.05)

    @pytest.mark.parametrize("noise", [0.3, 5.0, 20.0])
    def test_noise(self, noise):
        # 20 counts of 20 mV: 0.4 V of noise on 14 V
        strokes = measure([at(k) for k in range(N)], noise=noise)
        assert strokes.size == N
        assert_allclose(np.median(strokes["dwell_ms"]), 3.0, rtol=0.02)
        assert_allclose(np.median(strokes["burn_time_ms"]), 1.5, rtol=0.05)


class TestNoPrimary:
    def find(self, counts):
        return find_primary_strokes(reader(counts), make_channel(counts.size))

    def test_empty(self):
        assert self.find(np.empty(0, np.int16)).size == 0

    def test_flat(self):
        assert self.find(np.full(200_000, 700, np.int16)).size == 0

    def test_noise_alone(self):
        noise = digitise(np.full(200_000, 14.0), scale=0.02, noise=5.0)
        assert self.find(noise).size == 0

    def test_mains_hum(self):
        hum = 3.0 * np.sin(2 * np.pi * 50.0 * np.arange(500_000) / 500e3)
        assert self.find(digitise(hum, scale=0.02)).size == 0

    def test_reversed_leads_give_nothing_rather_than_wrong_strokes(self):
        volts = primary_volts([at(k) for k in range(N)], rate_hz=500e3, duration_s=0.6)
        assert self.find(digitise(-volts, scale=0.02)).size == 0


@pytest.fixture(scope="module")
def line():
    """Sixteen strokes of every kind, and what comes out of one uncut block."""
    odd = {3: {"burn_s": 0.0}, 5: {"restrike_s": 0.7e-3}, 8: {"dwell_s": 5e-3, "limit_s": 2e-3}}
    sparks = [at(k, **odd.get(k, {})) for k in range(16)]
    volts = primary_volts(sparks, rate_hz=200e3, duration_s=0.7)
    counts = digitise(volts, scale=0.02)
    channel = make_channel(counts.size, rate_hz=200e3)
    whole = find_primary_strokes(reader(counts), channel, block=1 << 30)
    assert whole.size == 16
    return counts, channel, whole


class TestAnyCutting:
    @given(block=st.integers(1, 120_000))
    @settings(max_examples=25, deadline=None)
    def test_bit_identical(self, line, block):
        counts, channel, whole = line
        cut = find_primary_strokes(reader(counts), channel, block=block)
        assert cut.tobytes() == whole.tobytes()

    def test_progress_ends_at_one(self, line):
        counts, channel, _ = line
        seen = []
        find_primary_strokes(reader(counts), channel, block=30_000, on_block=seen.append)
        assert len(seen) > 1
        assert seen == sorted(seen)
        assert seen[-1] == 1.0
