"""Python processes of our own that do what may break: tasks go in as lines, replies come out."""

from __future__ import annotations

import contextlib
import importlib
import json
import os
import queue
import shutil
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import IO, Any, TextIO

from misfire.errors import MisfireError

GRACE_S = 5.0  # the starter ends what takes too long; the system does, if nobody is left to
_POLL_S = 0.2
_START_S = 600.0  # to start a process and load the libraries, on a machine that is busy
_ENDS = ("done", "refused", "unreadable")
_START = """
import json, sys
sys.path[:] = json.loads(sys.argv[1])
from misfire.childprocess import serve
serve(sys.argv[2])
"""
_THREADS = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "NUMEXPR_NUM_THREADS")
_QUIET = {
    **dict.fromkeys(_THREADS, "1"),
    "MALLOC_ARENA_MAX": "2",  # an arena takes 64 MB of address space, which is limited
    "ARROW_DEFAULT_MEMORY_POOL": "system",  # its own takes address space in advance
}


@dataclass(frozen=True, slots=True)
class Limits:
    """What reading one file may take: a floor, and more with its size."""

    time_s: float = 30.0
    bytes_per_s: float = 1e6  # a slow share in a network
    memory_bytes: int = 1 << 30
    memory_times: int = 8  # of the file's size: a library may unpack a part of it in memory
    mapped_bytes: int = 8 << 30  # address space for files that are mapped
    mapped_times: int = 64

    def fit(self, size: int) -> dict[str, Any]:
        """Give the limits for a file of a size [bytes], as a task has them."""
        return {
            "time_s": self.time_s + size / self.bytes_per_s,
            "memory_bytes": self.memory_bytes + self.memory_times * size,
            "mapped_bytes": self.mapped_bytes + self.mapped_times * size,
        }


class TaskProcess:
    """A process that does tasks one after another; started when first used, or when it died.

    Attributes
    ----------
    faults : list of str
        What went wrong in it that is neither a refusal nor its end.
    n_ended : int
        How many processes died or had to be ended.
    """

    def __init__(self, module: str) -> None:
        """Start nothing yet; the module has a function `do_task`, see `serve`."""
        self._module = module
        self._process: subprocess.Popen[str] | None = None
        self._owner = os.getpid()
        self._replies: queue.Queue[dict[str, Any] | None] = queue.Queue()
        self.faults: list[str] = []
        self.n_ended = 0

    def do(
        self, task: dict[str, Any], tell: Callable[[dict[str, Any]], None] | None = None
    ) -> dict[str, Any]:
        """Do one task; a process that dies of it may have been broken by an earlier one.

        Parameters
        ----------
        task : dict
            As for `do_once`.
        tell : callable, optional
            Called with each reply of the state `progress`.

        Returns
        -------
        reply : dict
            As of `do_once`.

        Raises
        ------
        OSError
            If no process can be started.
        """
        is_fresh = self._process is None or self._owner != os.getpid()
        reply = self.do_once(task, tell)
        if reply["state"] == "crash" and not is_fresh:
            reply = self.do_once(task, tell)
        return reply

    def do_once(
        self,
        task: dict[str, Any],
        tell: Callable[[dict[str, Any]], None] | None = None,
        *,
        stopped: Callable[[], bool] = lambda: False,
    ) -> dict[str, Any]:
        """Send a task to the process and wait for how it ends.

        Parameters
        ----------
        task : dict
            With `libraries` to load before any limit holds, `time_s`, `memory_bytes` and
            `mapped_bytes` as for `limit_memory`, and perhaps `orphaned`: a folder to remove if
            this process dies.
        tell : callable, optional
            Called with each reply of the state `progress`.
        stopped : callable
            Asked again and again; once it is true the process is ended.

        Returns
        -------
        reply : dict
            Its `state`: `done`, `refused` (with `code` and `message`), `unreadable` (`message`),
            `memory`, `timeout`, `stopped`, `crash` (`message`: how it ended; `signal`: whether by
            one), `fault` (`message`), `unstarted` (`message`).

        Raises
        ------
        OSError
            If no process can be started.
        """
        if self._owner != os.getpid():
            self._forget()
        process = self._process or self._start()
        is_sound = False
        try:
            with contextlib.suppress(OSError):
                if process.stdin is not None:
                    process.stdin.write(json.dumps(task) + "\n")
                    process.stdin.flush()
            reply = self._wait(process, task["time_s"], tell, stopped)
            is_sound = reply["state"] in _ENDS
            if reply["state"] == "fault":
                self.faults.append(str(reply.get("message")))
            return reply
        finally:
            if not is_sound:  # also when interrupted
                self.n_ended += 1
                self.close()

    def _wait(
        self,
        process: subprocess.Popen[str],
        time_s: float,
        tell: Callable[[dict[str, Any]], None] | None,
        stopped: Callable[[], bool],
    ) -> dict[str, Any]:
        """Wait for the last reply to a task."""
        late = {"state": "unstarted", "message": f"did not start within {_START_S:g} s"}
        deadline = time.monotonic() + _START_S
        while time.monotonic() < deadline:
            try:
                reply = self._replies.get(timeout=_POLL_S)
            except queue.Empty:
                if stopped():
                    return {"state": "stopped"}
                continue
            if reply is None:
                code = process.wait()
                return {"state": "crash", "message": name_end(code), "signal": code < 0}
            if reply["state"] == "loaded":
                late = {"state": "timeout"}
                deadline = time.monotonic() + time_s
            elif reply["state"] != "progress":
                return reply
            elif tell is not None:
                tell(reply)
        return late

    def _start(self) -> subprocess.Popen[str]:
        """Start a process that finds the same packages as this one, and a thread that listens."""
        loud = os.environ.get("MISFIRE_TRACEBACK") == "1"
        locking = {"HDF5_USE_FILE_LOCKING": "BEST_EFFORT"}  # not every network has locks
        process = subprocess.Popen(
            [sys.executable, "-P", "-c", _START, json.dumps(_list_paths()), self._module],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=None if loud else subprocess.DEVNULL,
            env={**locking, **os.environ, **_QUIET},
            text=True,
            encoding="ascii",
            errors="replace",
            start_new_session=True,  # Ctrl-C at the terminal is not for it
            creationflags=getattr(subprocess, "CREATE_NO_WINDOW", 0),
        )
        self._process, self._owner = process, os.getpid()
        self._replies = queue.Queue()
        threading.Thread(
            target=_pass_replies, args=(process.stdout, self._replies), daemon=True
        ).start()
        return process

    def _forget(self) -> None:
        """Leave the process to the one that started it, of which this one is a fork."""
        if self._process is not None:
            self._process.returncode = 0  # else it would be asked how it ended
        self._process = None

    def close(self) -> None:
        """End the process."""
        if self._owner != os.getpid():
            self._forget()
        process, self._process = self._process, None
        if process is None:
            return
        process.kill()
        process.wait()
        for stream in (process.stdin, process.stdout):
            if stream is not None:
                with contextlib.suppress(OSError):
                    stream.close()


def _list_paths() -> list[str]:
    """List where this process finds packages, without a folder of recordings it may stand in."""
    root, here = str(Path(__file__).resolve().parents[1]), None
    with contextlib.suppress(OSError):
        here = os.getcwd()
    return [*dict.fromkeys([*(p for p in sys.path if p and (p == root or p != here)), root])]


def _pass_replies(stream: IO[str], replies: queue.Queue[dict[str, Any] | None]) -> None:
    """Pass on each reply of a process, and None at its end or when it is no reply."""
    with contextlib.suppress(ValueError, OSError, RecursionError):
        for line in stream:
            reply = json.loads(line)
            if not isinstance(reply, dict) or not isinstance(reply.get("state"), str):
                break
            replies.put(reply)
    replies.put(None)


def name_end(code: int) -> str:
    """Name how a process ended: the signal, or its status.

    Parameters
    ----------
    code : int
        As `subprocess` gives it: below 0 the signal.

    Returns
    -------
    name : str
    """
    try:
        return signal.Signals(-code).name if code < 0 else f"status {code:#x}"
    except ValueError:
        return f"signal {-code}"


class Replies:
    """Lines to the starter."""

    def __init__(self, stream: TextIO) -> None:
        """Take over the stream."""
        self._stream = stream

    def send(self, state: str, **fields: Any) -> None:
        """Send one line."""
        self._stream.write(json.dumps({"state": state, **fields}) + "\n")
        self._stream.flush()

    def tell(self, stage: str, fraction: float) -> None:
        """Send how far a stage has come."""
        self.send("progress", stage=stage, fraction=fraction)


def serve(module: str) -> None:
    """Do the tasks that a `TaskProcess` sends, until it is closed or its process dies.

    Parameters
    ----------
    module : str
        Its `do_task(task, replies)` gives the fields of the reply `done`; a MisfireError is a
        refusal.
    """
    for name in ("SIGINT", "SIGHUP"):  # Ctrl-C is the starter's matter
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), signal.SIG_IGN)
    _keep_limits()
    replies = Replies(os.fdopen(os.dup(1), "w", encoding="ascii"))
    os.dup2(2, 1)  # a stray print must not be taken for a reply

    def report_fault(
        kind: type[BaseException], error: BaseException, trace: TracebackType | None
    ) -> None:
        """Tell what is no refusal: a fault of the program."""
        sys.__excepthook__(kind, error, trace)
        replies.send("fault", message=f"{kind.__name__}: {error}"[:500])

    sys.excepthook = report_fault
    tasks: queue.Queue[dict[str, Any]] = queue.Queue()
    threading.Thread(target=_listen, args=(tasks, sys.stdin), daemon=True).start()
    while True:
        _work(module, tasks.get(), replies)


def _listen(tasks: queue.Queue[dict[str, Any]], source: TextIO) -> None:
    """Pass tasks on; once nobody can send any, remove what is left behind and end."""
    folder = None
    for line in source:
        task = json.loads(line)
        folder = task.get("orphaned")
        tasks.put(task)
    if folder is not None:
        shutil.rmtree(folder, ignore_errors=True)
    os._exit(0)


def _work(module: str, task: dict[str, Any], replies: Replies) -> None:
    """Do one task and reply."""
    do = importlib.import_module(module).do_task
    for name in task["libraries"]:
        # A library that is loaded under a limit may break it; who needs it says if it is missing.
        with contextlib.suppress(ImportError, OSError):
            importlib.import_module(name)
    replies.send("loaded")
    limit_memory(task["memory_bytes"], task["mapped_bytes"])
    _limit_time(task["time_s"] + GRACE_S)
    try:
        fields = do(task, replies)
    except MisfireError as error:
        replies.send("refused", code=error.code, message=str(error))
    except MemoryError:
        replies.send("memory")
    except OSError as error:
        replies.send("unreadable", message=error.strerror or str(error))
    else:
        replies.send("done", **fields)
    _limit_time(0)


def _keep_limits() -> None:
    """Never take more than the starter may, which may be a worker with limits of its own."""
    try:
        import resource
    except ImportError:  # Windows
        return
    for which in (resource.RLIMIT_DATA, resource.RLIMIT_AS):
        with contextlib.suppress(OSError, ValueError):
            soft = resource.getrlimit(which)[0]
            resource.setrlimit(which, (soft, soft))


def limit_memory(extra_bytes: int, mapped_bytes: int) -> None:
    """Allow this process so much more memory than it has now, where the system can.

    Parameters
    ----------
    extra_bytes : int
        Memory of its own.
    mapped_bytes : int
        Address space beyond that: files that are mapped count in it.
    """
    try:
        import resource
    except ImportError:  # Windows
        return
    with contextlib.suppress(OSError, ValueError):
        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    try:
        with open("/proc/self/statm", encoding="ascii") as file:
            pages = file.read().split()
        page = os.sysconf("SC_PAGE_SIZE")
        now, own = int(pages[0]) * page, int(pages[5]) * page
    except (OSError, ValueError, IndexError):  # no such table: as much as a loaded library has
        now = own = 1 << 30
    limits = (
        (resource.RLIMIT_DATA, own + extra_bytes),
        (resource.RLIMIT_AS, now + extra_bytes + mapped_bytes),
    )
    for which, wanted in limits:
        with contextlib.suppress(OSError, ValueError):
            hard = resource.getrlimit(which)[1]
            soft = wanted if hard == resource.RLIM_INFINITY else min(wanted, hard)
            resource.setrlimit(which, (soft, hard))


def _limit_time(time_s: float) -> None:
    """Let the system end this process after a time, also inside a library; 0: never."""
    if hasattr(signal, "setitimer"):
        signal.signal(signal.SIGALRM, signal.SIG_DFL)
        signal.setitimer(signal.ITIMER_REAL, time_s)
