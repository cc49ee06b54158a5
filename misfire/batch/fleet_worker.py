"""The process that works on one recording at a time: tasks come in as lines, outcomes go out.

Started as `python -m misfire.batch.fleet_worker`. It ends at once when its starter does.
"""

from __future__ import annotations

import contextlib
import json
import os
import queue
import signal
import sys
import threading
from collections.abc import Callable
from typing import Any, TextIO


def limit_memory(extra_bytes: int) -> Callable[[], None]:
    """Allow this process so much more address space than it has now, where the system can.

    Parameters
    ----------
    extra_bytes : int

    Returns
    -------
    undo : callable
    """
    try:
        import resource

        with open("/proc/self/statm", encoding="ascii") as file:
            now = int(file.read().split()[0]) * os.sysconf("SC_PAGE_SIZE")
        soft, hard = resource.getrlimit(resource.RLIMIT_AS)
    except (ImportError, OSError, ValueError):
        return lambda: None  # the starter watches the resident size, where it can
    wanted = now + extra_bytes
    if hard != resource.RLIM_INFINITY:
        wanted = min(wanted, hard)
    resource.setrlimit(resource.RLIMIT_AS, (wanted, hard))
    return lambda: resource.setrlimit(resource.RLIMIT_AS, (soft, hard))


def _listen(tasks: queue.Queue[dict[str, Any]], source: TextIO) -> None:
    """Pass tasks on; end the process as soon as nobody is there to send any."""
    for line in source:
        tasks.put(json.loads(line))
    os._exit(0)


def _load() -> Callable[[dict[str, Any]], dict[str, Any]]:
    """Load what every task needs, before any limit holds."""
    import h5py  # noqa: F401 - a library that is loaded under a limit may break it
    import jinja2  # noqa: F401
    import pandas as pd  # noqa: F401
    import pyarrow.parquet  # noqa: F401
    import scipy.linalg  # noqa: F401 - its threads can be limited only once it is loaded
    import scipy.signal  # noqa: F401
    from threadpoolctl import threadpool_limits

    from misfire.batch.fleet_task import run_task

    threadpool_limits(limits=1)
    return run_task


def main() -> None:
    """Work until the input ends."""
    for name in ("SIGINT", "SIGHUP"):  # Ctrl-C is the starter's matter
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), signal.SIG_IGN)
    replies = os.fdopen(os.dup(1), "w", encoding="ascii")
    os.dup2(2, 1)  # a stray print must not be taken for an outcome
    tasks: queue.Queue[dict[str, Any]] = queue.Queue()
    threading.Thread(target=_listen, args=(tasks, sys.stdin), daemon=True).start()
    run_task = _load()
    replies.write('{"state": "ready"}\n')  # the time of a task begins here
    replies.flush()
    while True:
        task = tasks.get()
        undo = limit_memory(task["memory_bytes"] + 2 * task["mapped_bytes"])
        outcome = run_task(task)
        with contextlib.suppress(ValueError):
            undo()
        replies.write(json.dumps(outcome) + "\n")
        replies.flush()
        if outcome.get("code") == "memory":
            return  # what a refused allocation leaves behind is not worth keeping


if __name__ == "__main__":
    main()
