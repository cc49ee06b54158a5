"""One worker process from its starter's side: limits of time and memory, and what its end means."""

from __future__ import annotations

import contextlib
import json
import os
import queue
import shutil
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any

from misfire.childprocess import name_end

GIBI = 1 << 30
_POLL_S = 0.2
_START_S = 600.0  # to load the libraries, on a machine that is busy
_TASKS_EACH = 200  # then a fresh process: what a library leaks stays bounded
# How libraries say that an allocation was refused, where they do not raise MemoryError.
_SHORT_OF_MEMORY = ("MemoryError", "bad_alloc", "start new thread", "Cannot allocate memory")
_THREADS = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "NUMEXPR_NUM_THREADS")


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
        self._process: subprocess.Popen[str] | None = None
        self._replies: queue.Queue[str | None] = queue.Queue()
        self._errors: IO[bytes] | None = None
        self._folder: str | None = None
        self._done = 0
        self._ready = False

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
        """
        if self._process is None or self._process.poll() is not None:
            self.close()
            self._start()
        limited = {
            **task,
            "memory_bytes": self._limits.memory_bytes,
            "mapped_bytes": task.get("size", 0),
        }
        process = self._process
        if process is None or process.stdin is None:
            return self._describe_end()
        with contextlib.suppress(OSError):
            process.stdin.write(json.dumps(limited) + "\n")
            process.stdin.flush()
        deadline = time.monotonic() + (self._limits.time_s if self._ready else _START_S)
        while True:
            try:
                line = self._replies.get(timeout=_POLL_S)
            except queue.Empty:
                if stopped():
                    self.close()
                    return None
                ended = self._check_limits(process.pid, deadline)
                if ended is not None:
                    self.close()
                    return ended
                continue
            if line is None:
                process.wait()
                outcome = self._describe_end()
                self.close()
                return outcome
            reply: dict[str, Any] = json.loads(line)
            if reply["state"] == "ready":
                self._ready = True
                deadline = time.monotonic() + self._limits.time_s
                continue
            self._done += 1
            if self._done >= _TASKS_EACH or reply.get("code") == "memory":
                self.close()
            return reply

    def close(self) -> None:
        """End the process and remove its temporary files."""
        if self._process is not None:
            self._process.kill()
            self._process.wait()
            for stream in (self._process.stdin, self._process.stdout):
                if stream is not None:
                    with contextlib.suppress(OSError):
                        stream.close()
            self._process = None
        if self._errors is not None:
            self._errors.close()
            self._errors = None
        if self._folder is not None:
            shutil.rmtree(self._folder, ignore_errors=True)
            self._folder = None

    def _start(self) -> None:
        """Start a process with one thread for algebra and temporary files of its own."""
        self._done = 0
        self._ready = False
        self._replies = queue.Queue()
        self._errors = tempfile.TemporaryFile()  # noqa: SIM115 - lives as long as the process
        self._folder = tempfile.mkdtemp(prefix="worker-", dir=self._scratch)
        package = str(Path(__file__).resolve().parents[2])  # the worker needs the same one
        paths = [package, *filter(None, [os.environ.get("PYTHONPATH")])]
        environment = {
            **os.environ,
            **dict.fromkeys(_THREADS, "1"),
            "PYTHONPATH": os.pathsep.join(paths),
            "MALLOC_ARENA_MAX": "2",  # an arena takes 64 MB of address space, which is limited
            "TMPDIR": self._folder,
            "HDF5_USE_FILE_LOCKING": os.environ.get("HDF5_USE_FILE_LOCKING", "BEST_EFFORT"),
        }
        self._process = subprocess.Popen(
            # -P: else a folder of recordings could hold a module that is taken for one of ours.
            [sys.executable, "-P", "-m", "misfire.batch.fleet_worker"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=self._errors,
            env=environment,
            text=True,
            encoding="ascii",
            start_new_session=True,  # Ctrl-C at the terminal is not for it
        )
        threading.Thread(
            target=_read_replies, args=(self._process.stdout, self._replies), daemon=True
        ).start()

    def _check_limits(self, pid: int, deadline: float) -> dict[str, Any] | None:
        """Say how a recording broke its limits, or None."""
        if time.monotonic() > deadline and not self._ready:
            return {
                "state": "stop",
                "code": "start",
                "message": f"a worker process did not start within {_START_S:g} s",
            }
        if time.monotonic() > deadline:
            return {
                "state": "failed",
                "code": "timeout",
                "message": f"took longer than the {self._limits.time_s:g} s a recording may take",
            }
        if read_own_memory(pid) > self._limits.memory_bytes + GIBI:
            return {
                "state": "failed",
                "code": "memory",
                "message": "needs more memory than it is allowed",
            }
        return None

    def _describe_end(self) -> dict[str, Any]:
        """Say how a process ended that should not have."""
        last = ""
        if self._errors is not None:
            self._errors.seek(0)
            lines = self._errors.read()[-4000:].decode("utf-8", "replace").strip().splitlines()
            last = lines[-1].strip() if lines else ""
        code = None if self._process is None else self._process.returncode
        if code is not None and code < 0:
            words = f"the process that worked on it was ended by the system ({name_end(code)})"
            return {"state": "failed", "code": "crash", "message": words}
        if any(sign in last for sign in _SHORT_OF_MEMORY):
            words = "needs more memory than it is allowed"
            return {"state": "failed", "code": "memory", "message": words}
        words = "a fault of the program itself" + (f": {last[:200]}" if last else "")
        return {"state": "failed", "code": "fault", "message": words}


def read_own_memory(pid: int) -> int:
    """Give the memory that a process has for itself, files mapped into it not counted.

    Parameters
    ----------
    pid : int

    Returns
    -------
    size : int [bytes]
        0 where the system does not tell.
    """
    try:
        with open(f"/proc/{pid}/statm", encoding="ascii") as file:
            fields = file.read().split()
        return (int(fields[1]) - int(fields[2])) * os.sysconf("SC_PAGE_SIZE")
    except (OSError, ValueError, IndexError):
        return 0


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


def _read_replies(stream: IO[str], replies: queue.Queue[str | None]) -> None:
    """Pass on each line a process writes, and None at its end."""
    with contextlib.suppress(ValueError, OSError):
        for line in stream:
            replies.put(line)
    replies.put(None)
