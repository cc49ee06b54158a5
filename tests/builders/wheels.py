"""Crank wheels made in the test: known angle against time, and the signals a sensor would give.

Independent of the package: angle comes from integrating a speed, signals from closed forms.
"""

import math

import numpy as np

GAPS = {
    "60-2": (60, ((59, 60),)),
    "36-1": (36, ((36,),)),
    "36-2": (36, ((35, 36),)),
    "36-2-2-2": (36, ((17, 18), (20, 21), (35, 36))),
    "36-2-1": (36, ((17, 18), (36,))),
    "24-plain": (24, ()),
}
EVEN = tuple((p,) for p in range(4, 25, 2)), tuple((p, p + 1) for p in range(5, 36, 3))
ONE_MORE = {  # twelve even teeth, and one more half way or a third of the way to the next
    "12+1": (24, EVEN[0]),
    "12+1 near": (36, ((3,), *EVEN[1])),
}
RINGS = {"135-plain": (135, ())}  # a starter's, without a gap
SEVERAL = {  # gaps of uneven distance, and a wheel of four teeth whose halves look alike
    "36-2-2": (36, ((8, 9), (35, 36))),
    "36-2-1-1": (36, ((16,), (18,), (35, 36))),
    "2+2": (
        36,
        (tuple(range(2, 8)), tuple(range(9, 19)), tuple(range(20, 26)), tuple(range(27, 37))),
    ),
}


def tooth_offsets(positions, gaps):
    """Positions of the teeth from the first one after the first gap, one by one."""
    missing = {p for gap in gaps for p in gap}
    origin = gaps[0][-1] + 1 if gaps else 1
    return [k for k in range(positions) if (origin - 1 + k) % positions + 1 not in missing]


class Crank:
    """A crank that turns with a known speed: `rpm` is called with time in s (array)."""

    def __init__(self, rpm, *, duration_s, start_deg=0.0, ripple=0.0, ripple_order=2, step_s=2e-5):
        self.time_s = np.arange(0.0, duration_s + step_s, step_s)
        mean = np.broadcast_to(np.asarray(rpm(self.time_s), float), self.time_s.shape)
        turned = np.concatenate(([0.0], np.cumsum((mean[1:] + mean[:-1]) * 3.0 * step_s)))
        # speed ripple that repeats with the crank: angle = mean angle + small sine
        depth = math.degrees(ripple / ripple_order)
        angle = start_deg + turned + depth * np.sin(np.radians(ripple_order * turned))
        self.angle_deg = np.maximum.accumulate(angle)

    def angle(self, time_s):
        return np.interp(time_s, self.time_s, self.angle_deg)

    def teeth(self, name):
        """Instants and true unwrapped angles of the teeth of a wheel."""
        positions, gaps = (GAPS | RINGS | SEVERAL | ONE_MORE)[name]
        pitch = 360.0 / positions
        first = math.floor(self.angle_deg[0] / 360.0)
        last = math.ceil(self.angle_deg[-1] / 360.0)
        offsets = np.array(tooth_offsets(positions, gaps)) * pitch
        angle = (np.arange(first, last + 1)[:, None] * 360.0 + offsets).ravel()
        angle = angle[(angle > self.angle_deg[0]) & (angle < self.angle_deg[-1])]
        rising = np.concatenate(([True], np.diff(self.angle_deg) > 0))
        time_s = np.interp(angle, self.angle_deg[rising], self.time_s[rising])
        return time_s, angle

    def vr(self, name, *, rate_hz, per_rpm=1.0, width_deg=None, limit=30000):
        """Counts of an inductive sensor: minus the slope of a bell of flux at each tooth.

        Zero at the tooth centre, falling; amplitude proportional to speed.
        """
        _, tooth_deg = self.teeth(name)
        tooth_deg = np.concatenate(([tooth_deg[0] - 1e4], tooth_deg, [tooth_deg[-1] + 1e4]))
        width = width_deg or 0.22 * 360.0 / GAPS[name][0]
        time_s = np.arange(int(self.time_s[-1] * rate_hz)) / rate_hz
        angle = self.angle(time_s)
        speed = np.gradient(angle, time_s) / 6.0
        after = np.searchsorted(tooth_deg, angle)
        volts = np.zeros(angle.size)
        for shift in (-2, -1, 0, 1):
            at = np.clip(after + shift, 0, tooth_deg.size - 1)
            x = (tooth_deg[at] - angle) / width
            volts += x * np.exp(0.5 - x * x / 2)
        return np.clip(volts * speed * per_rpm, -limit, limit)

    def hall(self, name, *, rate_hz, low=0.0, high=500.0, tooth_share=0.5):
        """Counts of a Hall sensor that falls at each tooth and rises `tooth_share` pitch later."""
        tooth_s, tooth_deg = self.teeth(name)
        time_s = np.arange(int(self.time_s[-1] * rate_hz)) / rate_hz
        angle = self.angle(time_s)
        at = np.clip(np.searchsorted(tooth_deg, angle, side="right") - 1, 0, None)
        since = angle - tooth_deg[at]
        pulled = (since >= 0) & (since < tooth_share * 360.0 / GAPS[name][0])
        return np.where(pulled, low, high)


def as_counts(signal, *, rng=None, noise=0.0, offset=0.0):
    """Round to int16 after adding noise and an offset."""
    noisy = signal + offset + (rng.normal(0.0, noise, signal.size) if noise else 0.0)
    return np.clip(np.round(noisy), -32768, 32767).astype(np.int16)
