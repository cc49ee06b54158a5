"""FLAC and other sound files without loss, decoded once through a library."""

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from misfire.errors import FormatError
from misfire.ingest.counts import map_counts
from misfire.ingest.scratch import Scratch
from misfire.ingest.source import Progress, RawColumn, Request, Source, read_array, truncated
from misfire.records import Finding

_BLOCK_FRAMES = 1 << 17
_PIECE_FRAMES = 64
_CODINGS = {  # how the library names them: type to read, bits to shift it by, full scale
    "PCM_S8": ("int16", 8, (-128, 127)),
    "PCM_U8": ("int16", 8, (-128, 127)),
    "PCM_16": ("int16", 0, None),
    "PCM_24": ("int32", 8, (-(1 << 23), (1 << 23) - 1)),
    "PCM_32": ("int32", 0, None),
    "FLOAT": ("float32", 0, None),
    "DOUBLE": ("float64", 0, None),
}


def open_sound(
    path: Path, requests: Sequence[Request], *, scratch: Scratch, progress: Progress | None = None
) -> list[Source]:
    """Decode channels of a sound file (FLAC, AIFF, AU) into scratch files, block by block.

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
        If the library is not installed, or the file is damaged, lossy or holds no samples.
    JobCardError
        If the file has no such channel.
    """
    try:
        import soundfile
    except (ImportError, OSError):  # OSError: the package is there, its binary part is not
        raise FormatError(
            f"{path}: needs the library soundfile; install it with `pip install soundfile` (the "
            "extra `wav`), or export as WAV"
        ) from None
    try:
        file = soundfile.SoundFile(path)
    except soundfile.LibsndfileError as error:
        raise FormatError(f"{path}: is damaged or cut short ({error}); copy it again") from None
    with file:
        if file.subtype not in _CODINGS:
            raise FormatError(
                f"{path}: its coding {file.subtype} loses parts of the waveform; export as WAV or "
                "FLAC"
            )
        kind, shift, limits = _CODINGS[file.subtype]
        wanted = [r.take_index(file.channels, "channels", path.name) for r in requests]
        kept = [scratch.new_file() for _ in requests]
        total, rate_hz = file.frames, float(file.samplerate)
    n_done = 0
    for block in _decode(path, kind):
        for index, target in zip(wanted, kept, strict=True):
            column = block[:, index]
            target.append(column >> shift if shift else column)
        n_done += len(block)
        if progress is not None:
            progress("decode", min(1.0, n_done / total))
    if n_done == 0 or rate_hz <= 0:
        raise FormatError(
            f"{path}: is cut short or damaged: not one sample can be decoded; copy it again"
        )
    sources = []
    for request, target in zip(requests, kept, strict=True):
        name = request.card.name
        findings: tuple[Finding, ...] = ()
        if n_done < total or _is_cut(path):
            of = f" of {total}" if n_done < total else ""
            message = f"{path.name}: only the first {n_done}{of} samples can be decoded"
            findings = (truncated(name, message + "; those are used"),)
        values = target.map(np.dtype(kind))
        raw = RawColumn(values.size, values.dtype, read_array(values), limits)
        counts = map_counts(raw, name=name, scratch=scratch, progress=progress)
        sources.append(Source(counts, rate_hz=rate_hz, findings=findings))
    return sources


def _decode(path: Path, kind: str) -> Iterator[NDArray[Any]]:
    """Decode all channels block by block [shape=(n, n_channels)], up to where the file breaks off.

    A block with a fault in it is lost whole, so it is decoded again in small pieces.
    """
    import soundfile

    n_done, n_frames = 0, _BLOCK_FRAMES
    for piece in (_BLOCK_FRAMES, _PIECE_FRAMES):
        with soundfile.SoundFile(path) as file:
            # Else the library seeks after each block, which fails in a file that breaks off.
            file.seekable = lambda: False
            passed = 0
            try:
                while True:
                    n_frames = min(_BLOCK_FRAMES, n_done - passed) or piece
                    block = file.read(n_frames, dtype=kind, always_2d=True)
                    if len(block) == 0:
                        return
                    if passed >= n_done:
                        yield block
                        n_done += len(block)
                    passed += len(block)
            except soundfile.LibsndfileError:
                continue


def _is_cut(path: Path) -> bool:
    """Tell whether the header of an AIFF or AU file promises more bytes than there are."""
    with path.open("rb") as file:
        head = file.read(12)
    size = path.stat().st_size
    if head[:4] == b"FORM":
        return int.from_bytes(head[4:8], "big") + 8 > size
    n_data = int.from_bytes(head[8:12], "big")
    is_told = head[:4] == b".snd" and n_data != 0xFFFFFFFF
    return is_told and int.from_bytes(head[4:8], "big") + n_data > size
