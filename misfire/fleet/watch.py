"""Screening that keeps running and takes recordings as they arrive, once they are complete."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from pathlib import Path

from misfire.errors import ParameterError
from misfire.fleet.folder import Scan, find_sources
from misfire.fleet.screening import open_screen
from misfire.fleet.settings import Screening, ScreenProgress, ScreenSettings
from misfire.numerals import spell


def watch(
    folder: Path | str,
    out: Path | str,
    *,
    settings: ScreenSettings | None = None,
    settle_s: float = 10.0,
    progress: Callable[[ScreenProgress], None] | None = None,
    stopped: Callable[[], bool] = lambda: False,
) -> Iterator[Screening]:
    """Screen a folder again and again until told to stop.

    Parameters
    ----------
    folder, out : path
    settings : ScreenSettings, optional
    settle_s : float [unit=s, > 0]
        A recording is complete when none of its files has changed for so long, as this process
        saw it: clocks of other machines do not matter.
    progress : callable, optional
    stopped : callable

    Yields
    ------
    screening : Screening
        After each round in which something was new, the first one at once.

    Raises
    ------
    ParameterError
        If `settle_s` is not above 0.
    """
    if not settle_s > 0:
        raise ParameterError(f"the time to settle must be above 0 s, got {spell(settle_s)}")
    settings = settings or ScreenSettings()
    seen: dict[str, tuple[str, float]] = {}  # name -> signature, since when it is so
    last: tuple[tuple[str, str], ...] | None = None
    with open_screen(folder, out, settings=settings) as run:
        while not stopped():
            scan = find_sources(run.folder, skip=run.out)
            now = time.monotonic()
            seen = {
                s.name: seen[s.name]
                if seen.get(s.name, ("", 0.0))[0] == s.signature
                else (s.signature, now)
                for s in scan.sources
            }
            fresh = [s for s in scan.sources if now - seen[s.name][1] < settle_s]
            known = run.list_known(fresh) if fresh else set()
            waiting = tuple(s.name for s in fresh if s.name not in known)
            ready = tuple(s for s in scan.sources if s.name not in waiting)
            state = tuple((s.name, s.signature) for s in ready)
            if state != last and (ready or last is None):
                yield run.once(Scan(ready, scan.blocked, waiting), progress, stopped)
                last = state
            _sleep(min(settle_s / 2, 5.0), stopped)


def _sleep(seconds: float, stopped: Callable[[], bool]) -> None:
    """Wait, and wake soon when told to stop."""
    until = time.monotonic() + seconds
    while not stopped() and (left := until - time.monotonic()) > 0:
        time.sleep(min(0.2, left))
