"""Primary waves drawn piece by piece, as a practitioner sketches them; nothing of a circuit in it.

Rise as a quarter of a sine, breakdown, ringing, spark line with saw teeth, the coil's swing after
it; a leak's decay; a coil that swings through. Sampled through an instrument of one pole.
"""

from dataclasses import dataclass

import numpy as np

SUPPLY_V, LOW_V, CLAMP_V, DIODE_V = 14.0, 0.9, 400.0, -22.0
FINE_S = 0.5e-6
APART_S = 0.013  # from one switch-off to the next


@dataclass(frozen=True)
class Shape:
    """What all firings of one coil have in common."""

    quarter_s: float = 40e-6  # from rest to the top that the coil could reach
    reach_v: float = 350.0
    spike_s: float = 0.0  # the leakage inductance holds the clamp for so long; 0: no spike
    spike_hz: float = 200e3  # and rings on, a quarter as high, for some microseconds
    ring_hz: float = 60e3  # after the breakdown
    ring_s: float = 10e-6
    swing_s: float = 220e-6  # period of the coil's swing after the burn
    fade_s: float = 250e-6
    bandwidth_hz: float = 400e3
    drop_v: float = 6.0  # of the charging current in the secondary's winding: 7 A / 80^2 x 5.5 kohm


def draw_burn(t, shape, *, firing_v, burn_s, line_v=18.0, climb=0.2, teeth=(), thrown=0.0):
    """Volts above the supply from switch-off on; `teeth` are (begin, width, height) in s, s, V.

    `firing_v` stands at the gap: the primary stands higher by what the winding drops.
    """
    omega = np.pi / 2 / shape.quarter_s
    broke_s = np.arcsin((firing_v + shape.drop_v) / shape.reach_v) / omega
    since = t - broke_s
    line = line_v * (1 + climb * np.clip(since / burn_s, 0, 1) ** 2)
    wave = line.copy()
    for begin, width, height in teeth:
        inside = (since >= begin) & (since < begin + width)
        wave = np.where(inside, np.maximum(wave, line + height * (since - begin) / width), wave)
    ring = 0.5 * (firing_v - line_v) * np.exp(-np.maximum(since, 0) / shape.ring_s)
    wave = wave - ring * np.cos(2 * np.pi * shape.ring_hz * since)
    out = since - burn_s
    last = line_v * (1 + climb)
    angle = 2 * np.pi * np.maximum(out, 0) / shape.swing_s
    fade = np.exp(-np.maximum(out, 0) / shape.fade_s)
    swing = fade * (last * np.cos(angle) + thrown * last * np.sin(angle))
    wave = np.where(out < 0, wave, swing)
    return np.where(since < 0, shape.reach_v * np.sin(omega * np.maximum(t, 0)), wave), broke_s


def draw_leak(t, *, height_v, decay_s, rise_s=6e-6):
    """Rise and decay of a loaded coil, two exponentials, up to a height."""
    rise_s = min(rise_s, decay_s / 4)
    wave = np.exp(-t / decay_s) - np.exp(-t / rise_s)
    return height_v * wave / wave.max()


def draw_open(t, shape):
    """No breakdown, nothing that loads the coil: it swings through."""
    angle = np.pi / 2 / shape.quarter_s * t
    return shape.reach_v * np.sin(angle) * np.exp(-t / (6 * shape.quarter_s))


def draw_spike(t, wave, shape):
    """The leakage inductance's own spike and ringing on top."""
    if not shape.spike_s:
        return wave
    after = np.maximum(t - shape.spike_s, 0)
    ring = 100.0 * np.exp(-after / 5e-6) * np.sin(2 * np.pi * shape.spike_hz * after)
    return np.where(t < shape.spike_s, CLAMP_V, wave - ring)


def sample(waves, shape, *, rate_hz, noise_v=0.1, hum_v=0.0, held_v=None, scale=0.05, seed=0):
    """Counts of a channel with one wave after the other, and their switch-off instants."""
    dwell_s = 3e-3
    rng = np.random.default_rng(seed)
    off_s = 6e-3 + APART_S * np.arange(len(waves)) + rng.uniform(0, 1 / rate_hz, len(waves))
    total = np.full(int((len(waves) * APART_S + 0.012) * rate_hz), SUPPLY_V)
    keep = np.exp(-2 * np.pi * shape.bandwidth_hz * FINE_S)
    fine = np.arange(-dwell_s - 1e-3, 7e-3, FINE_S)
    decay = (1 - keep) * keep ** np.arange(int(12 / (2 * np.pi * shape.bandwidth_hz * FINE_S)) + 2)
    for at, wave in zip(off_s, waves, strict=True):
        level = np.where((fine >= -dwell_s) & (fine < 0), LOW_V - SUPPLY_V, 0.0)
        if held_v is not None:  # the driver holds the current: so far below the supply
            level[(fine >= -0.8e-3) & (fine < 0)] = -held_v
        t = fine[fine >= 0]
        drawn = draw_spike(t, wave(t), shape)
        level[fine >= 0] = np.clip(drawn, DIODE_V - SUPPLY_V, CLAMP_V - SUPPLY_V)
        level = np.convolve(level, decay)[: level.size] / decay.sum()
        first, last = (int(np.ceil((at + x) * rate_hz)) for x in (fine[0], fine[-1]))
        place = np.arange(first, last)
        total[place] += np.interp(place / rate_hz - at, fine, level)
    total += noise_v * rng.standard_normal(total.size)
    total += hum_v * np.sin(2 * np.pi * 50.0 * np.arange(total.size) / rate_hz)
    return np.clip(np.rint(total / scale), -32768, 32767).astype(np.int16), off_s
