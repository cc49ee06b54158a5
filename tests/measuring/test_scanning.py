"""Channels scanned at the same time: order, errors, progress, and the same results."""

import threading
import time
from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_array_equal

from misfire.errors import FormatError
from misfire.events.secondary import measure_pickup
from misfire.measuring import scanning
from misfire.measuring.detection import detect_events
from misfire.measuring.opening import open_recording
from misfire.measuring.scanning import scan_channels
from misfire.records import Channel
from tests.builders.recordings import make_recording


def make_channels(n=5):
    roles = ("coil_primary", "crank", "cam", "coil_current", "coil_trigger")
    return [
        Channel(f"c{i}", roles[i % 5], "V", 1.0, 0.0, 1e5, 0.0, n_samples=1000 * (i + 1))
        for i in range(n)
    ]


@pytest.mark.parametrize("n_threads", [1, 2, 4])
class TestScanChannels:
    def test_results_come_in_order(self, n_threads):
        found = scan_channels(make_channels(), lambda c, _: c.name, n_threads=n_threads)
        assert found == ["c0", "c1", "c2", "c3", "c4"]

    def test_nothing_to_scan(self, n_threads):
        assert scan_channels([], lambda c, _: c.name, n_threads=n_threads) == []

    def test_an_error_comes_through_and_stops_the_others(self, n_threads):
        reached = []

        def scan(channel, report):
            if channel.name == "c0":
                raise FormatError("damaged")
            for k in range(200):  # two seconds if nobody stops it
                time.sleep(0.01)
                report(k / 200)
            reached.append(channel.name)

        with pytest.raises(FormatError, match="damaged"):
            scan_channels(make_channels(n_threads), scan, n_threads=n_threads)
        assert reached == []

    def test_progress_is_told_by_the_caller_s_thread(self, n_threads, monkeypatch):
        monkeypatch.setattr(scanning, "TICK_S", 0.01)
        told = []

        def scan(channel, report):
            for k in range(5):
                time.sleep(0.005)
                report((k + 1) / 5)

        scan_channels(
            make_channels(),
            scan,
            progress=lambda *step: told.append((threading.current_thread(), *step)),
            n_threads=n_threads,
        )
        assert {thread for thread, _, _ in told} == {threading.main_thread()}
        assert {stage for _, stage, _ in told} == {"reading"}
        parts = [part for _, _, part in told]
        assert parts == sorted(parts)
        assert parts[0] == 0.0
        assert parts[-1] == pytest.approx(1.0)
        assert len(set(parts)) > 3

    def test_what_others_wait_for_is_done_before_them(self, n_threads):
        done, seen = set(), {}

        def scan(channel, report):
            time.sleep(0.02)
            seen[channel.name] = set(done)
            done.add(channel.name)
            return channel.name

        behind = {"coil_primary": ("crank", "coil_current"), "cam": ("crank",)}
        found = scan_channels(make_channels(10), scan, behind=behind, n_threads=n_threads)
        assert found == [f"c{i}" for i in range(10)]
        for name in ("c0", "c5"):  # the two primaries
            assert seen[name] >= {"c1", "c6", "c3", "c8"}
        for name in ("c2", "c7"):
            assert seen[name] >= {"c1", "c6"}

    def test_an_error_in_what_others_wait_for_comes_through(self, n_threads):
        reached = []

        def scan(channel, report):
            if channel.role == "crank":
                time.sleep(0.05)
                raise FormatError("damaged")
            reached.append(channel.role)

        with pytest.raises(FormatError, match="damaged"):
            scan_channels(
                make_channels(), scan, behind={"coil_primary": ("crank",)}, n_threads=n_threads
            )
        assert "coil_primary" not in reached


def add_pickup(recording, *, joined):
    """Let a pick-up show what the primary does; it and the clamp stand on one more instrument."""
    primary = next(c for c in recording.channels if c.role == "coil_primary")
    own = [replace(primary, name="pick-up", role="coil_secondary"), *recording.channels]
    if joined:
        other = {"clock": "other.wav", "clock_known": False}
        own = [replace(c, **other) if c.name in ("pick-up", "feed") else c for c in own]

    def read(name, start, stop):
        return recording.read(primary.name if name == "pick-up" else name, start, stop)

    return replace(recording, channels=tuple(own), read=read)


@pytest.mark.parametrize("n_processors", [1, 2, 3])
@pytest.mark.parametrize("joined", [False, True])
def test_pickups_are_measured_where_all_coils_switched_off(
    tmp_path, monkeypatch, n_processors, joined
):
    made = make_recording(tmp_path, n_cycles=12, channels=("primary 1", "feed", "crank"))
    monkeypatch.setattr(scanning, "_count_processors", lambda: n_processors)
    recording = add_pickup(open_recording(made.job), joined=joined)
    detected = detect_events(recording)
    (pickup,) = detected.pickups
    # the clamp sees the coils of all cylinders, the primary one of them
    truth_s = np.array([f.time_s for f in made.truth])
    stops_s = pickup.strokes["stop_s"]
    late = stops_s < truth_s[-1] + 1e-3
    away = np.abs(stops_s[late, None] - truth_s).min(axis=1)
    assert stops_s.size >= len(made.truth) - 2
    assert away.max() < 50e-6
    own_s = np.array([f.time_s for f in made.truth if f.cylinder == 1])
    is_own = np.abs(stops_s[:, None] - own_s).min(axis=1) < 50e-6
    kick_v = pickup.strokes["firing_v"]
    assert kick_v[is_own & np.isfinite(kick_v)].min() > 100  # a driver clamps at some 400 V
    # by the rule that tells two switch-offs from one seen twice
    merged = np.sort(np.concatenate([t.strokes["stop_s"] for t in detected.trains]))
    merged = merged[np.diff(merged, prepend=-np.inf) > 0.5e-3]
    alone = measure_pickup(
        lambda start, stop: recording.read("pick-up", start, stop), pickup.channel, merged
    )
    assert pickup.strokes.tobytes() == alone.tobytes()
    recording.close()


def test_threads_do_not_change_the_events(tmp_path, monkeypatch):
    job = make_recording(tmp_path, n_cycles=12, channels=("primary 1", "feed", "crank")).job
    found = []
    for n in (1, 3):
        monkeypatch.setattr(scanning, "_count_processors", lambda n=n: n)
        recording = open_recording(job)
        found.append(detect_events(recording))
        recording.close()
    one, three = found
    assert one.findings == three.findings
    assert len(one.trains) == len(three.trains) == 2
    for a, b in zip(one.trains, three.trains, strict=True):
        assert a.strokes.tobytes() == b.strokes.tobytes()
    assert_array_equal(one.track.time_s, three.track.time_s)
    assert_array_equal(one.track.angle_deg, three.track.angle_deg)


def test_no_room_for_a_thread_is_a_lack_of_memory(monkeypatch):
    submit, started = scanning.ThreadPoolExecutor.submit, []

    def refuse_the_second(self, work, *arguments):
        started.append(work)
        if len(started) > 1:
            raise RuntimeError("can't start new thread")
        return submit(self, work, *arguments)

    def scan(channel, report):
        for _ in range(10_000):  # breaks off at the next report
            report(0.5)
            time.sleep(0.001)

    monkeypatch.setattr(scanning.ThreadPoolExecutor, "submit", refuse_the_second)
    begin = time.perf_counter()
    with pytest.raises(MemoryError, match="thread"):
        scan_channels(make_channels(), scan, n_threads=2)
    assert time.perf_counter() - begin < 5
