"""Injections against the pulses, kicks and needle movements that they were made from."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from misfire.events.injector import find_injections, find_injections_levels
from misfire.records import LEVEL_FIELDS, Channel
from tests.builders.coils import digitise, reader

SUPPLY, LOW, KICK, LAND_S, OPEN_S = 14.0, 0.3, 65.0, 1.1e-3, 1.4e-3
PULSES_MS = 2.5 + 1.5 * np.sin(np.arange(40) / 5.0)


def starts(n=40, *, period_s=0.12, first_s=0.05):
    return first_s + period_s * np.arange(n)


def voltage(on_s, pulse_ms, *, rate_hz, duration_s, kick_v=KICK, needle=True):
    """A low-side driver: earth while on, an exponential kick behind, the landing needle's hump."""
    t = np.arange(round(duration_s * rate_hz)) / rate_hz
    volts = np.full(t.size, SUPPLY)
    kicks = np.broadcast_to(kick_v, on_s.shape)
    for begin, length, kick in zip(on_s, pulse_ms * 1e-3, kicks, strict=True):
        off = begin + length
        late = np.clip(t - off, -1.0, 1.0)
        decay = (kick - SUPPLY) * np.exp(-np.maximum(late, 0.0) / 250e-6)
        hump = 1.2 * np.exp(-(((late - LAND_S) / 120e-6) ** 2)) if needle else 0.0
        volts += np.where((late >= 0) & (late < 5e-3), decay + hump, 0.0)
        volts[(t >= begin) & (t < off)] = LOW
    return volts


def current(on_s, pulse_ms, *, rate_hz, duration_s):
    """The rise of an RL circuit with the opening needle's notch; it ends at once."""
    t = np.arange(round(duration_s * rate_hz)) / rate_hz
    amps = np.zeros(t.size)
    for begin, length in zip(on_s, pulse_ms * 1e-3, strict=True):
        since = np.clip(t - begin, 0.0, 1.0)
        rise = SUPPLY / 13.0 * (1 - np.exp(-since * 13.0 / 16e-3))
        rise -= 0.1 * np.exp(-(((since - OPEN_S) / 150e-6) ** 2))
        amps += np.where((t >= begin) & (since < length), rise, 0.0)
    return amps


def measure(values, *, role, rate_hz, scale, gain=1.0, offset=0.0, noise=1.0):
    counts = digitise(gain * values + offset, scale=scale, noise=noise)
    unit = "A" if role.endswith("current") else "V"
    channel = Channel("injector", role, unit, scale, 0.0, rate_hz, 2.0, counts.size)
    return find_injections(reader(counts), channel)


class TestVoltage:
    @pytest.mark.parametrize("rate_hz", [50e3, 200e3])
    def test_pulse_kick_and_landing(self, rate_hz):
        volts = voltage(starts(), PULSES_MS, rate_hz=rate_hz, duration_s=5.0)
        found = measure(volts, role="injector_voltage", rate_hz=rate_hz, scale=0.02)
        assert_allclose(found.pulse_ms, PULSES_MS, atol=1.5e3 / rate_hz)
        assert_allclose(found.start_s, 2.0 + starts(), atol=1.0 / rate_hz)
        # the first sample may come one period late on the decay
        least = (KICK - SUPPLY) * np.exp(-1.0 / rate_hz / 250e-6)
        assert np.all((found.kick_v > 0.97 * least) & (found.kick_v < 1.03 * (KICK - SUPPLY)))
        assert found.needle_ms == pytest.approx(LAND_S * 1e3, abs=0.08)

    def test_no_needle_no_landing(self):
        volts = voltage(starts(), PULSES_MS, rate_hz=100e3, duration_s=5.0, needle=False)
        found = measure(volts, role="injector_voltage", rate_hz=100e3, scale=0.02)
        assert np.isnan(found.needle_ms)

    def test_coarse_instrument(self):
        # 8 bits over 100 V: the step from earth to supply is 18 counts
        volts = voltage(starts(), PULSES_MS, rate_hz=50e3, duration_s=5.0)
        found = measure(volts, role="injector_voltage", rate_hz=50e3, scale=100 / 128, noise=0.4)
        assert_allclose(found.pulse_ms, PULSES_MS, atol=0.04)

    def test_one_without_kick(self):
        kicks = np.full(40, KICK)
        kicks[[7, 20]] = SUPPLY + 0.5
        volts = voltage(starts(), PULSES_MS, rate_hz=100e3, duration_s=5.0, kick_v=kicks)
        found = measure(volts, role="injector_voltage", rate_hz=100e3, scale=0.02)
        assert found.pulse_ms.size == 40
        assert np.flatnonzero(found.kick_v < 0.3 * np.median(found.kick_v)).tolist() == [7, 20]

    def test_missing_pulses_leave_no_trace(self):
        kept = np.delete(np.arange(40), [5, 6, 30])
        volts = voltage(starts()[kept], PULSES_MS[kept], rate_hz=100e3, duration_s=5.0)
        found = measure(volts, role="injector_voltage", rate_hz=100e3, scale=0.02)
        assert_allclose(found.start_s, 2.0 + starts()[kept], atol=2e-5)

    @pytest.mark.parametrize("level", [SUPPLY, 0.0])
    def test_dead_line(self, level):
        found = measure(np.full(100_000, level), role="injector_voltage", rate_hz=100e3, scale=0.02)
        assert found.pulse_ms.size == 0
        assert [f.code for f in found.findings] == ["no_injections"]

    def test_empty(self):
        assert (
            measure(np.empty(0), role="injector_voltage", rate_hz=1e5, scale=0.02).stop_s.size == 0
        )


class TestCurrent:
    @pytest.mark.parametrize("gain", [1.0, -1.0])
    @pytest.mark.parametrize("rate_hz", [50e3, 200e3])
    def test_pulse_and_opening(self, rate_hz, gain):
        amps = current(starts(), PULSES_MS, rate_hz=rate_hz, duration_s=5.0)
        found = measure(
            amps, role="injector_current", rate_hz=rate_hz, scale=0.001, gain=gain, offset=0.05
        )
        assert_allclose(found.pulse_ms, PULSES_MS, atol=0.06)
        # the closed form of the current at switch-off
        at_off = SUPPLY / 13.0 * (1 - np.exp(-PULSES_MS * 1e-3 * 13.0 / 16e-3))
        late = PULSES_MS > 2.2  # the notch is over
        assert_allclose(found.peak_a[late], at_off[late], rtol=0.03)
        assert found.needle_ms == pytest.approx(OPEN_S * 1e3, abs=0.1)


class TestLevels:
    @pytest.mark.parametrize("active", [0, 1])
    def test_either_level_injects(self, active):
        on, off = starts(), starts() + PULSES_MS * 1e-3
        levels = np.zeros(2 * on.size + 1, LEVEL_FIELDS)
        levels["time_s"] = np.append(0.0, np.stack((on, off), axis=1).ravel())
        levels["level"] = np.append(1 - active, np.tile([active, 1 - active], on.size))
        channel = Channel("inj", "injector_voltage", "bool", 1.0, 0.0, 1.0, 0.0, 0, is_levels=True)
        found = find_injections_levels(levels, channel)
        assert_allclose(found.pulse_ms, PULSES_MS, atol=1e-9)
        assert np.isnan(found.kick_v).all()
