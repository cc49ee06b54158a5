"""Tasks shared among worker processes of this machine; no task can harm another.

A pool of the standard library loses all its work when one worker is killed; the processes here are
those of `childprocess.py`, as readers have them. A cluster's worker starts such a child as well,
so limits and isolation are the same everywhere.
"""

from __future__ import annotations

import os
import queue
import shutil
import tempfile
import threading
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

from misfire.childprocess import TaskProcess

Task = dict[str, Any]
Outcome = dict[str, Any]
DIED = ("crash", "fault")  # worth one more try, with nothing else running


GIBI = 1 << 30
_TASKS_EACH = 200  # then a fresh process: what a library leaks stays bounded
# What every task needs, loaded before any limit holds: under one it may break.
_LIBRARIES = ("h5py", "jinja2", "pandas", "pyarrow.parquet", "scipy.linalg", "scipy.signal")
# How libraries say that an allocation was refused, where they do not raise MemoryError.
_SHORT_OF_MEMORY = ("MemoryError", "bad_alloc", "start new thread", "Cannot allocate memory")


class Pool(Protocol):
    """Does tasks in any order; outcomes come as they are ready."""

    def run(
        self, tasks: Sequence[Task], *, stopped: Callable[[], bool]
    ) -> Iterator[tuple[Task, Outcome]]:
        """Give each task with its outcome; fewer once `stopped` is true."""

    def close(self) -> None:
        """End all workers."""


class LocalPool:
    """Worker processes of this machine, each fed by a thread."""

    def __init__(self, workers: int, limits: TaskLimits, *, scratch: Path | None = None) -> None:
        """Start nothing yet."""
        self._workers = [IsolatedWorker(limits, scratch=scratch) for _ in range(workers)]
        self._stop = False

    def run(
        self, tasks: Sequence[Task], *, stopped: Callable[[], bool]
    ) -> Iterator[tuple[Task, Outcome]]:
        """Give each task with its outcome, the largest tasks first.

        A task whose process died is tried once more after the others, with nothing else running:
        it may have died of another's hunger for memory.
        """
        waiting = deque(sorted(tasks, key=lambda task: -task.get("size", 0)))
        again: list[Task] = []
        for task, outcome in self._share(waiting, stopped):
            if outcome.get("code") in DIED:
                again.append(task)
            else:
                yield task, outcome
        for task in again:
            if stopped():
                return
            alone = self._workers[0].run(task, stopped=stopped)
            if alone is not None:
                yield task, alone

    def close(self) -> None:
        """End all workers."""
        self._stop = True
        for worker in self._workers:
            worker.close()

    def _share(
        self, waiting: deque[Task], stopped: Callable[[], bool]
    ) -> Iterator[tuple[Task, Outcome]]:
        """Let every worker take the next task as soon as it is free."""
        done: queue.Queue[tuple[Task, Outcome] | BaseException | None] = queue.Queue()

        def halt() -> bool:
            return self._stop or stopped()

        def feed(worker: IsolatedWorker) -> None:
            try:
                while not halt():
                    try:
                        task = waiting.popleft()
                    except IndexError:
                        break
                    outcome = worker.run(task, stopped=halt)
                    if outcome is None:
                        break
                    done.put((task, outcome))
            except OSError as error:  # no process or temporary folder to be had
                done.put(error)
            finally:
                done.put(None)

        threads = [
            threading.Thread(target=feed, args=(worker,), daemon=True)
            for worker in self._workers[: max(1, len(waiting))]
        ]
        for thread in threads:
            thread.start()
        running = len(threads)
        try:
            while running:
                got = done.get()
                if got is None:
                    running -= 1
                elif isinstance(got, BaseException):
                    raise got
                else:
                    yield got
        finally:
            self._stop = self._stop or running > 0  # left early: let the threads end
            for thread in threads:
                thread.join()


@dataclass(frozen=True, slots=True)
class TaskLimits:
    """What one recording may take: wall time, and memory beyond what an idle worker has."""

    time_s: float = 1800.0
    memory_bytes: int = 4 * GIBI


class IsolatedWorker:
    """A process that does tasks one after another; a new one is started when it has died."""

    def __init__(self, limits: TaskLimits, *, scratch: Path | None = None) -> None:
        """Start nothing yet; `scratch` is where folders for temporary files are made."""
        self._limits = limits
        self._scratch = scratch
        self._process = TaskProcess("misfire.fleet.task")
        self._done = 0
        self.close = self._process.close

    def run(
        self, task: dict[str, Any], *, stopped: Callable[[], bool] = lambda: False
    ) -> dict[str, Any] | None:
        """Do one task.

        Parameters
        ----------
        task : dict
            For `misfire.fleet.task.run_task`, with its `size` [bytes].
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
