"""The process that reads foreign files whose library may break; `reader_process` starts it."""

from __future__ import annotations

import importlib
import os
import tempfile
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np

from misfire.childprocess import Replies
from misfire.ingest.scratch import Scratch
from misfire.ingest.source import READ_SAMPLES, Counts, Request, Source
from misfire.records import ChannelCard

_NUMBERS = ("rate_hz", "scale", "offset", "first_s", "header_s", "header_slack")


def do_task(task: dict[str, Any], replies: Replies) -> dict[str, Any]:
    """Open one file with its reader and write its channels down.

    Parameters
    ----------
    task : dict
        `module` and `function` of the reader, `path`, `requests` as `reader_process` writes them,
        `folder` for the numbers, `most_bytes` that a file may unpack to.
    replies : Replies

    Returns
    -------
    fields : dict
        `sources`: for each request the numbers and texts of its `Source`. Its counts stand in
        `folder` as `<i>.npy`, unless the file holds them as they are (`stored`).

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
        return {"sources": [_describe(one, folder / f"{i}.npy") for i, one in enumerate(opened)]}
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
