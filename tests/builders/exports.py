"""Raw files whose writers are reference libraries, and W64, made in the test."""

import io
import struct
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import h5py
import numpy as np
from numpy.typing import NDArray

W64_RIFF = bytes.fromhex("726966662e91cf11a5d628db04c10000")
W64_TAIL = bytes.fromhex("f3acd3118cd100c04f8edb8a")


def make_mat(compressed: bool = True, **arrays: Any) -> bytes:
    """Build a MAT file of version 5 with scipy."""
    import scipy.io

    file = io.BytesIO()
    scipy.io.savemat(file, arrays, do_compression=compressed, oned_as="column")
    return file.getvalue()


def make_mat73(path: Path, **arrays: NDArray[Any]) -> bytes:
    """Build a MAT file of version 7.3: HDF5 behind 512 bytes of text, columns stored as rows."""
    with h5py.File(path, "w", userblock_size=512) as file:
        for name, values in arrays.items():
            dataset = file.create_dataset(name, data=values.reshape(1, -1))
            dataset.attrs["MATLAB_class"] = np.bytes_("int16")
    data = path.read_bytes()
    head = b"MATLAB 7.3 MAT-file, made in a test".ljust(124) + b"\x00\x02IM"
    return head.ljust(512, b"\0") + data[512:]


def make_parquet(
    arrays: dict[str, NDArray[Any]], *, metadata: dict[str, str] | None = None, **how: Any
) -> bytes:
    """Build a Parquet file."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    table = pa.table(arrays)
    if metadata:
        table = table.replace_schema_metadata(metadata)
    file = io.BytesIO()
    pq.write_table(table, file, **how)
    return file.getvalue()


def make_w64(samples: NDArray[Any], *, rate_hz: int = 8000, data_size: int | None = None) -> bytes:
    """Build a W64 file of 16-bit frames byte by byte, with a chunk to be passed over."""
    n_channels = samples.shape[1]
    data = samples.astype("<i2").tobytes()
    shape = struct.pack(
        "<HHIIHH", 1, n_channels, rate_hz, rate_hz * n_channels * 2, n_channels * 2, 16
    )

    def chunk(name: bytes, body: bytes, size: int | None = None) -> bytes:
        n_bytes = (len(body) if size is None else size) + 24
        return name + W64_TAIL + struct.pack("<Q", n_bytes) + body + b"\0" * (-len(body) % 8)

    body = b"wave" + W64_TAIL + chunk(b"fmt ", shape) + chunk(b"junk", b"abc")
    body += chunk(b"data", data, data_size)
    return W64_RIFF + struct.pack("<Q", len(body) + 24) + body


def make_sound(samples: NDArray[Any], *, form: str, coding: str, rate_hz: int = 8000) -> bytes:
    """Build a sound file with the library, from the integers that it is to hold."""
    import soundfile

    shift = {"PCM_S8": 8, "PCM_16": 0, "PCM_24": 8}[coding]
    kind = np.int32 if coding == "PCM_24" else np.int16
    file = io.BytesIO()
    wide = samples.astype(kind) << shift
    soundfile.write(file, wide, rate_hz, format=form, subtype=coding)
    return file.getvalue()


def make_mdf(
    path: Path,
    arrays: dict[str, NDArray[Any]],
    *,
    rate_hz: float = 8000.0,
    step: float | None = None,
    unit: str = "V",
    start_s: float = 0.0,
    compression: int = 0,
) -> bytes:
    """Build an ASAM MDF 4.10 file with the library; `step` makes a linear conversion."""
    from asammdf import MDF, Signal

    n = max(values.size for values in arrays.values())
    time = start_s + np.arange(n) / rate_hz
    conversion = None if step is None else {"a": step, "b": 0.0}
    signals = [
        Signal(values, time[: values.size], name=name, unit=unit, conversion=conversion)
        for name, values in arrays.items()
    ]
    target = path.with_name("made.mf4")
    with MDF(version="4.10") as file:
        file.header.start_time = datetime(2024, 5, 17, 9, 30, tzinfo=UTC)
        file.append(signals)
        file.save(target, overwrite=True, compression=compression)
    data = target.read_bytes()
    target.unlink()
    return data
