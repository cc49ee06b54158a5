"""Writing all channels of a vehicle into one HDF5 recording.

HDF5, int16 counts, gzip and shuffle: any HDF5 reader opens it. Other strategies and levels of
deflate were tried: none decodes a fifth quicker or is a tenth smaller. So the other coding is none
(`ingest --coding none`): one piece, three times the room, nothing to decode.
"""

import json
import re
from collections.abc import Callable
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np

from misfire import __version__
from misfire.align.jobtext import format_job
from misfire.align.outfile import OutFile
from misfire.align.packing import LEVEL, pack
from misfire.align.storereader import NUMBERS, SCHEMA, TEXTS
from misfire.errors import OutputError, ParameterError
from misfire.publishing import write_whole
from misfire.records import Recording

CHUNK_SAMPLES = 262_144  # best of six sizes measured for reading gzip and shuffle
CODINGS = ("deflate", "none")

Progress = Callable[[str, float], None]


def write_store(
    recording: Recording,
    path: Path | str,
    *,
    coding: str = CODINGS[0],
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
    coding : "deflate" or "none"
        How samples are stored: small, or as they are, which takes some three times the room and
        spares the decoding, the larger part of a diagnosis.
    progress : callable (stage, fraction), optional
    check : callable () -> None, optional
        Called when all is written but not yet under its name; what it raises leaves nothing.

    Raises
    ------
    OutputError
        If the file cannot be written, or is one that the recording is read from.
    ParameterError
        If there is no such coding.

    Notes
    -----
    Sampled channels are one-dimensional int16 datasets under `/channels`, chunked, deflated at
    level 1 after a byte shuffle, or in one piece as they are; logic channels are their level
    changes under `/levels`. All that is known of a channel stands in its attributes. Any HDF5
    reader opens the file. Chunks are coded here and written as they are, which spares the
    library's slower filters.
    """
    if coding not in CODINGS:
        raise ParameterError(f"coding must be one of {', '.join(CODINGS)}, got {coding!r}")
    path = Path(path)
    _refuse_own_source(recording, path)

    def write(part: Path) -> None:
        _write_file(recording, part, coding, progress)
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


def _write_file(recording: Recording, path: Path, coding: str, progress: Progress | None) -> None:
    """Write everything into an HDF5 file."""
    target = OutFile(path)
    try:
        _fill_file(recording, target, coding, progress)
    finally:
        target.close()
    target.check()


def _fill_file(
    recording: Recording, target: OutFile, coding: str, progress: Progress | None
) -> None:
    """Write everything, up to the first error."""
    import h5py

    total = max(1, sum(channel.n_samples for channel in recording.channels))
    done = 0
    with h5py.File(target, "w", libver=("v110", "v110")) as file:
        file.attrs["schema"] = SCHEMA
        file.attrs["written_by"] = f"misfire {__version__}"
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
                layout: dict[str, Any] = {}
                if coding == "deflate":
                    layout = {
                        "chunks": (chunk,),
                        "compression": "gzip",
                        "compression_opts": LEVEL,
                        "shuffle": True,
                    }
                dataset = file["channels"].create_dataset(
                    safe, shape=(channel.n_samples,), dtype="<i2", **layout
                )
                for start in range(0, channel.n_samples, chunk):
                    stop = min(start + chunk, channel.n_samples)
                    counts = recording.read(channel.name, start, stop)
                    if coding == "none":
                        dataset[start:stop] = counts
                    else:
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
            for key in TEXTS:
                dataset.attrs[key] = getattr(channel, key)
            for key in NUMBERS:
                dataset.attrs[key] = float(getattr(channel, key))
            dataset.attrs["clip_low"] = channel.clip_low
            dataset.attrs["clip_high"] = channel.clip_high
            dataset.attrs["clock_known"] = channel.clock_known


def _make_safe_name(name: str, taken: set[str]) -> str:
    """Make a dataset name from a channel's name, not used before."""
    safe = re.sub(r"[^\w +-]", "_", name, flags=re.ASCII).strip() or "channel"
    unique, number = safe, 2
    while unique in taken:
        unique, number = f"{safe} {number}", number + 1
    taken.add(unique)
    return unique
