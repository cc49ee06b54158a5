"""Coil signals in closed form: the current of an RL circuit, the voltage of a primary.

Independent of the package: every sample is the value of a formula at its own instant, so the true
instants need not fall on samples.
"""

from dataclasses import dataclass

import numpy as np

from misfire.records import STROKE_FIELDS, Channel, StrokeTrain

# ANCHORS C1, reference coil: L = 3.0 mH, R = 0.50 ohm, 14 V, 80 turns to one (typical: from memory)
HENRY, OHM, VOLT, TURNS = 3.0e-3, 0.50, 14.0, 80.0
RESTRIKE_S = 12e-6  # a blown-out spark comes back after a rise of 60 V at 5 V/us


@dataclass(frozen=True)
class Spark:
    """One charge and discharge of a coil; voltages of the primary, `firing_v` above the supply."""

    stop_s: float
    dwell_s: float = 3e-3
    firing_v: float = 150.0
    rise_v_per_us: float = 5.0
    burn_v: float = 26.5
    burn_s: float = 1.5e-3  # 0: the gap never breaks down, the kick stands at the driver's clamp
    clamp_v: float = 400.0
    limit_s: float = 0.0  # the driver limits the current for so long before switch-off
    limit_share: float = 0.45  # of the supply, to which it lifts the primary
    restrike_s: float | None = None  # after breakdown: the spark goes out and comes back
    supply_v: float = VOLT

    @property
    def breakdown_s(self):
        """Switch-off to breakdown."""
        return self.firing_v / self.rise_v_per_us * 1e-6


def primary_volts(sparks, *, rate_hz, duration_s, supply_v=VOLT, low_v=0.8):
    """Voltage of one coil's primary against earth."""
    time_s = np.arange(round(duration_s * rate_hz)) / rate_hz
    volts = np.full(time_s.size, float(supply_v))
    for spark in sparks:
        first, last = np.searchsorted(
            time_s, [spark.stop_s - spark.dwell_s, spark.stop_s + spark.burn_s + 4e-3]
        )
        t = time_s[first:last] - spark.stop_s
        part = np.full(t.size, float(spark.supply_v))
        part[t < 0] = low_v
        part[(t < 0) & (t >= -spark.limit_s)] = spark.limit_share * spark.supply_v
        after = t >= 0
        part[after] = (_burning if spark.burn_s else _open)(spark, t[after], low_v)
        volts[first:last] = part
    return volts


def _burning(spark, t, low_v):
    """Firing line, spark line, collapse: a damped swing about the supply."""
    rise_s, supply = spark.breakdown_s, spark.supply_v
    since = t - rise_s
    out = since - spark.burn_s
    line = supply + spark.burn_v * (1 + 0.05 * since / max(spark.burn_s, 1e-9))
    ring = supply + spark.burn_v * np.exp(-out / 150e-6) * np.cos(2 * np.pi * 6e3 * out)
    volts = np.where(out < 0, line, ring)
    if spark.restrike_s is not None:
        again = since - spark.restrike_s
        kick = line + spark.rise_v_per_us * 1e6 * again
        volts = np.where((again >= 0) & (again < RESTRIKE_S), kick, volts)
    rising = low_v + (supply + spark.firing_v - low_v) * t / rise_s
    return np.where(since < 0, rising, volts)


def _open(spark, t, low_v):
    """No breakdown: the driver's clamp for 60 us, then a swing that no spark damps."""
    rise_s = (spark.clamp_v - low_v) / spark.rise_v_per_us * 1e-6
    out = t - rise_s - 60e-6
    ring = spark.supply_v + 180.0 * np.exp(-out / 180e-6) * np.cos(2 * np.pi * 4e3 * out)
    ring = np.maximum(ring, -1.0)  # the driver's own diode
    rising = low_v + (spark.clamp_v - low_v) * t / rise_s
    return np.where(t < rise_s, rising, np.where(out < 0, spark.clamp_v, ring))


def charging_amps(t, *, volts=VOLT, henry=HENRY, ohm=OHM):
    """i(t) = V/R (1 - exp(-t R/L)): textbook RL circuit (ANCHORS C1)."""
    return volts / ohm * (1.0 - np.exp(-np.maximum(t, 0.0) * ohm / henry))


def dwell_to(amps, *, volts=VOLT, henry=HENRY, ohm=OHM):
    """Time to charge to a current: the inverse of `charging_amps`."""
    return -henry / ohm * np.log(1.0 - amps * ohm / volts)


@dataclass(frozen=True)
class Charge:
    """One charging of a coil as a clamp sees it."""

    start_s: float
    stop_s: float
    volts: float = VOLT
    henry: float = HENRY
    ohm: float = OHM
    step_a: float = 0.0  # current the ramp begins with
    limit_a: float = np.inf

    def amps(self, t):
        """Current at seconds after the start."""
        ramp = charging_amps(t, volts=self.volts, henry=self.henry, ohm=self.ohm)
        return np.minimum(self.step_a + ramp, self.limit_a)

    @property
    def peak_a(self):
        """Current at switch-off."""
        return float(self.amps(np.array(self.stop_s - self.start_s)))


def feed_amps(charges, *, rate_hz, duration_s, fall_s=4e-6):
    """Sum the currents of several coils on one feed; each ends with an exponential fall."""
    time_s = np.arange(round(duration_s * rate_hz)) / rate_hz
    amps = np.zeros(time_s.size)
    for charge in charges:
        first, last = np.searchsorted(time_s, [charge.start_s, charge.stop_s + 50 * fall_s])
        t = time_s[first:last]
        fall = charge.peak_a * np.exp(-np.maximum(t - charge.stop_s, 0.0) / fall_s)
        amps[first:last] += np.where(t < charge.stop_s, charge.amps(t - charge.start_s), fall)
    return amps


def digitise(values, *, scale, noise=0.6, seed=5, limit=32767):
    """Counts of an instrument: value / scale, white noise in counts, clipped at its limits."""
    noisy = values / scale + np.random.default_rng(seed).normal(0.0, noise, values.size)
    return np.clip(np.round(noisy), -limit - 1, limit).astype(np.int16)


def make_channel(n_samples, *, role="coil_primary", rate_hz=500e3, scale=0.02, **more):
    """Describe a channel as the readers do."""
    units = {"coil_current": "A"}
    fields = {"name": role, "unit": units.get(role, "V"), "offset": 0.0, "start_s": 0.0, **more}
    return Channel(role=role, scale=scale, rate_hz=rate_hz, n_samples=n_samples, **fields)


def reader(counts):
    """Give counts piece by piece, as a recording does."""
    return lambda start, stop: counts[start:stop]


def make_train(stop_s, *, cylinders=(), role="coil_primary", name=None, dwell_ms=3.0, **fields):
    """Strokes with given switch-off instants and nothing else known but the dwell."""
    stop_s = np.asarray(stop_s, float)
    strokes = np.zeros(stop_s.size, STROKE_FIELDS)
    for field, kind in STROKE_FIELDS:
        if kind == "f8":
            strokes[field] = np.nan
    strokes["stop_s"], strokes["dwell_ms"] = stop_s, dwell_ms
    strokes["start_s"] = stop_s - strokes["dwell_ms"] * 1e-3
    strokes["strikes"] = 1
    for field, values in fields.items():
        strokes[field] = values
    last = float(stop_s[-1]) if stop_s.size else 0.0
    channel = make_channel(
        int((last + 1.0) * 1e5),
        role=role,
        rate_hz=1e5,
        name=name or f"{role} {','.join(map(str, cylinders))}",
        cylinders=tuple(cylinders),
    )
    return StrokeTrain(channel, strokes)
