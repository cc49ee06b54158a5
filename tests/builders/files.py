"""Raw files of every format, made in the test from known numbers."""

import gzip
import io
import json
import struct
import zipfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import h5py
import numpy as np
from numpy.typing import NDArray

from tests.builders.exports import (
    make_mat,
    make_mat73,
    make_mdf,
    make_parquet,
    make_sound,
    make_w64,
)

ENGINE = """
[vehicle]
id = "bench-7"

[engine]
cylinders = 4
firing_order = [1, 3, 4, 2]
ignition = "coil_on_plug"
"""

PCM, FLOAT, EXTENSIBLE = 1, 3, 0xFFFE


def write_job(folder: Path, *channels: dict[str, Any], head: str = ENGINE) -> Path:
    """Write a job card; TOML and JSON agree on numbers, texts and lists."""
    text = head
    for channel in channels:
        text += "\n[[channel]]\n"
        text += "".join(f"{key} = {json.dumps(value)}\n" for key, value in channel.items())
    path = folder / "job.toml"
    path.write_text(text, encoding="utf-8")
    return path


def make_chunk(name: bytes, body: bytes, *, size: int | None = None) -> bytes:
    """Build a RIFF chunk, padded to an even length."""
    n_bytes = len(body) if size is None else size
    return name + struct.pack("<I", n_bytes) + body + b"\0" * (len(body) % 2)


def make_wav(
    samples: NDArray[Any],
    *,
    rate_hz: int = 8000,
    bits: int | None = None,
    tag: int = PCM,
    extensible: bool = False,
    rf64: bool = False,
    before: bytes = b"",
    data_size: int | None = None,
) -> bytes:
    """Build a WAV file byte by byte; `samples` [shape=(n, n_channels)]."""
    n_channels = samples.shape[1]
    bits = bits or samples.dtype.itemsize * 8
    if bits == 24:
        wide = samples.astype("<i4").reshape(-1, 1).view(np.uint8)
        data = wide[:, :3].tobytes()
    else:
        data = samples.astype(samples.dtype.newbyteorder("<")).tobytes()
    align = n_channels * bits // 8
    first = EXTENSIBLE if extensible else tag
    body = struct.pack("<HHIIHH", first, n_channels, rate_hz, rate_hz * align, align, bits)
    if extensible:
        guid = struct.pack("<H", tag) + bytes.fromhex("000000001000800000aa00389b71")
        body += struct.pack("<HHI", 22, bits, 0) + guid
    size = len(data) if data_size is None else data_size
    chunks = make_chunk(b"fmt ", body) + before
    if rf64:
        ds64 = struct.pack("<QQQI", 0, size, samples.shape[0], 0)
        chunks = make_chunk(b"ds64", ds64) + chunks
        size = 0xFFFFFFFF
    chunks += make_chunk(b"data", data, size=size)
    total = 0xFFFFFFFF if rf64 else len(chunks) + 4
    return (b"RF64" if rf64 else b"RIFF") + struct.pack("<I", total) + b"WAVE" + chunks


def make_npy(values: NDArray[Any]) -> bytes:
    """Build an NPY file of format 1.0 byte by byte."""
    fortran = values.ndim > 1 and values.flags.f_contiguous
    header = (
        f"{{'descr': '{values.dtype.str}', 'fortran_order': {fortran}, 'shape': {values.shape}, }}"
    )
    header += " " * (-(len(header) + 11) % 64) + "\n"
    start = b"\x93NUMPY\x01\x00" + struct.pack("<H", len(header)) + header.encode()
    return start + values.tobytes(order="A")


def make_npz(compressed: bool = True, **arrays: NDArray[Any]) -> bytes:
    """Build an NPZ archive."""
    file = io.BytesIO()
    kind = zipfile.ZIP_DEFLATED if compressed else zipfile.ZIP_STORED
    with zipfile.ZipFile(file, "w", kind) as archive:
        for name, values in arrays.items():
            archive.writestr(f"{name}.npy", make_npy(values))
    return file.getvalue()


def make_hdf5(path: Path, *, layout: dict[str, Any] | None = None, **arrays: Any) -> bytes:
    """Build an HDF5 file; a value is an array, or an array and its attributes."""
    with h5py.File(path, "w") as file:
        for name, values in arrays.items():
            values, attrs = values if isinstance(values, tuple) else (values, {})
            dataset = file.create_dataset(name.replace("__", "/"), data=values, **(layout or {}))
            dataset.attrs.update(attrs)
    return path.read_bytes()


def make_table(
    columns: list[list[str]], *, header: str = "", delimiter: str = ",", end: str = "\n"
) -> str:
    """Build a text table from printed columns of equal length."""
    rows = [delimiter.join(row) for row in zip(*columns, strict=True)]
    return header + end.join(rows) + end


N = 3001
RATE_HZ = 8000.0


def make_wave(low: int, high: int, *, n: int = N, seed: int = 1) -> NDArray[np.int64]:
    """Give integers over a range, a sine with noise that reaches both ends."""
    rng = np.random.default_rng(seed)
    wave = np.sin(np.arange(n) / 7.3) * 0.45 + rng.uniform(-0.05, 0.05, n)
    whole = np.rint(low + (wave + 0.5) * (high - low)).astype(np.int64)
    whole[n // 3], whole[n // 2] = low, high
    return np.clip(whole, low, high)


@dataclass(frozen=True)
class Scenario:
    """One raw file with the numbers that must come out of it.

    `make(path)` gives the bytes; `columns` are (column, recorded numbers); `tolerance` is how far
    a number may be off (0: exact); `codes` are the findings expected of every channel. `cut` tells
    whether a file that ends early can still be used, with a finding.
    """

    name: str
    file: str
    make: Callable[[Path], bytes]
    columns: tuple[tuple[int | str, NDArray[np.float64]], ...]
    tolerance: float = 0.0
    rate_hz: float | None = None  # given in the job card
    codes: tuple[str, ...] = ()
    cut: bool = True
    min_share: float = 0.0  # below this share of its bytes a whole channel is lost
    lost: str = "ends before column 1"  # what is said then
    packed: bool = False  # bytes say little of the number of samples
    needs: str = ""  # a library that is an extra


def _wav(name: str, low: int, high: int, dtype: str, n_channels: int = 2, **how: Any) -> Scenario:
    tolerance = how.pop("tolerance", 0.0)
    codes = how.pop("codes", ())
    waves = [make_wave(low, high, seed=i) for i in range(n_channels)]
    samples = np.stack(waves, axis=1).astype(dtype)
    return Scenario(
        name,
        "capture.wav",
        lambda path: make_wav(samples, **how),
        tuple((i, wave.astype(np.float64)) for i, wave in enumerate(waves)),
        tolerance=tolerance,
        codes=codes,
    )


def _hdf5(name: str, values: NDArray[Any], cut: bool = False, **how: Any) -> Scenario:
    tolerance = how.pop("tolerance", 0.0)
    codes = how.pop("codes", ())
    shape = how.pop("shape", values.shape)
    attrs = {"rate_hz": RATE_HZ}
    return Scenario(
        name,
        "capture.h5",
        lambda path: make_hdf5(path, layout=how, scope__in1=(values.reshape(shape), attrs)),
        (("scope/in1", values.astype(np.float64)),),
        tolerance=tolerance,
        codes=codes,
        cut=cut,
    )


def _text(name: str, file: str, printed: str, step: float, *, encoding: str = "utf-8", **how: Any):
    """Two channels after a time column; `printed` is the format of a number."""
    comma = how.get("comma", False)
    delimiter = how.get("delimiter", ",")
    waves = [make_wave(-2000, 2047, seed=i) * step for i in range(2)]
    columns = [[printed % value for value in wave] for wave in waves]
    numbers = tuple(np.array([float(cell) for cell in column]) for column in columns)
    time = [how.get("time", "%.6f") % (i / RATE_HZ * how.get("per_s", 1)) for i in range(N)]
    if comma:
        columns = [[cell.replace(".", ",") for cell in column] for column in columns]
        time = [cell.replace(".", ",") for cell in time]
    text = make_table(
        [time, *columns],
        header=how.get("header", "time,in1,in2\ns,V,V\n"),
        delimiter=delimiter,
        end=how.get("end", "\n"),
    )
    data = text.encode(encoding)
    if file.endswith(".gz"):
        data = gzip.compress(data, mtime=0)
    return Scenario(
        name,
        file,
        lambda path: data,
        ((1, numbers[0]), (2, numbers[1])),
        tolerance=how.get("tolerance", 0.0),
        codes=how.get("codes", ()),
    )


_WIDE = make_wave(-1_000_000, 1_000_000)
_GRID = make_wave(-2048, 2047) * 0.0048828125
_ROUGH = np.sin(np.arange(N) / 5.1) * 3.3 + np.random.default_rng(4).normal(size=N)
_INTS = make_wave(-32768, 32767)

SCENARIOS: tuple[Scenario, ...] = (
    _wav("wav 16 bits", -32768, 32767, "<i2"),
    _wav("wav 16 bits mono", -32768, 32767, "<i2", 1),
    _wav("wav 16 bits, odd chunk before", -5, 5, "<i2", before=make_chunk(b"LIST", b"abc")),
    _wav("wav 8 bits", 0, 255, "u1"),
    _wav("wav 24 bits, 12 used", -2048, 2047, "<i4", bits=24),
    _wav(
        "wav 24 bits, all used",
        -(1 << 23),
        (1 << 23) - 1,
        "<i4",
        bits=24,
        tolerance=(1 << 24) / 65532 / 2 + 1e-6,
        codes=("requantised",),
    ),
    _wav("wav 32 bits, shifted by 16", -2000, 2000, "<i4"),
    _wav("wav float, whole numbers", -2000, 2000, "<f4", tag=FLOAT),
    _wav("wav float64", -2000, 2000, "<f8", tag=FLOAT),
    _wav("wav extensible", -32768, 32767, "<i2", 4, extensible=True),
    _wav("wav RF64", -32768, 32767, "<i2", rf64=True),
    _hdf5("hdf5 int16", _INTS.astype("<i2")),
    _hdf5("hdf5 int16, big end first", _INTS.astype(">i2")),
    _hdf5("hdf5 int16 chunked", _INTS.astype("<i2"), chunks=(500,)),
    _hdf5("hdf5 int16 gzip", _INTS.astype("<i2"), chunks=(500,), compression="gzip"),
    _hdf5("hdf5 one column", _INTS.astype("<i2"), shape=(N, 1)),
    _hdf5("hdf5 uint16", make_wave(0, 65535).astype("<u2")),
    _hdf5("hdf5 uint8", make_wave(0, 255).astype("u1")),
    _hdf5("hdf5 int32, narrow", make_wave(70_000, 130_000).astype("<i4")),
    _hdf5("hdf5 int32, steps of 16", make_wave(-2048, 2047).astype("<i4") * 16),
    _hdf5("hdf5 int64 wide", _WIDE, tolerance=2e6 / 65532 / 2 + 1e-6, codes=("requantised",)),
    _hdf5("hdf5 float64 on a grid", _GRID, tolerance=1e-12),
    _hdf5("hdf5 float32 on a grid", _GRID.astype("<f4"), tolerance=1e-5),
    _hdf5("hdf5 float64 off any grid", _ROUGH, tolerance=2e-4, codes=("requantised",)),
    Scenario(
        "npy 1-D",
        "capture.npy",
        lambda path: make_npy(_INTS.astype("<i2")),
        ((0, _INTS.astype(float)),),
        rate_hz=RATE_HZ,
    ),
    Scenario(
        "npy columns",
        "capture.npy",
        lambda path: make_npy(np.stack([_INTS, _INTS[::-1]], axis=1).astype("<i2")),
        ((0, _INTS.astype(float)), (1, _INTS[::-1].astype(float))),
        rate_hz=RATE_HZ,
    ),
    Scenario(
        "npy columns, Fortran order",
        "capture.npy",
        lambda path: make_npy(np.asfortranarray(np.stack([_INTS, _WIDE // 40], axis=1), "<i4")),
        ((0, _INTS.astype(float)), (1, (_WIDE // 40).astype(float))),
        rate_hz=RATE_HZ,
        min_share=0.52,
    ),
    Scenario(
        "npy rows",
        "capture.npy",
        lambda path: make_npy(np.stack([_INTS, _INTS[::-1]]).astype("<i2")),
        ((0, _INTS.astype(float)), (1, _INTS[::-1].astype(float))),
        rate_hz=RATE_HZ,
        min_share=0.52,
    ),
    Scenario(
        "npz",
        "capture.npz",
        lambda path: make_npz(in1=_INTS.astype("<i2"), in2=_INTS[:900].astype("<i2")),
        (("in1", _INTS.astype(float)), ("in2", _INTS[:900].astype(float))),
        rate_hz=RATE_HZ,
        cut=False,
    ),
    Scenario(
        "npz stored, float",
        "capture.npz",
        lambda path: make_npz(compressed=False, in1=_GRID),
        (("in1", _GRID),),
        tolerance=1e-12,
        rate_hz=RATE_HZ,
        cut=False,
    ),
    _text("csv", "capture.csv", "%.3f", 0.002, tolerance=1e-9),
    _text("csv gzip", "capture.csv.gz", "%.3f", 0.002, tolerance=1e-9),
    # Four significant digits on a step of 1/41: known to half a unit of the last digit only.
    _text("csv, rounded numbers", "capture.csv", "%.4g", 1 / 41, tolerance=0.0501),
    _text("csv, exponents", "capture.csv", "%.6E", 0.00048828125, tolerance=5.1e-7),
    _text(
        "csv, decimal comma, ms",
        "capture.csv",
        "%.3f",
        0.002,
        comma=True,
        delimiter=";",
        header="Zeit;K1;K2\n(ms);(V);(V)\n\n",
        per_s=1000,
        time="%.4f",
        encoding="latin-1",
        tolerance=1e-9,
        end="\r\n",
    ),
    _text(
        "tsv utf-16, us",
        "capture.txt",
        "%.3f",
        0.002,
        delimiter="\t",
        header="Time [µs]\tA\tB\n",
        per_s=1_000_000,
        time="%.0f",
        encoding="utf-16",
        tolerance=1e-9,
    ),
    Scenario(
        "mat 5, packed",
        "capture.mat",
        lambda path: make_mat(fs=RATE_HZ, in1=_INTS.astype("<i2"), in2=_GRID),
        (("in1", _INTS.astype(float)), ("in2", _GRID)),
        tolerance=1e-12,
        packed=True,
        min_share=0.5,
        lost="cut short or damaged before the variable 'in2'",
    ),
    Scenario(
        "mat 5, plain, one channel",
        "capture.mat",
        lambda path: make_mat(compressed=False, in1=_INTS.astype("<i2")),
        (("in1", _INTS.astype(float)),),
        rate_hz=RATE_HZ,
    ),
    Scenario(
        "mat 5, packed, one channel",
        "capture.mat",
        lambda path: make_mat(in1=_GRID),
        (("in1", _GRID),),
        tolerance=1e-12,
        rate_hz=RATE_HZ,
        packed=True,
    ),
    Scenario(
        "mat 7.3",
        "capture.mat",
        lambda path: make_mat73(path, in1=_INTS.astype("<i2"), in2=_INTS[::-1].astype("<i2")),
        (("in1", _INTS.astype(float)), ("in2", _INTS[::-1].astype(float))),
        rate_hz=RATE_HZ,
        cut=False,
    ),
    Scenario(
        "parquet, int16, many row groups",
        "capture.parquet",
        lambda path: make_parquet(
            {"in1": _INTS.astype("<i2"), "in2": _INTS[::-1].astype("<i2")},
            metadata={"rate_hz": "8000"},
            row_group_size=500,
        ),
        (("in1", _INTS.astype(float)), (1, _INTS[::-1].astype(float))),
        cut=False,
    ),
    Scenario(
        "parquet, floats with time",
        "capture.parquet",
        lambda path: make_parquet(
            {"time_s": np.arange(N) / RATE_HZ, "in1": _GRID}, compression="zstd"
        ),
        (("in1", _GRID),),
        tolerance=1e-12,
        cut=False,
    ),
    Scenario(
        "parquet, time stamps",
        "capture.parquet",
        lambda path: make_parquet(
            {
                "when": (1_700_000_000_000_000_000 + np.arange(N) * 125_000).view("<M8[ns]"),
                "in1": _GRID.astype("<f4"),
            }
        ),
        (("in1", _GRID),),
        tolerance=1e-5,
        cut=False,
    ),
    Scenario(
        "w64",
        "capture.w64",
        lambda path: make_w64(np.stack([_INTS, _INTS[::-1]], axis=1)),
        ((0, _INTS.astype(float)), (1, _INTS[::-1].astype(float))),
    ),
    Scenario(
        "flac 16 bits",
        "capture.flac",
        lambda path: make_sound(
            np.stack([_INTS, _INTS[::-1]], axis=1), form="FLAC", coding="PCM_16"
        ),
        ((0, _INTS.astype(float)), (1, _INTS[::-1].astype(float))),
        cut=False,  # all of it is one frame of the coding
        needs="soundfile",
    ),
    Scenario(
        "flac 24 bits, 12 used",
        "capture.flac",
        lambda path: make_sound(make_wave(-2048, 2047)[:, None], form="FLAC", coding="PCM_24"),
        ((0, make_wave(-2048, 2047).astype(float)),),
        cut=False,  # all of it is one frame of the coding
        needs="soundfile",
    ),
    Scenario(
        "aiff 16 bits",
        "capture.aiff",
        lambda path: make_sound(_INTS[:, None], form="AIFF", coding="PCM_16"),
        ((0, _INTS.astype(float)),),
        needs="soundfile",
    ),
    Scenario(
        "mdf 4, int16",
        "capture.mf4",
        lambda path: make_mdf(path, {"in1": _INTS.astype("<i2"), "in2": _INTS[::-1].astype("<i2")}),
        (("in1", _INTS.astype(float)), (1, _INTS[::-1].astype(float))),
        cut=False,
        needs="asammdf",
    ),
    Scenario(
        "mdf 4, packed, linear conversion",
        "capture.mf4",
        lambda path: make_mdf(
            path, {"in1": make_wave(-2048, 2047).astype("<i2")}, step=0.0048828125, compression=2
        ),
        (("in1", _GRID),),
        tolerance=1e-12,
        cut=False,
        needs="asammdf",
    ),
)
