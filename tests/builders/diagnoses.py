"""Made-up diagnoses for tests of the reports: invented vehicle, plausible values, fixed seed."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from misfire.records import (
    EVENT_COLUMNS,
    FAULT_TYPES,
    ChannelCard,
    CylinderResult,
    Diagnosis,
    Engine,
    Finding,
    JobCard,
    WaveformPanel,
)

FIRING_ORDER = (1, 3, 4, 2)
SUSPECT = 3
# centre of each cluster of lost combustions [s], and how many; they sum to 57
CLUSTERS = ((71.0, 4), (148.0, 11), (158.0, 7), (303.0, 14), (314.0, 9), (483.0, 8), (540.0, 4))


def make_job(*, coil_turns_ratio: float | None = None, vehicle: str = "van-017") -> JobCard:
    """Make the job card of a four-cylinder engine with coils on the plugs."""
    return JobCard(
        vehicle_id=vehicle,
        engine=Engine(4, FIRING_ORDER, "coil_on_plug", coil_turns_ratio=coil_turns_ratio),
        channels=(
            ChannelCard("coil_primary", "capture.h5", "coil 3", "coil 3", (3,)),
            ChannelCard("coil_current", "capture.h5", "clamp", "coil feed"),
            ChannelCard("crank", "capture.h5", "crank", "crank"),
        ),
        folder=Path("jobs/van-017"),
        text="",
        note="stumbles warm, light throttle",
    )


def make_events(
    *, cycles: int = 4180, seed: int = 20, clusters: tuple[tuple[float, int], ...] = CLUSTERS
) -> tuple[pd.DataFrame, np.ndarray, np.ndarray]:
    """Make one row per firing at idle with stretches of cruise, and the speed line."""
    rng = np.random.default_rng(seed)
    time, starts = 0.2, []
    for _ in range(cycles):
        cruise = any(abs(time % 612.0 - at) < 10 for at in (75, 155, 310, 485))
        speed = (1780.0 if cruise else 690.0) + rng.normal(0, 12)
        starts.append((time, speed))
        time += 120.0 / speed
    start_s, cycle_rpm = np.array(starts).T
    n = 4 * cycles
    order = np.arange(n)
    cylinder = np.array(FIRING_ORDER)[order % 4]
    rpm = np.repeat(cycle_rpm, 4) + rng.normal(0, 4, n)
    time_s = np.repeat(start_s, 4) + (order % 4) * 30.0 / np.repeat(cycle_rpm, 4)
    lost = np.zeros(n, dtype=bool)
    mine = np.flatnonzero(cylinder == SUSPECT)
    for centre, count in clusters:
        first = int(np.searchsorted(time_s[mine], centre))
        places = first + np.cumsum(rng.integers(1, 4, count))
        lost[mine[places]] = True
    suspect = cylinder == SUSPECT
    dwell = 3.1 + rng.normal(0, 0.03, n)
    firing = 12.0 + 1.5 * rng.normal(0, 1, n) + 3.0 * suspect
    firing[lost] = 23.0 + rng.normal(0, 2.0, lost.sum())
    burn = 1.52 + 0.08 * rng.normal(0, 1, n) - 0.12 * suspect
    burn[lost] = 0.61 + rng.normal(0, 0.09, lost.sum())
    accel = rng.normal(0, 35, n)
    accel[lost] = -420 + rng.normal(0, 60, lost.sum())
    flags = np.full(n, "", dtype=object)
    silent = np.flatnonzero(lost)[::9]
    burn[silent] = 0.0
    flags[silent] = "no_breakdown"
    flags[:4] = "edge"
    probability = np.clip(rng.beta(1, 60, n), 0, 0.4)
    probability[lost] = 1 - rng.beta(1, 14, lost.sum()) * 0.45
    probability[:4] = np.nan
    events = pd.DataFrame(
        {
            "time_s": time_s,
            "cycle": order // 4,
            "cylinder": cylinder,
            "crank_deg": (order % 4) * 180.0 + 708.0 - 720.0 * ((order % 4) > 0),
            "rpm": rpm,
            "dwell_ms": dwell,
            "peak_current_a": 7.2 + rng.normal(0, 0.06, n),
            "primary_peak_v": 200 + 8 * firing,
            "firing_voltage_kv": firing,
            "burn_time_ms": burn,
            "burn_voltage_kv": 1.1 + rng.normal(0, 0.05, n) + 0.3 * lost,
            "segment_accel": accel,
            "misfire_probability": probability,
            "strikes": np.ones(n),
            "flags": flags,
            "spark": np.where(burn == 0, "no_breakdown", np.where(lost, "strained", "usual")),
            "spark_probability": np.full(n, 0.98),
            "work": np.where(lost, "lost", "done"),
            "work_probability": np.full(n, 0.97),
        }
    )[list(EVENT_COLUMNS)]
    return events, start_s, cycle_rpm


def make_primary_panel(*, n_firings: int = 8, seed: int = 4) -> WaveformPanel:
    """Make coil primaries: battery, dwell, kick, spark line, end of burn, ring-down."""
    rng = np.random.default_rng(seed)
    time_ms = np.linspace(-4.0, 4.0, 2001)

    def primary(kick_v: float, line_v: float, burn_ms: float) -> np.ndarray:
        wave = np.full(time_ms.size, 13.9)
        wave[(time_ms > -3.1) & (time_ms < 0)] = 0.9
        after = time_ms >= 0
        t = time_ms[after]
        burning = t < burn_ms
        line = 13.9 + line_v * (1 + 0.35 * t / max(burn_ms, 0.1))
        ring = 13.9 + 24 * np.exp(-(t - burn_ms) / 0.3) * np.cos(2 * np.pi * (t - burn_ms) / 0.22)
        wave[after] = np.where(burning, line, ring)
        wave[after] += kick_v * np.exp(-(((t - 0.012) / 0.012) ** 2))
        wave[after] += 18 * np.exp(-t / 0.06) * np.cos(2 * np.pi * t / 0.05) * burning
        return wave + rng.normal(0, 0.35, time_ms.size)

    good = np.array(
        [primary(215 + 8 * rng.normal(), 20, 1.52 + 0.08 * rng.normal()) for _ in range(60)]
    )
    bad = np.array(
        [primary(330 + 12 * rng.normal(), 31, 0.61 + 0.09 * rng.normal()) for _ in range(n_firings)]
    )
    low, mid, high = np.percentile(good, [10, 50, 90], axis=0)
    return WaveformPanel(
        channel="coil 3",
        role="coil_primary",
        unit="V",
        cylinder=SUSPECT,
        time_ms=time_ms,
        suspect=bad,
        suspect_time_s=tuple(148.0 + 0.4 * k for k in range(n_firings)),
        good_low=low,
        good_mid=mid,
        good_high=high,
        good_from="60 good firings of cylinder 3 within 150 rev/min of the lost ones",
    )


def make_current_panel(*, seed: int = 5) -> WaveformPanel:
    """Make coil current ramps; the suspect's are like the others'."""
    rng = np.random.default_rng(seed)
    time_ms = np.linspace(-4.0, 4.0, 2001)
    ramp = np.where((time_ms > -3.1) & (time_ms < 0), 7.9 * (1 - np.exp(-(time_ms + 3.1) / 1.3)), 0)
    good = ramp * (1 + 0.02 * rng.normal(0, 1, (40, 1))) + rng.normal(0, 0.05, (40, time_ms.size))
    low, mid, high = np.percentile(good, [10, 50, 90], axis=0)
    return WaveformPanel(
        channel="coil feed",
        role="coil_current",
        unit="A",
        cylinder=SUSPECT,
        time_ms=time_ms,
        suspect=good[:6] * 1.005,
        suspect_time_s=tuple(148.0 + 0.4 * k for k in range(6)),
        good_low=low,
        good_mid=mid,
        good_high=high,
        good_from="40 good firings of cylinders 1, 2 and 4 at like speed",
    )


def make_extras(events: pd.DataFrame) -> pd.DataFrame:
    """Give how much torque each firing lacks, in spreads of all."""
    accel = events["segment_accel"]
    spread = (accel - accel.median()).abs().median() / 0.6745
    return pd.DataFrame({"torque_deficit_z": (accel.median() - accel) / spread})


def make_diagnosis(*, cycles: int = 4180, vehicle: str = "van-017", **changes: Any) -> Diagnosis:
    """Make a diagnosis: cylinder 3 lost 57 of 4180 combustions, in clusters."""
    events, start_s, cycle_rpm = make_events(cycles=cycles)
    probability = events["misfire_probability"].to_numpy()
    cylinder = events["cylinder"].to_numpy()
    judged = {c: int(np.isfinite(probability[cylinder == c]).sum()) for c in range(1, 5)}
    judged[SUSPECT] = cycles
    rest = {"mixture": 0.04, "weak_coil": 0.015, "fouled_plug": 0.01}
    faults = {"open_secondary": 0.93, **rest}
    spread = (1 - sum(faults.values())) / (len(FAULT_TYPES) - len(faults))
    shares = tuple((name, faults.get(name, spread)) for name in FAULT_TYPES)
    even = tuple((name, 1 / len(FAULT_TYPES)) for name in FAULT_TYPES)
    results = []
    for rank, (c, p) in enumerate(((3, 0.98), (1, 0.02), (4, 0.012), (2, 0.008)), start=1):
        mine = events[cylinder == c]
        lost = mine[mine["misfire_probability"] >= 0.5] if c == SUSPECT else mine
        results.append(
            CylinderResult(
                cylinder=c,
                rank=rank,
                probability=p,
                cycles=judged[c],
                misfires=int((probability[cylinder == c] >= 0.5).sum()),
                faults=shares if c == SUSPECT else even,
                features={
                    name: float(lost[name].median())
                    for name in ("dwell_ms", "peak_current_a", "firing_voltage_kv", "burn_time_ms")
                },
                evidence=(
                    "burn time 0.61 ms in the lost firings against 1.40 ms in its good ones and "
                    "1.52 ms in the other cylinders",
                    "firing voltage 23.0 kV in the lost firings against 15.0 kV in its good ones "
                    "and 12.0 kV in the other cylinders",
                )
                if c == SUSPECT
                else (),
            )
        )
    values: dict[str, Any] = {
        "vehicle": vehicle,
        "note": "stumbles warm, light throttle",
        "job": make_job(vehicle=vehicle),
        "source": "jobs/van-017/rec.h5",
        "sha256": "5f" * 32,
        "verdict": "misfire",
        "duration_s": float(events["time_s"].iloc[-1] + 0.3),
        "cycles": cycles,
        "cylinders": tuple(results),
        "findings": (
            Finding(
                "clipped", "warning", "the kick reached the input's limit in 3 firings", "coil 3"
            ),
            Finding("rate", "info", "500 kS/s: enough for the firing line", "coil 3"),
        ),
        "notes": ("The kV values are estimates: the job card gives no coil_turns_ratio.",),
        "events": events,
        "extras": make_extras(events),
        "rpm_s": start_s,
        "rpm": cycle_rpm,
        "panels": (make_primary_panel(), make_current_panel()),
        "witnesses": {"spark": "coil primary of cylinder 3", "torque": "crank wheel 60-2"},
        "settings": {"model": "shipped", "limit": np.float64(0.5), "bad": float("nan")},
    }
    return Diagnosis(**(values | changes))


def make_quiet_diagnosis(*, verdict: str = "no_misfire", **changes: Any) -> Diagnosis:
    """Make a diagnosis without a single lost combustion: nothing found, or nothing to be told."""
    events, start_s, cycle_rpm = make_events(clusters=())
    made = make_diagnosis()
    results = tuple(
        replace(c, rank=rank, probability=0.01, misfires=0, evidence=())
        for rank, c in enumerate(sorted(made.cylinders, key=lambda c: c.cylinder), start=1)
    )
    values: dict[str, Any] = {
        "verdict": verdict,
        "cylinders": results,
        "events": events,
        "extras": make_extras(events),
        "rpm_s": start_s,
        "rpm": cycle_rpm,
        "panels": (),
        "findings": (),
        "notes": (
            ("Only the starter current was recorded. Record a coil primary and the crank.",)
            if verdict == "inconclusive"
            else ()
        ),
    }
    return replace(made, **(values | changes))
