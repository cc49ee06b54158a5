"""One way to open what a command was given: a job card with raw files, or an HDF5 recording."""

from pathlib import Path

from misfire.align.store import SIGNATURE, open_store
from misfire.errors import FormatError
from misfire.ingest.reading import open_raw
from misfire.ingest.source import Progress
from misfire.records import Recording


def open_recording(
    path: Path | str,
    *,
    progress: Progress | None = None,
    hash_source: bool = True,
    allow_outside: bool = False,
) -> Recording:
    """Open a job card (TOML) with its raw files, or a recording that `misfire ingest` wrote.

    Parameters
    ----------
    path : path
    progress : callable (stage, fraction), optional
    hash_source : bool
        Whether to compute the SHA-256 of raw files; a recording carries it already.
    allow_outside : bool
        Whether a job card may name files outside its own folder.

    Returns
    -------
    recording : Recording
        Call its `close` when done.

    Raises
    ------
    JobCardError
        If the job card is wrong or does not fit its files.
    FormatError
        If a file is not what it should be, or a job card is needed to make sense of it.
    """
    path = Path(path)
    try:
        with path.open("rb") as file:
            start = file.read(8)
    except FileNotFoundError:
        raise FormatError(
            f"{path}: no such file; give a job card (TOML) or a recording (HDF5)"
        ) from None
    except IsADirectoryError:
        raise FormatError(f"{path}: is a folder; give the job card (TOML file) in it") from None
    except OSError as error:
        raise FormatError(f"{path}: cannot be read ({error.strerror})") from None
    if start == SIGNATURE:
        return open_store(path)
    if path.suffix.lower() != ".toml" and (b"\0" in start or _is_raw(path)):
        raise FormatError(
            f"{path}: raw data need a job card; describe the file in a job.toml and give that"
        )
    return open_raw(path, progress=progress, hash_source=hash_source, allow_outside=allow_outside)


def _is_raw(path: Path) -> bool:
    """Tell raw data by the name, so that the message can ask for a job card."""
    tables = (".csv", ".tsv", ".txt", ".gz", ".npz", ".npy", ".mat", ".mf4", ".parquet")
    return path.suffix.lower() in (*tables, ".wav", ".w64", ".flac", ".aiff")
