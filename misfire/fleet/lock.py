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
_BUSY = {errno.EACCES, errno.EAGAIN}


@contextmanager
def lock_folder(folder: Path) -> Iterator[None]:
    """Hold a folder for one run.

    The system's own file lock is used, which ends with the process however that ends. Where the
    folder's file system has none, the lock is the file itself: one that a process of this machine
    left behind when it died is taken over.

    Parameters
    ----------
    folder : Path

    Raises
    ------
    OutputError
        If another run has the folder, or the lock cannot be written.
    """
    path = folder / LOCK
    try:
        handle = os.open(path, os.O_RDWR | os.O_CREAT, 0o666)
    except OSError as error:
        raise OutputError(f"{path}: cannot be written ({error.strerror})") from None
    try:
        own_file = not _take(handle, path)
        os.ftruncate(handle, 0)
        os.lseek(handle, 0, os.SEEK_SET)
        os.write(handle, f"{os.getpid()} {socket.gethostname()}\n".encode())
        yield
        os.ftruncate(handle, 0)
        if own_file:
            path.unlink(missing_ok=True)
    finally:
        os.close(handle)


def _take(handle: int, path: Path) -> bool:
    """Take the system's lock; False where there is none and the file's content has to do."""
    try:
        if os.name == "nt":
            import msvcrt

            msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)  # type: ignore[attr-defined,unused-ignore]
        else:
            import fcntl

            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        if error.errno in _BUSY:
            raise _refuse(path, _read(path)) from None
        holder = _read(path)
        if holder and not is_left_behind(holder):
            raise _refuse(path, holder) from None
        return False
    return True


def is_left_behind(holder: str) -> bool:
    """Tell whether the process that wrote a lock is gone for certain.

    Parameters
    ----------
    holder : str
        "process-number host"; a process of another host may still run.
    """
    number, _, host = holder.partition(" ")
    if host != socket.gethostname() or not number.isdigit():
        return False
    try:
        os.kill(int(number), 0)
    except ProcessLookupError:
        return True
    except OSError:
        return False
    return False


def _read(path: Path) -> str:
    """Give what the holder wrote."""
    with contextlib.suppress(OSError):
        return path.read_text(encoding="utf-8", errors="replace").strip()
    return ""


def _refuse(path: Path, holder: str) -> OutputError:
    """Say who has the folder."""
    number, _, host = holder.partition(" ")
    who = f" (process {number} on {host})" if host else ""
    return OutputError(
        f"{path.parent}: another screening{who} is at work there; wait for it, or choose another "
        f"folder with -o. If none is, remove {path}"
    )
