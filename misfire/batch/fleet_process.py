"""One worker process from its starter's side: limits of time and memory, and what its end means."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from misfire.childprocess import TaskProcess

GIBI = 1 << 30
_TASKS_EACH = 200  # then a fresh process: what a library leaks stays bounded
# What every task needs, loaded before any limit holds: under one it may break.
_LIBRARIES = ("h5py", "jinja2", "pandas", "pyarrow.parquet", "scipy.linalg", "scipy.signal")
# How libraries say that an allocation was refused, where they do not raise MemoryError.
_SHORT_OF_MEMORY = ("MemoryError", "bad_alloc", "start new thread", "Cannot allocate memory")


@dataclass(frozen=True, slots=True)
class Limits:
    """What one recording may take: wall time, and memory beyond what an idle worker has."""

    time_s: float = 1800.0
    memory_bytes: int = 4 * GIBI


class IsolatedWorker:
    """A process that does tasks one after another; a new one is started when it has died."""

    def __init__(self, limits: Limits, *, scratch: Path | None = None) -> None:
        """Start nothing yet; `scratch` is where folders for temporary files are made."""
        self._limits = limits
        self._scratch = scratch
        self._process = TaskProcess("misfire.batch.fleet_task")
        self._done = 0
        self.close = self._process.close

    def run(
        self, task: dict[str, Any], *, stopped: Callable[[], bool] = lambda: False
    ) -> dict[str, Any] | None:
        """Do one task.

        Parameters
        ----------
        task : dict
            For `misfire.batch.fleet_task.run_task`, with its `size` [bytes].
        stopped : callable
            Asked again and again; once it is true the process is ended.

        Returns
        -------
        outcome : dict or None
            Also of a process that died or was ended for its limits; None when stopped.

        Raises
        ------
        OSError
            If no process or temporary folder is to be had.
        """
        folder = tempfile.mkdtemp(prefix="worker-", dir=self._scratch)
        limited = {
            **task,
            "libraries": _LIBRARIES,
            "time_s": self._limits.time_s,
            "memory_bytes": self._limits.memory_bytes,
            "mapped_bytes": 2 * task.get("size", 0),
            "temporary": folder,
            "orphaned": folder,
        }
        try:
            reply = self._process.do_once(limited, stopped=stopped)
        finally:
            shutil.rmtree(folder, ignore_errors=True)
        if reply["state"] == "stopped":
            return None
        outcome = self._read_outcome(reply)
        self._done += 1
        if self._done % _TASKS_EACH == 0 or outcome.get("code") == "memory":
            self.close()  # what a refused allocation leaves behind is not worth keeping
        return outcome

    def _read_outcome(self, reply: dict[str, Any]) -> dict[str, Any]:
        """Give the outcome that a reply holds, or say how a process ended that should not have."""
        state, message = reply["state"], str(reply.get("message", ""))
        if state == "done":
            outcome: dict[str, Any] = reply["outcome"]
            return outcome
        if state == "unstarted":
            return {"state": "stop", "code": "start", "message": f"a worker process {message}"}
        if state == "timeout":
            code = "timeout"
            words = f"took longer than the {self._limits.time_s:g} s a recording may take"
        elif state == "memory" or any(sign in message for sign in _SHORT_OF_MEMORY):
            code, words = "memory", "needs more memory than it is allowed"
        elif state == "crash" and reply["signal"]:
            code = "crash"
            words = f"the process that worked on it was ended by the system ({message})"
        else:
            code = "fault"
            words = f"a fault of the program itself: {(message.splitlines() or [state])[0][:200]}"
        return {"state": "failed", "code": code, "message": words}


def choose_memory(workers: int) -> int:
    """Choose the memory a recording may take: three quarters of the machine's, shared.

    Parameters
    ----------
    workers : int [>= 1]

    Returns
    -------
    size : int [bytes]
        At least 1 GiB; 4 GiB where the system does not tell.
    """
    try:
        total = os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE")
    except (AttributeError, ValueError, OSError):
        return 4 * GIBI
    return max(GIBI, int(0.75 * total / workers))
