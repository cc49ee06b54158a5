"""The truth of a simulated recording, in the form of truth.json."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from misfire.simulate.engine.faults import COIL_FAULTS
from misfire.simulate.engine.firing import Firing
from misfire.simulate.engine.run import Run
from misfire.simulate.scenario import Scenario

FEWEST_LOST = 2  # fewer lost combustions than this do not make a verdict
POOR_WORK = 0.12  # a cylinder that gives this share less work than the others plainly works less


def make_truth(scenario: Scenario, run: Run) -> dict[str, Any]:
    """Gather what is true of a recording.

    Parameters
    ----------
    scenario : Scenario
    run : Run

    Returns
    -------
    truth : dict
        `verdict`, `accept`, `faulty`, `phase_known`, `mates`, `type_visible`, `cylinders`,
        `condition`, `ignition`, `layout`, `healthy`, `rpm`, `cycle_time_s`, `cycle_rpm`, and
        `events` as arrays, one entry a firing within the recording. Not known is None.
    """
    start = scenario.instrument[0].start_s
    stop = start + scenario.duration_s
    firings = [f for f in run.firings if start <= f.off_s < stop]
    inside = (run.time_s >= start) & (run.time_s < stop)
    rpm = run.speed[inside] * 30 / math.pi
    faulty = _list_faulty(scenario, run, firings)
    phase_known = is_phase_known(scenario)
    mates = _find_mates(scenario)
    lost = [f for f in faulty if f["type"] != "crank_signal" and f["visible"]]
    verdict = "misfire" if lost else "no_misfire"
    accept = [verdict]
    if any(f["type"] == "crank_signal" for f in faulty) and not lost:
        accept = ["no_misfire", "inconclusive"]
    if faulty and not lost and any(f["type"] != "crank_signal" for f in faulty):
        accept = ["no_misfire", "inconclusive", "misfire"]  # a fault that has lost nothing yet
    suspects = {f["cylinder"] for f in lost}
    if lost and not phase_known and {mates.get(str(c), c) for c in suspects} == suspects:
        accept = ["misfire", "inconclusive"]  # both of each pair are at fault anyway
    elif lost and not phase_known and mates:
        verdict, accept = "inconclusive", ["inconclusive", "misfire"]
    cycle_rpm = 120.0 / np.diff(run.cycle_s)
    return {
        "vehicle": scenario.vehicle,
        "seed": scenario.seed,
        "verdict": verdict,
        "accept": accept,
        "faulty": faulty,
        "phase_known": phase_known,
        "mates": mates,
        "type_visible": {str(f["cylinder"]): _is_type_visible(scenario, f) for f in faulty},
        "layout": f"{scenario.engine.cylinders}_{scenario.engine.ignition}",
        "ignition": scenario.engine.ignition,
        "cylinders": sorted(scenario.engine.firing_order),
        "condition": scenario.drive.condition,
        "waves": scenario.waves,
        "healthy": not faulty,
        "duration_s": scenario.duration_s,
        "rpm": {
            "min": round(float(rpm.min()), 1),
            "median": round(float(np.median(rpm)), 1),
            "max": round(float(rpm.max()), 1),
        },
        "channels": [c.role for c in scenario.channel],
        "cycle_time_s": np.round(run.cycle_s, 7).tolist(),
        "cycle_rpm": np.round(np.append(cycle_rpm, cycle_rpm[-1:]), 2).tolist(),
        "events": _list_events(firings),
    }


def _list_events(firings: list[Firing]) -> dict[str, list[Any]]:
    """Lay out the firings as arrays."""

    def number(value: float, digits: int) -> float | None:
        return round(value, digits) if math.isfinite(value) else None

    return {
        "time_s": [round(f.off_s, 7) for f in firings],
        "cycle": [f.cycle for f in firings],
        "cylinder": [f.cylinder for f in firings],
        "crank_deg": [round(f.off_deg % 720.0, 3) for f in firings],
        "rpm": [round(f.rpm, 1) for f in firings],
        "misfire": [f.misfire for f in firings],
        "partial": [f.partial for f in firings],
        "fuel_cut": [f.fuel_cut for f in firings],
        "sparked": [f.sparked for f in firings],
        "strikes": [len(f.strikes) for f in firings],
        "dwell_ms": [round(f.dwell_s * 1e3, 4) for f in firings],
        "peak_current_a": [
            round(f.strikes[0][1].compute_top(), 3) if f.strikes else 0.0 for f in firings
        ],
        "firing_voltage_kv": [number(f.firing_kv, 3) for f in firings],
        "coil_kv": [number(f.coil_kv, 3) for f in firings],
        "burn_time_ms": [
            round(f.burn_s * 1e3, 4) if len(f.strikes) <= 1 else None for f in firings
        ],
        "energy_mj": [round(f.energy_mj, 3) for f in firings],
        "burned": [round(f.burned, 3) for f in firings],
        "map_bar": [round(f.intake_bar, 3) for f in firings],
        "work_j": [round(f.work_j, 2) for f in firings],
        "fault_active": [f.fault_active for f in firings],
    }


def _list_faulty(scenario: Scenario, run: Run, firings: list[Firing]) -> list[dict[str, Any]]:
    """List each fault at each cylinder that has it; a coil's fault belongs to all its cylinders."""
    rows: list[dict[str, Any]] = []
    work = {
        c: [f.work_j for f in firings if f.cylinder == c and not f.fuel_cut]
        for c in scenario.engine.firing_order
    }
    for fault in scenario.fault:
        cylinders = [fault.cylinder]
        if fault.type in COIL_FAULTS:
            coil = run.coil_of[fault.cylinder]
            cylinders = [c for c, k in run.coil_of.items() if k == coil]
        if fault.type == "open_secondary" and len(cylinders) == 1:
            # the plugs of a waste-spark coil are in series: the mate may lose combustions too
            coil = run.coil_of[fault.cylinder]
            if scenario.engine.ignition == "wasted_spark":
                cylinders += [c for c, k in run.coil_of.items() if k == coil and c != cylinders[0]]
        for cylinder in cylinders:
            own = [f for f in firings if f.cylinder == cylinder]
            misfires = sum(f.misfire for f in own)
            partial = sum(f.partial for f in own)
            others = [w for c, many in work.items() if c != cylinder for w in many]
            poor = False
            if others and work.get(cylinder) and fault.type != "crank_signal":
                scale = max(5.0, abs(float(np.mean(others))))
                poor = float(np.mean(others) - np.mean(work[cylinder])) > POOR_WORK * scale
            if fault.type == "low_compression":
                poor = poor or fault.severity >= 0.25
            if any(r["cylinder"] == cylinder and r["type"] == fault.type for r in rows):
                continue
            collateral = fault.type == "open_secondary" and cylinder != fault.cylinder
            if collateral and misfires < FEWEST_LOST:
                continue
            rows.append(
                {
                    "cylinder": cylinder,
                    "type": fault.type,
                    "kind": fault.kind,
                    "severity": fault.severity,
                    "pattern": fault.pattern,
                    "by_mate": collateral,
                    "rate": round(misfires / len(own), 6) if own else 0.0,
                    "misfires": misfires,
                    "partial": partial,
                    "cycles": len(own),
                    "visible": bool(misfires >= FEWEST_LOST or poor),
                }
            )
    return rows


def is_phase_known(scenario: Scenario) -> bool:
    """Whether the channels tell the two revolutions of a cycle apart.

    A cam does; so does any channel of one cylinder's own coil, injector, or plug lead. On a
    waste-spark engine the coil channels do not.
    """
    if len(scenario.engine.firing_order) == 1 and scenario.engine.ignition != "wasted_spark":
        return True
    for channel in scenario.channel:
        named = len(channel.cylinders) == 1 and scenario.card.cylinders
        if channel.role == "cam" or (channel.role.startswith("injector") and named):
            return True
        single = scenario.engine.ignition == "coil_on_plug" and named
        if single and channel.role.startswith("coil"):
            return True
        if channel.role == "coil_secondary" and named:  # the compression stroke fires higher
            return True
    return False


def _find_mates(scenario: Scenario) -> dict[str, int]:
    """Pair the cylinders whose compression TDC lie 360 degrees apart."""
    card = scenario.engine.to_engine()
    angle = dict(zip(card.firing_order, card.firing_angles_deg, strict=True))
    return {
        str(a): b
        for a, at in angle.items()
        for b, bt in angle.items()
        if a != b and abs(abs(at - bt) - 360.0) < 1.0
    }


def _is_type_visible(scenario: Scenario, fault: dict[str, Any]) -> bool:
    """Whether the channels can tell this fault's type and not only its cylinder."""
    if fault["type"] == "crank_signal":
        return any(c.role == "crank" for c in scenario.channel)
    sees = [
        c.role
        for c in scenario.channel
        if c.role.startswith("coil") and (not c.cylinders or fault["cylinder"] in c.cylinders)
    ]
    if scenario.engine.ignition == "wasted_spark":
        mate = _find_mates(scenario).get(str(fault["cylinder"]))
        sees += [
            c.role for c in scenario.channel if c.role.startswith("coil") and mate in c.cylinders
        ]
    voltage = any(role in ("coil_primary", "coil_secondary") for role in sees)
    match fault["type"]:
        case "open_secondary" | "fouled_plug":
            return voltage
        case "weak_coil" | "no_primary":
            return bool(sees)
        case "mixture":
            return voltage
        case _:
            return voltage or any(c.role == "starter_current" for c in scenario.channel)
