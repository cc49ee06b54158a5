"""The HDF5 recording: round trip of every scenario, other programs' view, damage."""

import json
import os
from dataclasses import replace
from pathlib import Path

import h5py
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from misfire.align.store import has_signature, open_store
from misfire.align.storewriter import CHUNK_SAMPLES, CODINGS, write_store
from misfire.errors import ChannelError, FormatError, OutputError, ParameterError
from misfire.ingest.reading import open_raw
from misfire.records import LEVEL_FIELDS, Channel, Finding, Recording
from tests.builders.files import SCENARIOS, Scenario, make_wav, write_job

FULL = """
[vehicle]
id = "bench-7"
note = "ölig"

[engine]
cylinders = 4
firing_order = [1, 3, 4, 2]
ignition = "wasted_spark"
coil_turns_ratio = 80

[crank_wheel]
positions = 36
gaps = [[17, 18], [20, 21], [35, 36]]
tdc_deg = 84.0
sensor = "hall"

[cam]
edge_deg = 312.0
"""


def make_recording(folder: Path, n: int = 700_000) -> Recording:
    """Two sampled channels and a logic channel, counts over the whole range."""
    counts = np.random.default_rng(6).integers(-32768, 32768, n).astype(np.int16)
    short = np.arange(1000, dtype=np.int16)
    levels = np.array([(0.5, 1), (0.75, 0)], LEVEL_FIELDS)
    base = {"unit": "V", "scale": 0.1, "offset": -0.3, "rate_hz": 1e5, "start_s": 0.125}
    channels = (
        Channel("coil/1: \u00e4", "coil_primary", **base, n_samples=n, cylinders=(1, 4), clock="a"),
        Channel("cam", "cam", **base, n_samples=0, clock="b", is_levels=True, clock_known=False),
        Channel("coil_1_ _", "crank", **base, n_samples=1000, clip_low=-7, clip_high=999),
    )
    card = {"role": "crank", "file": "a.wav", "column": 0}
    (folder / "a.wav").write_bytes(make_wav(np.zeros((5, 1), "<i2")))
    raw = open_raw(write_job(folder, card, head=FULL))
    return replace(
        raw,
        channels=channels,
        read=lambda name, start, stop: (counts if "/" in name else short)[start:stop],
        read_levels=lambda name: levels,
        findings=(Finding("gaps", "warning", "there is a gap", "cam"),),
    )


@pytest.mark.parametrize("coding", CODINGS)
@pytest.mark.parametrize("scenario", SCENARIOS, ids=lambda scenario: scenario.name)
def test_round_trip_is_bit_identical(scenario: Scenario, coding: str, tmp_path: Path) -> None:
    raw_path = tmp_path / scenario.file
    raw_path.write_bytes(scenario.make(raw_path))
    cards = [
        {"role": "crank", "file": scenario.file, "column": column, "name": f"c{i}"}
        | ({"rate_hz": scenario.rate_hz} if scenario.rate_hz else {})
        for i, (column, _) in enumerate(scenario.columns)
    ]
    raw = open_raw(write_job(tmp_path, *cards))
    write_store(raw, tmp_path / "rec.h5", coding=coding)
    stored = open_store(tmp_path / "rec.h5")
    assert stored.channels == raw.channels
    assert stored.findings == raw.findings
    assert stored.sha256 == raw.sha256
    assert replace(stored.job, folder=raw.job.folder) == raw.job
    for channel in raw.channels:
        n = channel.n_samples
        counts = stored.read(channel.name, 0, n)
        assert counts.dtype == np.int16
        assert np.array_equal(counts, raw.read(channel.name, 0, n))
        assert np.array_equal(stored.read(channel.name, n // 3, n // 2), counts[n // 3 : n // 2])
    raw.close()
    stored.close()


def test_everything_about_a_recording_comes_back(tmp_path: Path) -> None:
    recording = make_recording(tmp_path)
    write_store(recording, tmp_path / "rec.h5")
    stored = open_store(tmp_path / "rec.h5")
    assert stored.channels == recording.channels
    assert stored.findings == recording.findings
    assert stored.job == replace(recording.job, folder=tmp_path)
    assert stored.job.note == "ölig"
    assert stored.path == tmp_path / "rec.h5"
    assert stored.read_levels("cam").tolist() == [(0.5, 1), (0.75, 0)]
    for name in ("coil/1: ä", "coil_1_ _"):
        n = 700_000 if "/" in name else 1000
        assert np.array_equal(stored.read(name, 0, n), recording.read(name, 0, n))
    stored.close()


@pytest.fixture(scope="module")
def stored(tmp_path_factory: pytest.TempPathFactory):
    folder = tmp_path_factory.mktemp("store")
    recording = make_recording(folder)
    write_store(recording, folder / "rec.h5")
    opened = open_store(folder / "rec.h5")
    yield opened, recording.read("coil/1: ä", 0, 700_000)
    opened.close()


@settings(max_examples=150, deadline=None)
@given(st.integers(0, 700_000), st.integers(0, 700_000))
def test_any_slice(stored, start: int, stop: int) -> None:
    recording, counts = stored
    start, stop = sorted((start, stop))
    assert np.array_equal(recording.read("coil/1: ä", start, stop), counts[start:stop])


@pytest.mark.parametrize("at", [0, CHUNK_SAMPLES - 1, CHUNK_SAMPLES, 2 * CHUNK_SAMPLES, 699_999])
def test_slices_at_the_edges_of_chunks(stored, at: int) -> None:
    recording, counts = stored
    for start, stop in ((at, at), (at, at + 1), (max(at - 1, 0), at + 1)):
        assert np.array_equal(recording.read("coil/1: ä", start, stop), counts[start:stop])


def test_reading_what_is_not_there(stored) -> None:
    recording, _ = stored
    with pytest.raises(ParameterError, match="need 0 <= start <= stop <= 700000, got 5, 700001"):
        recording.read("coil/1: ä", 5, 700_001)
    with pytest.raises(ChannelError, match="no channel 'x'; there are coil/1"):
        recording.read("x", 0, 1)
    with pytest.raises(ChannelError, match="'cam' is stored as level changes"):
        recording.read("cam", 0, 1)
    with pytest.raises(ChannelError, match="'coil_1_ _' is stored as samples"):
        recording.read_levels("coil_1_ _")


def test_counts_are_the_callers_own(stored) -> None:
    recording, counts = stored
    recording.read("coil/1: ä", 0, 100)[:] = 0
    recording.read_levels("cam")["level"] = 5
    assert np.array_equal(recording.read("coil/1: ä", 0, 100), counts[:100])
    assert recording.read_levels("cam")["level"].tolist() == [1, 0]


def test_plain_h5py_reads_the_file(tmp_path: Path) -> None:
    recording = make_recording(tmp_path)
    write_store(recording, tmp_path / "rec.h5")
    with h5py.File(tmp_path / "rec.h5") as file:
        assert file.attrs["schema"] == "misfire-recording/1"
        assert file.attrs["vehicle"] == "bench-7"
        assert file.attrs["source_sha256"] == recording.sha256
        assert file.attrs["written_by"].startswith("misfire ")
        assert file["job_card"].asstr()[()] == recording.job.text
        assert json.loads(file["findings"].asstr()[()])[0]["code"] == "gaps"
        assert sorted(file["channels"]) == ["coil_1_ _", "coil_1_ _ 2"]
        dataset = next(d for d in file["channels"].values() if d.attrs["name"] == "coil/1: ä")
        assert (dataset.dtype, dataset.chunks) == (np.dtype("<i2"), (CHUNK_SAMPLES,))
        assert (dataset.compression, dataset.compression_opts, dataset.shuffle) == ("gzip", 1, True)
        assert np.array_equal(dataset[()], recording.read("coil/1: ä", 0, 700_000))
        assert dataset.attrs["scale"] == 0.1
        assert dataset.attrs["cylinders"].tolist() == [1, 4]


@pytest.mark.parametrize(
    "coding", [{}, {"chunks": (999,)}, {"chunks": (999,), "compression": "lzf"}]
)
def test_file_coded_anew_by_another_program(coding: dict, tmp_path: Path) -> None:
    recording = make_recording(tmp_path)
    write_store(recording, tmp_path / "rec.h5")
    with h5py.File(tmp_path / "rec.h5", "r+") as file:
        for name, dataset in list(file["channels"].items()):
            values, attrs = dataset[()], dict(dataset.attrs)
            del file["channels"][name]
            file["channels"].create_dataset(name, data=values, **coding).attrs.update(attrs)
    stored = open_store(tmp_path / "rec.h5")
    assert np.array_equal(stored.read("coil/1: ä", 5, 5000), recording.read("coil/1: ä", 5, 5000))
    stored.close()


def test_long_job_card(tmp_path: Path) -> None:
    recording = make_recording(tmp_path, 10)
    job = replace(recording.job, text=recording.job.text + "# " + "x" * 200_000)
    write_store(replace(recording, job=job), tmp_path / "rec.h5")
    stored = open_store(tmp_path / "rec.h5")
    assert stored.job.text == job.text
    stored.close()


@pytest.mark.parametrize("coding", CODINGS)
def test_failing_run_leaves_what_was_there(coding: str, tmp_path: Path) -> None:
    recording = make_recording(tmp_path)
    path = tmp_path / "rec.h5"
    write_store(recording, path)
    before, names = path.read_bytes(), sorted(os.listdir(tmp_path))

    def fail(name: str, start: int, stop: int):
        if start:
            raise FormatError("a.wav: breaks off")
        return recording.read(name, start, stop)

    with pytest.raises(FormatError, match="breaks off"):
        write_store(replace(recording, read=fail), path, coding=coding)
    assert path.read_bytes() == before
    assert sorted(os.listdir(tmp_path)) == names


def test_places_that_cannot_be_written(tmp_path: Path) -> None:
    recording = make_recording(tmp_path, 10)
    with pytest.raises(
        OutputError, match=r"rec.h5: cannot be written .*; give a folder that exists"
    ):
        write_store(recording, tmp_path / "nowhere" / "rec.h5")
    with pytest.raises(OutputError, match="is a folder; give the name of a file"):
        write_store(recording, tmp_path)
    before = (tmp_path / "a.wav").read_bytes()
    with pytest.raises(OutputError, match="is a file that this recording is read from"):
        write_store(recording, tmp_path / "a.wav")
    with pytest.raises(OutputError, match="is a file that this recording is read from"):
        write_store(recording, tmp_path / "job.toml")
    assert (tmp_path / "a.wav").read_bytes() == before


def test_unknown_coding_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ParameterError, match="one of deflate, none, got 'lzf'"):
        write_store(make_recording(tmp_path, 10), tmp_path / "rec.h5", coding="lzf")


@pytest.mark.parametrize("coding", CODINGS)
@pytest.mark.parametrize("share", [0.0, 0.02, 0.5, 0.999])
def test_file_cut_short_is_refused(share: float, coding: str, tmp_path: Path) -> None:
    path = tmp_path / "rec.h5"
    write_store(make_recording(tmp_path), path, coding=coding)
    data = path.read_bytes()
    path.write_bytes(data[: int(len(data) * share)])
    with pytest.raises(FormatError, match=r"rec.h5: .*run `misfire ingest` again"):
        open_store(path)


def test_damaged_chunk_is_named_with_its_time(tmp_path: Path) -> None:
    path = tmp_path / "rec.h5"
    write_store(make_recording(tmp_path), path)
    with h5py.File(path) as file:
        dataset = next(d for d in file["channels"].values() if d.shape[0] > 1000)
        place = dataset.id.get_chunk_info(1)
    data = bytearray(path.read_bytes())
    data[place.byte_offset + 500 : place.byte_offset + 5000] = b"\xff" * 4500
    path.write_bytes(bytes(data))
    stored = open_store(path)
    assert stored.read("coil/1: ä", 0, 1000).size == 1000
    with pytest.raises(FormatError, match=r"'coil/1: ä': cannot be read from 2.621 s on"):
        stored.read("coil/1: ä", 0, 300_000)
    stored.close()


def test_other_files_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "rec.h5"
    with pytest.raises(FormatError, match="no such file; give a recording"):
        open_store(path)
    for data in (b"", b"RIFF", bytes(range(256)) * 40):
        path.write_bytes(data)
        assert not has_signature(path)
        with pytest.raises(FormatError, match="cannot be opened as HDF5"):
            open_store(path)
    with h5py.File(path, "w") as file:
        file["in1"] = np.zeros(5)
    with pytest.raises(FormatError, match="no recording of ours; describe it in a job card"):
        open_store(path)


@pytest.mark.parametrize(
    "spoil",
    [
        lambda file: file.attrs.__setitem__("schema", "misfire-recording/9"),
        lambda file: file.__delitem__("job_json"),
        lambda file: file.__delitem__("findings"),
        lambda file: file.__delitem__("channels"),
        lambda file: file.attrs.__delitem__("source_sha256"),
        lambda file: file["channels/coil_1_ _"].attrs.__delitem__("scale"),
        lambda file: file["channels/coil_1_ _"].attrs.__setitem__("rate_hz", "fast"),
        lambda file: file["channels"].create_group("more"),
        lambda file: (file.__delitem__("job_json"), file.__setitem__("job_json", "[1]")),
        lambda file: (file.__delitem__("job_json"), file.__setitem__("job_json", "{")),
        lambda file: (file.__delitem__("levels"), file.__setitem__("levels", 5)),
    ],
    ids=range(11),
)
def test_file_changed_by_another_hand(spoil, tmp_path: Path) -> None:
    path = tmp_path / "rec.h5"
    write_store(make_recording(tmp_path, 10), path)
    open_store(path).close()
    with h5py.File(path, "r+") as file:
        spoil(file)
    with pytest.raises(FormatError, match=r"rec.h5: .*run `misfire ingest` again"):
        open_store(path)


def test_flipped_bytes_never_end_in_a_traceback(tmp_path: Path) -> None:
    path = tmp_path / "rec.h5"
    write_store(make_recording(tmp_path, 3000), path)
    good = path.read_bytes()
    rng = np.random.default_rng(9)
    for _ in range(150):
        data = bytearray(good)
        for place in rng.integers(0, len(data), 4):
            data[place] = int(rng.integers(256))
        path.write_bytes(bytes(data))
        try:
            stored = open_store(path)
            for channel in stored.channels:
                if not channel.is_levels:
                    stored.read(channel.name, 0, channel.n_samples)
            stored.close()
        except FormatError:
            continue


def test_progress_is_told(tmp_path: Path) -> None:
    told: list[tuple[str, float]] = []
    recording = make_recording(tmp_path)
    write_store(recording, tmp_path / "rec.h5", progress=lambda *step: told.append(step))
    assert told[-1] == ("write", 1.0)
    assert len(told) == 4
