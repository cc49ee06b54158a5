"""The HDF5 recording: writing all channels of a vehicle into one file, and reading it lazily."""

import json
import math
import re
from collections.abc import Callable
from dataclasses import asdict
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

import numpy as np

from misfire.align.chunks import ChunkReader
from misfire.align.jobtext import format_job, parse_job
from misfire.align.outfile import OutFile
from misfire.align.packing import LEVEL, pack
from misfire.align.storeprobe import probe_store
from misfire.align.storeshape import has_known_shape, has_signature
from misfire.dsp.heaps import find_broken_heap
from misfire.errors import ChannelError, FormatError, OutputError, find_first_line
from misfire.limits import MOST_SHRUNK
from misfire.publishing import write_whole
from misfire.records import LEVEL_FIELDS, ROLES, UNITS, Channel, Finding, Recording

SCHEMA = "misfire-recording/1"
CHUNK_SAMPLES = 262_144  # best of six sizes measured for reading gzip and shuffle

Progress = Callable[[str, float], None]

LONGEST_CHUNK = 1 << 24  # counts; programs that code a recording anew use far shorter ones
LARGEST_TEXT = 1 << 26  # bytes of the job card, of the findings, of the level changes' times
_DAMAGE = (
    OSError,
    RuntimeError,
    ValueError,
    KeyError,
    TypeError,
    AttributeError,
    OverflowError,
    MemoryError,
)
"""What the HDF5 library and the checks raise on a damaged file, depending on where it is."""

_NUMBERS = ("scale", "offset", "rate_hz", "start_s")
_TEXTS = ("role", "unit", "clock")
SEVERITIES = ("info", "warning", "error")


def write_store(
    recording: Recording,
    path: Path | str,
    *,
    progress: Progress | None = None,
    check: Callable[[], None] | None = None,
) -> None:
    """Write a recording into one HDF5 file.

    Parameters
    ----------
    recording : Recording
    path : path
        Replaced when it is there already, in one step at the end; a run that fails leaves what
        was there before.
    progress : callable (stage, fraction), optional
    check : callable () -> None, optional
        Called when all is written but not yet under its name; what it raises leaves nothing.

    Raises
    ------
    OutputError
        If the file cannot be written, or is one that the recording is read from.

    Notes
    -----
    Sampled channels are one-dimensional int16 datasets under `/channels`, chunked, deflated at
    level 1 after a byte shuffle; logic channels are their level changes under `/levels`. All that
    is known of a channel stands in its attributes. Any HDF5 reader opens the file. Chunks are
    coded here and written as they are, which spares the library's slower filters.
    """
    path = Path(path)
    _refuse_own_source(recording, path)

    def write(part: Path) -> None:
        _write_file(recording, part, progress)
        if check is not None:
            check()

    try:
        write_whole(path, write)
    except (OSError, RuntimeError) as error:
        if isinstance(error, OutputError):
            raise
        reason = getattr(error, "strerror", None) or str(error).splitlines()[0]
        advice = "is there room?"
        if isinstance(error, (FileNotFoundError, NotADirectoryError, PermissionError)):
            advice = "give a folder that exists and may be written to"
        raise OutputError(f"{path}: cannot be written ({reason}); {advice}") from None


def _refuse_own_source(recording: Recording, path: Path) -> None:
    """Never write over a file that the recording is read from."""
    sources = [recording.path]
    job = recording.job
    sources += [job.folder / n for card in job.channels for n in card.parts or (card.file,)]
    for source in sources:
        try:
            is_same = path.samefile(source)
        except OSError:  # one of them does not exist
            continue
        if is_same:
            raise OutputError(
                f"{path}: is a file that this recording is read from; give another name"
            )
    if path.is_dir():
        raise OutputError(f"{path}: is a folder; give the name of a file")


def _write_file(recording: Recording, path: Path, progress: Progress | None) -> None:
    """Write everything into an HDF5 file."""
    target = OutFile(path)
    try:
        _fill_file(recording, target, progress)
    finally:
        target.close()
    target.check()


def _fill_file(recording: Recording, target: OutFile, progress: Progress | None) -> None:
    """Write everything, up to the first error."""
    import h5py

    total = max(1, sum(channel.n_samples for channel in recording.channels))
    done = 0
    with h5py.File(target, "w", libver=("v110", "v110")) as file:
        file.attrs["schema"] = SCHEMA
        file.attrs["written_by"] = f"misfire {_find_version()}"
        file.attrs["source_sha256"] = recording.sha256
        file.attrs["vehicle"] = recording.job.vehicle_id
        # Texts of any length: an attribute holds 64 KiB only.
        file["job_card"] = recording.job.text
        file["job_json"] = format_job(recording.job)
        file["findings"] = json.dumps([asdict(finding) for finding in recording.findings])
        file.create_group("channels")
        file.create_group("levels")
        taken: set[str] = set()
        for number, channel in enumerate(recording.channels):
            safe = _make_safe_name(channel.name, taken)
            if channel.is_levels:
                levels = recording.read_levels(channel.name)
                dataset = file["levels"].create_dataset(safe, data=levels)
            else:
                chunk = min(CHUNK_SAMPLES, channel.n_samples)
                dataset = file["channels"].create_dataset(
                    safe,
                    shape=(channel.n_samples,),
                    dtype="<i2",
                    chunks=(chunk,),
                    compression="gzip",
                    compression_opts=LEVEL,
                    shuffle=True,
                )
                for start in range(0, channel.n_samples, chunk):
                    stop = min(start + chunk, channel.n_samples)
                    counts = recording.read(channel.name, start, stop)
                    if counts.size < chunk:
                        counts = np.pad(counts, (0, chunk - counts.size))
                    dataset.id.write_direct_chunk((start,), pack(counts))
                    target.check()
                    done += stop - start
                    if progress is not None:
                        progress("write", done / total)
            dataset.attrs["number"] = number
            dataset.attrs["name"] = channel.name
            dataset.attrs["cylinders"] = np.array(channel.cylinders, np.int64)
            for key in _TEXTS:
                dataset.attrs[key] = getattr(channel, key)
            for key in _NUMBERS:
                dataset.attrs[key] = float(getattr(channel, key))
            dataset.attrs["clip_low"] = channel.clip_low
            dataset.attrs["clip_high"] = channel.clip_high
            dataset.attrs["clock_known"] = channel.clock_known


def _find_version() -> str:
    """Give the version of this package."""
    try:
        return version("misfire-cylinder")
    except PackageNotFoundError:  # run from a checkout that was never installed
        return "0+unknown"


def _make_safe_name(name: str, taken: set[str]) -> str:
    """Make a dataset name from a channel's name, not used before."""
    safe = re.sub(r"[^\w +-]", "_", name, flags=re.ASCII).strip() or "channel"
    unique, number = safe, 2
    while unique in taken:
        unique, number = f"{safe} {number}", number + 1
    taken.add(unique)
    return unique


def is_store(path: Path | str) -> bool:
    """Tell whether a file is a recording that `write_store` wrote."""
    import h5py

    try:
        if not has_signature(Path(path)) or find_broken_heap(Path(path)) is not None:
            return False
        with h5py.File(path, "r") as file:
            return str(file.attrs.get("schema", "")).startswith("misfire-recording/")
    except (OSError, RuntimeError, ValueError):
        return False


def open_store(path: Path | str) -> Recording:
    """Open a recording that `write_store` wrote; its samples stay on disk until they are read.

    Parameters
    ----------
    path : path

    Returns
    -------
    recording : Recording
        `close` closes the file. Threads may read at the same time, but not the same channel.

    Raises
    ------
    FormatError
        If the file is no such recording, is damaged, or was written by a newer version. A chunk
        that is damaged is found only when it is read.
    """
    path = Path(path)
    if not path.is_file():
        raise FormatError(f"{path}: no such file; give a recording (HDF5) or a job card (TOML)")
    try:
        if not has_signature(path):
            raise FormatError(f"{path}: cannot be opened as HDF5; run `misfire ingest` again")
        if not has_known_shape(path):
            probe_store(path)
    except OSError as error:
        raise FormatError(f"{path}: cannot be read ({error.strerror}); copy it again") from None
    return open_checked(path)


def open_checked(path: Path) -> Recording:
    """Open a recording of known structure, or where a break-down of the library does no harm.

    Parameters
    ----------
    path : path

    Returns
    -------
    recording : Recording

    Raises
    ------
    FormatError
        As `open_store`.
    """
    import h5py

    try:
        file = h5py.File(path, "r")
    except OSError as error:
        reason = "is cut short" if "truncated" in str(error) else "cannot be opened as HDF5"
        raise FormatError(f"{path}: {reason}; run `misfire ingest` again") from None
    try:
        return _read_file(file, path)
    except FormatError:
        file.close()
        raise
    except _DAMAGE as error:
        file.close()
        detail = find_first_line(error)
        raise FormatError(
            f"{path}: is damaged or was changed by another program ({detail}); run `misfire "
            "ingest` again"
        ) from None


def _read_file(file: Any, path: Path) -> Recording:
    """Read all but the samples."""
    schema = file.attrs.get("schema", "")
    if schema != SCHEMA:
        newer = str(schema).startswith("misfire-recording/")
        raise FormatError(
            f"{path}: "
            + (
                f"has the schema {schema}, this version reads {SCHEMA}; use the version that "
                "wrote it, or run `misfire ingest` again"
                if newer
                else "is an HDF5 file but no recording of ours; describe it in a job card (TOML) "
                "and give that"
            )
        )
    text = _read_text(file, "job_card")
    job = parse_job(_read_text(file, "job_json"), folder=path.parent, text=text)
    findings = tuple(_make_finding(values) for values in json.loads(_read_text(file, "findings")))
    numbered: list[tuple[int, Channel]] = []
    readers: dict[str, ChunkReader] = {}
    levels: dict[str, Any] = {}
    for group in ("channels", "levels"):
        part = _find_own(file, group)
        for key in part:
            dataset = _find_own(part, key)
            is_levels = group == "levels"
            _check_size(dataset)
            channel = _read_channel(dataset, is_levels=is_levels)
            numbered.append((int(dataset.attrs["number"]), channel))
            if is_levels:
                levels[channel.name] = _read_changes(dataset)
            else:
                place = f"{path}: channel {channel.name!r}"
                readers[channel.name] = ChunkReader(dataset, place=place, rate_hz=channel.rate_hz)
    channels = tuple(channel for _, channel in sorted(numbered, key=lambda pair: pair[0]))
    if len({channel.name for channel in channels}) < len(channels):
        raise ValueError("two channels have one name")
    if not channels:
        raise FormatError(f"{path}: holds no channel; run `misfire ingest` again")

    def read(name: str, start: int, stop: int) -> Any:
        if name not in readers:
            raise _name_error(name, channels)
        return readers[name].read(start, stop)

    def read_levels(name: str) -> Any:
        if name not in levels:
            raise _name_error(name, channels)
        return levels[name].copy()

    return Recording(
        path=path,
        sha256=str(file.attrs["source_sha256"]),
        job=job,
        channels=channels,
        read=read,
        read_levels=read_levels,
        findings=findings,
        close=file.close,
    )


def _find_own(group: Any, name: str) -> Any:
    """Give a member that lies in this file itself: a link may lead into any file of the reader's.

    Raises
    ------
    ValueError
        If it is a link to another file or path.
    """
    import h5py

    if not isinstance(group.get(name, getlink=True), h5py.HardLink):
        raise ValueError(f"{name} is a link to somewhere else")
    return group[name]


def _read_text(file: Any, name: str) -> str:
    """Read one of the file's texts."""
    dataset = _find_own(file, name)
    if dataset.shape != () or dataset.external is not None or dataset.is_virtual:
        raise ValueError(f"{name} is no text")
    text = dataset.asstr()[()]
    if not isinstance(text, str) or len(text) > LARGEST_TEXT:
        raise ValueError(f"{name} is no text of a job")
    return text


def _make_finding(values: Any) -> Finding:
    """Check one finding kept with a recording."""
    finding = Finding(**values)
    texts = (finding.code, finding.severity, finding.message, finding.channel)
    known = all(isinstance(text, str) for text in texts) and finding.severity in SEVERITIES
    if not known:
        raise ValueError("a finding is not what a reader could have said")
    return finding


def _check_size(dataset: Any) -> None:
    """Refuse a dataset that lies in other files, or promises more than its bytes can hold."""
    if dataset.external is not None or dataset.is_virtual:
        raise ValueError(f"{dataset.name} lies in another file")
    if dataset.ndim != 1 or (dataset.chunks and dataset.chunks[0] > LONGEST_CHUNK):
        raise ValueError(f"{dataset.name} is no row in chunks of a usual size")
    n_bytes = int(dataset.shape[0]) * dataset.dtype.itemsize
    padding = dataset.chunks[0] * dataset.dtype.itemsize if dataset.chunks else 0
    stored = dataset.id.get_storage_size()
    if n_bytes > MOST_SHRUNK * stored + padding or (not dataset.chunks and n_bytes > stored):
        raise ValueError(f"{dataset.name} promises more than the file holds")


def _read_changes(dataset: Any) -> Any:
    """Read the level changes of a logic channel: rising times, levels 0 and 1."""
    levels = dataset[()].astype(np.dtype(LEVEL_FIELDS))
    times = levels["time_s"]
    if not np.all(np.isfinite(times)) or np.any(np.diff(times) < 0):
        raise ValueError(f"{dataset.name} has times that do not rise")
    if np.any((levels["level"] != 0) & (levels["level"] != 1)):
        raise ValueError(f"{dataset.name} has levels other than 0 and 1")
    return levels


def _read_channel(dataset: Any, *, is_levels: bool) -> Channel:
    """Read the attributes of one channel."""
    attrs = dataset.attrs
    numbers = {key: float(attrs[key]) for key in _NUMBERS}
    if not all(math.isfinite(value) for value in numbers.values()):
        raise ValueError(f"{dataset.name} has a rate, scale, offset or start that is no number")
    if numbers["rate_hz"] <= 0 or numbers["scale"] == 0:
        raise ValueError(f"{dataset.name} has an impossible rate or scale")
    if str(attrs["role"]) not in ROLES or str(attrs["unit"]) not in UNITS:
        raise ValueError(f"{dataset.name} has an unknown role or unit")
    if not is_levels and (dataset.ndim != 1 or dataset.dtype != np.int16):
        raise ValueError(f"{dataset.name} is no row of int16 counts")
    return Channel(
        name=str(attrs["name"]),
        role=str(attrs["role"]),
        unit=str(attrs["unit"]),
        scale=numbers["scale"],
        offset=numbers["offset"],
        rate_hz=numbers["rate_hz"],
        start_s=numbers["start_s"],
        n_samples=0 if is_levels else int(dataset.shape[0]),
        cylinders=tuple(int(number) for number in attrs["cylinders"]),
        clock=str(attrs["clock"]),
        is_levels=is_levels,
        clip_low=int(attrs["clip_low"]),
        clip_high=int(attrs["clip_high"]),
        clock_known=bool(attrs["clock_known"]),
    )


def _name_error(name: str, channels: tuple[Channel, ...]) -> ChannelError:
    """Say that a channel is not there, or is kept the other way."""
    for channel in channels:
        if channel.name == name:
            kept = "level changes" if channel.is_levels else "samples"
            return ChannelError(f"channel {name!r} is stored as {kept}; read it as such")
    return ChannelError(f"no channel {name!r}; there are {', '.join(c.name for c in channels)}")
