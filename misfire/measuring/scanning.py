"""Channels of one recording read at the same time by threads: numpy and codecs let others run."""

import multiprocessing
import os
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor, wait
from contextlib import contextmanager
from threading import Condition, Event
from typing import TypeVar

from misfire.records import Channel

Result = TypeVar("Result")
Report = Callable[[float], None]
Progress = Callable[[str, float], None]

MOST_THREADS = 4  # each holds some 20 MB of blocks and windows
TICK_S = 0.2  # between two calls of `progress`
# What a channel of a role costs beside others: the longest work comes first, so that no thread is
# left alone with it at the end. Own measurement; good to a factor of two.
_WEIGHT = {"crank": 3, "coil_current": 3, "coil_primary": 2, "coil_secondary": 1.5}
_FREE: Mapping[str, Collection[str]] = {}  # no channel waits for another


class _StoppedError(Exception):
    """Ends a scan whose result nobody wants any more."""


class Crew:
    """The threads that scan now: work that can wait leaves them all processors."""

    def __init__(self) -> None:
        """Begin with none."""
        self._changed = Condition()
        self._n_working = 0

    @contextmanager
    def work(self) -> Iterator[None]:
        """Count this thread while it scans."""
        with self._changed:
            self._n_working += 1
        try:
            yield
        finally:
            with self._changed:
                self._n_working -= 1
                self._changed.notify_all()

    def wait_for_room(self, timeout_s: float) -> bool:
        """Wait until a processor is left, but not for ever; tell whether one is."""
        n_processors = _count_processors()
        with self._changed:
            return self._changed.wait_for(lambda: self._n_working < n_processors, timeout_s)


CREW = Crew()


def scan_channels(
    channels: Sequence[Channel],
    scan: Callable[[Channel, Report], Result],
    *,
    behind: Mapping[str, Collection[str]] = _FREE,
    progress: Progress | None = None,
    n_threads: int | None = None,
) -> list[Result]:
    """Scan channels at the same time.

    Parameters
    ----------
    channels : sequence of Channel
    scan : callable (channel, report) -> result
        Called by one thread for each channel; `report(fraction)` is to be called now and then.
    behind : dict of roles
        By role: the roles whose channels must all be done before one of it is scanned. None of
        these waits in its turn.
    progress : callable (stage, fraction), optional
        Called by the caller's own thread only.
    n_threads : int [>= 1], optional
        Default: as many as processors may be used, four at most; one in a worker process. The
        results do not depend on it.

    Returns
    -------
    results : list [one for each channel, in order]

    Raises
    ------
    MisfireError
        What `scan` raised; the other scans are broken off.
    MemoryError
        If no thread can be started.
    """
    total = sum(_estimate_cost(c) for c in channels)
    parts = dict.fromkeys(range(len(channels)), 0.0)
    stop = Event()

    def tell() -> None:
        if progress is not None:
            done = sum(part * _estimate_cost(channels[i]) for i, part in parts.items())
            progress("reading", min(1.0, done / total) if total else 1.0)

    tell()
    if n_threads is None:
        n_threads = min(MOST_THREADS, _count_processors())
    order = _order(channels, behind)
    if n_threads <= 1 or len(channels) <= 1:
        results: dict[int, Result] = {}
        for number in order:

            def report(part: float, number: int = number) -> None:
                parts[number] = part
                tell()

            results[number] = scan(channels[number], report)
            report(1.0)
        return [results[i] for i in range(len(channels))]
    futures: dict[int, Future[Result]] = {}

    def run(number: int) -> Result:
        def report(part: float) -> None:
            parts[number] = part
            if stop.is_set():
                raise _StoppedError

        awaited = behind.get(channels[number].role, ())
        for other in order:
            if channels[other].role in awaited:
                futures[other].result()  # begun before, as all are in order; raises what it raised
        report(0.0)
        with CREW.work():
            return scan(channels[number], report)

    with ThreadPoolExecutor(n_threads, thread_name_prefix="scan") as pool:
        try:
            for number in order:
                futures[number] = pool.submit(run, number)
        except RuntimeError as error:  # no thread can start
            stop.set()
            raise MemoryError(str(error)) from None
        waiting = set(futures.values())
        try:
            while waiting:
                finished, waiting = wait(waiting, timeout=TICK_S)
                tell()
                for number in sorted(futures):
                    if futures[number] in finished:
                        futures[number].result()  # raises what it raised
                        parts[number] = 1.0
        finally:
            stop.set()
            for future in waiting:
                future.cancel()
    tell()
    return [futures[i].result() for i in range(len(channels))]


def _order(channels: Sequence[Channel], behind: Mapping[str, Collection[str]]) -> list[int]:
    """Put the longest work first, before it what others wait for, and these last."""
    waiting = [c.role for c in channels if c.role in behind]
    awaited = {role for name in waiting for role in behind[name]}

    def rank(number: int) -> tuple[bool, bool, float]:
        channel = channels[number]
        return channel.role in behind, channel.role not in awaited, -_estimate_cost(channel)

    return sorted(range(len(channels)), key=rank)


def _estimate_cost(channel: Channel) -> float:
    """Estimate what reading a channel costs beside the others."""
    return float(max(1, channel.n_samples)) * _WEIGHT.get(channel.role, 1)


def _count_processors() -> int:
    """Give the number of processors this process may use; 1 in one of several worker processes."""
    if multiprocessing.parent_process() is not None:
        return 1
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1
