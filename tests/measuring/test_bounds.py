"""Long recordings: memory does not grow with their samples, work grows in proportion to them."""

import os
import re
import struct
import subprocess
import sys
import threading
from collections import Counter, defaultdict
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest

from misfire.align import chunks
from misfire.diagnosis.chain import ingest
from misfire.dsp.blocks import BLOCK_SAMPLES
from misfire.dsp.levels import SURVEY_SAMPLES
from misfire.measuring.detection import detect_events
from misfire.measuring.evidence import measure
from misfire.measuring.opening import open_recording
from tests.builders.recordings import make_recording

CHANNELS = ("primary 1", "primary 3", "feed", "crank")
WHEEL = 'positions = 60\nmissing = 2\ntdc_deg = 84.0\nsensor = "vr"\n'  # else it is read twice
MOST_MB = 400.0
# glibc reserves addresses for each thread anew, by chance: not here
STEADY = {
    **os.environ,
    "OMP_NUM_THREADS": "1",
    "OPENBLAS_NUM_THREADS": "1",
    "MALLOC_ARENA_MAX": "1",
}
# one tooth and one firing with its strokes while there are teeth, and one firing in all tables
# later, when only the strokes' instants are left; none of them twice
TOOTH_BYTES, PLACED_BYTES, ROW_BYTES = 8, 370, 640

LIMITED = """
import resource, sys
limit = int(sys.argv[1])
resource.setrlimit(resource.RLIMIT_AS, (limit, limit))
from misfire.cli.app import main
main(sys.argv[2:])
"""
PEAK = """
import re, sys
from misfire.cli.app import main
try:
    main(sys.argv[1:])
except SystemExit as stop:
    status = open("/proc/self/status").read()
    print("VmHWM", re.search(r"VmHWM:\\s+(\\d+) kB", status)[1])
    sys.exit(stop.code)
"""


def repeat_wav(job: Path, *, n_copies: int) -> Path:
    """Put the samples of `capture.wav` behind one another and give the job card again."""
    path = job.parent / "capture.wav"
    whole = path.read_bytes()
    start = whole.index(b"data") + 8
    header, samples = whole[: start - 4], whole[start:]
    size = len(samples) * n_copies
    with path.open("wb") as file:
        file.write(header[:4] + struct.pack("<I", size + start - 8) + header[8:])
        file.write(struct.pack("<I", size))
        for _ in range(n_copies):
            file.write(samples)
    return job


@pytest.fixture(scope="module")
def make(tmp_path_factory):
    """Give the job card of a recording of so many times six seconds, each made once."""
    made = {}

    def give(n_copies):
        if n_copies not in made:
            folder = tmp_path_factory.mktemp("long")
            job = make_recording(folder, n_cycles=40, channels=CHANNELS, wheel_card=WHEEL).job
            made[n_copies] = repeat_wav(job, n_copies=n_copies)
        return made[n_copies]

    return give


def find_peak_mb(path: Path, out: Path) -> float:
    """Diagnose in a process of its own and give the most memory it had resident."""
    command = [sys.executable, "-c", PEAK, "diagnose", str(path), "--quiet", "-o", str(out)]
    done = subprocess.run(command, capture_output=True, text=True, env=STEADY)
    assert done.returncode == 0, done.stderr
    return int(re.search(r"VmHWM (\d+)", done.stdout)[1]) / 1e3


@pytest.mark.skipif(not Path("/proc/self/status").is_file(), reason="VmHWM is told by Linux only")
@pytest.mark.parametrize("form", ["wav", "store"])
def test_memory_grows_with_the_events_only(make, tmp_path, form):
    peaks, sizes_mb = [], []
    for n_copies in (6, 48):
        path = make(n_copies)
        if form == "store":
            path = tmp_path / f"{n_copies}.h5"
            ingest(make(n_copies), path)
        peaks.append(find_peak_mb(path, tmp_path / str(n_copies)))
        n_rows = len(pd.read_parquet(tmp_path / str(n_copies) / "events.parquet"))
        n_teeth = 58 * n_rows / 2  # 60-2, two firings a revolution
        placed = n_teeth * TOOTH_BYTES + n_rows * PLACED_BYTES
        sizes_mb.append(max(placed, n_rows * ROW_BYTES) / 1e6)
    samples_mb = make(48).with_name("capture.wav").stat().st_size / 1e6
    room_mb = 0.1 * peaks[0] + sizes_mb[1]
    assert samples_mb > 2 * room_mb  # else this test could not tell
    assert peaks[1] <= peaks[0] + room_mb
    assert peaks[1] <= MOST_MB


def runs_within(limit_mb: float, path: Path, out: Path) -> bool:
    """Diagnose in a process that may use so many addresses; a lack of them is said in one line."""
    arguments = ["diagnose", str(path), "--quiet", "-o", str(out)]
    command = [sys.executable, "-c", LIMITED, str(int(limit_mb * 1e6)), *arguments]
    done = subprocess.run(command, capture_output=True, text=True, env=STEADY)
    return done.returncode == 0


@pytest.mark.skipif(sys.platform != "linux", reason="only Linux keeps to a limit of addresses")
@pytest.mark.parametrize("form", ["wav", "store"])
def test_a_long_recording_needs_the_addresses_of_a_short_one(make, tmp_path, form):
    paths = [make(6), make(96)]
    samples_mb = paths[1].with_name("capture.wav").stat().st_size / 1e6
    if form == "store":
        stored = [tmp_path / "short.h5", tmp_path / "long.h5"]
        for path, store in zip(paths, stored, strict=True):
            ingest(path, store)
        paths = stored
    least_mb = next(mb for mb in range(100, 1100, 100) if runs_within(mb, paths[0], tmp_path / "a"))
    assert least_mb > 100  # the limit holds: else this test could not tell
    room_mb = 300.0  # tables of the firings, and what threads and libraries reserve by chance
    assert samples_mb > 1.5 * room_mb
    assert runs_within(least_mb + room_mb, paths[1], tmp_path / "b")


def count_calls(job):
    """Measure; give the calls of functions that Python made, in all threads, and the firings."""
    n_calls = Counter()

    def note(frame, event, argument):
        if event in ("call", "c_call"):
            n_calls[threading.get_ident()] += 1

    recording = open_recording(job, hash_source=False)
    measure(recording)  # what is loaded once is no part of the count
    threading.setprofile(note)
    sys.setprofile(note)
    try:
        evidence = measure(recording)
    finally:
        sys.setprofile(None)
        threading.setprofile(None)
        recording.close()
    return n_calls.total(), evidence.firings.cylinder.size


def test_calls_grow_no_faster_than_the_recording(make):
    (n_6, _), (n_12, rows_12), (n_24, rows_24) = [count_calls(make(n)) for n in (6, 12, 24)]
    assert rows_24 == pytest.approx(2 * rows_12, rel=0.02)
    # twice the length adds twice the calls at most; a loop over firings would add many each
    assert n_24 - n_12 <= 2.2 * (n_12 - n_6)
    assert n_24 - n_12 <= 40 * (rows_24 - rows_12)


def count_reads(job):
    """Run the detection; give the sizes of all reads of each channel, and its length."""
    recording = open_recording(job, hash_source=False)
    sizes = defaultdict(list)

    def read(name, start, stop):
        sizes[name].append(stop - start)
        return recording.read(name, start, stop)

    detected = detect_events(replace(recording, read=read))
    recording.close()
    assert all(train.strokes.size for train in detected.trains)
    return sizes, {c.name: c.n_samples for c in recording.channels}


def test_each_channel_is_read_once_in_blocks(make):
    rows = [count_reads(make(n)) for n in (6, 12, 24)]
    for name in CHANNELS:
        n_samples = [lengths[name] for _, lengths in rows]
        n_read = [sum(sizes[name]) for sizes, _ in rows]
        n_calls = [len(sizes[name]) for sizes, _ in rows]
        assert n_samples[0] > SURVEY_SAMPLES  # the survey is whole in each
        # twice the length adds twice the reads; what the survey takes is the same
        assert (n_read[2] - n_read[1]) == pytest.approx(2 * (n_read[1] - n_read[0]), rel=0.02)
        assert n_calls[2] - n_calls[1] == pytest.approx(2 * (n_calls[1] - n_calls[0]), abs=2)
        for length, total in zip(n_samples, n_read, strict=True):
            assert length <= total <= 1.05 * length + SURVEY_SAMPLES
        assert max(max(sizes[name]) for sizes, _ in rows) <= BLOCK_SAMPLES + (1 << 16)


def test_each_chunk_is_decoded_once(make, tmp_path, monkeypatch):
    n_decoded, n_chunks = [], []
    for n_copies in (6, 24):
        path = tmp_path / f"{n_copies}.h5"
        ingest(make(n_copies), path)
        calls = []

        def count(data, n_samples, calls=calls, unpack=chunks.unpack):
            calls.append(n_samples)
            return unpack(data, n_samples)

        with monkeypatch.context() as patch:
            patch.setattr(chunks, "unpack", count)
            recording = open_recording(path)
            detect_events(recording)
            n_chunks.append(
                sum(-(-c.n_samples // chunks_of(recording, c)) for c in recording.channels)
            )
            recording.close()
        n_decoded.append(len(calls))
    surveyed = 3 * 64 * 2  # channels with a survey, its pieces, chunks a piece may lie in
    assert n_decoded[0] <= n_chunks[0] + surveyed
    assert n_decoded[1] - n_decoded[0] <= 1.2 * (n_chunks[1] - n_chunks[0]) + surveyed


def chunks_of(recording, channel):
    from misfire.align.storewriter import CHUNK_SAMPLES

    return min(CHUNK_SAMPLES, channel.n_samples)


def test_a_short_recording_loads_no_library_of_learning_or_filters(tmp_path):
    job = make_recording(tmp_path, n_cycles=12, channels=("primary 1", "crank")).job
    code = (
        "import sys\nfrom misfire.cli.app import main\n"
        "try:\n    main(sys.argv[1:])\nexcept SystemExit as stop:\n    assert not stop.code\n"
        "print(*sys.modules)"
    )
    command = [sys.executable, "-c", code, "diagnose", str(job), "--json"]
    done = subprocess.run(command, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    loaded = set(done.stdout.split("\n")[-2].split())
    assert "misfire.diagnosis.chain" in loaded
    assert loaded & {"scipy", "sklearn", "skops", "joblib", "jinja2", "rich.progress"} == set()
