"""What real engines did to the tool, drawn: any number of recordings of each, judged end to end.

The simulator's truth is the reference. MISFIRE_DRAWN says how many of each (2 when left out).
"""

import os
from dataclasses import replace

import numpy as np
import pytest

from misfire.diagnosis.chain import diagnose
from misfire.simulate import simulate, write_recording
from misfire.simulate.draw import ODD_FIRE, ORDERS, draw_scenario
from misfire.simulate.scenario import CardModel, ChannelModel, FaultModel, WheelModel

N_DRAWN = int(os.environ.get("MISFIRE_DRAWN", "2"))
CRANK, ONE = ChannelModel(role="crank", range=20.0), ChannelModel(cylinders=(1,), range=500.0)
SIXTY = WheelModel(positions=60, gaps=((59, 60),), tdc_deg=84.0, volts_per_krpm=3.0)


def draw(rng, *, cylinders, channels=(CRANK, ONE), condition="idle", fault="", odd=False, **parts):
    """Draw an engine of so many cylinders; give its scenario and the cylinder at fault, 0: none."""
    own = draw_scenario(rng, healthy_share=1.0)
    while own.engine.cylinders != 4:
        own = draw_scenario(rng, healthy_share=1.0)
    order = ORDERS[cylinders][int(rng.integers(len(ORDERS[cylinders])))]
    litres = 0.4 * cylinders
    engine = replace(
        own.engine, cylinders=cylinders, firing_order=order, ignition="coil_on_plug",
        firing_angles_deg=ODD_FIRE[cylinders] if odd else (), waste_pairs=(),
        displacement_l=litres, torsion_hz=0.0, inertia_kgm2=litres * rng.uniform(0.06, 0.12),
    )  # fmt: skip
    engine = replace(engine, **parts.pop("engine", {}))
    faulty = int(rng.integers(1, cylinders + 1)) if fault else 0
    rate = 1.0 if condition == "start" else float(rng.uniform(0.1, 0.5))
    faults: tuple[FaultModel, ...] = ()
    if fault:
        faults = (FaultModel(type=fault, cylinder=faulty, rate=rate, pattern="random"),)
    drive = replace(own.drive, condition=condition, blip_s=0.0, shift_s=0.0, road_noise_nm=2.0)
    drive = replace(drive, **parts.pop("drive", {}))
    made = replace(
        own, engine=engine, drive=drive, crank_wheel=SIXTY, channel=channels, card=CardModel(),
        instrument=(replace(own.instrument[0], rate_hz=50e3, clock_ppm=0.0),), format="wav",
        duration_s=6.0 if condition == "start" else 12.0, fault=faults, **parts,
    )  # fmt: skip
    return made, faulty


def bend_a_tooth(rng):
    """Draw a sound odd-fire V6 with one tooth 1 degree out of its place of 6."""
    made, _ = draw(rng, cylinders=6, odd=True)
    bent = FaultModel(
        type="crank_signal", kind="damaged", cylinder=0, severity=1 / 2.4, pattern="always"
    )
    return replace(made, fault=(bent,)), 0


def shift_gears(rng):
    """Draw a sound four that lifts off and changes gear."""
    drive = {"shift_s": float(rng.uniform(2.0, 5.0)), "load": float(rng.uniform(0.4, 1.0))}
    return draw(rng, cylinders=4, condition="drive", drive=drive)


def twist(rng, fault=""):
    """Draw a six or twelve whose sensor stands at the end of a soft crankshaft."""
    n = int(rng.choice((6, 12)))
    engine = {"torsion_hz": float(rng.uniform(150.0, 400.0))}
    made, faulty = draw(rng, cylinders=n, fault=fault, engine=engine)
    return replace(made, crank_wheel=replace(SIXTY, end="front")), faulty


ROWS = {
    "tooth 1 degree out, odd V6": bend_a_tooth,
    "odd V10": lambda rng: draw(rng, cylinders=10, odd=True, fault="mixture"),
    "odd V6, crank alone": lambda rng: draw(
        rng, cylinders=6, odd=True, fault="mixture", channels=(CRANK,)
    ),
    "gear shifts": shift_gears,
    "twist, sound": twist,
    "twist, one fails": lambda rng: twist(rng, fault="mixture"),
    "dead in a start": lambda rng: draw(rng, cylinders=4, condition="start", fault="mixture"),
    "only cranked": lambda rng: draw(rng, cylinders=4, condition="crank"),
}


def write_drawn(row, number, folder):
    """Write one drawn recording; give its job card and the cylinder at fault, 0: none."""
    scenario, faulty = ROWS[row](np.random.default_rng([19, list(ROWS).index(row), number]))
    return write_recording(simulate(scenario), folder, fmt="wav"), faulty


def is_right(verdict, ranked, faulty, row):
    """Tell whether a verdict and the ranking of cylinders are right.

    Without a coil or cam the two revolutions of a cycle stay open, and with them two names.
    """
    if not faulty:
        return verdict != "misfire"
    named = ranked[: 2 if "alone" in row else 1]
    return faulty in named and (verdict == "misfire" or "start" in row)


@pytest.mark.parametrize("row", ROWS)
@pytest.mark.parametrize("number", range(N_DRAWN))
def test_drawn(row, number, tmp_path):
    job, faulty = write_drawn(row, number, tmp_path)
    found = diagnose(job)
    assert is_right(found.verdict, [c.cylinder for c in found.cylinders], faulty, row)
