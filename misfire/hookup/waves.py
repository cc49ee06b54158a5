"""Waveforms to expect on this engine, from the simulator."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from misfire.records import CrankWheel, Engine
from misfire.report.hookup.plan import Expected, Lead
from misfire.simulate.recording import SimulatedRecording, simulate
from misfire.simulate.scenario import (
    ChannelModel,
    EngineModel,
    InstrumentModel,
    Scenario,
    WheelModel,
)

RATE_HZ = 500e3
BEFORE_MS, AFTER_MS = 1.2, 2.2  # shown before switch-on and after the end of the burn
SHOWN = ("coil_primary", "coil_current", "coil_secondary", "crank")
TURN_DEG = 400.0


def expect_waves(
    engine: Engine, leads: tuple[Lead, ...], *, wheel: CrankWheel | None
) -> tuple[Expected, ...]:
    """Simulate a sound engine of this kind at idle and cut out one firing.

    Parameters
    ----------
    engine : Engine
    leads : tuple of Lead
    wheel : CrankWheel or None
        None: a wheel of 60-2 is drawn.

    Returns
    -------
    expected : tuple of Expected
        One for each role of the plan that has a shape worth knowing.
    """
    shown: dict[str, Lead] = {}
    for lead in leads:
        if lead.role in SHOWN:
            shown.setdefault(lead.role, lead)
    if not shown:
        return ()
    made = simulate(_make_scenario(engine, tuple(shown.values()), wheel))
    waves = []
    for lead, channel in zip(shown.values(), made.channels, strict=True):
        value = channel.counts.astype(float) * channel.scale
        time = np.arange(value.size, dtype=float) / channel.rate_hz
        if lead.role == "crank":
            waves.append(_turn(made, lead, time, value))
            continue
        own = lead.cylinders or engine.firing_order
        at, dwell_ms, burn_ms = _pick_firing(made, own)
        before = dwell_ms + BEFORE_MS
        after = burn_ms + AFTER_MS if lead.role != "coil_current" else 1.5
        rows = (time >= at - before * 1e-3) & (time <= at + after * 1e-3)
        waves.append(
            Expected(
                lead.role,
                lead.name,
                lead.unit,
                (time[rows] - at) * 1e3,
                value[rows],
                dwell_ms,
                burn_ms,
                lead.range_value,
            )
        )
    order = {role: i for i, role in enumerate(SHOWN)}
    return tuple(sorted(waves, key=lambda w: order[w.role]))


def _make_scenario(engine: Engine, leads: tuple[Lead, ...], wheel: CrankWheel | None) -> Scenario:
    """Make a sound engine of the usual size for its cylinders."""
    n = engine.cylinders
    model = EngineModel(
        cylinders=n,
        firing_order=engine.firing_order,
        firing_angles_deg=engine.firing_angles_deg,
        ignition=engine.ignition,
        waste_pairs=engine.waste_pairs,
        displacement_l=0.42 * n,
        inertia_kgm2=min(1.0, 0.06 + 0.03 * n),
    )
    crank = WheelModel()
    if wheel is not None:
        crank = WheelModel(
            positions=wheel.positions,
            gaps=wheel.gaps,
            tdc_deg=wheel.tdc_deg if wheel.tdc_deg is not None else 84.0,
            sensor=wheel.sensor or "vr",
        )
    channels = tuple(
        ChannelModel(
            role=lead.role,
            cylinders=lead.cylinders,
            name=lead.name,
            range=lead.range_value,
            noise=0.0003 if lead.role != "coil_current" else 0.001,
            bandwidth_hz=60e3 if lead.role == "coil_current" else 0.0,
            gain=0.3,
        )
        for lead in leads
    )
    return Scenario(
        seed=1,
        duration_s=2.0,
        engine=model,
        crank_wheel=crank,
        instrument=(InstrumentModel(rate_hz=RATE_HZ, bits=16),),
        channel=channels,
    )


def _pick_firing(
    made: SimulatedRecording, cylinders: tuple[int, ...]
) -> tuple[float, float, float]:
    """Choose the firing whose burn is nearest to the usual: instant, dwell, burn."""
    events = made.truth["events"]
    time = np.array(events["time_s"], float)
    burn = np.array([np.nan if b is None else b for b in events["burn_time_ms"]], float)
    dwell = np.array(events["dwell_ms"], float)
    inside = (time > 0.3) & (time < 1.9)
    own = inside & np.isin(events["cylinder"], cylinders)
    own &= np.isfinite(burn) & (burn > 0.2)
    if not own.any():
        own = inside
    rows = np.flatnonzero(own)
    best = int(rows[np.argmin(np.abs(burn[rows] - np.median(burn[rows])))])
    return float(time[best]), float(dwell[best]), float(burn[best])


def _turn(
    made: SimulatedRecording, lead: Lead, time: NDArray[np.float64], value: NDArray[np.float64]
) -> Expected:
    """Cut out a little more than one turn of the crank, against its angle after the gap."""
    run, wheel = made.run, made.scenario.crank_wheel
    edge_s = np.asarray(run.time_s, float)
    step = (run.cycle_s[1] - run.cycle_s[0]) if len(run.cycle_s) > 1 else 0.15
    middle = 1.0
    rows = (time > middle) & (time < middle + step)
    speed = np.interp(time[rows], edge_s, np.asarray(run.speed, float))
    cycle = float(np.interp(middle, run.cycle_s, 720.0 * np.arange(len(run.cycle_s))))
    turned = np.cumsum(np.rad2deg(speed[:-1]) * np.diff(time[rows]))
    angle = cycle + np.concatenate(([0.0], turned))
    after_gap = angle + wheel.tdc_deg  # TDC of firing_order[0] stands tdc_deg after the gap
    start = 360.0 * np.ceil(after_gap[0] / 360.0 + 40.0 / 360.0) - 40.0
    shown = (after_gap >= start) & (after_gap <= start + TURN_DEG)
    return Expected(
        "crank",
        lead.name,
        lead.unit,
        after_gap[shown] - start - 40.0,
        value[rows][shown],
        range_value=lead.range_value,
    )
