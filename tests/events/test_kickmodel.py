"""Kicks drawn from a circuit, against closed forms of its parts."""

import numpy as np
import pytest

from misfire.events.kickfit import count_head_samples
from misfire.events.kickmodel import (
    LEAK_SHARE,
    REACH_US,
    STEP_US,
    KickCircuit,
    Surroundings,
    draw_kicks,
    sample_drawing,
    score_drawings,
)

CHARGE, RING, SHARE = 4000.0, 1.6, 0.003  # 6 A over 1.5 nF, 255 kHz, 1.5 over 500 nF
AROUND = Surroundings(supply_v=14.0, line_v=20.0, drop_v=0.0, ceiling_v=1e4)
NEVER = 1e9


def draw(broke_us, *, damp_us=0.2, clamp_v=380.0):
    values = (CHARGE, RING, damp_us, SHARE, 4.0, clamp_v, -300.0)
    circuit = KickCircuit(*(np.array([[v]]) for v in values))
    return draw_kicks(circuit, np.array([*broke_us, NEVER]), AROUND)


def test_the_secondary_follows_a_quarter_of_a_sine():
    # A capacity charged by a current-carrying inductance: V = I / (C w) sin(w t), w = 1/sqrt(L C);
    # seen from the primary I/C is CHARGE x SHARE, and 1/(L C) = RING^2 x LEAK_SHARE x SHARE.
    _, height = draw([], clamp_v=1e4)
    time = (np.arange(height.shape[1]) + 1) * STEP_US
    slow = RING * np.sqrt(LEAK_SHARE * SHARE)
    foreseen = CHARGE * SHARE / slow * np.sin(slow * time) - AROUND.supply_v * np.cos(slow * time)
    late = time > 15.0  # before, the driver's tail keeps a part of the current
    off = height[0, late] - foreseen[late]
    # what the tail and the leakage's swing take is the same at all times
    assert np.ptp(off) < 0.04 * foreseen.max()
    assert np.abs(off).max() < 0.12 * foreseen.max()


def test_the_leakage_rings_behind_a_breakdown_and_fades():
    # Free ringing of L with C, series resistance r: it fades by exp(-r t / 2 L), r / L = r C w^2.
    volts, _ = draw([20.0])
    time = (np.arange(volts.shape[2]) + 1) * STEP_US
    behind = volts[0, 0, (time > 20.6) & (time < 32.0)] - AROUND.line_v
    falls = np.flatnonzero((behind[:-1] > 0) & (behind[1:] <= 0))
    period = np.diff(falls)[0] * STEP_US
    assert period == pytest.approx(2 * np.pi / RING, rel=0.1)
    lows = [behind[first : first + round(2.5 / STEP_US)].min() for first in falls[:2]]
    assert lows[1] / lows[0] == pytest.approx(np.exp(-0.5 * 0.2 * RING**2 * period), rel=0.1)


def test_before_the_breakdown_all_are_alike():
    volts, _ = draw([8.0, 20.0])
    before = round(7.9 / STEP_US)
    assert np.array_equal(volts[0, 0, :before], volts[0, 2, :before])
    assert np.array_equal(volts[0, 1, :before], volts[0, 2, :before])
    later = round(12.0 / STEP_US)
    assert abs(volts[0, 0, later] - volts[0, 1, later]) > 20.0


def test_samples_find_their_own_drawing():
    broke = np.array([6.0, 9.0, 14.0, 20.0])
    volts, _ = draw(broke)
    broke = np.append(broke, NEVER)
    how = {"period_us": 4.0, "n_samples": 8, "phase_us": 0.3, "low_v": -12.0, "noise_v": 0.3}
    drawn = sample_drawing(volts[0], broke, **how)
    n_phases = drawn.level.shape[0]
    heads = drawn.level[np.arange(n_phases), np.arange(n_phases) % 4]
    best = score_drawings(drawn, heads, np.zeros(n_phases)).argmin(axis=1)
    assert np.array_equal(best % broke.size, np.arange(n_phases) % 4)


@pytest.mark.parametrize(("rate_hz", "some"), [(50e3, 0), (250e3, 8), (1e6, 35), (5e6, 0)])
def test_samples_of_a_head(rate_hz, some):
    assert count_head_samples(rate_hz) == pytest.approx(some, abs=0)
    assert count_head_samples(rate_hz) * 1e6 / rate_hz <= REACH_US
