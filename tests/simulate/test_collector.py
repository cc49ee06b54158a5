"""What rings at the driver: closed forms of the series circuit (textbook), and its place."""

import dataclasses
import math

import numpy as np
import pytest

from misfire.simulate import Scenario, simulate
from misfire.simulate.draw import draw_scenario
from misfire.simulate.engine.collector import Collector
from misfire.simulate.scenario import ChannelModel, CoilModel, InstrumentModel

CIRCUIT = Collector(henry=120e-6, farad=2.5e-9, quality=5.0, clamp_v=1e9)


def test_a_jump_rings_at_its_frequency_and_dies_down():
    """The extremes behind a step stand half a turn apart; each is exp(-pi a / w) of the last."""
    coupled = np.full((1, 1200), 150.0)
    volts = CIRCUIT.follow(coupled, np.zeros((1, 1200)), np.array([0.0]))[0] - 150.0
    turn = np.flatnonzero(np.diff(np.sign(np.diff(volts)))) + 1
    w0 = 1 / math.sqrt(120e-6 * 2.5e-9)
    a = w0 / (2 * 5.0)
    w = math.sqrt(w0**2 - a**2)
    np.testing.assert_allclose(np.diff(turn)[:6] * CIRCUIT.step_s, math.pi / w, rtol=0.05)
    heights = np.abs(volts[turn[:5]])
    np.testing.assert_allclose(heights[1:] / heights[:-1], math.exp(-math.pi * a / w), rtol=0.05)


def test_the_leakage_stands_at_the_clamp_until_its_current_is_gone():
    """L I / (clamp - coupled volts), textbook: 120 uH, 7 A and 386 V over the supply: 2.2 us."""
    held = dataclasses.replace(CIRCUIT, farad=0.2e-9, clamp_v=400.0)
    n = round(20e-6 / held.step_s)
    driver = np.zeros((1, n))
    driver[0, 0] = 7.0
    volts = held.follow(np.full((1, n), 14.0), driver, np.array([1.5]))[0]
    stands = np.sum(volts[: n // 3] > 399.0) * held.step_s
    assert stands == pytest.approx(120e-6 * 7.0 / 386.0, rel=0.1)


def record_firing(coil, waves):
    """Give a primary at 2 MS/s in volts, and the first firing after a second."""
    scenario = Scenario(
        waves=waves, coil=coil, duration_s=2.0,
        instrument=(InstrumentModel(rate_hz=2e6, bits=16),),
        channel=(ChannelModel(role="coil_primary", cylinders=(1,), range=500.0, noise=0.0),),
    )  # fmt: skip
    recording = simulate(scenario)
    volts = recording.channels[0].counts * recording.channels[0].scale
    return volts, next(f for f in recording.run.firings if f.cylinder == 1 and f.off_s > 1)


@pytest.mark.parametrize("waves", ["circuit", "pieces"])
def test_the_firing_line_rings_off_into_the_spark_line(waves):
    """Both ways of drawing: behind the breakdown 1 / (2 pi sqrt(LC)) of the leakage."""
    coil = CoilModel(leak=0.04, collector_nf=3.0, collector_q=8.0)
    volts, firing = record_firing(coil, waves)
    at = round((firing.off_s + firing.strikes[0][1].breakdown_s) * 2e6)
    behind = volts[at + 2 : at + 82]  # 40 us
    swing = behind - np.polyval(np.polyfit(np.arange(80), behind, 1), np.arange(80))
    power = np.abs(np.fft.rfft(swing, 4000))
    hertz = np.fft.rfftfreq(4000, 0.5e-6)[np.argmax(power)]
    henry = 0.04 * coil.primary_mh * 1e-3
    assert hertz == pytest.approx(1 / (2 * math.pi * math.sqrt(henry * 3e-9)), rel=0.07)


def test_what_rings_is_drawn_beside_the_rest():
    """Tens to hundreds of kilohertz (common practice); every draw has its own."""
    hertz = set()
    for seed in range(60):
        coil = draw_scenario(np.random.default_rng(seed)).coil
        henry = coil.leak * coil.primary_mh * 1e-3
        hertz.add(1 / (2 * math.pi * math.sqrt(henry * coil.collector_nf * 1e-9)))
    assert len(hertz) == 60
    assert min(hertz) > 40e3
    assert max(hertz) < 1.2e6


@pytest.mark.parametrize("waves", ["circuit", "pieces"])
def test_a_slow_driver_lifts_the_primary_bit_by_bit(waves):
    """No spike; the firing line climbs to the breakdown voltage over the turns ratio."""
    coil = CoilModel(fall_us=50.0, breakdown_spread=0.0)
    volts, firing = record_firing(coil, waves)
    stroke = firing.strikes[0][1]
    at, broke = (round((firing.off_s + t) * 2e6) for t in (0.0, stroke.breakdown_s))
    line = volts[at : broke - 1] - firing.supply_v
    assert line[-8:].max() == pytest.approx(stroke.highest_v / coil.turns_ratio, rel=0.07)
    n = line.size
    assert 0.05 < np.median(line[n // 4 : n // 2]) / line[-1] < 0.5
    assert line.max() < 1.1 * line[-8:].max()
