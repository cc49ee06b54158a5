"""Python processes of our own that do what may break: how they start, and what they may take."""

from __future__ import annotations

import contextlib
import json
import os
import signal
import subprocess
import sys
from pathlib import Path

_START = """
import json, sys
sys.path[:] = json.loads(sys.argv[1])
import importlib
importlib.import_module(sys.argv[2]).main()
"""
_QUIET = {
    **dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"), "1"),
    "MALLOC_ARENA_MAX": "2",  # an arena takes 64 MB of address space, which is limited
    "ARROW_DEFAULT_MEMORY_POOL": "system",  # its own takes address space in advance
}


def start_module(module: str) -> subprocess.Popen[str]:
    """Start the `main` of a module in a process that finds the same packages as this one.

    Parameters
    ----------
    module : str

    Returns
    -------
    process : Popen
        Its input and output are pipes of ASCII text. What it says on standard error is dropped,
        unless MISFIRE_TRACEBACK=1.

    Raises
    ------
    OSError
        If no process can be started.
    """
    root = str(Path(__file__).resolve().parents[1])
    paths = [*dict.fromkeys([*filter(None, sys.path), root])]
    loud = os.environ.get("MISFIRE_TRACEBACK") == "1"
    # -P: else a folder of recordings could hold a module that is taken for one of ours.
    return subprocess.Popen(
        [sys.executable, "-P", "-c", _START, json.dumps(paths), module],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=None if loud else subprocess.DEVNULL,
        env={**os.environ, **_QUIET},
        text=True,
        encoding="ascii",
        errors="replace",
        start_new_session=True,  # Ctrl-C at the terminal is not for it
        creationflags=getattr(subprocess, "CREATE_NO_WINDOW", 0),
    )


def end_process(process: subprocess.Popen[str]) -> None:
    """End a process and close its pipes."""
    process.kill()
    process.wait()
    for stream in (process.stdin, process.stdout):
        if stream is not None:
            with contextlib.suppress(OSError):
                stream.close()


def name_end(code: int) -> str:
    """Name how a process ended: the signal, or its status."""
    try:
        return signal.Signals(-code).name if code < 0 else f"status {code:#x}"
    except ValueError:
        return f"signal {-code}"


def ignore_interrupts() -> None:
    """Leave Ctrl-C to the starter."""
    for name in ("SIGINT", "SIGHUP"):
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), signal.SIG_IGN)


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
    except (OSError, ValueError, IndexError):  # no such table: as much as a loaded reader has
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


def limit_time(time_s: float) -> None:
    """Let the system end this process after a time, also inside a library; 0: never."""
    if hasattr(signal, "setitimer"):
        signal.signal(signal.SIGALRM, signal.SIG_DFL)
        signal.setitimer(signal.ITIMER_REAL, time_s)
