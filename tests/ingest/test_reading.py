"""A job card and its files as one recording: clocks, scales, formats, what is left behind."""

import hashlib
import struct
import tempfile
import zipfile
from pathlib import Path

import h5py
import numpy as np
import pytest
import scipy.io.wavfile

from misfire.errors import FormatError, JobCardError, MisfireError
from misfire.ingest.reading import open_raw
from tests.builders.files import (
    FLOAT,
    make_chunk,
    make_hdf5,
    make_npy,
    make_npz,
    make_wav,
    write_job,
)

SAMPLES = (np.arange(400).reshape(200, 2) * 37 % 1000 - 500).astype("<i2")


def crank(**fields):
    return {"role": "crank", "file": "a.wav", "column": 0, "unit": "V"} | fields


def test_value_is_number_times_scale_plus_offset(tmp_path: Path) -> None:
    (tmp_path / "a.wav").write_bytes(make_wav(SAMPLES, rate_hz=44100))
    recording = open_raw(write_job(tmp_path, crank(column=1, scale=0.5, offset=-3.0)))
    (channel,) = recording.channels
    assert (channel.scale, channel.offset, channel.rate_hz) == (0.5, -3.0, 44100.0)
    assert np.array_equal(recording.read("crank", 0, 200), SAMPLES[:, 1])


@pytest.mark.parametrize(("dtype", "bits"), [("<i2", 16), ("u1", 8), ("<i4", 32), ("<f4", 32)])
def test_wav_agrees_with_scipy(dtype: str, bits: int, tmp_path: Path) -> None:
    samples = (SAMPLES % 200).astype(dtype)
    scipy.io.wavfile.write(tmp_path / "a.wav", 8000, samples)
    rate_hz, expected = scipy.io.wavfile.read(tmp_path / "a.wav")
    recording = open_raw(write_job(tmp_path, crank(column=1)))
    (channel,) = recording.channels
    assert channel.rate_hz == rate_hz
    values = recording.read("crank", 0, 200) * channel.scale + channel.offset
    assert np.array_equal(values, expected[:, 1])


def test_wav_of_24_bits_agrees_with_scipy(tmp_path: Path) -> None:
    samples = SAMPLES.astype("<i4")
    (tmp_path / "a.wav").write_bytes(make_wav(samples, bits=24))
    _, expected = scipy.io.wavfile.read(tmp_path / "a.wav")  # scipy puts the 24 bits on top
    recording = open_raw(write_job(tmp_path, crank()))
    assert np.array_equal(recording.read("crank", 0, 200), expected[:, 0] >> 8)


def test_wav_past_4_gb_is_read_in_place(tmp_path: Path) -> None:
    n = 2_200_000_000  # a sparse file of 4.4 GB
    head = make_wav(np.zeros((0, 1), "<i2"), rf64=True, data_size=2 * n)
    with (tmp_path / "a.wav").open("wb") as file:
        file.write(head)
        file.seek(len(head) + 2 * n - 4)
        file.write(struct.pack("<2h", 1234, -4321))
    recording = open_raw(write_job(tmp_path, crank()), hash_source=False)
    assert recording.channels[0].n_samples == n
    assert recording.read("crank", n - 3, n).tolist() == [0, 1234, -4321]
    assert recording.findings == ()


@pytest.mark.parametrize(
    ("data", "message"),
    [
        (b"RIFF\0\0\0\0AVI ", "is no WAV file"),
        (b"RIFF\x24\0\0\0WAVE", "ends before its format chunk"),
        (make_wav(SAMPLES[:0]), "holds no samples"),
        (make_wav(SAMPLES, tag=2), "coding 2 with 16 bits is not supported; export as PCM"),
        (make_wav(SAMPLES, tag=FLOAT), "coding 3 with 16 bits is not supported"),
        (make_wav(SAMPLES, rate_hz=0), "format chunk contradicts itself"),
        (b"RIFF\0\0\0\0WAVE" + make_chunk(b"data", b"\0" * 8), "no format chunk before its data"),
    ],
)
def test_wav_that_cannot_be_used(data: bytes, message: str, tmp_path: Path) -> None:
    (tmp_path / "a.wav").write_bytes(data)
    with pytest.raises(FormatError, match=r"a\.wav: .*" + message):
        open_raw(write_job(tmp_path, crank()))


@pytest.mark.parametrize(("size", "is_cut"), [(0, True), (0xFFFFFFFF, False), (10**6, True)])
def test_wav_whose_header_was_never_completed(size: int, is_cut: bool, tmp_path: Path) -> None:
    (tmp_path / "a.wav").write_bytes(make_wav(SAMPLES, data_size=size))
    recording = open_raw(write_job(tmp_path, crank()))
    assert recording.channels[0].n_samples == 200
    assert [finding.code for finding in recording.findings] == ["truncated"] * is_cut


def test_full_scale_of_integers_is_the_clip_level(tmp_path: Path) -> None:
    (tmp_path / "a.wav").write_bytes(make_wav((SAMPLES % 256).astype("u1")))
    channel = open_raw(write_job(tmp_path, crank())).channels[0]
    assert (channel.clip_low, channel.clip_high) == (0, 255)


def test_channels_of_one_file_share_one_clock(tmp_path: Path) -> None:
    for name in ("a.wav", "b.wav", "c.wav"):
        (tmp_path / name).write_bytes(make_wav(SAMPLES))
    recording = open_raw(
        write_job(
            tmp_path,
            crank(role="coil_current", file="b.wav"),
            crank(),
            crank(role="coil_primary", column=1),
            crank(role="cam", file="c.wav", start_s=0.25),
            crank(role="battery_voltage", file="c.wav", column=1),
        )
    )
    found = [(c.clock, c.start_s, c.clock_known) for c in recording.channels]
    assert found == [
        ("b.wav", 0.0, False),
        ("a.wav", 0.0, False),
        ("a.wav", 0.0, False),
        ("c.wav", 0.25, True),
        ("c.wav", 0.25, True),
    ]


def test_without_start_s_the_first_file_is_the_clock(tmp_path: Path) -> None:
    for name in ("a.wav", "b.wav"):
        (tmp_path / name).write_bytes(make_wav(SAMPLES))
    cards = (crank(role="coil_primary"), crank(file="b.wav"))
    recording = open_raw(write_job(tmp_path, *cards))
    assert [channel.clock_known for channel in recording.channels] == [True, False]


def test_job_card_wins_over_hdf5_attributes(tmp_path: Path) -> None:
    attrs = {"rate_hz": 5000.0, "scale": 0.5, "offset": 1.0, "unit": "A"}
    make_hdf5(tmp_path / "a.h5", in1=(SAMPLES[:, 0], attrs))
    card = {"role": "coil_current", "file": "a.h5", "column": "in1"}
    channel = open_raw(write_job(tmp_path, card)).channels[0]
    assert (channel.rate_hz, channel.scale, channel.offset) == (5000.0, 0.5, 1.0)
    assert channel.unit == "A"
    card |= {"rate_hz": 5000, "scale": 4.0, "offset": 0.0, "unit": "V"}
    channel = open_raw(write_job(tmp_path, card)).channels[0]
    assert (channel.rate_hz, channel.scale, channel.offset) == (5000.0, 4.0, 0.0)
    assert channel.unit == "V"


@pytest.mark.parametrize(
    ("attrs", "message"),
    [
        ({"rate_hz": 0.0}, "attribute rate_hz of /in1"),
        ({"rate_hz": "fast"}, "attribute rate_hz of /in1"),
        ({"rate_hz": 1.0, "scale": 0.0}, "attribute scale of /in1"),
        ({"rate_hz": 1.0, "offset": np.nan}, "attribute offset of /in1"),
    ],
)
def test_hdf5_attributes_that_cannot_be_used(attrs: dict, message: str, tmp_path: Path) -> None:
    make_hdf5(tmp_path / "a.h5", in1=(SAMPLES[:, 0], attrs))
    with pytest.raises(FormatError, match=message):
        open_raw(write_job(tmp_path, crank(file="a.h5", column="in1")))


@pytest.mark.parametrize(
    ("column", "message"),
    [
        ("scope/in2", r"'scope/in2' is no dataset of a.h5; did you mean \"scope/in1\""),
        ("scope", "'scope' is no dataset of a.h5"),
        (0, "0 is no dataset of a.h5; it has scope/in1, table, words"),
        ("table", r"has the shape \(200, 2\); store each channel as a dataset of one dimension"),
        ("words", "holds object, not real numbers"),
    ],
)
def test_hdf5_dataset_that_is_not_there(column: int | str, message: str, tmp_path: Path) -> None:
    with h5py.File(tmp_path / "a.h5", "w") as file:
        file["scope/in1"] = SAMPLES[:, 0]
        file["table"] = SAMPLES
        file["words"] = ["a", "b"]
    with pytest.raises(JobCardError, match=message):
        open_raw(write_job(tmp_path, crank(file="a.h5", column=column, rate_hz=10)))


def test_hdf5_damaged_and_unwritten_chunks_end_the_channel(tmp_path: Path) -> None:
    values = np.arange(1000, dtype="<i2")
    path = tmp_path / "a.h5"
    with h5py.File(path, "w") as file:
        packed = file.create_dataset("packed", data=values, chunks=(100,), compression="gzip")
        place = packed.id.get_chunk_info(6)
        part = file.create_dataset("part", shape=(1000,), dtype="<i2", chunks=(100,))
        part[:400] = values[:400]
    data = bytearray(path.read_bytes())
    data[place.byte_offset : place.byte_offset + place.size] = b"\xff" * place.size
    path.write_bytes(bytes(data))
    card = crank(file="a.h5", rate_hz=10)
    recording = open_raw(
        write_job(tmp_path, card | {"column": "packed"}, card | {"column": "part", "role": "cam"})
    )
    assert [channel.n_samples for channel in recording.channels] == [600, 400]
    assert recording.read("crank", 0, 600).tolist() == list(range(600))
    assert [finding.code for finding in recording.findings] == ["truncated", "truncated"]
    recording.close()


@pytest.mark.parametrize(
    ("file", "data", "column", "message"),
    [
        ("a.npy", make_npy(SAMPLES), 2, "2: a.npy has 2 columns"),
        ("a.npy", make_npy(SAMPLES), "x", "'x': a.npy has 2 columns"),
        ("a.npz", make_npz(in1=SAMPLES[:, 0].copy()), "in2", 'did you mean "in1"'),
        ("a.npz", make_npz(in1=SAMPLES[:, 0].copy()), 0, "0 is no variable of a.npz"),
        ("a.npz", make_npz(in1=SAMPLES), "in1", r"has the shape \(200, 2\)"),
    ],
)
def test_numpy_column_that_is_not_there(
    file: str, data: bytes, column: int | str, message: str, tmp_path: Path
) -> None:
    (tmp_path / file).write_bytes(data)
    with pytest.raises(JobCardError, match=message):
        open_raw(write_job(tmp_path, crank(file=file, column=column, rate_hz=10)))


@pytest.mark.parametrize("kind", ["npy", "npz"])
def test_python_objects_are_never_loaded(kind: str, tmp_path: Path) -> None:
    values = np.array([{"a": 1}], dtype=object)
    if kind == "npy":
        np.save(tmp_path / "a.npy", values)
    else:
        np.savez(tmp_path / "a.npz", x=values)
    column = 0 if kind == "npy" else "x"
    with pytest.raises(FormatError, match="holds object, not real numbers"):
        open_raw(write_job(tmp_path, crank(file=f"a.{kind}", column=column, rate_hz=10)))


@pytest.mark.parametrize("dtype", ["<c8", "<U3", "<M8[s]"])
def test_types_that_are_no_numbers(dtype: str, tmp_path: Path) -> None:
    np.save(tmp_path / "a.npy", np.zeros(5, dtype))
    with pytest.raises(FormatError, match="not real numbers"):
        open_raw(write_job(tmp_path, crank(file="a.npy", rate_hz=10)))


def test_infinite_floats_become_clip_counts(tmp_path: Path) -> None:
    values = np.array([0.0, 0.5, np.inf, 1.0, -np.inf, -1.0, np.nan, 0.5])
    (tmp_path / "a.npy").write_bytes(make_npy(values))
    recording = open_raw(write_job(tmp_path, crank(file="a.npy", rate_hz=10)))
    (channel,) = recording.channels
    counts = recording.read("crank", 0, 8)
    assert np.flatnonzero(counts >= channel.clip_high).tolist() == [2]
    assert np.flatnonzero(counts <= channel.clip_low).tolist() == [4, 6]
    assert (counts[[0, 1, 3, 5]] * channel.scale).tolist() == [0.0, 0.5, 1.0, -1.0]
    assert [finding.code for finding in recording.findings] == ["over_range"]


def test_nothing_but_nan(tmp_path: Path) -> None:
    (tmp_path / "a.npy").write_bytes(make_npy(np.full(5, np.nan)))
    with pytest.raises(FormatError, match=r"a\.npy: .*not one of its 5 samples is a number"):
        open_raw(write_job(tmp_path, crank(file="a.npy", rate_hz=10)))


def test_one_sample_is_no_recording(tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_text("time,crank\n0.0,1.2\n")
    with pytest.raises(JobCardError, match=r"file: a\.csv holds one sample; record or export"):
        open_raw(write_job(tmp_path, crank(file="a.csv", column=1)))


def test_file_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(JobCardError, match=r'1 \("crank"\) file: ".*a.wav" does not exist; put'):
        open_raw(write_job(tmp_path, crank()))
    (tmp_path / "a.wav").mkdir()
    with pytest.raises(JobCardError, match="is a folder; name the file in it"):
        open_raw(write_job(tmp_path, crank()))


def test_hash_is_over_card_and_files(tmp_path: Path) -> None:
    data = [make_wav(SAMPLES), make_wav(SAMPLES[::-1])]
    for name, content in zip(("a.wav", "b.wav"), data, strict=True):
        (tmp_path / name).write_bytes(content)
    job = write_job(tmp_path, crank(), crank(role="cam", file="b.wav"), crank(role="cam", column=1))
    expected = hashlib.sha256(job.read_bytes() + data[0] + data[1]).hexdigest()
    assert open_raw(job).sha256 == expected
    assert open_raw(job, hash_source=False).sha256 == ""


@pytest.mark.parametrize("good", [True, False])
def test_temporary_files_go(good: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    scratch = tmp_path / "scratch"
    scratch.mkdir()
    monkeypatch.setattr(tempfile, "tempdir", str(scratch))
    rows = "".join(f"{i / 10},{i}\n" for i in range(50))
    (tmp_path / "a.csv").write_text("t,a\n" + rows + ("" if good else "5.0,x\n6.0,1\n"))
    job = write_job(tmp_path, crank(file="a.csv", column=1))
    if good:
        recording = open_raw(job)
        assert len(list(scratch.glob("misfire-*/*"))) == 1  # the counts; the floats are gone
        recording.close()
        recording.close()  # twice does no harm
    else:
        with pytest.raises(MisfireError, match="'x'"):
            open_raw(job)
    assert list(scratch.iterdir()) == []


def test_progress_is_told(tmp_path: Path) -> None:
    rows = "".join(f"{i / 10},{i}\n" for i in range(50))
    (tmp_path / "a.csv").write_text("t,a\n" + rows)
    told: list[tuple[str, float]] = []
    open_raw(
        write_job(tmp_path, crank(file="a.csv", column=1)),
        progress=lambda stage, share: told.append((stage, share)),
    )
    assert ("read text", 1.0) in told
    assert ("hash", 1.0) in told
    assert all(0 <= share <= 1 for _, share in told)


def test_archives_that_are_no_npz(tmp_path: Path) -> None:
    """APPNOTE 4.4: "version needed to extract" stands 6 bytes into the central header."""
    job = write_job(tmp_path, {"role": "crank", "file": "a.npz", "column": "in1", "rate_hz": 9})
    data = bytearray(make_npz(in1=np.arange(5)))
    data[data.index(b"PK\1\2") + 6] = 84
    (tmp_path / "a.npz").write_bytes(bytes(data))
    with pytest.raises(FormatError, match=r"a\.npz: is cut short or no NPZ file"):
        open_raw(job)
    with zipfile.ZipFile(tmp_path / "a.npz", "w", zipfile.ZIP_BZIP2) as archive:
        archive.writestr("in1.npy", make_npy(np.zeros(10**6)))
    assert (tmp_path / "a.npz").stat().st_size < 1000  # 8 MB come out of it
    with pytest.raises(FormatError, match=r"a\.npz: variable 'in1': cannot be unpacked"):
        open_raw(job)
