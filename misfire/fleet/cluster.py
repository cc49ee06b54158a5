"""The same tasks on a dask.distributed cluster: workers of many machines, results on shared disk.

Three commands start a local cluster, each in its own terminal:

    dask scheduler --host 127.0.0.1 --port 8786
    dask worker tcp://127.0.0.1:8786 --nthreads 1 --nworkers 2
    misfire screen FOLDER -o DIR --scheduler tcp://127.0.0.1:8786
"""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from typing import Any

from misfire.errors import MisfireError, ParameterError
from misfire.fleet.pool import DIED, IsolatedWorker, Outcome, Task, TaskLimits

_CONNECT_S = 20.0
_WAIT_S = 120.0  # without any worker
_IN_FLIGHT = 4  # tasks a thread of the cluster, so that none starves and little is lost
_HERE = threading.local()  # each thread of a cluster's worker keeps one process


def run_isolated(task: Task, time_s: float, memory_bytes: int) -> Outcome:
    """Do one task on a worker of the cluster, in a process that the recording cannot take along.

    Parameters
    ----------
    task : dict
    time_s : float
    memory_bytes : int

    Returns
    -------
    outcome : dict
        With `host`, where it was done.
    """
    limits = TaskLimits(time_s, memory_bytes)
    worker: IsolatedWorker | None = getattr(_HERE, "worker", None)
    if worker is None or getattr(_HERE, "limits", None) != limits:
        if worker is not None:
            worker.close()
        worker = _HERE.worker = IsolatedWorker(limits)
        _HERE.limits = limits
    outcome = worker.run(task)
    if outcome is not None and outcome.get("code") in DIED:
        outcome = worker.run(task)
    return {**(outcome or {"state": "failed", "code": "crash", "message": "was stopped"})} | {
        "host": socket.gethostname()
    }


class ClusterPool:
    """A client of a cluster that is running already."""

    def __init__(self, address: str, limits: TaskLimits) -> None:
        """Connect.

        Raises
        ------
        ParameterError
            If the extra `cluster` is not installed, or nothing answers at the address.
        """
        try:
            import dask
            import distributed
        except ImportError:
            raise ParameterError(
                "--scheduler needs dask.distributed; install the extra: pip install "
                "'.[cluster]' in the program's folder"
            ) from None
        _check_address(address)
        library: Any = distributed  # its functions carry no types
        dask.config.set({"distributed.comm.retry.count": 2})
        self._limits = limits
        self._address = address
        try:
            self._client: Any = library.Client(address, timeout=_CONNECT_S, set_as_default=False)
        except (OSError, ValueError) as error:
            raise ParameterError(
                f"--scheduler {address}: no scheduler answers there ({error}); start one with "
                "`dask scheduler`, and give its address, such as tcp://127.0.0.1:8786"
            ) from None

    def run(
        self, tasks: Sequence[Task], *, stopped: Callable[[], bool]
    ) -> Iterator[tuple[Task, Outcome]]:
        """Give each task with its outcome; a worker that is lost costs only time.

        Raises
        ------
        MisfireError
            If the scheduler is lost, or no worker comes.
        """
        waiting = sorted(tasks, key=lambda task: task.get("size", 0))
        flying: dict[Any, Task] = {}
        idle_since = time.monotonic()
        try:
            while (waiting or flying) and not stopped():
                n_threads = self._count_threads()
                if n_threads:
                    idle_since = time.monotonic()
                elif time.monotonic() - idle_since > _WAIT_S:
                    raise MisfireError(
                        f"{self._address}: the scheduler has no worker; start some with `dask "
                        f"worker {self._address}` and run again"
                    )
                while waiting and len(flying) < max(2, _IN_FLIGHT * n_threads):
                    task = waiting.pop()
                    future = self._client.submit(
                        run_isolated,
                        task,
                        self._limits.time_s,
                        self._limits.memory_bytes,
                        pure=False,
                        retries=2,
                    )
                    flying[future] = task
                yield from self._collect(flying)
        finally:
            for future in flying:
                future.cancel()

    def close(self) -> None:
        """Leave the cluster; its workers stay."""
        self._client.close(timeout=5)

    def _collect(self, flying: dict[Any, Task]) -> Iterator[tuple[Task, Outcome]]:
        """Give what has ended within the next moments."""
        ended = [future for future in flying if future.done()]
        if not ended:
            time.sleep(0.1)
        for future in ended:
            task = flying.pop(future)
            if future.status == "finished":
                yield task, future.result()
            elif future.status == "error":
                yield task, _tell_error(future.exception(timeout=10))
            else:  # the scheduler forgot it: it is gone, or was started anew
                raise MisfireError(
                    f"{self._address}: the connection to the scheduler was lost; what is judged "
                    "is kept: run again when the cluster is back"
                )

    def _count_threads(self) -> int:
        """Give the threads of all workers there are now."""
        if self._client.status != "running":
            raise MisfireError(
                f"{self._address}: the connection to the scheduler was lost; what is judged is "
                "kept: run again when the cluster is back"
            )
        return sum(self._client.nthreads().values())


def _check_address(address: str) -> None:
    """Refuse an address where nothing listens, before the client tries it for long."""
    host, _, port = address.rpartition("://")[2].rpartition(":")
    scheme = address.partition("://")[0] if "://" in address else "tcp"
    if scheme not in ("tcp", "tls") or not host or not port.isdigit() or int(port) > 65535:
        raise ParameterError(
            f"--scheduler {address}: is no address of a scheduler; give one such as "
            "tcp://127.0.0.1:8786"
        )
    try:
        socket.create_connection((host.strip("[]"), int(port)), timeout=_CONNECT_S).close()
    except OSError as error:
        raise ParameterError(
            f"--scheduler {address}: no scheduler answers there ({error.strerror or error}); start "
            "one with `dask scheduler`, and give its address, such as tcp://127.0.0.1:8786"
        ) from None


def _tell_error(error: BaseException | None) -> Outcome:
    """Say why a task did not come back."""
    name = type(error).__name__
    if name == "KilledWorker":
        words = "the process that worked on it was ended by the system, on several workers"
        return {"state": "failed", "code": "crash", "message": words}
    if isinstance(error, ImportError):
        words = f"a worker of the cluster cannot load the program ({error}); install it there"
        return {"state": "stop", "code": "version", "message": words}
    words = f"a fault of the program itself: {name}: {error}"
    return {"state": "failed", "code": "fault", "message": words[:300]}
