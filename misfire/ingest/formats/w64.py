"""W64 files: WAV with 64-bit sizes, read in place."""

from collections.abc import Sequence
from pathlib import Path
from typing import IO

from misfire.errors import FormatError
from misfire.ingest.formats.wav import WavFormat, open_pcm, parse_wav_format
from misfire.ingest.scratch import Scratch
from misfire.ingest.source import Progress, Request, Source

RIFF = bytes.fromhex("726966662e91cf11a5d628db04c10000")
_WAVE = bytes.fromhex("77617665f3acd3118cd100c04f8edb8a")
_TAIL = _WAVE[4:]  # of all other chunks' names; the first four bytes are their WAV name
_HEADER = 24  # name and size, which counts them in


def open_w64(
    path: Path, requests: Sequence[Request], *, scratch: Scratch, progress: Progress | None = None
) -> list[Source]:
    """Open channels of a W64 file, as `open_wav` does with a WAV file."""
    with path.open("rb") as file:
        header = read_w64_format(file, path, size=path.stat().st_size)
    return open_pcm(path, header, requests, scratch=scratch, progress=progress)


def read_w64_format(file: IO[bytes], path: Path, *, size: int) -> WavFormat:
    """Walk through the chunks of a W64 file of `size` bytes up to its samples.

    Raises
    ------
    FormatError
        If it is no W64 file, is coded in another way than PCM or float, or has no samples.

    Notes
    -----
    Source: the published description of the 64-bit RIFF form with GUIDs as chunk names, sizes
    that count the chunk's own header and places rounded up to 8 bytes (from memory).
    """
    head = file.read(40)
    if head[:16] != RIFF or head[24:40] != _WAVE:
        raise FormatError(f"{path}: is no W64 file; check how it was exported")
    shape: tuple[int, int, int, int] | None = None
    while True:
        header = file.read(_HEADER)
        if len(header) < _HEADER:
            missing = "format" if shape is None else "data"
            raise FormatError(f"{path}: ends before its {missing} chunk; record or copy it again")
        name, n_bytes = header[:16], int.from_bytes(header[16:], "little") - _HEADER
        here = file.tell()
        if name == b"data" + _TAIL:
            break
        if n_bytes < 0 or here + n_bytes > size:
            raise FormatError(f"{path}: ends before its data chunk; record or copy it again")
        if name == b"fmt " + _TAIL:
            shape = parse_wav_format(file.read(min(n_bytes, 4096)), path)
        file.seek(here + (n_bytes + 7) // 8 * 8)
    if shape is None:
        raise FormatError(f"{path}: has no format chunk before its data; export it again")
    tag, n_channels, rate_hz, bits = shape
    frame = n_channels * bits // 8
    there, trouble = max(0, size - here), ""
    if n_bytes <= 0 < there:
        trouble = "the header was never completed (recording broken off); all samples are used"
        n_bytes = there
    elif n_bytes > there:
        trouble = (
            f"the file ends after {there // frame} of {n_bytes // frame} samples; those are used"
        )
        n_bytes = there
    return WavFormat(tag, n_channels, rate_hz, bits, here, max(0, n_bytes), trouble)
