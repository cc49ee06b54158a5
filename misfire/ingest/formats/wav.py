"""WAV and RF64 files: read in place, piece by piece."""

import re
import struct
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from io import FileIO
from pathlib import Path
from typing import IO, Any

import numpy as np
from numpy.typing import NDArray

from misfire.errors import FormatError
from misfire.ingest.counts import map_counts
from misfire.ingest.scratch import Scratch
from misfire.ingest.source import Progress, RawColumn, Request, Source, truncated
from misfire.records import Finding

_PCM, _FLOAT, _EXTENSIBLE = 1, 3, 0xFFFE
_PIECE_BYTES = 1 << 19  # read at a time: stays in the processor's cache
_OPEN_ENDED = 0xFFFFFFFF  # size of a chunk whose writer did not know it, or of RF64 (see ds64)
_GUID_TAIL = bytes.fromhex("000000001000800000aa00389b71")  # of a sub-format that is a plain tag
_DTYPES = {
    (_PCM, 8): "u1",
    (_PCM, 16): "<i2",
    (_PCM, 32): "<i4",
    (_FLOAT, 32): "<f4",
    (_FLOAT, 64): "<f8",
}


@dataclass(frozen=True, slots=True)
class WavFormat:
    """The header of a WAV file; `n_bytes` are those of the samples that are really there."""

    tag: int
    n_channels: int
    rate_hz: int
    bits: int
    data_start: int
    n_bytes: int
    trouble: str = ""
    header_s: float | None = None  # time of the first sample that a `bext` chunk tells


def open_wav(
    path: Path, requests: Sequence[Request], *, scratch: Scratch, progress: Progress | None = None
) -> list[Source]:
    """Open channels of a WAV or RF64 file.

    Parameters
    ----------
    path : path
    requests : sequence of Request
        `column` is the channel's index in the file, from 0.
    scratch : Scratch
    progress : callable (stage, fraction), optional

    Returns
    -------
    sources : list of Source [one for each request]
        The recorded number is the stored integer itself, or the stored float.

    Raises
    ------
    FormatError
        If the file is no WAV, is coded in another way than PCM or float, or holds no samples.
    JobCardError
        If the file has no such channel.

    Notes
    -----
    Source: Multimedia Programming Interface and Data Specifications 1.0 (RIFF WAVE, 1991) and
    EBU Tech 3306 (RF64), from memory.
    """
    with path.open("rb") as start:
        header = read_wav_format(start, path, size=path.stat().st_size)
    return open_pcm(path, header, requests, scratch=scratch, progress=progress)


def open_pcm(
    path: Path,
    header: WavFormat,
    requests: Sequence[Request],
    *,
    scratch: Scratch,
    progress: Progress | None = None,
) -> list[Source]:
    """Open channels of a file of plain frames, whose header has been read."""
    n_channels = header.n_channels
    frame = n_channels * header.bits // 8
    n_samples = header.n_bytes // frame
    if n_samples == 0:
        raise FormatError(f"{path}: holds no samples; record or export it again")
    sources = []
    for request in requests:
        index, name = request.take_index(n_channels, "channels", path.name), request.card.name
        file = path.open("rb", buffering=0)  # one each: threads read several channels at once
        scratch.own(file.close)
        column = _open_column(file, path, header, index, n_samples)
        findings: tuple[Finding, ...] = ()
        if header.trouble:
            findings = (truncated(name, f"{path.name}: {header.trouble}"),)
        sources.append(
            Source(
                map_counts(column, name=name, scratch=scratch, progress=progress),
                rate_hz=float(header.rate_hz),
                findings=findings,
                header_s=header.header_s,
            )
        )
    return sources


def read_wav_format(file: IO[bytes], path: Path, *, size: int) -> WavFormat:
    """Walk through the chunks of a WAV file of `size` bytes up to its samples."""
    riff = file.read(12)
    if len(riff) < 12 or riff[:4] not in (b"RIFF", b"RF64") or riff[8:] != b"WAVE":
        raise FormatError(f"{path}: is no WAV file; check how it was exported")
    long_size: int | None = None
    shape: tuple[int, int, int, int] | None = None
    since: tuple[float, int] | None = None
    while True:
        header = file.read(8)
        if len(header) < 8:
            missing = "format" if shape is None else "data"
            raise FormatError(f"{path}: ends before its {missing} chunk; record or copy it again")
        name, n_bytes = header[:4], int.from_bytes(header[4:], "little")
        here = file.tell()
        if name == b"data":
            break
        if name in (b"ds64", b"fmt ", b"bext"):
            body = file.read(min(n_bytes, 4096))
            if name == b"ds64" and len(body) >= 16:
                long_size = int.from_bytes(body[8:16], "little")
            elif name == b"fmt ":
                shape = parse_wav_format(body, path)
            elif name == b"bext":
                since = _parse_broadcast(body)
        file.seek(here + n_bytes + n_bytes % 2)
    if shape is None:
        raise FormatError(f"{path}: has no format chunk before its data; export it again")
    tag, n_channels, rate_hz, bits = shape
    there = max(0, size - here)
    trouble = ""
    if n_bytes == _OPEN_ENDED:
        n_bytes = long_size if long_size is not None else there
    elif n_bytes == 0 and there > 0:
        trouble = "the header was never completed (recording broken off); all samples are used"
        n_bytes = there
    frame = n_channels * bits // 8
    if n_bytes > there:
        trouble = (
            f"the file ends after {there // frame} of {n_bytes // frame} samples; those are used"
        )
        n_bytes = there
    header_s = None if since is None else since[0] + since[1] / rate_hz
    return WavFormat(tag, n_channels, rate_hz, bits, here, n_bytes, trouble, header_s)


def _parse_broadcast(body: bytes) -> tuple[float, int] | None:
    """Read from a `bext` chunk the day [s since year 1] and the samples since its midnight.

    Source: EBU Tech 3285, from memory: date at byte 320, time reference at byte 338.
    """
    if len(body) < 346:
        return None
    try:
        day = date.fromisoformat(re.sub(r"\D", "-", body[320:330].decode("ascii")))
    except (ValueError, UnicodeDecodeError):
        return None
    return day.toordinal() * 86400.0, int.from_bytes(body[338:346], "little")


def parse_wav_format(body: bytes, path: Path) -> tuple[int, int, int, int]:
    """Read the format chunk: tag, channels, rate, bits a sample."""
    if len(body) < 16:
        raise FormatError(f"{path}: its format chunk is too short; export it again")
    tag, n_channels, rate_hz, _, align, bits = struct.unpack("<HHIIHH", body[:16])
    if tag == _EXTENSIBLE and len(body) >= 40 and body[26:40] == _GUID_TAIL:
        tag = int.from_bytes(body[24:26], "little")
    if (tag, bits) not in _DTYPES and (tag, bits) != (_PCM, 24):
        raise FormatError(
            f"{path}: coding {tag} with {bits} bits is not supported; export as PCM of 8, 16, 24 "
            "or 32 bits, or as float"
        )
    if n_channels == 0 or rate_hz == 0 or align != n_channels * bits // 8:
        raise FormatError(
            f"{path}: its format chunk contradicts itself ({n_channels} channels, {rate_hz} Hz, "
            f"{align} bytes a frame); export it again"
        )
    return tag, n_channels, rate_hz, bits


def _open_column(
    file: FileIO, path: Path, header: WavFormat, index: int, n_samples: int
) -> RawColumn:
    """Give the way to one channel's numbers.

    The file is read, not mapped: mapped pages would count as memory of this process.
    """
    n_channels = header.n_channels
    is_packed = header.bits == 24
    dtype = np.dtype("<i4" if is_packed else _DTYPES[header.tag, header.bits])
    frame = n_channels * header.bits // 8
    frames = np.empty(
        (max(1, _PIECE_BYTES // frame), n_channels, *([3] if is_packed else [])),
        np.uint8 if is_packed else dtype,
    )

    def read(start: int, stop: int) -> NDArray[Any]:
        values = np.zeros(stop - start, dtype) if is_packed else np.empty(stop - start, dtype)
        file.seek(header.data_start + start * frame)
        for first in range(0, values.size, len(frames)):
            piece = frames[: values.size - first]
            _read_fully(file, piece, path)
            if is_packed:
                values[first : first + len(piece)].view(np.uint8).reshape(-1, 4)[:, 1:] = piece[
                    :, index
                ]
            else:
                values[first : first + len(piece)] = piece[:, index]
        return values >> 8 if is_packed else values

    limits = (-(1 << 23), (1 << 23) - 1) if is_packed else None
    return RawColumn(n_samples, dtype, read, limits)


def _read_fully(file: FileIO, piece: NDArray[Any], path: Path) -> None:
    """Fill an array from where the file stands."""
    room = memoryview(piece.data).cast("B")
    while room:
        n_bytes = file.readinto(room)
        if not n_bytes:
            raise FormatError(f"{path}: became shorter while it was read; copy it again")
        room = room[n_bytes:]
