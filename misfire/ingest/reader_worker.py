"""The process that reads foreign files whose library may break: requests in as lines, replies out.

Started by `reader_process`. It ends at once when its starter does.
"""

from __future__ import annotations

import contextlib
import importlib
import json
import os
import queue
import shutil
import sys
import tempfile
import threading
from dataclasses import asdict
from pathlib import Path
from types import TracebackType
from typing import Any, TextIO

import numpy as np

from misfire.childprocess import ignore_interrupts, limit_memory, limit_time
from misfire.errors import MisfireError
from misfire.ingest.scratch import Scratch
from misfire.ingest.source import READ_SAMPLES, Counts, Request, Source
from misfire.records import ChannelCard

GRACE_S = 5.0  # the starter ends a reader that takes too long; the system, if nobody is left to
_NUMBERS = ("rate_hz", "scale", "offset", "first_s", "header_s", "header_slack")


class Replies:
    """Lines to the starter."""

    def __init__(self, stream: TextIO) -> None:
        """Take over the stream."""
        self._stream = stream

    def send(self, state: str, **fields: Any) -> None:
        """Send one line."""
        self._stream.write(json.dumps({"state": state, **fields}) + "\n")
        self._stream.flush()

    def tell(self, stage: str, fraction: float) -> None:
        """Send how far a stage has come."""
        self.send("progress", stage=stage, fraction=fraction)


def _listen(tasks: queue.Queue[dict[str, Any]], source: TextIO) -> None:
    """Pass requests on; once nobody can send any, remove what is left behind and end."""
    folder = None
    for line in source:
        task = json.loads(line)
        folder = task["orphaned"]
        tasks.put(task)
    if folder is not None:
        shutil.rmtree(folder, ignore_errors=True)
    os._exit(0)


def read_task(task: dict[str, Any], replies: Replies) -> list[dict[str, Any]]:
    """Open one file with its reader and write its channels down.

    Parameters
    ----------
    task : dict
        `module` and `function` of the reader, `path`, `requests` as `reader_process` writes them,
        `folder` for the numbers, `most_bytes` that a file may unpack to.
    replies : Replies

    Returns
    -------
    sources : list of dict [one for each request]
        Numbers and texts of each `Source`. Its counts stand in `folder` as `<i>.npy`, unless the
        file holds them as they are (`stored`).

    Raises
    ------
    MisfireError
        What the reader refuses.
    """
    reader = getattr(importlib.import_module(task["module"]), task["function"])
    requests = [
        Request(
            ChannelCard("crank", "", one["column"], one["name"], rate_hz=one["rate_hz"]),
            one["place"],
        )
        for one in task["requests"]
    ]
    folder = Path(task["folder"])
    tempfile.tempdir = task["folder"]
    scratch = Scratch(most_bytes=task["most_bytes"], source=task["path"])
    try:
        opened = reader(Path(task["path"]), requests, scratch=scratch, progress=replies.tell)
        return [_describe(source, folder / f"{i}.npy") for i, source in enumerate(opened)]
    finally:
        scratch.close()


def _describe(source: Source, path: Path) -> dict[str, Any]:
    """Give what is known of a channel, and write its counts down."""
    counts, stored = source.counts, source.stored
    described: dict[str, Any] = {key: _plain(getattr(source, key)) for key in _NUMBERS}
    described |= {"unit": source.unit, "n_samples": counts.n_samples}
    described["findings"] = [asdict(one) for one in source.findings]
    if stored is not None:
        described["stored"] = {"dtype": stored.dtype.str, "place": stored.place}
        return described
    described["counts"] = {
        "step": float(counts.step),
        "base": float(counts.base),
        "clip_low": int(counts.clip_low),
        "clip_high": int(counts.clip_high),
        "findings": [asdict(one) for one in counts.findings],
    }
    _write_counts(counts, path)
    return described


def _plain(number: float | None) -> float | None:
    """Give a number of any library as one of the language."""
    return None if number is None else float(number)


def _write_counts(counts: Counts, path: Path) -> None:
    """Write counts as an NPY file: to another name first, so that half a file is never taken."""
    part = path.with_suffix(".part")
    with part.open("wb") as file:
        form = {"descr": "<i2", "fortran_order": False, "shape": (counts.n_samples,)}
        np.lib.format.write_array_header_1_0(file, form)
        for start in range(0, counts.n_samples, READ_SAMPLES):
            block = counts.read(start, min(start + READ_SAMPLES, counts.n_samples))
            file.write(np.ascontiguousarray(block, "<i2").data)
    os.replace(part, path)


def _work(task: dict[str, Any], replies: Replies) -> None:
    """Do one task and reply."""
    for name in task["libraries"]:
        # A library that is loaded under a limit may break it; the reader says if it is missing.
        with contextlib.suppress(ImportError, OSError):
            importlib.import_module(name)
    replies.send("loaded")
    limit_memory(task["memory_bytes"], task["mapped_bytes"])
    limit_time(task["time_s"] + GRACE_S)
    try:
        sources = read_task(task, replies)
    except MisfireError as error:
        replies.send("refused", code=error.code, message=str(error))
    except MemoryError:
        replies.send("memory")
    except OSError as error:
        replies.send("unreadable", message=error.strerror or str(error))
    else:
        replies.send("done", sources=sources)
    limit_time(0)


def main() -> None:
    """Work until the input ends."""
    ignore_interrupts()
    replies = Replies(os.fdopen(os.dup(1), "w", encoding="ascii"))
    os.dup2(2, 1)  # a stray print must not be taken for a reply

    def report_fault(
        kind: type[BaseException], error: BaseException, trace: TracebackType | None
    ) -> None:
        """Tell what is no refusal: a fault of the reader."""
        sys.__excepthook__(kind, error, trace)
        replies.send("fault", message=f"{kind.__name__}: {error}"[:500])

    sys.excepthook = report_fault
    tasks: queue.Queue[dict[str, Any]] = queue.Queue()
    threading.Thread(target=_listen, args=(tasks, sys.stdin), daemon=True).start()
    while True:
        _work(tasks.get(), replies)
