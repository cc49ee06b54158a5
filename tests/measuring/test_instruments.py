"""Clocks of several instruments joined through events that both saw."""

from pathlib import Path

import numpy as np
import pytest

from misfire.ingest.jobcard import parse_job_card
from misfire.measuring.instruments import join_clocks
from misfire.records import LEVEL_FIELDS, STROKE_FIELDS, Channel, Recording

HEAD = 'vehicle.id = "van"\nengine = {cylinders = 4, firing_order = [1, 3, 4, 2], '
HEAD += 'ignition = "coil_on_plug"}\n'
RATE_HZ = 1e5


def make_recording(*rows):
    """Rows: (role, file, cylinders, start_s)."""
    text, channels = HEAD, []
    given = {file: start for _, file, _, start in rows if start is not None}
    reference = set(given) or {rows[0][1]}
    for i, (role, file, cylinders, start) in enumerate(rows):
        text += f'[[channel]]\nrole = "{role}"\nfile = "{file}"\ncolumn = {i}\nname = "c{i}"\n'
        text += f"cylinders = {list(cylinders)}\n" if cylinders else ""
        text += f"start_s = {start}\n" if start is not None else ""
        channels.append(
            Channel(
                f"c{i}",
                role,
                "V",
                1.0,
                0.0,
                RATE_HZ,
                given.get(file, 0.0),
                1000,
                cylinders,
                file,
                clock_known=file in reference,
            )
        )
    job = parse_job_card(text, folder=Path(), source="job.toml")

    def read(name, start, stop):
        return np.zeros(stop - start, np.int16)

    return Recording(
        Path("job.toml"), "", job, tuple(channels), read, lambda name: np.empty(0, LEVEL_FIELDS)
    )


def make_sparks(rng, duration_s=120.0):
    """Switch-offs of the four coils [shape=(n, 4)] of an engine that idles unevenly."""
    n = int(duration_s / 0.15)
    period = 0.15 * (1 + 0.05 * np.sin(np.arange(n) / 40)) * (1 + 0.01 * rng.normal(size=n))
    first = np.cumsum(period)
    return first[:-1, None] + np.diff(first)[:, None] * np.array([0, 0.25, 0.5, 0.75])


def make_strokes(stop_s, rng):
    stop_s = np.sort(stop_s) + rng.normal(0, 3e-6, stop_s.size)
    strokes = np.zeros(stop_s.size, STROKE_FIELDS)
    strokes["stop_s"], strokes["start_s"] = stop_s, stop_s - 3e-3
    return strokes


def worst_error(channel, *, offset_s, drift, duration_s=120.0):
    """Largest distance of a channel's samples from where they belong on the common clock."""
    own = np.array([0.0, duration_s])  # instants on the instrument's clock
    placed = channel.start_s + own * RATE_HZ / channel.rate_hz
    return np.abs(placed - (offset_s + (1 + drift) * own)).max()


def own_time(common_s, offset_s, drift):
    return (common_s - offset_s) / (1 + drift)


def test_current_and_kick_of_the_same_coils():
    rng = np.random.default_rng(1)
    sparks = make_sparks(rng)
    recording = make_recording(
        ("coil_primary", "a.wav", (1,), None), ("coil_current", "b.wav", (), None)
    )
    strokes = {
        "c0": make_strokes(sparks[:, 0], rng),
        "c1": make_strokes(own_time(sparks.ravel(), -2.5, 80e-6), rng),
    }
    channels, findings = join_clocks(recording, strokes, {})
    assert [c.clock_known for c in channels] == [True, True]
    assert worst_error(channels[1], offset_s=-2.5, drift=80e-6) < 20e-6
    assert [f.code for f in findings] == ["clock_joined"]
    assert "-" not in findings[0].message  # a minus sign is no hyphen
    assert "drift +80.0" in findings[0].message or "drift +79.9" in findings[0].message


def test_the_first_file_is_the_clock_wherever_the_crank_is():
    rng = np.random.default_rng(2)
    sparks = make_sparks(rng)
    recording = make_recording(
        ("coil_current", "b.wav", (), None),
        ("coil_primary", "a.wav", (1,), None),
        ("crank", "a.wav", (), None),
    )
    strokes = {
        "c0": make_strokes(sparks.ravel(), rng),
        "c1": make_strokes(own_time(sparks[:, 0], 3.25, -60e-6), rng),
    }
    channels, _ = join_clocks(recording, strokes, {"c2": np.arange(5.0)})
    assert (channels[0].start_s, channels[0].rate_hz) == (0.0, RATE_HZ)
    assert worst_error(channels[1], offset_s=3.25, drift=-60e-6) < 20e-6
    assert channels[2].start_s == channels[1].start_s  # one file, one clock


def test_a_file_with_start_s_is_the_clock():
    rng = np.random.default_rng(3)
    sparks = make_sparks(rng)
    recording = make_recording(
        ("coil_current", "b.wav", (), None), ("coil_primary", "a.wav", (1,), 10.0)
    )
    strokes = {
        "c0": make_strokes(own_time(sparks.ravel(), 12.0, 80e-6), rng),
        "c1": make_strokes(sparks[:, 0], rng),
    }
    channels, _ = join_clocks(recording, strokes, {})
    assert (channels[1].start_s, channels[1].rate_hz) == (10.0, RATE_HZ)
    assert worst_error(channels[0], offset_s=12.0, drift=80e-6) < 20e-6


def test_start_s_is_taken_as_it_is():
    recording = make_recording(
        ("coil_current", "b.wav", (), 0.5), ("coil_primary", "a.wav", (1,), 0.0)
    )
    channels, findings = join_clocks(recording, {}, {})
    assert channels == recording.channels
    assert findings == []


@pytest.mark.parametrize("order", [(0, 1, 2), (0, 2, 1)])
def test_a_third_instrument_that_only_meets_the_second(order):
    rng = np.random.default_rng(4)
    sparks = make_sparks(rng)
    rows = [
        ("coil_primary", "a.wav", (1,), None),
        ("coil_primary", "b.wav", (1, 4), None),
        ("coil_primary", "c.wav", (4,), None),
    ]
    trains = [
        sparks[:, 0],
        own_time(sparks[:, [0, 2]].ravel(), 1.5, 90e-6),
        own_time(sparks[:, 2], -4.0, -70e-6),
    ]
    recording = make_recording(*(rows[i] for i in order))
    strokes = {f"c{n}": make_strokes(trains[i], rng) for n, i in enumerate(order)}
    channels, findings = join_clocks(recording, strokes, {})
    found = {c.clock: c for c in channels}
    assert worst_error(found["b.wav"], offset_s=1.5, drift=90e-6) < 20e-6
    assert worst_error(found["c.wav"], offset_s=-4.0, drift=-70e-6) < 20e-6
    assert [f.code for f in findings] == ["clock_joined"] * 2


def test_crank_teeth_in_both():
    rng = np.random.default_rng(5)
    n = 800  # revolutions of a 60-2 wheel at idle, one tooth every 6 degrees but two
    turn = np.cumsum(0.075 * (1 + 0.05 * np.sin(np.arange(n) / 30) + 0.004 * rng.normal(size=n)))
    angle = np.concatenate([i + np.arange(58) / 60 for i in range(n - 1)])
    tooth_s = np.interp(angle, np.arange(n), turn)
    recording = make_recording(("crank", "a.wav", (), None), ("crank", "b.wav", (), None))
    own = own_time(tooth_s[tooth_s > 7.0], 7.0, 80e-6) + rng.normal(0, 4e-6, (tooth_s > 7.0).sum())
    channels, _ = join_clocks(recording, {}, {"c0": tooth_s, "c1": np.sort(own)})
    assert worst_error(channels[1], offset_s=7.0, drift=80e-6, duration_s=50.0) < 20e-6


def test_what_shares_nothing_is_left_out_with_the_reason():
    rng = np.random.default_rng(6)
    recording = make_recording(
        ("coil_primary", "a.wav", (1,), None), ("coil_primary", "b.wav", (2,), None)
    )
    sparks = make_sparks(rng)
    strokes = {"c0": make_strokes(sparks[:, 0], rng), "c1": make_strokes(sparks[:, 3], rng)}
    channels, findings = join_clocks(recording, strokes, {})
    assert [c.name for c in channels] == ["c0"]
    assert [f.code for f in findings] == ["clock_unknown"]
    assert "b.wav could not be put on the common clock and is left out: no" in findings[0].message


@pytest.mark.parametrize("start", [None, 0.0])
def test_the_crank_is_kept_unless_the_card_places_another(start):
    rng = np.random.default_rng(7)
    recording = make_recording(("coil_primary", "a.wav", (1,), start), ("crank", "b.wav", (), None))
    strokes = {"c0": make_strokes(make_sparks(rng)[:, 0], rng)}
    channels, findings = join_clocks(recording, strokes, {"c1": np.arange(500) * 0.01})
    assert [c.clock for c in channels] == ["b.wav" if start is None else "a.wav"]
    assert [f.code for f in findings] == ["clock_unknown"]


def test_drift_that_changes_is_told():
    rng = np.random.default_rng(8)
    sparks = make_sparks(rng, 1800.0)
    # an instrument that warms up: 3 ppm of drift more at the end than at the beginning
    bent = lambda t: own_time(t + 3e-6 * t**2 / 3600, 1.0, 50e-6)  # noqa: E731
    recording = make_recording(
        ("coil_primary", "a.wav", (1,), None), ("coil_current", "b.wav", (), None)
    )
    strokes = {
        "c0": make_strokes(sparks[:, 0], rng),
        "c1": make_strokes(bent(sparks.ravel()), rng),
    }
    _, findings = join_clocks(recording, strokes, {})
    assert [f.code for f in findings] == ["clock_joined", "clock_bent"]
