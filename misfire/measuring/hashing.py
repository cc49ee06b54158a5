"""The hash of a recording's raw files, computed beside the work on them.

The SHA-256 of raw files takes a third of the time of measuring them; a thread computes it while
libraries load and behind the scan of the channels, which leave a processor idle; while channels
are scanned on all processors it rests.
"""

from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from threading import Event

from misfire.align.store import has_signature
from misfire.errors import FormatError
from misfire.ingest.reading import compute_source_hash
from misfire.measuring.scanning import CREW, TICK_S
from misfire.records import Recording


class _UnwantedHashError(Exception):
    """Ends a hash that nobody wants any more."""


@contextmanager
def hash_beside(recording: Recording) -> Iterator[Callable[[], str]]:
    """Compute the SHA-256 of a recording's job card and raw files in a thread of its own.

    It takes a third of the time of measuring all channels, and lets other threads run. While
    channels are scanned on all processors it rests: most stages before and behind leave one idle.

    Parameters
    ----------
    recording : Recording
        Opened without its hash; a stored one carries it already and is not looked at.

    Yields
    ------
    wait : callable () -> str
        Waits for the hash and gives it.

    Raises
    ------
    FormatError
        By `wait`, if a file vanished or cannot be read.
    MemoryError
        If no thread can be started.
    """
    if recording.sha256 or has_signature(recording.path):
        yield lambda: recording.sha256
        return
    job, stop = recording.job, Event()

    def look(_stage: str, _part: float) -> None:
        while not stop.is_set() and not CREW.wait_for_room(TICK_S):
            pass
        if stop.is_set():
            raise _UnwantedHashError

    def compute() -> str:
        try:
            return compute_source_hash(job, progress=look)
        except OSError as error:
            raise FormatError(
                f"{job.folder}: a file of the job card cannot be read ({error})"
            ) from None

    with ThreadPoolExecutor(1, thread_name_prefix="hash") as pool:
        try:
            future = pool.submit(compute)
        except RuntimeError as error:  # no thread can start
            raise MemoryError(str(error)) from None
        try:
            yield future.result
        finally:
            stop.set()
