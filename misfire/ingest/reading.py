"""A job card and its raw files opened as one recording of counts."""

import hashlib
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from misfire.errors import ChannelError, FormatError, MisfireError, ParameterError
from misfire.ingest.formats.hdf5 import open_hdf5
from misfire.ingest.formats.mat import open_mat
from misfire.ingest.formats.mdf import open_mdf
from misfire.ingest.formats.npy import open_npy, open_npz
from misfire.ingest.formats.parquet import open_parquet
from misfire.ingest.formats.sound import open_sound
from misfire.ingest.formats.text import open_text
from misfire.ingest.formats.w64 import RIFF, open_w64
from misfire.ingest.formats.wav import open_wav
from misfire.ingest.jobcard import read_job_card
from misfire.ingest.parts import (
    find_gap_notes,
    find_parts,
    has_parts,
    join_levels,
    join_parts,
    list_files,
    place_parts,
)
from misfire.ingest.reader_process import ApartReader
from misfire.ingest.scratch import Scratch
from misfire.ingest.source import Progress, Request, Source
from misfire.ingest.units import CHANNEL_UNITS, convert_unit
from misfire.numerals import spell
from misfire.records import Channel, ChannelCard, Finding, JobCard, Recording

MAX_RATE_DIFFERENCE = 1e-3  # between the job card and the file, before it is worth a finding

_ROLE_UNITS = {
    "coil_secondary": "kV",
    "coil_current": "A",
    "injector_current": "A",
    "starter_current": "A",
}
_HASH_BYTES = 1 << 20


class Reader(Protocol):
    """Opens the wanted channels of one file."""

    def __call__(
        self,
        path: Path,
        requests: Sequence[Request],
        *,
        scratch: Scratch,
        progress: Progress | None = None,
    ) -> list[Source]:
        """Give one source for each request."""


# Their libraries are no match for any bytes: they run in a process of their own.
_HDF5 = ApartReader(open_hdf5, "HDF5", ("h5py",))
_MDF = ApartReader(open_mdf, "MDF", ("asammdf", "isal"))
_PARQUET = ApartReader(open_parquet, "Parquet", ("pyarrow.parquet",))
_SOUND = ApartReader(open_sound, "FLAC or AIFF", ("soundfile",))
_READERS: tuple[tuple[bytes, Reader], ...] = (
    (b"RIFF", open_wav),
    (b"RF64", open_wav),
    (RIFF, open_w64),
    (b"\x89HDF\r\n\x1a\n", _HDF5),
    (b"\x93NUMPY", open_npy),
    (b"PK", open_npz),
    (b"MATLAB 5.0", open_mat),
    (b"MATLAB 7.3", _HDF5),  # HDF5 behind a page of text
    (b"MDF     ", _MDF),
    (b"UnFinMF ", _MDF),
    (b"PAR1", _PARQUET),
    (b"fLaC", _SOUND),
    (b"FORM", _SOUND),
    (b".snd", _SOUND),
    (b"OggS", _SOUND),  # refused there, with the reason
)


def open_raw(
    path: Path | str,
    *,
    progress: Progress | None = None,
    hash_source: bool = True,
    allow_outside: bool = False,
) -> Recording:
    """Open the raw files of a job card as one recording.

    Parameters
    ----------
    path : path of the job card
    progress : callable (stage, fraction), optional
    hash_source : bool
        Whether to compute the SHA-256 of the card and all files; else `sha256` is "".
    allow_outside : bool
        Whether the card may name files outside its own folder.

    Returns
    -------
    recording : Recording
        WAV, NPY and plain HDF5 stay on disk and are read in place; all else is read once into
        temporary files, which `close` removes. Times of a text file's time column are kept:
        without `start_s` in the card, the first sample is at its first time.

    Raises
    ------
    JobCardError
        If the card is wrong or does not fit the files.
    FormatError
        If a file is not what its reader expects, or has nothing that can be used.
    """
    job = read_job_card(path, allow_outside=allow_outside)
    scratch = Scratch()
    try:
        sources: dict[str, Source] = {}
        notes: list[Finding] = []
        for file in dict.fromkeys(card.file for card in job.channels):
            requests = [
                Request(card, f'{path}: [[channel]] {number} ("{card.name}")')
                for number, card in enumerate(job.channels, start=1)
                if card.file == file
            ]
            opened, gaps_s, found = _open_parts(job.folder, requests, scratch, progress)
            notes += found
            names = [request.card.name for request in requests]
            sources |= dict(zip(names, opened, strict=True))
            job = _note_parts(job, file, gaps_s)
        scratch.end_apart()
        known = _find_known_clocks(job)
        channels, findings = [], []
        for number, card in enumerate(job.channels, start=1):
            request = Request(card, f'{path}: [[channel]] {number} ("{card.name}")')
            channel, found = _make_channel(request, sources[card.name], known)
            channels.append(channel)
            findings += found
        findings += notes
        digest = compute_source_hash(job, progress=progress) if hash_source else ""
    except MisfireError:
        scratch.close()
        raise
    except OSError as error:  # a file that vanished or became unreadable on the way
        scratch.close()
        raise FormatError(f"{path}: a file of it cannot be read ({error})") from None
    read, read_levels = _make_readers(sources)
    return Recording(
        path=Path(path),
        sha256=digest,
        job=job,
        channels=tuple(channels),
        read=read,
        read_levels=read_levels,
        findings=tuple(findings),
        close=scratch.close,
    )


def compute_source_hash(job: JobCard, *, progress: Progress | None = None) -> str:
    """Give the SHA-256 over the job card's text and the raw files, in the card's order."""
    digest = hashlib.sha256(job.text.encode())
    paths = [job.folder / file for file in list_files(job)]
    total = max(1, sum(path.stat().st_size for path in paths))
    done = 0
    for path in paths:
        with path.open("rb") as file:
            while block := file.read(_HASH_BYTES):
                digest.update(block)
                done += len(block)
                if progress is not None:
                    progress("hash", min(1.0, done / total))
    return digest.hexdigest()


def _open_parts(
    folder: Path, requests: Sequence[Request], scratch: Scratch, progress: Progress | None
) -> tuple[list[Source], tuple[tuple[float, float], ...], list[Finding]]:
    """Open one file, or all parts of a recording in several; give the gaps between them [s]."""
    card = requests[0].card
    parts = find_parts(folder, card)
    if len(parts) == 1 and not has_parts(card):
        return open_file(folder / card.file, requests, scratch, progress), (), []
    if len(parts) == 1 and not (folder / parts[0]).exists():
        raise requests[0].error("file", f'no file fits "{card.file}"; correct the pattern')
    opened = [open_file(folder / part, requests, scratch, progress) for part in parts]
    if len(parts) == 1:
        return opened[0], (), []
    joined: list[Source] = []
    gaps_s: tuple[tuple[float, float], ...] = ()
    notes: list[Finding] = []
    for i, request in enumerate(requests):
        sources = [part[i] for part in opened]
        if any(source.levels is not None for source in sources):
            joined.append(join_levels(sources, parts, card.part_start_s, str(folder)))
            continue
        joint, known_by = place_parts(sources, parts, request, str(folder))
        joined.append(join_parts(sources, joint, name=request.card.name, scratch=scratch))
        rate_hz = request.card.rate_hz or sources[0].rate_hz or 1.0
        if not notes:
            gaps = joint.gaps if known_by else joint.joints
            gaps_s = tuple((a / rate_hz, b / rate_hz) for a, b in gaps)
            notes = find_gap_notes(joint, parts, card.file, known_by, rate_hz)
    return joined, gaps_s, notes


def _note_parts(job: JobCard, file: str, gaps_s: tuple[tuple[float, float], ...]) -> JobCard:
    """Keep with a job card what its pattern of files stood for, and the gaps between them."""
    cards = [
        replace(card, parts=find_parts(job.folder, card) if has_parts(card) else (), gaps_s=gaps_s)
        if card.file == file
        else card
        for card in job.channels
    ]
    return replace(job, channels=tuple(cards))


def open_file(
    path: Path, requests: Sequence[Request], scratch: Scratch, progress: Progress | None
) -> list[Source]:
    """Open the wanted channels of one file with the reader that its first bytes choose.

    Parameters
    ----------
    path : path
    requests : sequence of Request [at least one]
    scratch : Scratch
    progress : callable (stage, fraction), optional

    Returns
    -------
    sources : list of Source [one for each request]

    Raises
    ------
    JobCardError
        If the file is missing or a request does not fit it.
    FormatError
        If the file is not what its reader expects.
    """
    if path.is_dir():
        raise requests[0].error("file", f'"{path}" is a folder; name the file in it')
    if path.exists() and not path.is_file():
        raise requests[0].error("file", f'"{path}" is a device or pipe; name a file')
    try:
        with path.open("rb") as file:
            start = file.read(16)
    except FileNotFoundError:
        raise requests[0].error(
            "file", f'"{path}" does not exist; put it there or correct the name'
        ) from None
    except OSError as error:
        raise requests[0].error("file", f'"{path}" cannot be read ({error.strerror})') from None
    if not start:
        raise FormatError(f"{path}: is empty; record or export it again")
    reader = next((r for magic, r in _READERS if start.startswith(magic)), open_text)
    try:
        return reader(path, requests, scratch=scratch, progress=progress)
    except FormatError as error:
        if path.name in str(error):
            raise
        raise FormatError(f"{path}: {error}") from None


def _find_known_clocks(job: JobCard) -> dict[str, float | None]:
    """Give the files whose place on the common clock is known, with their `start_s` if given.

    Files with `start_s` make the common clock. Where no file has it, the first of the card is it.
    """
    given = {card.file: card.start_s for card in job.channels if card.start_s is not None}
    return dict(given) or {job.channels[0].file: None}


def _make_channel(
    request: Request, source: Source, known: dict[str, float | None]
) -> tuple[Channel, list[Finding]]:
    """Join what the job card and the file say about one channel."""
    card, counts = request.card, source.counts
    findings = [*source.findings, *counts.findings]
    rate_hz = card.rate_hz or source.rate_hz
    is_levels = source.levels is not None
    if source.levels is None and counts.n_samples == 1:
        raise request.error("file", f"{card.file} holds one sample; record or export it again")
    if rate_hz is None:
        raise request.error(
            "rate_hz",
            f"is missing and {card.file} does not tell its sampling rate; add it to the job card",
        )
    if card.rate_hz and source.rate_hz and not is_levels:
        difference = source.rate_hz / card.rate_hz - 1
        if abs(difference) > MAX_RATE_DIFFERENCE:
            findings.append(
                Finding(
                    "rate",
                    "warning",
                    f"the job card says {spell(card.rate_hz)} Hz, {card.file} says "
                    f"{spell(source.rate_hz)} Hz; the job card's is used",
                    card.name,
                )
            )
    unit, scale, found = _find_scale(card, source)
    findings += found
    offset = card.offset if card.offset is not None else (source.offset or 0.0)
    start_s = known.get(card.file)
    if is_levels and source.levels is not None and start_s is not None:
        source.levels["time_s"] -= source.first_s
    if start_s is None:
        on_time_column = card.file in known and not is_levels
        start_s = source.first_s if on_time_column else 0.0
    channel = Channel(
        name=card.name,
        role=card.role,
        unit=unit,
        scale=scale * counts.step,
        offset=scale * counts.base + offset,
        rate_hz=rate_hz,
        start_s=start_s,
        n_samples=counts.n_samples,
        cylinders=card.cylinders,
        clock=card.file,
        is_levels=is_levels,
        clip_low=0 if is_levels else counts.clip_low,
        clip_high=1 if is_levels else counts.clip_high,
        clock_known=card.file in known,
    )
    if is_levels:
        channel = replace(channel, unit="bool", scale=1.0, offset=0.0, clip_low=-1, clip_high=2)
    return channel, findings


def _find_scale(card: ChannelCard, source: Source) -> tuple[str, float, list[Finding]]:
    """Choose unit and scale: the job card's, else the file's, else by the file's unit."""
    unit = card.unit
    if unit is None:
        known = CHANNEL_UNITS.get((source.unit or "").strip().lower())
        unit = known[0] if known else _ROLE_UNITS.get(card.role, "V")
    if card.scale is not None:
        return unit, card.scale, []
    scale = source.scale if source.scale is not None else 1.0
    factor = convert_unit(source.unit or "", unit)
    if factor is None or factor == 1.0:
        return unit, scale, []
    message = (
        f"{card.file} gives {source.unit}; its numbers are multiplied by {spell(factor)} for {unit}"
    )
    return unit, scale * factor, [Finding("unit", "info", message, card.name)]


def _make_readers(
    sources: dict[str, Source],
) -> tuple[Callable[[str, int, int], NDArray[np.int16]], Callable[[str], NDArray[np.void]]]:
    """Make the two ways to read a recording."""

    def read(name: str, start: int, stop: int) -> NDArray[np.int16]:
        source = _find_source(sources, name)
        if source.levels is not None:
            raise ChannelError(f"channel {name!r} is stored as level changes, not as samples")
        n_samples = source.counts.n_samples
        if not 0 <= start <= stop <= n_samples:
            raise ParameterError(
                f"channel {name!r}: need 0 <= start <= stop <= {n_samples}, got {start}, {stop}"
            )
        return source.counts.read(start, stop)

    def read_levels(name: str) -> NDArray[np.void]:
        source = _find_source(sources, name)
        if source.levels is None:
            raise ChannelError(f"channel {name!r} is stored as samples, not as level changes")
        return source.levels.copy()

    return read, read_levels


def _find_source(sources: dict[str, Source], name: str) -> Source:
    """Find a channel by its name."""
    if name not in sources:
        raise ChannelError(f"no channel {name!r}; there are {', '.join(sources)}")
    return sources[name]
