"""Tasks shared among worker processes of this machine; no task can harm another."""

from __future__ import annotations

import queue
import threading
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any, Protocol

from misfire.batch.fleet_process import IsolatedWorker, Limits

Task = dict[str, Any]
Outcome = dict[str, Any]
DIED = ("crash", "fault")  # worth one more try, with nothing else running


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

    def __init__(self, workers: int, limits: Limits, *, scratch: Path | None = None) -> None:
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
