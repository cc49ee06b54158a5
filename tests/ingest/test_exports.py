"""What is peculiar to MAT, MDF, Parquet and sound files."""

import importlib
import struct
import sys
import tracemalloc
from pathlib import Path

import numpy as np
import pytest
import scipy.io

from misfire.errors import FormatError, JobCardError
from misfire.ingest.reading import open_raw
from tests.builders.exports import (
    make_mat,
    make_mdf,
    make_parquet,
    make_sound,
    make_w64,
)
from tests.builders.files import write_job

SAMPLES = (np.arange(400).reshape(200, 2) * 37 % 1000 - 500).astype("<i2")
LONG = (np.random.default_rng(1).normal(size=40_000) * 3000).astype("<i2")


def crank(file, column: int | str = "in1", **fields):
    return {"role": "crank", "file": file, "column": column, "unit": "V"} | fields


def values_of(recording):
    (channel,) = recording.channels
    return recording.read(channel.name, 0, channel.n_samples) * channel.scale + channel.offset


class TestMat:
    def test_every_kind_of_number_and_both_forms(self, tmp_path: Path) -> None:
        # scipy writes whole doubles as doubles; the maker's program narrows them, see below
        for compressed in (False, True):
            for kind in ("i1", "u1", "i2", "u2", "i4", "f4", "f8"):
                values = np.arange(100).astype(kind)
                (tmp_path / "a.mat").write_bytes(make_mat(compressed, in1=values, rate_hz=50.0))
                recording = open_raw(write_job(tmp_path, crank("a.mat")))
                assert values_of(recording).tolist() == list(range(100))
                assert recording.channels[0].rate_hz == 50.0
                recording.close()

    @pytest.mark.parametrize("order", ["<", ">"])
    def test_doubles_kept_in_fewer_bytes_and_either_order(self, order: str, tmp_path: Path) -> None:
        # built by hand: class double (6), numbers stored as 16 bits (type 3)
        numbers = np.arange(-5, 5, dtype=order + "i2")
        body = struct.pack(order + "IIII", 6, 8, 6, 0)  # flags
        body += struct.pack(order + "IIii", 5, 8, 10, 1)  # shape
        body += struct.pack(order + "I", 3 << 16 | 1) + b"in1\0"  # name in the small form
        body += struct.pack(order + "II", 3, 20) + numbers.tobytes() + b"\0" * 4
        mark = b"IM" if order == "<" else b"MI"
        head = b"MATLAB 5.0 MAT-file".ljust(124) + struct.pack(order + "H", 0x0100) + mark
        (tmp_path / "a.mat").write_bytes(head + struct.pack(order + "II", 14, len(body)) + body)
        expected = scipy.io.loadmat(tmp_path / "a.mat")["in1"].ravel()
        recording = open_raw(write_job(tmp_path, crank("a.mat", rate_hz=10)))
        assert values_of(recording).tolist() == expected.tolist() == list(range(-5, 5))

    @pytest.mark.parametrize(
        ("values", "message"),
        [
            ("words", "holds text, not real numbers"),
            ({"deep": np.arange(3)}, "holds a structure, not real numbers"),
            (np.arange(3) * 1j, "holds complex numbers, not real numbers"),
            (SAMPLES, r"has the shape \(200, 2\); save each"),
        ],
    )
    def test_variables_that_are_no_channel(self, values, message: str, tmp_path: Path) -> None:
        (tmp_path / "a.mat").write_bytes(make_mat(in1=values))
        with pytest.raises(JobCardError, match=message):
            open_raw(write_job(tmp_path, crank("a.mat", rate_hz=10)))

    def test_variable_that_is_not_there(self, tmp_path: Path) -> None:
        (tmp_path / "a.mat").write_bytes(make_mat(in1=SAMPLES[:, :1]))
        with pytest.raises(JobCardError, match=r"'in2' is no variable of a.mat; did you mean"):
            open_raw(write_job(tmp_path, crank("a.mat", "in2", rate_hz=10)))


@pytest.mark.parametrize("form", ["mat", "parquet"])
def test_packed_files_are_unpacked_in_little_memory(form: str, tmp_path: Path) -> None:
    n = 20_000_000  # 40 MB
    values = np.tile(LONG, n // LONG.size)
    if form == "mat":
        data = make_mat(in1=values)
    else:
        data = make_parquet({"in1": values}, row_group_size=1 << 20)
    (tmp_path / f"a.{form}").write_bytes(data)
    del data
    job = write_job(tmp_path, crank(f"a.{form}", rate_hz=1e5))
    open_raw(job, hash_source=False).close()  # whatever is loaded once
    tracemalloc.start()
    recording = open_raw(job, hash_source=False)
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert peak < 8e6
    assert recording.channels[0].n_samples == n
    assert np.array_equal(recording.read("crank", n - 1000, n), values[-1000:])
    recording.close()


class TestParquet:
    def test_gap_in_time_keeps_the_longest_piece(self, tmp_path: Path) -> None:
        time = np.arange(200) / 100
        time[150:] += 1.0
        table = {"Time [s]": time, "in1 [mV]": SAMPLES[:, 0].astype("f8")}
        (tmp_path / "a.parquet").write_bytes(make_parquet(table))
        recording = open_raw(write_job(tmp_path, {**crank("a.parquet", "in1 [mV]")}))
        assert values_of(recording) == pytest.approx(SAMPLES[:150, 0] * 1e-3, abs=1e-12)
        assert {finding.code for finding in recording.findings} == {"gaps", "unit"}

    def test_empty_cells_of_floats_are_over_range(self, tmp_path: Path) -> None:
        table = {"in1": np.array([1.0, 2.0, np.nan, 3.0])}
        (tmp_path / "a.parquet").write_bytes(make_parquet(table))
        recording = open_raw(write_job(tmp_path, crank("a.parquet", rate_hz=10)))
        assert [finding.code for finding in recording.findings] == ["over_range"]

    @pytest.mark.parametrize(
        ("column", "message"), [("in2", "'in2' is no column of a.parquet; did you"), (7, "7 is no")]
    )
    def test_column_that_is_not_there(self, column, message: str, tmp_path: Path) -> None:
        (tmp_path / "a.parquet").write_bytes(make_parquet({"in1": SAMPLES[:, 0]}))
        with pytest.raises(JobCardError, match=message):
            open_raw(write_job(tmp_path, crank("a.parquet", column, rate_hz=10)))

    def test_words(self, tmp_path: Path) -> None:
        (tmp_path / "a.parquet").write_bytes(make_parquet({"in1": np.array(["a", "b"])}))
        with pytest.raises(FormatError, match="holds string, not numbers"):
            open_raw(write_job(tmp_path, crank("a.parquet", rate_hz=10)))


class TestSound:
    @pytest.mark.parametrize("share", [0.9, 0.5])
    def test_flac_cut_short_is_used_as_far_as_it_goes(self, share: float, tmp_path: Path) -> None:
        pytest.importorskip("soundfile", reason="an extra that is not installed")
        data = make_sound(LONG[:, None], form="FLAC", coding="PCM_16")
        (tmp_path / "a.flac").write_bytes(data[: int(share * len(data))])
        recording = open_raw(write_job(tmp_path, crank("a.flac", 0)))
        values = values_of(recording)
        assert (share - 0.15) * LONG.size < values.size < LONG.size  # whole frames of 4096
        assert np.array_equal(values, LONG[: values.size])
        assert [finding.code for finding in recording.findings] == ["truncated"]

    def test_lossy_coding_is_refused(self, tmp_path: Path) -> None:
        soundfile = pytest.importorskip("soundfile", reason="an extra that is not installed")
        soundfile.write(tmp_path / "a.ogg", LONG / 32768, 8000, format="OGG", subtype="VORBIS")
        with pytest.raises(FormatError, match="VORBIS loses parts of the waveform"):
            open_raw(write_job(tmp_path, crank("a.ogg", 0)))

    @pytest.mark.parametrize("size", [0, 10**6])
    def test_w64_whose_header_is_wrong(self, size: int, tmp_path: Path) -> None:
        data = make_w64(SAMPLES, data_size=size)
        (tmp_path / "a.w64").write_bytes(data)
        recording = open_raw(write_job(tmp_path, crank("a.w64", 1)))
        assert np.array_equal(values_of(recording), SAMPLES[:, 1])
        assert [finding.code for finding in recording.findings] == ["truncated"]

    def test_w64_as_the_library_writes_it(self, tmp_path: Path) -> None:
        soundfile = pytest.importorskip("soundfile", reason="an extra that is not installed")
        soundfile.write(tmp_path / "a.w64", SAMPLES, 44100, format="W64", subtype="PCM_16")
        recording = open_raw(write_job(tmp_path, crank("a.w64", 1)))
        assert np.array_equal(values_of(recording), SAMPLES[:, 1])
        assert recording.channels[0].rate_hz == 44100


class TestMdf:
    def test_time_that_does_not_begin_at_zero(self, tmp_path: Path) -> None:
        pytest.importorskip("asammdf", reason="an extra that is not installed")
        path = tmp_path / "a.mf4"
        path.write_bytes(make_mdf(path, {"in1": SAMPLES[:, 0]}, start_s=1.5, unit="mV"))
        recording = open_raw(write_job(tmp_path, crank("a.mf4")))
        assert recording.channels[0].start_s == pytest.approx(1.5)
        assert values_of(recording) == pytest.approx(SAMPLES[:, 0] * 1e-3)

    def test_channel_that_is_not_there(self, tmp_path: Path) -> None:
        pytest.importorskip("asammdf", reason="an extra that is not installed")
        path = tmp_path / "a.mf4"
        path.write_bytes(make_mdf(path, {"in1": SAMPLES[:, 0]}))
        with pytest.raises(JobCardError, match=r"'in2' is no channel of a.mf4; did you mean"):
            open_raw(write_job(tmp_path, crank("a.mf4", "in2")))


@pytest.mark.parametrize(
    ("library", "start", "extra"),
    [
        ("asammdf", b"MDF     4.10    ", "`pip install asammdf`.* extra `mdf`"),
        ("soundfile", b"fLaC", "`pip install soundfile`.* extra `wav`"),
    ],
)
def test_library_that_is_not_installed(
    library: str, start: bytes, extra: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, library, None)  # as Python itself does it: import fails
    with pytest.raises(ImportError):
        importlib.import_module(library)
    (tmp_path / "a.bin").write_bytes(start + b"\0" * 300)
    with pytest.raises(FormatError, match=rf"a\.bin: needs the library {library}.*{extra}"):
        open_raw(write_job(tmp_path, crank("a.bin", 0)))
