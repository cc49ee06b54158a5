"""Opening a recording that `storewriter` wrote, however its bytes came here."""

from pathlib import Path

from misfire.align.storeprobe import probe_store
from misfire.align.storereader import open_checked
from misfire.errors import FormatError
from misfire.records import Recording

SIGNATURE = b"\x89HDF\r\n\x1a\n"


def has_signature(path: Path) -> bool:
    """Tell whether a file begins as an HDF5 file does.

    Raises
    ------
    OSError
        If the file cannot be read.
    """
    with path.open("rb") as file:
        return file.read(len(SIGNATURE)) == SIGNATURE


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
        probe_store(path)
    except OSError as error:
        raise FormatError(f"{path}: cannot be read ({error.strerror}); copy it again") from None
    return open_checked(path)
