"""A progress bar on standard error, for people only."""

import os
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager

Progress = Callable[[str, float], None]


def can_redraw() -> bool:
    """Tell whether standard error is a terminal that can draw a line anew."""
    return sys.stderr.isatty() and os.environ.get("TERM", "").lower() not in ("dumb", "unknown")


@contextmanager
def show_progress(*, quiet: bool) -> Iterator[Progress | None]:
    """Give a function (stage, fraction 0..1) that draws a bar; None where nobody would see it."""
    if quiet or not can_redraw():
        yield None
        return
    from rich.console import Console
    from rich.progress import BarColumn, TaskID, TaskProgressColumn, TextColumn, TimeElapsedColumn
    from rich.progress import Progress as Bar

    columns = (TextColumn("{task.description}"), BarColumn(), TaskProgressColumn())
    with Bar(*columns, TimeElapsedColumn(), console=Console(stderr=True), transient=True) as bar:
        tasks: dict[str, TaskID] = {}

        def draw(stage: str, fraction: float) -> None:
            if stage not in tasks:
                for earlier in tasks.values():  # a stage that tells no fraction is over as well
                    bar.update(earlier, completed=1.0)
                tasks[stage] = bar.add_task(stage, total=1.0)
            bar.update(tasks[stage], completed=fraction)

        yield draw
