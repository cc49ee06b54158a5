"""Every fault type does to truth and waveform what the contract's table says."""

import numpy as np
import pytest

from misfire.simulate import simulate
from misfire.simulate.scenario import (
    ChannelModel,
    DriveModel,
    FaultModel,
    InstrumentModel,
    Scenario,
)

RATE = 200e3
CHANNELS = (
    ChannelModel(role="coil_primary", cylinders=(2,), range=500.0, noise=0.0005),
    ChannelModel(role="coil_current", cylinders=(2,), range=20.0, noise=0.0005),
    ChannelModel(role="crank", range=20.0),
)


def play(fault, **drive):
    """Simulate a fault at cylinder 2 in half of its firings."""
    scenario = Scenario(
        seed=11,
        duration_s=14.0,
        instrument=(InstrumentModel(rate_hz=RATE, bits=14),),
        channel=CHANNELS,
        drive=DriveModel(**drive),
        fault=(fault,) if fault else (),
    )
    return simulate(scenario)


def split(recording):
    """Truth of cylinder 2's firings: those with the fault at work, and the others."""
    events = recording.truth["events"]
    table = {k: np.array(v, float) for k, v in events.items()}
    own = (table["cylinder"] == 2) & (table["time_s"] > 0.05) & (table["time_s"] < 13.9)
    hit = table["fault_active"] > 0
    return (
        {k: v[own & hit] for k, v in table.items()},
        {k: v[own & ~hit] for k, v in table.items()},
    )


def fault(kind_of, kind, severity=0.7, rate=0.5):
    """Make a fault at cylinder 2 that comes and goes."""
    return FaultModel(
        type=kind_of, kind=kind, cylinder=2, severity=severity, rate=rate, pattern="random"
    )


def measure_burn(recording, times):
    """Measure on the primary's waveform how long it stands above supply after the kick [ms]."""
    channel = recording.channels[0]
    volts = channel.counts * channel.scale
    found = []
    for time in times:
        first = int((time + 60e-6) * RATE)
        part = volts[first : first + int(4e-3 * RATE)]
        below = np.flatnonzero(part < 14.1 + 4.0)
        found.append((60e-6 + below[0] / RATE) * 1e3 if below.size else 4.0)
    return np.array(found)


def measure_peak(recording, times):
    """Measure the highest current before each switch-off [A]."""
    channel = recording.channels[1]
    amps = channel.counts * channel.scale
    return np.array([amps[int((t - 5e-3) * RATE) : int(t * RATE) + 2].max() for t in times])


@pytest.mark.parametrize("kind", ["gap", "lead", "resistance"])
def test_open_secondary_fires_higher_and_burns_shorter(kind):
    recording = play(fault("open_secondary", kind, 0.35 if kind == "lead" else 0.7))
    bad, good = split(recording)
    fired = bad["sparked"] > 0
    assert fired.sum() > 5
    if kind != "resistance":  # a resistance alone hardly raises the firing voltage
        assert np.median(bad["coil_kv"]) > 1.3 * np.median(good["coil_kv"])
    assert np.median(bad["burn_time_ms"][fired]) < 0.8 * np.median(good["burn_time_ms"])
    seen = measure_burn(recording, bad["time_s"][fired])
    assert np.median(seen) < 0.85 * np.median(measure_burn(recording, good["time_s"]))


def test_fully_open_never_breaks_down():
    recording = play(fault("open_secondary", "open"))
    bad, good = split(recording)
    assert np.all(bad["burn_time_ms"] == 0)
    assert np.all(bad["misfire"] == 1)
    assert np.mean(good["misfire"]) < 0.02
    assert np.all(np.isnan(bad["firing_voltage_kv"]))


def test_fouled_plug_fires_lower_and_longer():
    recording = play(fault("fouled_plug", "track", 0.8))
    bad, good = split(recording)
    assert np.nanmedian(bad["firing_voltage_kv"]) < 0.75 * np.nanmedian(good["firing_voltage_kv"])
    assert np.median(bad["burn_time_ms"]) > 1.08 * np.median(good["burn_time_ms"])
    seen = np.median(measure_burn(recording, bad["time_s"]))
    assert seen > 1.05 * np.median(measure_burn(recording, good["time_s"]))


def test_badly_fouled_plug_does_not_break_down():
    bad, good = split(play(fault("fouled_plug", "shunt", 1.0)))
    assert np.mean(bad["burn_time_ms"] == 0) > 0.9
    assert np.median(bad["coil_kv"]) < np.median(good["coil_kv"])
    assert np.mean(bad["misfire"]) > 0.9


@pytest.mark.parametrize(
    ("kind", "severity"), [("shorted", 0.6), ("layers", 0.75), ("feed", 0.7), ("core", 0.7)]
)
def test_weak_coil_shows_in_the_current(kind, severity):
    recording = play(fault("weak_coil", kind, severity))
    bad, good = split(recording)
    ratio = np.median(measure_peak(recording, bad["time_s"]))
    ratio /= np.median(measure_peak(recording, good["time_s"]))
    assert ratio < 0.8 if kind == "feed" else ratio > 1.15
    assert np.median(bad["burn_time_ms"]) < 0.75 * np.median(good["burn_time_ms"])
    fired = bad["sparked"] > 0
    assert np.nanmedian(bad["firing_voltage_kv"][fired]) == pytest.approx(
        np.nanmedian(good["firing_voltage_kv"]), rel=0.1
    )


@pytest.mark.parametrize("kind", ["trigger", "driver"])
def test_no_primary_has_no_dwell(kind):
    recording = play(fault("no_primary", kind, 1.0))
    bad, good = split(recording)
    assert np.all(bad["dwell_ms"] == 0)
    assert np.all(good["dwell_ms"] > 1)
    assert np.all(bad["misfire"] == 1)
    assert measure_peak(recording, bad["time_s"]).max() < 0.5


@pytest.mark.parametrize(("kind", "severity"), [("no_fuel", 1.0), ("lean", 1.0), ("flooded", 1.0)])
def test_mixture_loses_torque_with_a_good_spark(kind, severity):
    bad, good = split(play(fault("mixture", kind, severity, rate=0.3)))
    assert np.mean(bad["sparked"]) > 0.95
    assert np.median(bad["burn_time_ms"]) == pytest.approx(
        np.median(good["burn_time_ms"]), rel=0.25
    )
    assert np.median(bad["peak_current_a"]) == pytest.approx(
        np.median(good["peak_current_a"]), rel=0.03
    )
    assert np.mean(bad["misfire"] + bad["partial"]) > 0.5
    assert np.mean(bad["work_j"]) < 0.6 * np.mean(good["work_j"])


def test_low_compression_fires_lower_and_gives_less_work():
    leak = FaultModel(type="low_compression", cylinder=2, severity=0.7)
    events = {k: np.array(v, float) for k, v in play(leak).truth["events"].items()}
    own = events["cylinder"] == 2
    firing = events["firing_voltage_kv"]
    assert np.nanmedian(firing[own]) < 0.8 * np.nanmedian(firing[~own])
    assert np.mean(events["work_j"][own]) < 0.7 * np.mean(events["work_j"][~own])
    assert np.mean(events["misfire"][own]) < 0.05
    assert play(leak).truth["verdict"] == "misfire"


def test_low_compression_has_a_smaller_cranking_dip():
    recording = play(
        FaultModel(type="low_compression", cylinder=2, severity=0.7), condition="crank"
    )
    run = recording.run
    dips = {c: [] for c in (1, 2, 3, 4)}
    for firing in recording.run.firings:
        if 2 < firing.off_s < 13:
            tdc = round(firing.off_deg / 180.0) * 180.0
            top, before = run.find(np.array([tdc + 8.0, tdc - 90.0]))
            speed = np.interp([before, top], run.time_s, run.speed)
            dips[firing.cylinder].append(speed[0] - speed[1])
    depth = {c: np.median(d) for c, d in dips.items()}
    assert depth[2] < 0.6 * min(depth[1], depth[3], depth[4])


@pytest.mark.parametrize("kind", ["drop_outs", "extra", "loss"])
def test_crank_signal_spoils_only_the_crank(kind):
    spoiled = play(FaultModel(type="crank_signal", kind=kind, cylinder=0, severity=0.8))
    clean = play(None)
    assert np.array_equal(spoiled.channels[0].counts[:1000], clean.channels[0].counts[:1000])
    assert spoiled.truth["events"] == clean.truth["events"]
    assert spoiled.truth["accept"] == ["no_misfire", "inconclusive"]

    def pulses(recording):
        volts = recording.channels[2].counts * recording.channels[2].scale
        high, low = volts > 0.8, volts < -0.8
        marks = np.flatnonzero(high | low)
        return int(np.sum(np.diff(high[marks].astype(int)) == -1))

    change = pulses(spoiled) - pulses(clean)
    assert change > 5 if kind == "extra" else change < -5


def test_damaged_tooth_repeats_every_revolution():
    recording = play(FaultModel(type="crank_signal", kind="damaged", cylinder=0, severity=0.8))
    volts = recording.channels[2].counts * recording.channels[2].scale
    peaks = np.flatnonzero((volts[1:-1] > volts[:-2]) & (volts[1:-1] >= volts[2:])) + 1
    small = np.sum((volts[peaks] > 0.3) & (volts[peaks] < 1.5))
    turns = recording.truth["rpm"]["median"] / 60 * 14
    assert small > 0.6 * turns


def test_warm_up_and_load_patterns():
    """A warm-up fault comes early; bursts are clustered, with the wanted share in the long run."""
    early = FaultModel(type="mixture", cylinder=2, rate=0.2, pattern="warm_up")
    bad, _ = split(play(early))
    assert np.mean(bad["time_s"] < 7) > 0.6
    from misfire.simulate.engine.faults import FaultClock

    clock = FaultClock(
        FaultModel(type="mixture", cylinder=2, rate=0.2, pattern="bursts"), np.random.default_rng(1)
    )
    hits = np.array([clock.is_active(load=0.3, time_s=1, duration_s=9) for _ in range(40000)])
    assert hits.mean() == pytest.approx(0.2, abs=0.05)
    assert np.mean(hits[1:][hits[:-1]]) > 0.6  # after a hit mostly another
