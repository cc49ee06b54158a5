"""Firing line, spark line and leak of waves drawn piece by piece: truth is what was drawn."""

import numpy as np
import pytest

from misfire.events.firingline import find_kicks
from misfire.events.primary import find_primary_strokes
from misfire.records import STROKE_FLAGS
from misfire.simulate.engine.gap import compute_breakdown_kv
from tests.builders.coils import make_channel, reader
from tests.builders.drawnwaves import Shape, draw_burn, draw_leak, draw_open, sample

N = 24
SHAPES = {
    "plain": Shape(),
    "slow coil": Shape(quarter_s=70e-6, reach_v=420.0, swing_s=400e-6, fade_s=600e-6),
    "leakage spike": Shape(spike_s=3e-6),
    "slow probe": Shape(bandwidth_hz=100e3),
    "long ringing": Shape(ring_hz=30e3, ring_s=20e-6),
}


def measure(waves, shape, *, rate_hz, scale=0.05, limit=32767, **how):
    counts, off_s = sample(waves, shape, rate_hz=rate_hz, scale=scale, **how)
    counts = np.clip(counts, -limit - 1, limit)
    channel = make_channel(
        counts.size, rate_hz=rate_hz, scale=scale, clip_low=-limit - 1, clip_high=limit
    )
    strokes = find_primary_strokes(reader(counts), channel)
    assert strokes.size == len(waves)
    # only to pair them: how well instants are told is tested in test_primary
    np.testing.assert_allclose(strokes["stop_s"], off_s, atol=max(10e-6, 2.5 / rate_hz))
    return strokes


def burning(shape, **more):
    return lambda t: draw_burn(t, shape, **more)[0]


class TestFiringVoltage:
    @pytest.mark.parametrize("name", SHAPES)
    @pytest.mark.parametrize(("rate_hz", "most"), [(200e3, 0.12), (500e3, 0.07), (1e6, 0.07)])
    def test_height_at_breakdown(self, name, rate_hz, most):
        # the sought accuracy of a reflected firing voltage: median 7 %, at 200 kS/s 12 %
        shape = SHAPES[name]
        true = np.linspace(0.35, 0.9, N) * shape.reach_v
        waves = [burning(shape, firing_v=v, burn_s=1.4e-3) for v in true]
        strokes = measure(waves, shape, rate_hz=rate_hz)
        off = np.abs(strokes["firing_v"] / true - 1)
        told = np.isfinite(off)
        assert told.mean() > 0.6
        assert np.median(off[told]) <= most
        # none off by a factor of two, and an error that means what it says
        assert np.all(off[told] < 1.0)
        assert np.mean(off[told] < 3.0 * strokes["firing_v_error"][told]) >= 0.85

    @pytest.mark.parametrize("rate_hz", [500e3, 1e6])
    def test_contrast_of_a_wide_gap(self, rate_hz):
        # Uniform field in air, V = 24.22 (delta d) + 6.08 sqrt(delta d) kV, d in cm; Kuffel, High
        # Voltage Engineering (from memory). At 10 bar and 600 K, delta = 4.82: from 0.7 to 1.3 mm
        # it asks for 1.71 times as much, from 0.6 to 1.2 mm 1.84: nearly in proportion.
        shape = SHAPES["leakage spike"]
        volts = [compute_breakdown_kv(gap, 4.822) * 1e3 / 80.0 for gap in (0.7, 1.3)]
        assert volts[1] / volts[0] == pytest.approx(1.71, abs=0.01)
        rng = np.random.default_rng(3)
        wide = np.arange(N) % 3 == 0
        true = np.where(wide, volts[1], volts[0]) * rng.normal(1, 0.05, N)
        waves = [burning(shape, firing_v=v, burn_s=1.2e-3) for v in true]
        told = measure(waves, shape, rate_hz=rate_hz)["firing_v"]
        seen = np.nanmedian(told[wide]) / np.nanmedian(told[~wide])
        assert seen == pytest.approx(np.median(true[wide]) / np.median(true[~wide]), rel=0.15)

    def test_breakdown_within_the_spike_is_not_told(self):
        # 8 V/us and a spike of 8 us: a gap of 60 V breaks down while the spike hides it
        shape = Shape(quarter_s=70e-6, spike_s=8e-6)
        waves = [burning(shape, firing_v=50.0, burn_s=1.4e-3) for _ in range(N)]
        strokes = measure(waves, shape, rate_hz=250e3)
        told = np.isfinite(strokes["firing_v"])
        assert np.all(strokes["firing_v"][told] < 2 * 50.0)
        np.testing.assert_allclose(strokes["burn_time_ms"], 1.4, rtol=0.05)

    def test_clipped_top_is_a_lower_bound(self):
        shape = SHAPES["plain"]
        waves = [burning(shape, firing_v=250.0, burn_s=1.4e-3) for _ in range(N)]
        strokes = measure(waves, shape, rate_hz=500e3, scale=100 / 2047, limit=2047)
        bounded = (strokes["flags"] & STROKE_FLAGS["bounded"]) > 0
        assert np.all(bounded)
        assert np.all(strokes["firing_v"] < 250.0)


class TestSparkLine:
    @pytest.mark.parametrize("rate_hz", [100e3, 200e3, 500e3])
    @pytest.mark.parametrize("width_us", [10, 30, 60, 120, 200])
    @pytest.mark.parametrize("n_teeth", [1, 3, 10])
    def test_saw_teeth(self, rate_hz, width_us, n_teeth):
        # turbulence stretches a spark until it strikes anew: common practice
        shape = SHAPES["plain"]
        rng = np.random.default_rng(width_us * n_teeth)
        burns = rng.uniform(0.8e-3, 2.4e-3, N)
        waves = []
        for burn_s in burns:
            begin = rng.uniform(0.1, 0.9, n_teeth) * (burn_s - width_us * 1e-6)
            teeth = [(b, width_us * 1e-6, rng.uniform(10.0, 50.0)) for b in begin]
            waves.append(burning(shape, firing_v=180.0, burn_s=burn_s, teeth=teeth))
        strokes = measure(waves, shape, rate_hz=rate_hz)
        off = np.abs(strokes["burn_time_ms"] / burns * 1e-3 - 1)
        assert np.all(strokes["burn_time_ms"] > 0)
        assert np.mean(off < 0.05) >= 0.99  # of 24: all
        if n_teeth == 1 and 30 <= width_us <= 60:
            assert np.mean(strokes["restrikes"] >= 1) > 0.7
        # the level is the line's, not the teeth's
        assert np.median(strokes["burn_level_v"]) == pytest.approx(18.0, rel=0.35)

    @pytest.mark.parametrize("hum_v", [0.0, 1.5])
    def test_a_low_line_behind_a_kick_between_two_samples(self, hum_v):
        # An arc of 500 to 600 V over 100 turns stands 5 to 6 V above the supply; a gap of 4 kV
        # breaks down 4 us after switch-off, where a sample is taken every 10 us. Mains are slow
        # beside a burn: they widen the levels of the channel, and are no noise of its samples.
        shape = SHAPES["plain"]
        burns = np.linspace(1.2e-3, 2.2e-3, 3 * N)
        waves = [burning(shape, firing_v=40.0, burn_s=b, line_v=5.5) for b in burns]
        strokes = measure(waves, shape, rate_hz=100e3, scale=0.2, noise_v=0.8, hum_v=hum_v)
        off = np.abs(strokes["burn_time_ms"] / burns * 1e-3 - 1)
        assert np.mean(off < 0.25) >= 0.98
        assert not np.any(strokes["flags"] & STROKE_FLAGS["no_breakdown"])

    @pytest.mark.parametrize("rate_hz", [100e3, 500e3])
    def test_short_burns_behind_a_held_current(self, rate_hz):
        # A driver that holds the current stands 3 to 4 V under the supply before it lets go
        # (common practice). 5 % of 0.6 ms are three samples at 100 kS/s: the flank may not be
        # sought in the noise of that level, nor the breakdown in the first sample.
        shape = SHAPES["slow coil"]
        burns = np.linspace(0.6e-3, 0.8e-3, 3 * N)
        waves = [
            burning(shape, firing_v=v, burn_s=b)
            for v, b in zip(np.linspace(150.0, 300.0, burns.size), burns, strict=True)
        ]
        strokes = measure(waves, shape, rate_hz=rate_hz, noise_v=0.5, held_v=3.3)
        off = np.abs(strokes["burn_time_ms"] / burns * 1e-3 - 1)
        assert np.mean(off < 0.05) >= 0.99

    @pytest.mark.parametrize("rate_hz", [100e3, 200e3, 500e3])
    def test_a_coil_without_current_stands_still_as_the_arc_goes_out(self, rate_hz):
        # Free swing of a damped circuit from rest, closed form: v = E exp(-a t) (cos w t + a/w
        # sin w t). Its zero comes later than a quarter of the period.
        shape = Shape(quarter_s=70e-6, reach_v=420.0, swing_s=400e-6, fade_s=250e-6)
        burns = np.linspace(0.5e-3, 0.9e-3, N)
        rest = shape.swing_s / (2 * np.pi * shape.fade_s)
        waves = [burning(shape, firing_v=180.0, burn_s=b, climb=0.0, thrown=rest) for b in burns]
        strokes = measure(waves, shape, rate_hz=rate_hz)
        np.testing.assert_allclose(strokes["burn_time_ms"], burns * 1e3, atol=10e-3)

    @pytest.mark.parametrize("thrown", [0.0, 1.0, 2.0])
    @pytest.mark.parametrize("rate_hz", [100e3, 500e3])
    @pytest.mark.parametrize("name", ["plain", "slow coil"])
    def test_what_is_left_throws_the_wave_up(self, thrown, rate_hz, name):
        shape = SHAPES[name]
        burns = np.linspace(0.8e-3, 2.4e-3, N)
        waves = [burning(shape, firing_v=180.0, burn_s=b, thrown=thrown) for b in burns]
        strokes = measure(waves, shape, rate_hz=rate_hz)
        np.testing.assert_allclose(strokes["burn_time_ms"], burns * 1e3, rtol=0.05)


class TestWithoutSpark:
    @pytest.mark.parametrize("rate_hz", [100e3, 200e3, 500e3, 1e6])
    @pytest.mark.parametrize("decay_us", [50, 100, 170, 300, 500])
    @pytest.mark.parametrize("name", ["plain", "leakage spike"])
    def test_a_leak_decays(self, rate_hz, decay_us, name):
        shape = SHAPES[name]
        heights = np.linspace(60.0, 250.0, N)
        waves = [lambda t, v=v: draw_leak(t, height_v=v, decay_s=decay_us * 1e-6) for v in heights]
        strokes = measure(waves, shape, rate_hz=rate_hz)
        leaking = (strokes["flags"] & STROKE_FLAGS["leaking"]) > 0
        assert leaking.mean() >= 0.95
        assert np.all(strokes["burn_time_ms"][leaking] == 0)
        np.testing.assert_allclose(np.median(strokes["decay_us"][leaking]), decay_us, rtol=0.1)

    @pytest.mark.parametrize("rate_hz", [100e3, 200e3, 500e3, 1e6])
    @pytest.mark.parametrize("name", SHAPES)
    def test_an_open_circuit_swings_on(self, rate_hz, name):
        shape = SHAPES[name]
        open_ = np.arange(N) % 4 == 0
        waves = [
            (lambda t: draw_open(t, shape))
            if dark
            else burning(shape, firing_v=150.0, burn_s=1.4e-3)
            for dark in open_
        ]
        strokes = measure(waves, shape, rate_hz=rate_hz)
        np.testing.assert_array_equal(strokes["burn_time_ms"] == 0, open_)
        assert not np.any(strokes["flags"] & STROKE_FLAGS["leaking"])
        assert np.all(np.isnan(strokes["decay_us"]))


def test_no_top_before_the_switch_off_where_no_sample_is_as_young_as_a_spike():
    # 50 kS/s, the switch-off told two samples early by noise
    wave = np.array([[-3.2, -2.9, 12.2, 61.5, -39.6, 11.0, 13.2, 12.9, 12.0, 11.5, 9.8, 11.7]])
    for off in (0.5, 1.2, 1.9):
        kick = find_kicks(wave, np.array([off]), rate_hz=50e3, noise=1.0, unit_v=1.0)
        assert kick.at[0] >= off
