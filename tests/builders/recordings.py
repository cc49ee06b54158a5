"""Whole recordings of an engine made in the test: job card and raw WAV, the truth beside them."""

from dataclasses import dataclass

import numpy as np

from tests.builders.coils import (
    Charge,
    Spark,
    digitise,
    dwell_to,
    feed_amps,
    primary_volts,
)
from tests.builders.engines import TorqueEngine, list_firings, make_engine
from tests.builders.files import make_wav, write_job
from tests.builders.wheels import Crank

DWELL_S = float(dwell_to(7.5))
SCALES = {"coil_primary": 0.02, "coil_current": 0.002, "crank": 0.01}
UNITS = {"coil_primary": "V", "coil_current": "A", "crank": "V"}


@dataclass
class Made:
    """Where the job card stands, and every firing that should have happened."""

    job: object
    truth: list
    lost: tuple
    dark: tuple
    unfired: tuple
    rate_hz: float
    signals: dict


def make_recording(
    folder,
    *,
    order=(1, 3, 4, 2),
    rate_hz=100e3,
    channels=("primary 1", "feed", "crank"),
    dark=(),
    unfired=(),
    advance_deg=(10.0, 14.0),
    wheel_card="positions = 60\nmissing = 2\ntdc_deg = 84.0\n",
    head="",
    **more,
):
    """Write `job.toml` and `capture.wav`.

    `dark` firings (cycle, cylinder) never break down, `unfired` are not switched at all; `lost`
    goes to the engine. Channels: "primary N", "current N", "feed" (all coils), "crank" (inductive).
    """
    engine = make_engine(order)
    made = TorqueEngine(engine, **more)
    crank = Crank.__new__(Crank)
    crank.time_s, crank.angle_deg = made.time_s, made.angle_deg
    truth = list_firings(made, engine, tdc_deg=84.0, advance_deg=advance_deg)
    fired = [f for f in truth if (f.cycle, f.cylinder) not in set(unfired)]
    fired = [f for f in fired if f.time_s > 2 * DWELL_S]
    duration_s = float(made.time_s[-1])
    signals, cards = {}, []
    for column, name in enumerate(channels):
        kind, _, which = name.partition(" ")
        role = {"primary": "coil_primary", "crank": "crank"}.get(kind, "coil_current")
        seen = [int(which)] if which else list(order)
        own = [f for f in fired if f.cylinder in seen]
        if role == "coil_primary":
            sparks = [
                Spark(
                    f.time_s,
                    dwell_s=DWELL_S,
                    burn_s=0.0 if (f.cycle, f.cylinder) in set(dark) else 1.5e-3,
                )
                for f in own
            ]
            volts = primary_volts(sparks, rate_hz=rate_hz, duration_s=duration_s)
        elif role == "coil_current":
            charges = [Charge(f.time_s - DWELL_S, f.time_s) for f in own]
            volts = feed_amps(charges, rate_hz=rate_hz, duration_s=duration_s)
        else:
            volts = 0.01 * crank.vr(made.wheel, rate_hz=rate_hz)
        signals[name] = digitise(volts, scale=SCALES[role], noise=2.0, seed=column)
        card = {"role": role, "file": "capture.wav", "column": column, "name": name}
        card |= {"unit": UNITS[role], "scale": SCALES[role]}
        if which:
            card["cylinders"] = seen
        cards.append(card)
    n = min(s.size for s in signals.values())
    samples = np.stack([s[:n] for s in signals.values()], axis=1)
    (folder / "capture.wav").write_bytes(make_wav(samples, rate_hz=int(rate_hz)))
    head = head or (
        f'[vehicle]\nid = "bench-{len(order)}"\n\n[engine]\ncylinders = {len(order)}\n'
        f'firing_order = {list(order)}\nignition = "coil_on_plug"\ncoil_turns_ratio = 80\n'
    )
    if "crank" in channels and wheel_card:
        head += f"\n[crank_wheel]\n{wheel_card}"
    job = write_job(folder, *cards, head=head)
    return Made(job, truth, tuple(made.lost), dark, unfired, rate_hz, signals)
