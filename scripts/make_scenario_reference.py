"""Write the reference of the simulator's scenario files from the fields themselves.

    .venv/bin/python scripts/make_scenario_reference.py [--check]

Which fields there are, their defaults and the values they take is asked of the scenario; only the
meaning of each field stands here. With --check nothing is written and the exit status says whether
the page is up to date.
"""

import argparse
import dataclasses
import sys
from pathlib import Path
from typing import Any

from misfire.simulate.scenario import FAULT_KINDS, Scenario
from misfire.simulate.scenario_file import LISTS, TABLES, format_value, parse_scenario

ROOT = Path(__file__).resolve().parent.parent
PAGE = ROOT / "misfire" / "docs" / "scenario.md"

EXAMPLE = """
seed = 7
duration_s = 20.0
vehicle = "practice-1"

[drive]
condition = "idle"

[[channel]]
role = "coil_primary"
cylinders = [3]
range = 500.0

[[channel]]
role = "crank"
range = 100.0

[[fault]]
type = "open_secondary"
kind = "lead"
cylinder = 3
rate = 0.2
pattern = "bursts"
"""
TOP = "Fields at the top"
TITLES = {
    TOP: "",
    "engine": "Geometry, masses and combustion.",
    "crank_wheel": "The toothed wheel and its sensor. Positions are counted from 1.",
    "cam": "The cam signal, where a channel has the role `cam`.",
    "coil": "Ignition coil, driver and plug, of all cylinders alike.",
    "pieces": "A sound firing's waves, where `waves` is `pieces`. A power of 0: no influence.",
    "drive": "What the vehicle does during the recording.",
    "card": "What the job card tells of the truth; `false` leaves the field out.",
    "instrument": "One for each instrument, two at most. Each has a clock of its own.",
    "channel": "One for each recorded channel.",
    "fault": "One for each fault; none: a healthy engine.",
}
MEANING = {
    "seed": "the same scenario with the same seed gives the same files",
    "vehicle_seed": "draws what stays with the vehicle (errors of the wheel, balance of the "
    "cylinders): two recordings of one vehicle share it. -1: drawn by `seed`",
    "duration_s": "length of the recording, s",
    "vehicle": "name of the vehicle on the job card",
    "note": "note on the job card",
    "format": "kind of file that is written",
    "waves": "coil channels solved as a circuit, or sketched in pieces",
    "engine.cylinders": "number of cylinders",
    "engine.firing_order": "order in which they fire",
    "engine.firing_angles_deg": "crank degrees of compression TDC of each entry of firing_order; "
    "empty: even",
    "engine.ignition": "how coils and plugs are joined",
    "engine.waste_pairs": "cylinders that share a coil; empty: those 360 degrees apart",
    "engine.displacement_l": "displacement of all cylinders, litres",
    "engine.compression_ratio": "compression ratio",
    "engine.stroke_bore": "stroke over bore",
    "engine.rod_crank": "length of the rod over the radius of the crank",
    "engine.inertia_kgm2": "crank, flywheel and clutch, kg m²",
    "engine.piston_kg": "reciprocating mass of one cylinder, kg",
    "engine.friction_bar": "mean friction pressure at idle, warm, bar",
    "engine.burn_deg": "length of the combustion at idle, crank degrees",
    "engine.spark_need": "energy and burn time a spark needs to light a charge, over the usual",
    "engine.cov": "scatter of a cycle's heat at idle, 1 sigma over mean",
    "engine.idle_rpm": "idle speed, rev/min",
    "engine.advance_idle_deg": "spark before TDC at idle, degrees",
    "engine.advance_load_deg": "spark before TDC under load, degrees",
    "engine.cylinder_spread": "by how much charge and fuel differ between cylinders, 1 sigma",
    "engine.torsion_hz": "first torsional frequency of the crank, Hz; 0: it is stiff",
    "engine.torsion_damping": "its damping ratio",
    "engine.twist_deg_100nm": "twist of the front end by 100 Nm there, degrees",
    "crank_wheel.positions": "tooth positions a turn, missing ones counted",
    "crank_wheel.gaps": "the missing positions, one list for each gap",
    "crank_wheel.tdc_deg": "from the first tooth after the first gap to TDC of firing_order[0]",
    "crank_wheel.sensor": "kind of sensor",
    "crank_wheel.pole_width": "inductive sensor: width of the pole's field, 1 sigma, tooth pitches",
    "crank_wheel.volts_per_krpm": "inductive sensor: amplitude at 1000 rev/min, V",
    "crank_wheel.runout": "by what share the amplitude swings once a turn",
    "crank_wheel.pitch_error_deg": "error of each tooth, 1 sigma, degrees",
    "crank_wheel.gap_error_deg": "the tooth after a gap comes so much late, degrees",
    "crank_wheel.inverted": "inductive sensor: its leads are swapped",
    "crank_wheel.tooth_share": "Hall sensor: share of the pitch at the high level",
    "crank_wheel.high_v": "Hall sensor: high level, V",
    "crank_wheel.jitter_us": "Hall sensor: scatter of each edge, 1 sigma, µs",
    "crank_wheel.end": "end of the crank at which it sits",
    "cam.rising_deg": "rising edges, degrees after TDC of firing_order[0]",
    "cam.falling_deg": "falling edges, likewise; they alternate with the rising ones",
    "cam.high_v": "high level, V",
    "coil.primary_mh": "primary inductance, mH",
    "coil.primary_ohm": "resistance of winding and wiring, ohm",
    "coil.turns_ratio": "secondary turns over primary turns",
    "coil.leak": "leakage inductance over primary inductance",
    "coil.efficiency": "share of the stored energy that reaches the secondary",
    "coil.secondary_kohm": "winding, lead and plug resistor, kohm",
    "coil.secondary_pf": "capacitance of the secondary, pF",
    "coil.saturation_v": "voltage at the driver while it is on, V",
    "coil.limit_a": "current limit of the driver, A",
    "coil.target_a": "peak current that the dwell aims at, A",
    "coil.clamp_v": "voltage at which the driver limits the kick, V",
    "coil.clamp_share": "share of the peak current that is left when that limit is reached",
    "coil.collector_nf": "capacity across the driver, nF; rings with the leakage inductance",
    "coil.collector_q": "quality of that ringing",
    "coil.fall_us": "time in which the current falls, µs; long: a soft switch-off",
    "coil.winding_pf": "part of secondary_pf before a blocking diode, pF",
    "coil.diode": "a diode in the secondary lets nothing through while the coil charges",
    "coil.ring_q": "quality of the open secondary's oscillation",
    "coil.gap_mm": "plug gap, mm",
    "coil.rotor_gap_kv": "distributor: voltage across the rotor gap, kV",
    "coil.breakdown_spread": "scatter of the firing voltage, 1 sigma over mean",
    "coil.strikes": "sparks a firing below strike_rpm",
    "coil.strike_rpm": "speed above which there is one spark a firing, rev/min",
    "coil.strike_ms": "how long each spark but the last may burn, ms",
    "pieces.firing_kv": "firing voltage of a sound plug at idle, kV",
    "pieces.density_power": "power with which it grows with the density of the gas",
    "pieces.reach_kv": "voltage that the coil can reach at its target current, kV",
    "pieces.reach_power": "power with which that grows with the stored energy",
    "pieces.rise_us": "from switch-off to the top of a kick without breakdown, µs",
    "pieces.rise_power": "shape of the rise; 1: a quarter sine, less: steep at first",
    "pieces.spark_kv": "voltage of the spark line at idle, kV",
    "pieces.spark_power": "power with which it grows with the density of the gas",
    "pieces.climb": "rise of the spark line over its burn, share of its level",
    "pieces.climb_power": "shape of that rise",
    "pieces.hook": "how far the line begins above its level, share",
    "pieces.hook_us": "how long that lasts, µs",
    "pieces.hump": "last rise before the spark goes out, share",
    "pieces.hump_us": "how long that lasts, µs",
    "pieces.burn_ms": "burn time of a sound plug at idle, ms",
    "pieces.energy_power": "power with which it grows with the energy left",
    "pieces.firing_share": "share of the energy that the breakdown takes",
    "pieces.line_power": "power with which the burn time falls with the line's level",
    "pieces.spark_ma": "mean current in the gap, mA",
    "pieces.teeth": "saw teeth on a spark line in a brisk flow, on average",
    "pieces.tooth_us": "length of a tooth, µs",
    "pieces.tooth_height": "height of a tooth, share of the line's level",
    "pieces.wobble": "wobble of the line, share of its level",
    "pieces.wobble_khz": "frequency of the wobble, kHz",
    "pieces.ring_us": "one swing of the coil when the spark has gone out, µs",
    "pieces.ring_keep": "height of the next swing over that of the last",
    "pieces.ring_swings": "number of swings",
    "pieces.ring_start": "first swing after a burn, share of the line's end",
    "pieces.ring_phase": "phase of the first swing, radians",
    "pieces.clamp_us": "how long a kick without breakdown stands at the driver's limit, µs",
    "pieces.on_share": "voltage at the driver at switch-on, over that at the end of the dwell",
    "pieces.bend": "how far a filling core lifts the end of the ramp, share",
    "pieces.on_ring": "ringing of the current at switch-on, share of the target",
    "pieces.on_khz": "frequency of that ringing, kHz",
    "pieces.knee_us": "time in which the driver settles at its current limit, µs",
    "pieces.tail": "share of the current that a slow driver switches off late",
    "pieces.tail_us": "how late, µs",
    "pieces.feed_ring": "ringing of the secondary at switch-on, share of supply times turns",
    "drive.condition": "what is driven",
    "drive.gear_ratio": "turns of the engine for one of the wheels, in the gear used",
    "drive.vehicle_kg": "mass of the vehicle, kg",
    "drive.spring_hz": "frequency at which the driveline swings, Hz",
    "drive.spring_damping": "damping ratio of that swing",
    "drive.cruise_rpm": "speed of a cruise, rev/min",
    "drive.load": "how hard the accelerations are",
    "drive.road_noise_nm": "torque from a rough road at the crank, 1 sigma, Nm",
    "drive.road_low_hz": "lowest frequency of that torque, Hz; below road_high_hz",
    "drive.road_high_hz": "highest frequency of that torque, Hz",
    "drive.compressor_nm": "torque of a compressor that switches on and off, Nm",
    "drive.compressor_s": "time between its steps, s",
    "drive.blip_s": "time between throttle blips in neutral, s; 0: none",
    "drive.shift_s": "time between gear shifts while driving, s; 0: none",
    "drive.accessory_nm": "torque of the accessories, Nm",
    "drive.coolant_c": "coolant temperature, °C",
    "drive.battery_v": "supply with the alternator running, V",
    "drive.cranking_v": "supply while the starter turns, V",
    "drive.starter_rpm": "speed of the engine while the starter turns it, rev/min",
    "card.tdc": "tells tdc_deg",
    "card.sensor": "tells the kind of crank sensor",
    "card.turns_ratio": "tells coil_turns_ratio",
    "card.cylinders": "tells which cylinders a channel sees",
    "card.wheel": "tells the crank wheel",
    "card.start": "tells start_s of the second instrument",
    "instrument.rate_hz": "samples a second",
    "instrument.bits": "resolution, bits",
    "instrument.clock_ppm": "error of its clock, parts in a million",
    "instrument.start_s": "its first sample, on the clock of the first instrument, s",
    "channel.role": "what is measured",
    "channel.cylinders": "cylinders that it sees; empty: all",
    "channel.name": "name; empty: made from the role",
    "channel.instrument": "instrument that records it, from 0",
    "channel.range": "full scale either way, in the channel's unit",
    "channel.noise": "noise, 1 sigma, share of the range",
    "channel.hum": "mains hum, share of the range",
    "channel.bandwidth_hz": "bandwidth of the probe, Hz; 0: wider than the rate",
    "channel.zero": "offset, share of the range",
    "channel.drift": "change of the offset from start to end, share of the range",
    "channel.reversed": "clamp or leads the wrong way round",
    "channel.crosstalk": "share of what the other coils do that shows here",
    "channel.earth_v": "bad earth: voltage that a charging coil adds, V",
    "channel.droop_ms": "secondary pick-up: time constant, ms",
    "channel.gain": "secondary pick-up: volts a kilovolt",
    "fault.type": "type of fault",
    "fault.kind": "how it comes about; empty: the first of the table below",
    "fault.cylinder": "its cylinder; 0 for crank_signal. A fault of a shared coil names one of it",
    "fault.severity": "how bad it is; 0 hardly shows",
    "fault.rate": "share of the firings in which it is at work",
    "fault.pattern": "when it is at work: in firings at random (`always` and `random` are alike), "
    "in bursts, mostly under load, or mostly early in the recording",
}


def list_tables() -> dict[str, Any]:
    """Give the parts of a scenario by the name of their table; the top fields first."""
    return {TOP: Scenario, **TABLES, **LISTS}


def format_range(spec: Any) -> str:
    """Say which values a field takes."""
    if "choices" in spec.metadata:
        return ", ".join(f"`{word}`" for word in spec.metadata["choices"])
    if "low" in spec.metadata:
        return f"{spec.metadata['low']:.10g} to {spec.metadata['high']:.10g}"
    return {"bool": "`true`, `false`", "str": "text", "int": "whole number"}.get(spec.type, "list")


def format_page() -> str:
    """Give the reference as Markdown."""
    lines = [
        "# The scenario of `misfire simulate`",
        "",
        "<!-- Made by scripts/make_scenario_reference.py from the fields; change it there. -->",
        "",
        "One TOML file says what to simulate. Only what differs from the default has to stand in "
        "it: an empty file is a healthy engine with four cylinders, coils on the plugs, at idle.",
        "",
        "```toml",
        EXAMPLE.strip(),
        "```",
        "",
        "```",
        "misfire simulate scenario.toml -o simulated",
        "```",
        "",
        "writes the recording, its job card `job.toml`, and `truth.json` with what was wrong in "
        "every firing. `draw = true` draws everything that the file leaves out at random from "
        "`seed`; a list of tables that is given ([[channel]], [[fault]], [[instrument]]) replaces "
        "the drawn one. An unknown field or a value out of its range is refused with the name of "
        "the field.",
        "",
    ]
    for table, part in list_tables().items():
        bracket = f"`[[{table}]]`" if table in LISTS else f"`[{table}]`"
        lines += [f"## {bracket if table != TOP else TOP}", ""]
        lines += [TITLES[table], ""] if TITLES[table] else []
        lines += ["| field | default | values | meaning |", "| --- | --- | --- | --- |"]
        usual = part()
        for spec in dataclasses.fields(part):
            if table == TOP and (spec.name in TABLES or spec.name in LISTS):
                continue
            meaning = MEANING[spec.name if table == TOP else f"{table}.{spec.name}"]
            default = format_value(getattr(usual, spec.name))
            lines.append(f"| `{spec.name}` | `{default}` | {format_range(spec)} | {meaning} |")
        lines.append("")
    lines += ["| `fault.type` | its kinds |", "| --- | --- |"]
    lines += [
        f"| `{fault}` | {', '.join(f'`{k}`' for k in kinds)} |"
        for fault, kinds in FAULT_KINDS.items()
    ]
    return "\n".join(lines) + "\n"


def main() -> int:
    """Write the page, or say whether it is up to date."""
    parser = argparse.ArgumentParser(description="Write the reference of scenario files.")
    parser.add_argument("--check", action="store_true", help="only compare")
    parse_scenario(EXAMPLE)
    page = format_page()
    if parser.parse_args().check:
        same = PAGE.is_file() and PAGE.read_text("utf-8") == page
        print("up to date" if same else "NOT UP TO DATE: run scripts/make_scenario_reference.py")
        return 0 if same else 1
    PAGE.write_text(page, encoding="utf-8", newline="\n")
    print(f"wrote {PAGE.relative_to(ROOT)}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
