"""Reading an HDF5 recording lazily: its channels and job card at once, its samples when asked."""

import json
import math
from pathlib import Path
from typing import Any

import numpy as np

from misfire.align.chunks import ChunkReader
from misfire.align.jobtext import parse_job
from misfire.errors import ChannelError, FormatError, find_first_line
from misfire.limits import MOST_SHRUNK
from misfire.records import LEVEL_FIELDS, ROLES, UNITS, Channel, Finding, Recording

SCHEMA = "misfire-recording/1"
NUMBERS = ("scale", "offset", "rate_hz", "start_s")
TEXTS = ("role", "unit", "clock")
"""What is known of a channel, as the attributes are called in the file."""

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
SEVERITIES = ("info", "warning", "error")


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
    numbers = {key: float(attrs[key]) for key in NUMBERS}
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
