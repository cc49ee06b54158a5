"""`misfire screen`: every recording under a folder, overnight."""

from __future__ import annotations

import signal
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING, Annotated, Any

import typer

from misfire.cli.options import Json, Quiet
from misfire.cli.output import check_folder, print_failure, print_json, print_rows
from misfire.cli.progress import can_redraw

if TYPE_CHECKING:
    from misfire.fleet.settings import Screening, ScreenProgress

LINE_EVERY_S = 60.0  # where standard error is no terminal


def screen(
    folder: Annotated[
        Path,
        typer.Argument(metavar="FOLDER", readable=False, help="Folder with the recordings."),
    ],
    out: Annotated[
        Path,
        typer.Option("--out", "-o", metavar="DIR", readable=False, help="Folder for the results."),
    ],
    workers: Annotated[
        int, typer.Option(metavar="N", min=1, help="Processes on this machine.")
    ] = 1,
    scheduler: Annotated[
        str | None,
        typer.Option(metavar="ADDRESS", help="A running dask cluster, as tcp://HOST:8786."),
    ] = None,
    watch: Annotated[
        bool, typer.Option("--watch", help="Keep running; take recordings as they arrive.")
    ] = False,
    settle_s: Annotated[
        float,
        typer.Option(
            "--settle",
            metavar="SECONDS",
            min=0.1,
            show_default=False,
            help="Wait for files to be unchanged; default 10.",
        ),
    ] = 10.0,
    model: Annotated[
        Path | None,
        typer.Option(metavar="MODEL", readable=False, help="A model bundle of your own."),
    ] = None,
    time_limit_s: Annotated[
        float,
        typer.Option(
            "--time-limit",
            metavar="SECONDS",
            min=0.1,
            show_default=False,
            help="Longest time for a recording; default 1800.",
        ),
    ] = 1800.0,
    memory_gb: Annotated[
        float | None,
        typer.Option(metavar="GB", min=0.01, help="Most memory for a recording."),
    ] = None,
    retry: Annotated[
        bool, typer.Option("--retry", help="Try again what could not be judged before.")
    ] = False,
    strict: Annotated[
        bool, typer.Option("--strict", help="Exit status 1 if any could not be judged.")
    ] = False,
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Judge every job card and recording under FOLDER and rank the vehicles by urgency.

    Writes fleet.html, .csv, .parquet, .json and results/ into DIR. It may be interrupted at any
    time; run again, it does only what is new or changed. FOLDER is only read.
    """
    check_folder(out)
    from misfire.fleet.screening import screen as run_screen
    from misfire.fleet.settings import ScreenSettings
    from misfire.fleet.watch import watch as run_watch

    settings = ScreenSettings(
        workers=workers,
        scheduler=scheduler,
        model=model,
        time_limit_s=time_limit_s,
        memory_bytes=None if memory_gb is None else int(memory_gb * 1e9),
        retry=retry,
    )
    screening: Screening | None = None
    with _catch_stop() as stop, _show(quiet=quiet) as progress:
        if watch:
            for screening in run_watch(
                folder,
                out,
                settings=settings,
                settle_s=settle_s,
                progress=progress,
                stopped=stop.is_set,
            ):
                if not quiet:
                    print_failure(_sum_up(screening))
        else:
            screening = run_screen(
                folder, out, settings=settings, progress=progress, stopped=stop.is_set
            )
    if screening is not None:
        _print(screening, as_json=as_json, quiet=quiet, summary=not watch)
    if stop.is_set():
        print_failure("stopped; what is judged is kept, run again to go on")
        raise typer.Exit(128 + stop.number)
    if screening is not None:
        _leave(screening, folder=folder, strict=strict)


def _print(screening: Screening, *, as_json: bool, quiet: bool, summary: bool) -> None:
    """Print the vehicles or the whole document, and the summary for people."""
    from misfire.report.fleet.table import format_fleet_lines

    if as_json:
        print_json({**screening.fleet, "run": screening.run})
        return
    lines = format_fleet_lines(screening.fleet).rstrip("\n").split("\n")
    print_rows(line.split("\t") for line in lines)
    if quiet:
        return
    for failure in screening.fleet["failed"]:
        print_failure(f"{failure['name']}: {failure['reason']}")
    if summary:
        print_failure(_sum_up(screening))
    for path in screening.written:
        print_failure(f"wrote {path}")


def _leave(screening: Screening, *, folder: Path, strict: bool) -> None:
    """Leave with the exit status a scheduler of jobs can act on."""
    counts = screening.fleet["counts"]
    if not counts["recordings"]:
        print_failure(f"{folder}: holds no job card and no recording; put some there")
        raise typer.Exit(1)
    if not counts["judged"]:
        print_failure(f"{folder}: none of {counts['failed']} recordings could be judged")
        raise typer.Exit(1)
    if strict and counts["failed"]:
        print_failure(f"{counts['failed']} recordings could not be judged (--strict)")
        raise typer.Exit(1)


def _sum_up(screening: Screening) -> str:
    """Say in one line what was done."""
    counts, run = screening.fleet["counts"], screening.run
    recordings, vehicles = counts["recordings"], counts["vehicles"]
    words = f"{recordings} recording{'s' * (recordings != 1)} of "
    words += f"{vehicles} vehicle{'s' * (vehicles != 1)}: "
    words += (
        f"{counts['judged']} judged ({run['judged_now']} in this run, {run['seconds']:.1f} s), "
    )
    words += f"{counts['failed']} could not be judged"
    if counts["copies"]:
        words += f", {counts['copies']} copies"
    if counts["open"]:
        words += f", {counts['open']} still to do"
    some = counts["urgency"]
    return f"{words}. Now {some['now']}, soon {some['soon']}, plan {some['plan']}, " + (
        f"watch {some['watch']}, unclear {some['unclear']}, none {some['none']}"
    )


class _Stop(threading.Event):
    """Set once a signal asks to stop."""

    number = int(signal.SIGINT)


@contextmanager
def _catch_stop() -> Iterator[_Stop]:
    """Turn the first Ctrl-C or SIGTERM into a wish to stop; the second ends at once."""
    stop = _Stop()

    def note(number: int, _frame: FrameType | None) -> None:
        if stop.is_set():
            raise KeyboardInterrupt
        stop.number = number
        stop.set()

    before = {}
    if threading.current_thread() is threading.main_thread():
        for name in ("SIGINT", "SIGTERM"):
            number = getattr(signal, name)
            before[number] = signal.signal(number, note)
    try:
        yield stop
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


@contextmanager
def _show(*, quiet: bool) -> Iterator[Callable[[ScreenProgress], None] | None]:
    """Give a function that shows how far it is: a bar on a terminal, a line a minute elsewhere."""
    if quiet:
        yield None
        return
    if not can_redraw():
        last = [time.monotonic()]

        def tell(now: ScreenProgress) -> None:
            if time.monotonic() - last[0] >= LINE_EVERY_S:
                last[0] = time.monotonic()
                print_failure(f"{now.stage}: {now.done} of {now.total}, {_pace(now)}")

        yield tell
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TaskID, TextColumn

    columns = (TextColumn("{task.description}"), BarColumn(), TextColumn("{task.fields[words]}"))
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        tasks: dict[str, TaskID] = {}

        def draw(now: ScreenProgress) -> None:
            if now.stage not in tasks:
                tasks[now.stage] = bar.add_task(now.stage, total=1.0, words="")
            values: dict[str, Any] = {"total": max(now.total, 1), "completed": now.done}
            if not now.total:
                values["completed"] = 1
            bar.update(tasks[now.stage], words=f"{now.done} of {now.total}, {_pace(now)}", **values)

        yield draw


def _pace(now: ScreenProgress) -> str:
    """Say rate, remaining time and failures."""
    words = f"{now.rate:.0f} a minute"
    if now.remaining_s is not None and now.done < now.total:
        left = round(now.remaining_s)
        words += f", {left // 3600}:{left % 3600 // 60:02d}:{left % 60:02d} left"
    return words + (f", {now.failed} could not be judged" if now.failed else "")
