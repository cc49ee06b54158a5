"""Simulated vehicles of every kind as recordings, and job cards with parts left out."""

import json
import tomllib

from misfire.simulate.recording import simulate
from misfire.simulate.scenario import (
    CardModel,
    ChannelModel,
    CoilModel,
    DriveModel,
    EngineModel,
    FaultModel,
    InstrumentModel,
    Scenario,
    WheelModel,
)
from misfire.simulate.writer import write_recording

RANGES = {
    "coil_primary": 500.0,
    "coil_current": 20.0,
    "coil_secondary": 20.0,
    "crank": 20.0,
    "cam": 10.0,
    "coil_trigger": 10.0,
    "injector_voltage": 100.0,
    "injector_current": 5.0,
    "starter_current": 1000.0,
    "battery_voltage": 20.0,
}
# The three ways of leaving something out; sensor and all together besides
LEFT_OUT = ("tdc", "wheel", "cylinders", "sensor", "tdc+cylinders", "wheel+cylinders")


def make_vehicle(
    folder,
    *,
    order=(1, 3, 4, 2),
    angles=(),
    ignition="coil_on_plug",
    channels=(("coil_primary", (1,)), ("crank", ()), ("coil_current", ())),
    faults=(),
    duration_s=20.0,
    rate_hz=100e3,
    seed=5_000_001,
    wheel=None,
    coil=None,
    **drive,
):
    """Write one recording; give its job card and its truth. `faults`: dicts of FaultModel."""
    scenario = Scenario(
        seed=seed,
        duration_s=duration_s,
        vehicle="made in the test",
        engine=EngineModel(
            cylinders=len(order),
            firing_order=order,
            firing_angles_deg=angles,
            ignition=ignition,
            # 0.4 litres a cylinder; the fewer there are, the heavier the flywheel
            displacement_l=0.4 * len(order),
            inertia_kgm2=0.11 + 0.02 * len(order),
            piston_kg=0.45,
        ),
        crank_wheel=WheelModel(**(wheel or {})),
        coil=CoilModel(**(coil or {})),
        drive=DriveModel(**drive),
        card=CardModel(),
        instrument=(InstrumentModel(rate_hz=rate_hz),),
        channel=tuple(
            ChannelModel(
                role=role,
                cylinders=seen,
                range=RANGES[role],
                bandwidth_hz=0.3 * rate_hz if role.endswith("current") else 0.0,
                name=f"in {number}",
            )
            for number, (role, seen) in enumerate(channels, 1)
        ),
        fault=tuple(FaultModel(**fault) for fault in faults),
    )
    made = simulate(scenario)
    return write_recording(made, folder), made.truth


def leave_out(text, what):
    """Give the job card `text` without what `what` names; None where nothing was left out."""
    card = tomllib.loads(text)
    before = format_card(card)
    for part in what.split("+"):
        if part == "wheel":
            card.pop("crank_wheel", None)
        elif part in ("tdc", "sensor"):
            card.get("crank_wheel", {}).pop({"tdc": "tdc_deg"}.get(part, part), None)
        else:
            for channel in card["channel"]:
                channel.pop(part, None)
    after = format_card(card)
    return None if after == before else after


def format_card(card):
    """Write a parsed job card as TOML again."""
    lines = []
    for name, part in card.items():
        for table in part if isinstance(part, list) else [part]:
            lines.append(f"[[{name}]]" if isinstance(part, list) else f"[{name}]")
            # JSON writes strings, numbers, true and lists the way TOML reads them
            lines += [f"{key} = {json.dumps(value)}" for key, value in table.items()]
    return "\n".join(lines) + "\n"
