"""A lock on a results folder: one screening at a time, freed whenever its process ends."""

from __future__ import annotations

import contextlib
import errno
import os
import socket
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from misfire.errors import OutputError

LOCK = "lock"
_NO_LOCKS = {errno.ENOLCK, errno.ENOSYS, errno.EOPNOTSUPP}


@contextmanager
def lock_folder(folder: Path) -> Iterator[None]:
    """Hold a folder for one run.

    The system's own file lock is used, which ends with the process however that ends. Where the
    folder's file system has none, a file beside it is the lock: one that a process of this machine
    left behind when it died is taken over.

    Parameters
    ----------
    folder : Path

    Raises
    ------
    OutputError
        If another run has the folder, or the lock cannot be written.
    """
    from filelock import BaseFileLock, FileLock, SoftFileLock, Timeout

    path = folder / LOCK
    lock: BaseFileLock = FileLock(path, timeout=0, on_acquired=_sign)
    try:
        try:
            lock.acquire()
        except OSError as error:
            if error.errno not in _NO_LOCKS:
                raise
            path = folder / f"{LOCK}.soft"
            lock = SoftFileLock(path, timeout=0)
            lock.acquire()
    except Timeout:
        raise _refuse(path) from None
    except OSError as error:
        raise OutputError(f"{path}: cannot be written ({error.strerror})") from None
    try:
        yield
    finally:
        lock.release()


def _sign(handle: int) -> None:
    """Write who has the folder."""
    os.ftruncate(handle, 0)
    os.write(handle, f"{os.getpid()}\n{socket.gethostname()}\n".encode())


def _refuse(path: Path) -> OutputError:
    """Say who has the folder."""
    words: list[str] = []
    with contextlib.suppress(OSError):  # one that is locked cannot be read on every system
        words = path.read_text(encoding="utf-8", errors="replace").split()
    who = f" (process {words[0]} on {words[1]})" if len(words) > 1 else ""
    return OutputError(
        f"{path.parent}: another screening{who} is at work there; wait for it, or choose another "
        f"folder with -o. If none is, remove {path}"
    )
