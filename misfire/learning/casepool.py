"""Work on many cases by several processes, in a fixed order; their measuring above all."""

from __future__ import annotations

import multiprocessing
import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from pathlib import Path
from typing import Any, TypeVar

from misfire.errors import MisfireError
from misfire.learning.casefolders import CaseFolder, measure_folder
from misfire.learning.cases import LabelledCase, simulate_case
from misfire.learning.casestore import load_case, save_case

Progress = Callable[[str, float], None]
Task = CaseFolder | int
T = TypeVar("T")

SAFE_PATH = "PYTHONSAFEPATH"  # read by each Python as it starts


def measure_cases(
    tasks: Sequence[Task],
    *,
    workers: int = 1,
    cache: Path | None = None,
    stage: str = "measuring cases",
    progress: Progress | None = None,
) -> tuple[list[LabelledCase], list[str]]:
    """Measure cases from disk, or simulated ones by their seed.

    Parameters
    ----------
    tasks : sequence of CaseFolder or int
    workers : int [>= 1]
        Processes; the result does not depend on it.
    cache : Path, optional
        Folder in which simulated cases are kept and found again.
    stage : str
        Name of this stage for `progress`.
    progress : callable (stage, fraction), optional

    Returns
    -------
    cases : list of LabelledCase
        In the order of the tasks, without those that could not be measured.
    failures : list of str
        Why not.

    Raises
    ------
    MisfireError
        If a worker process was ended from outside, for lack of memory for instance.
    """
    cases: list[LabelledCase] = []
    failures: list[str] = []
    n = len(tasks)
    calls = [(task, cache) for task in tasks]
    if progress is not None:
        progress(stage, 0.0)

    def take(done: int, got: LabelledCase | str) -> None:
        if isinstance(got, str):
            failures.append(got)
        else:
            cases.append(got)
        if progress is not None:
            progress(stage, done / n)

    for done, got in enumerate(spread(_measure, calls, workers=workers), 1):
        take(done, got)
    return cases, failures


def spread(function: Callable[[Any], T], calls: Sequence[Any], *, workers: int) -> Iterator[T]:
    """Call a function of a module once for each task, by several processes.

    Parameters
    ----------
    function : callable
    calls : sequence
        What it is called with; pickled, like the answers, where processes are started.
    workers : int
        Processes; none is started for less than two.

    Yields
    ------
    answer
        In the order of the calls.

    Raises
    ------
    MisfireError
        If a process was ended from outside, for lack of memory for instance.
    """
    if workers <= 1 or len(calls) <= 1:
        yield from map(function, calls)
        return
    spawn = multiprocessing.get_context("spawn")  # forked threads of numerical libraries hang
    try:
        with _safe_path(), ProcessPoolExecutor(min(workers, len(calls)), mp_context=spawn) as pool:
            yield from pool.map(function, calls)
    except BrokenProcessPool:
        raise MisfireError(
            "a worker process was ended from outside, perhaps for lack of memory; use fewer "
            "--workers"
        ) from None


@contextmanager
def _safe_path() -> Iterator[None]:
    """Let the processes that are started here take no module from the working folder.

    It is perhaps a stranger's, and could hold one that is taken for another. The caller's
    environment is as before when this ends.
    """
    before = os.environ.get(SAFE_PATH)
    os.environ[SAFE_PATH] = "1"
    try:
        yield
    finally:
        if before is None:
            del os.environ[SAFE_PATH]
        else:
            os.environ[SAFE_PATH] = before


def _measure(call: tuple[Task, Path | None]) -> LabelledCase | str:
    """Measure one case; what cannot be used is told, not raised."""
    import scipy.linalg  # noqa: F401 - its threads can be limited only once it is loaded
    from threadpoolctl import threadpool_limits

    task, cache = call
    with threadpool_limits(limits=1):
        if not isinstance(task, int):
            try:
                return measure_folder(task)
            except MisfireError as error:
                return str(error) if str(task.folder) in str(error) else f"{task.folder}: {error}"
        kept = None if cache is None else cache / f"{task}.npz"
        if kept is not None and kept.is_file():
            return load_case(kept)
        try:
            case = simulate_case(task)
        except MisfireError as error:
            return f"simulated vehicle {task}: {error}"
        if kept is not None:
            save_case(case, kept)
        return case
