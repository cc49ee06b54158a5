"""Channels scanned at the same time: order, errors, progress, and the same results."""

import threading
import time

import pytest
from numpy.testing import assert_array_equal

from misfire.batch import scanning
from misfire.batch.detection import detect_events
from misfire.batch.opening import open_recording
from misfire.batch.scanning import scan_channels
from misfire.errors import FormatError
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
