"""Trying a stored recording in a process of its own, before it is opened here.

The HDF5 library trusts a file: a damaged or forged one can send it round in circles, beyond its
memory, or end the process. So it finds and reads once, where that does no harm, all that it will
have to; chunks of samples are not decoded, as `packing` does that and is safe on any bytes.
"""

from __future__ import annotations

import atexit
import threading
from pathlib import Path
from typing import Any

from misfire.align.chunks import ChunkReader
from misfire.align.storereader import open_checked
from misfire.childprocess import Limits, Replies, TaskProcess
from misfire.dsp.heaps import find_broken_heap
from misfire.errors import FormatError, find_first_line

LIMITS = Limits(mapped_times=1)

PROCESS = TaskProcess("misfire.align.storeprobe")  # one for all: it only says yes or no
_LOCK = threading.Lock()
atexit.register(PROCESS.close)


def probe_store(path: Path) -> None:
    """Read a recording as far as it will be read, in a process of its own.

    Parameters
    ----------
    path : path

    Raises
    ------
    FormatError
        If it cannot be used, ends the process, or takes too long or too much memory.
    OSError
        If the file has gone, or no process can be started.
    """
    task = {"libraries": ["h5py"], "path": str(path.absolute()), **LIMITS.fit(path.stat().st_size)}
    with _LOCK:
        reply = PROCESS.do(task)
    state, message = reply["state"], str(reply.get("message", ""))[:4000]
    if state == "done":
        return
    if state == "refused" and message.strip():
        raise FormatError(message)
    words = {
        "timeout": f"cannot be read within {task['time_s']:.0f} s",
        "memory": "needs far more memory than a file of its size should",
        "crash": f"breaks the HDF5 library ({message})",
    }
    what = words.get(state, f"cannot be read ({(message.splitlines() or [state])[0][:120]})")
    raise FormatError(f"{path}: {what}; it is damaged: run `misfire ingest` again")


def do_task(task: dict[str, Any], replies: Replies) -> dict[str, Any]:
    """Open a recording and read all of its blocks, in the process that tries."""
    import h5py

    path = Path(task["path"])
    if find_broken_heap(path) is not None:
        raise FormatError(f"{path}: its texts are damaged; run `misfire ingest` again")
    try:
        open_checked(path).close()
        with h5py.File(path, "r") as file:
            for dataset in file["channels"].values():
                ChunkReader(dataset, place=str(path), rate_hz=1.0).try_all()
    except RuntimeError as error:  # the library lost count of its own objects
        words = find_first_line(error) or "unknown error"
        raise FormatError(
            f"{path}: the HDF5 library cannot read it ({words}); it is damaged: run "
            "`misfire ingest` again"
        ) from None
    return {}
