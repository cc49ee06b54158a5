"""Recordings: same seed same bytes, files that other libraries read, times that fit the truth."""

import dataclasses
import json
import tomllib

import numpy as np
import pytest
from scipy.io import wavfile

from misfire.errors import OutputError, ParameterError
from misfire.simulate import Scenario, draw_scenario, simulate, write_recording
from misfire.simulate import recording as recording_module
from misfire.simulate.engine.run import EngineRun
from misfire.simulate.scenario import (
    CamModel,
    ChannelModel,
    CoilModel,
    DriveModel,
    EngineModel,
    FaultModel,
    InstrumentModel,
    WheelModel,
)
from misfire.simulate.wheel import Wheel

SHORT = Scenario(
    seed=7,
    duration_s=3.0,
    vehicle="bench",
    fault=(FaultModel(type="mixture", cylinder=3, rate=0.2, pattern="random"),),
)


@pytest.fixture(scope="module")
def recording():
    return simulate(SHORT)


@pytest.mark.parametrize("fmt", ["wav", "h5", "csv", "npz"])
def test_same_seed_same_bytes(fmt, recording, tmp_path):
    write_recording(recording, tmp_path / "a", fmt=fmt)
    write_recording(simulate(SHORT), tmp_path / "b", fmt=fmt)
    names = sorted(p.name for p in (tmp_path / "a").iterdir())
    assert names == [f"capture.{fmt}", "job.toml", "truth.json"]
    for name in names:
        assert (tmp_path / "a" / name).read_bytes() == (tmp_path / "b" / name).read_bytes()


def test_other_seed_other_counts(recording):
    other = simulate(dataclasses.replace(SHORT, seed=8))
    assert not np.array_equal(other.channels[0].counts, recording.channels[0].counts)


def test_files_read_back_with_other_libraries(recording, tmp_path):
    counts = np.stack([c.counts for c in recording.channels], axis=1)
    for fmt in ("wav", "h5", "csv", "npz"):
        write_recording(recording, tmp_path / fmt, fmt=fmt)
    rate, frames = wavfile.read(tmp_path / "wav" / "capture.wav")
    assert rate == 200_000
    assert np.array_equal(frames, counts)
    with np.load(tmp_path / "npz" / "capture.npz") as archive:
        assert np.array_equal(archive["ch2"], counts[:, 1])
    h5py = pytest.importorskip("h5py")
    with h5py.File(tmp_path / "h5" / "capture.h5") as file:
        assert np.array_equal(file["ch3"][:], counts[:, 2])
        assert file["ch3"].attrs["rate_hz"] == 200_000
    table = np.genfromtxt(tmp_path / "csv" / "capture.csv", delimiter=",", skip_header=3)
    assert table[:, 1] == pytest.approx(counts[:, 0] * recording.channels[0].scale, rel=1e-8)
    card = tomllib.loads((tmp_path / "wav" / "job.toml").read_text())
    assert card["vehicle"]["id"] == "bench"
    assert card["crank_wheel"] == {
        "positions": 60, "missing": 2, "tdc_deg": 84.0, "sensor": "vr",
    }  # fmt: skip
    assert [c["column"] for c in card["channel"]] == [0, 1, 2]


def test_truth_file(recording, tmp_path):
    job = write_recording(recording, tmp_path)
    truth = json.loads((job.parent / "truth.json").read_text())
    keys = {"verdict", "accept", "faulty", "phase_known", "mates", "type_visible", "events"}
    assert keys <= set(truth)
    wanted = {
        "time_s", "cylinder", "cycle", "misfire", "partial", "fuel_cut", "sparked", "dwell_ms",
        "peak_current_a", "firing_voltage_kv", "coil_kv", "burn_time_ms", "crank_deg",
        "fault_active",
    }  # fmt: skip
    assert wanted <= set(truth["events"])
    assert len({len(v) for v in truth["events"].values()}) == 1
    assert truth["verdict"] == "misfire"
    assert truth["faulty"][0]["cylinder"] == 3
    assert truth["mates"] == {"1": 4, "4": 1, "3": 2, "2": 3}
    assert truth["events"]["time_s"] == sorted(truth["events"]["time_s"])


def test_kick_and_cut_off_stand_at_the_truth(recording):
    events = recording.truth["events"]
    primary = recording.channels[0].counts * recording.channels[0].scale
    amps = recording.channels[2].counts * recording.channels[2].scale
    for time, cylinder in zip(events["time_s"], events["cylinder"], strict=True):
        at = int(np.ceil(time * 200e3))
        if not 1000 < at < primary.size - 1000:
            continue
        if cylinder == 1:
            assert primary[at - 4] < 5
            assert primary[at : at + 5].max() > 25  # over the supply; the top may fall between
        assert amps[at - 3] > 6.5
        assert amps[at + 6] < 3.5


def edge_cycles(run):
    """Count the cycles, from that of angle 0, at the step edges of a run."""
    return (run.first_deg + 4.0 * np.arange(run.time_s.size)) / 720.0


@pytest.mark.parametrize("sensor", ["vr", "hall"])
@pytest.mark.parametrize(
    ("positions", "gaps"), [(60, ((59, 60),)), (36, ((36,),)), (48, ((20, 21), (47, 48)))]
)
def test_wheel_convention(sensor, positions, gaps):
    """First tooth after the first gap to TDC of the first cylinder is tdc_deg."""
    wheel = WheelModel(
        positions=positions, gaps=gaps, tdc_deg=77.0, sensor=sensor, pitch_error_deg=0.0,
        gap_error_deg=0.0, jitter_us=0.0, runout=0.0,
    )  # fmt: skip
    scenario = Scenario(
        seed=3,
        duration_s=4.0,
        crank_wheel=wheel,
        instrument=(InstrumentModel(rate_hz=500e3, bits=14),),
        channel=(ChannelModel(role="crank", range=20.0, noise=0.0002),),
    )
    recording = simulate(scenario)
    volts = recording.channels[0].counts * recording.channels[0].scale
    if sensor == "vr":  # steep crossing: from plus to minus, armed by a clear positive half wave
        armed = np.maximum.accumulate(np.where(volts > 1.0, np.arange(volts.size), -1))
        cross = np.flatnonzero((volts[:-1] > 0) & (volts[1:] <= 0))
        cross = cross[armed[cross] > 0]
        cross = cross[np.unique(armed[cross], return_index=True)[1]]  # the first after each wave
        level = 0.0
    else:
        cross = np.flatnonzero((volts[:-1] > 2.5) & (volts[1:] <= 2.5))
        level = 2.5
    part = (volts[cross] - level) / (volts[cross] - volts[cross + 1])
    teeth = (cross + part) / 500e3
    missing = sum(len(g) for g in gaps)
    turns = np.median(np.diff(teeth)) * positions
    assert teeth.size == pytest.approx(4.0 / turns * (positions - missing), rel=0.02)
    # TDC of cylinder 1 from the truth: switch-off plus its advance
    run = recording.run
    tdc_s = run.cycle_s[(run.cycle_s > 0.3) & (run.cycle_s < 3.7)]
    cycles = np.array([round(a) for a in np.interp(tdc_s, run.time_s, edge_cycles(run))])
    first = run.find(720.0 * cycles - 77.0)
    nearest = teeth[np.argmin(np.abs(teeth[:, None] - first[None, :]), axis=0)]
    degree_s = (tdc_s - first) / 77.0
    assert np.abs((nearest - first) / degree_s).max() < 0.05
    # and before that tooth stands the gap
    before = [teeth[np.searchsorted(teeth, t) - 2 : np.searchsorted(teeth, t) + 1] for t in nearest]
    run_length = len(gaps[0]) + 1
    ratios = [(t[-1] - t[-2]) / degree_s.mean() / (360 / positions) for t in before]
    assert np.median(ratios) == pytest.approx(run_length, rel=0.1)


def test_cam_edge():
    scenario = Scenario(
        seed=3,
        duration_s=3.0,
        cam=CamModel(rising_deg=(200.0, 450.0), falling_deg=(260.0, 600.0)),
        channel=(ChannelModel(role="cam", range=10.0, noise=0.0002),),
    )
    recording = simulate(scenario)
    volts = recording.channels[0].counts * recording.channels[0].scale
    rises = (np.flatnonzero((volts[:-1] < 2.5) & (volts[1:] >= 2.5)) + 0.5) / 200e3
    begun = np.interp(0.3, recording.run.time_s, edge_cycles(recording.run))
    expected = recording.run.find(720.0 * (np.ceil(begun) + np.arange(12)) + 200.0)
    assert np.abs(rises[:, None] - expected[None, :]).min(axis=0).max() < 2e-5


def test_two_instruments_have_their_own_clocks():
    scenario = dataclasses.replace(
        SHORT,
        instrument=(InstrumentModel(), InstrumentModel(rate_hz=100e3, clock_ppm=80, start_s=0.25)),
        channel=(
            ChannelModel(role="coil_primary", cylinders=(1,), range=400.0, noise=0.0005),
            ChannelModel(role="coil_current", cylinders=(1,), range=20.0, instrument=1),
        ),
    )
    recording = simulate(scenario)
    amps = recording.channels[1].counts * recording.channels[1].scale
    events = recording.truth["events"]
    times = np.array(events["time_s"])[np.array(events["cylinder"]) == 1]
    times = times[(times > 0.5) & (times < 2.9)]
    falls = (np.flatnonzero((amps[:-1] > 3) & (amps[1:] <= 3)) + 0.5) / 100e3
    true = falls / (1 + 80e-6) + 0.25
    assert np.abs(times[:, None] - true[None, :]).min(axis=1).max() < 2e-5


def test_waste_spark_fires_every_revolution_and_distributor_every_firing():
    for ignition, per_cycle in (("wasted_spark", 2), ("distributor", 4)):
        scenario = Scenario(
            seed=2,
            duration_s=4.0,
            engine=EngineModel(ignition=ignition),
            coil=CoilModel(rotor_gap_kv=1.5 if ignition == "distributor" else 0.0),
            channel=(
                ChannelModel(
                    role="coil_primary",
                    cylinders=(1, 4) if ignition == "wasted_spark" else (1, 2, 3, 4),
                    range=400.0,
                ),
            ),
        )
        recording = simulate(scenario)
        volts = recording.channels[0].counts * recording.channels[0].scale
        kicks = np.flatnonzero((volts[:-1] < 25) & (volts[1:] >= 25))
        kicks = kicks[np.diff(kicks, prepend=-10000) > 1000]
        cycles = recording.truth["rpm"]["median"] / 120 * 4.0
        assert kicks.size == pytest.approx(per_cycle * cycles, abs=3)
        events = recording.truth["events"]
        total, own = np.array(events["coil_kv"]), np.array(events["firing_voltage_kv"], float)
        assert np.all(total > own + 0.5)  # the second gap, or the rotor's


def test_open_lead_silences_both_plugs_of_a_waste_spark_coil():
    scenario = Scenario(
        seed=2,
        duration_s=5.0,
        engine=EngineModel(ignition="wasted_spark"),
        fault=(FaultModel(type="open_secondary", kind="open", cylinder=2, rate=0.5),),
    )
    truth = simulate(scenario).truth
    assert {f["cylinder"] for f in truth["faulty"]} == {2, 3}
    # no channel tells the revolutions apart, but both of the pair are at fault anyway
    assert not truth["phase_known"]
    assert truth["verdict"] == "misfire"
    assert truth["accept"] == ["misfire", "inconclusive"]
    fuel = dataclasses.replace(
        scenario, fault=(FaultModel(type="mixture", cylinder=2, rate=0.5, pattern="random"),)
    )
    assert simulate(fuel).truth["verdict"] == "inconclusive"


def test_overrun_cuts_fuel_and_start_begins_at_rest():
    overrun = simulate(Scenario(seed=1, duration_s=25.0, drive=DriveModel(condition="overrun")))
    events = overrun.truth["events"]
    cut = np.array(events["fuel_cut"])
    assert 0.02 < cut.mean() < 0.9
    assert not np.any(np.array(events["misfire"])[cut])
    start = simulate(Scenario(seed=1, duration_s=8.0, drive=DriveModel(condition="start")))
    assert start.truth["rpm"]["min"] < 60
    assert start.truth["rpm"]["median"] > 500


def test_every_drawn_scenario_can_be_played():
    for seed in range(400, 412):
        scenario = draw_scenario(np.random.default_rng(seed))
        short = dataclasses.replace(scenario, duration_s=2.0)
        recording = simulate(short)
        for channel in recording.channels:
            assert channel.counts.size == int(2.0 * channel.rate_hz)
            assert channel.counts.std() > 0 or channel.model.role == "starter_current"


def test_refusals(recording, tmp_path):
    with pytest.raises(ParameterError, match="format: need one of"):
        write_recording(recording, tmp_path, fmt="mp3")
    blocked = tmp_path / "file"
    blocked.write_text("")
    with pytest.raises(OutputError, match="cannot write the recording"):
        write_recording(recording, blocked / "deep", fmt="wav")
    long = dataclasses.replace(SHORT, duration_s=25.0, channel=SHORT.channel[:1])
    with pytest.raises(ParameterError, match="rows; choose wav"):
        write_recording(simulate(long), tmp_path / "long", fmt="csv")


def test_two_recordings_of_one_vehicle(monkeypatch):
    wheels, engines = [], []

    class KeptWheel(Wheel):
        def __init__(self, *given):
            super().__init__(*given)
            wheels.append(self.tooth_deg)

    class KeptEngine(EngineRun):
        def __init__(self, *given):
            super().__init__(*given)
            engines.append((self.charge, self.fuel))

    monkeypatch.setattr(recording_module, "Wheel", KeptWheel)
    monkeypatch.setattr(recording_module, "EngineRun", KeptEngine)
    crank = [
        simulate(Scenario(duration_s=2.0, seed=seed, vehicle_seed=vehicle)).channels[1].counts
        for seed, vehicle in ((1, 7), (2, 7), (2, 8), (2, -1))
    ]
    assert np.array_equal(wheels[0], wheels[1])
    assert engines[0] == engines[1]
    assert not np.array_equal(crank[0], crank[1])  # another drive all the same
    for other in (2, 3):
        assert not np.array_equal(wheels[1], wheels[other])
        assert engines[1] != engines[other]
