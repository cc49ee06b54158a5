"""Relative compression against swings of known size."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from misfire.cycles.assign import find_firings
from misfire.cycles.phase import Phase
from misfire.features.compression import measure_compression
from tests.builders.engines import TorqueEngine, make_engine, make_track

SHARES = {1: 1.0, 2: 0.95, 3: 0.6, 4: 1.02}


@pytest.fixture(scope="module")
def cranking():
    """An engine turned evenly at 220 rev/min, with the current of each compression known."""
    engine = make_engine()
    angle = np.concatenate([np.arange(58) * 6.0 + 360.0 * k for k in range(40)])
    time_s = angle / (6.0 * 220.0)
    track = make_track(time_s, angle, tdc_deg=84.0)
    firings = find_firings(
        track, [], engine=engine, phase=Phase(84.0, {0: 0.0}, True, True, "given")
    )

    def amps(at_s):
        """Humps of the known sizes, 20 degrees before TDC; the battery goes flat slowly."""
        theta = 6.0 * 220.0 * at_s - 84.0 + 20.0
        slot = np.round(theta / 180.0).astype(int)
        size = np.array([SHARES[engine.firing_order[k % 4]] for k in slot.ravel()])
        hump = 0.5 + 0.5 * np.cos(np.deg2rad(2.0 * (theta - 180.0 * slot)))
        return 120.0 - 3.0 * at_s + 60.0 * size.reshape(theta.shape) * hump

    return engine, track, firings, amps


@pytest.mark.parametrize("gain", [1.0, -1.0])  # a clamp put on the other way round
def test_known_shares(cranking, gain):
    engine, track, firings, amps = cranking
    found = measure_compression(
        track,
        firings,
        engine=engine,
        has_speed=False,
        readers={"starter current": lambda t: gain * amps(np.nan_to_num(t))},
    )
    relative = found.relative["starter current"]
    # against the median of the other three; neighbours lean on each other by a few per cent
    expected = [
        SHARES[c] / np.median([v for k, v in SHARES.items() if k != c]) for c in (1, 2, 3, 4)
    ]
    assert_allclose(relative, expected, atol=0.05)


def test_running_engine_is_not_cranking(cranking):
    engine, track, firings, amps = cranking
    import dataclasses

    running = dataclasses.replace(firings, rpm=np.full(firings.rpm.size, 800.0))
    assert (
        measure_compression(
            track, running, engine=engine, has_speed=True, readers={"starter current": amps}
        )
        is None
    )


def crank(n, seed, *, wheel="60-2", compression=400.0, pitch_error_deg=0.05, leak=None):
    """An engine that the starter turns at some 200 rev/min; its own speed is the only witness."""
    orders = {4: (1, 3, 4, 2), 6: (1, 5, 3, 6, 2, 4)}
    engine = make_engine(orders[n])
    made = TorqueEngine(
        engine,
        rpm=230.0,
        n_cycles=12,
        work=8.0,  # of the starter and of friction
        compression=compression,
        recovery_cycles=0.5,
        wheel=wheel,
        leak=leak or {},
        seed=seed,
        cov=0.5,
    )
    made_teeth, claimed = made.teeth()
    positions = {"60-2": 60, "36-1": 36, "24-plain": 24}[wheel]
    place = np.round(claimed / 360.0 * positions).astype(int) % positions
    error = np.random.default_rng(seed + 50).normal(0.0, pitch_error_deg, positions)
    true_s = np.interp(claimed + error[place], made.angle_deg, made.time_s)
    keep = np.concatenate(([True], np.diff(true_s) > 0))
    track = make_track(true_s[keep], claimed[keep], name=wheel, tdc_deg=84.0)
    phase = Phase(84.0, {0: 0.0}, True, True, "given")
    firings = find_firings(track, [], engine=engine, phase=phase)
    return measure_compression(track, firings, engine=engine, has_speed=True, readers={})


def list_low(found):
    """Cylinders that are far below the others by their speed."""
    low = (found.relative["cranking speed"] < 0.85) & (found.z["cranking speed"] > 3.0)
    return (np.flatnonzero(low) + 1).tolist()


@pytest.mark.parametrize("n", [4, 6])
@pytest.mark.parametrize("seed", range(20))
def test_plugs_out(n, seed):
    # nothing is compressed: what is left of the speed is the wheel, a degree out here and there
    found = crank(n, seed, wheel="24-plain", compression=0.0, pitch_error_deg=1.0)
    assert found is None or not list_low(found)


@pytest.mark.parametrize("n", [4, 6])
@pytest.mark.parametrize("seed", range(20))
def test_sound_compressions_and_a_leak(n, seed):
    sound = crank(n, seed, compression=60.0)
    assert sound is not None
    assert not list_low(sound)
    assert_allclose(sound.relative["cranking speed"], 1.0, atol=0.12)
    leaking = 1 + seed % n
    found = crank(n, seed, compression=60.0, leak={leaking: 0.5})
    assert list_low(found) == [leaking]
    assert 0.3 < found.relative["cranking speed"][leaking - 1] < 0.7
