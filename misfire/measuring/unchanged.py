"""Raw files that change while they are read: channels of two files must not be taken for one."""

from collections.abc import Callable
from pathlib import Path

from misfire.align.store import has_signature
from misfire.errors import FormatError
from misfire.ingest.parts import list_files
from misfire.records import Recording


def watch_sources(recording: Recording) -> Callable[[], None]:
    """Remember size, time and identity of a recording's raw files.

    Parameters
    ----------
    recording : Recording
        Just opened. A stored one is one open file, and not looked at.

    Returns
    -------
    check : callable () -> None
        Raises FormatError if one of the files is another now. One that is gone is none: what was
        opened can be read to its end, and what was not is refused anyway.
    """
    if has_signature(recording.path):
        return lambda: None
    job = recording.job
    before = {path: _identify(path) for path in (job.folder / f for f in list_files(job))}

    def check() -> None:
        for path, known in before.items():
            now = _identify(path)
            if now is not None and now != known:
                raise FormatError(
                    f"{path}: was changed while it was read; run again when it is complete"
                )

    return check


def _identify(path: Path) -> tuple[int, int, int] | None:
    """Give what tells a file from another, without reading it; None where there is none."""
    try:
        found = path.stat()
    except OSError:
        return None
    return found.st_size, found.st_mtime_ns, found.st_ino
