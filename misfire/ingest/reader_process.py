"""Reading foreign files in a process of its own: a library that breaks costs only the file.

MDF, foreign HDF5 and MAT 7.3, Parquet, FLAC and AIFF: one process a recording, with limits of time
and memory by the file's size. It leaves counts as NPY in the starter's temporary folder and
describes them in JSON, which is checked like any stranger's words. Plain HDF5 datasets are then
read in place, without the library. It costs 0.14 s; a crash, a hang or a flood of memory is one
FormatError. The process ends with its starter and takes the folder along; the system's own timer
ends one that hangs alone.
"""

from __future__ import annotations

import importlib.util
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from misfire.childprocess import Limits, TaskProcess
from misfire.errors import ChannelError, FormatError, JobCardError, MisfireError, ParameterError
from misfire.ingest.counts import map_counts
from misfire.ingest.formats.inplace import open_in_place
from misfire.ingest.scratch import Scratch
from misfire.ingest.source import Counts, Progress, Request, Source, Stored, read_array
from misfire.records import Finding

_MOST_TEXT = 4000
_UNPACKED_SAMPLES = 1 << 20
_SAMPLES_PER_BYTE = 4096  # deflate twice over, runs of equal levels
_SEVERITIES = ("info", "warning", "error")
_KINDS = {kind.code: kind for kind in (FormatError, JobCardError, ChannelError, ParameterError)}


class ReaderProcess:
    """A process that opens files one after another; started when first used, or when it died.

    Attributes
    ----------
    faults : list of str
        What went wrong in a reader that is neither a refusal nor the end of the process.
    """

    def __init__(self, limits: Limits | None = None) -> None:
        """Start nothing yet."""
        self._limits = limits or Limits()
        self._process = TaskProcess("misfire.ingest.reader_worker")
        self.faults = self._process.faults
        self.close = self._process.close

    @property
    def n_ended(self) -> int:
        """How many processes died or had to be ended."""
        return self._process.n_ended

    def read(self, task: dict[str, Any], form: str, progress: Progress | None) -> list[Any]:
        """Read one file.

        Parameters
        ----------
        task : dict
            For `reader_worker.do_task`; the limits are added here.
        form : str
            The format's name, for messages.
        progress : callable (stage, fraction), optional

        Returns
        -------
        sources : list
            As the process sent them: not yet checked.

        Raises
        ------
        MisfireError
            What the reader refused.
        FormatError
            If it breaks down, takes too long or needs too much memory.
        """
        path = task["path"]

        def tell(reply: dict[str, Any]) -> None:
            stage, fraction = reply.get("stage"), reply.get("fraction")
            if progress is not None and isinstance(stage, str) and isinstance(fraction, float):
                progress(stage, min(max(fraction, 0.0), 1.0))

        try:
            size = Path(path).stat().st_size
            limited = task | self._limits.fit(size)
            limited["most_bytes"] = 16 * (_UNPACKED_SAMPLES + _SAMPLES_PER_BYTE * size)
            reply = self._process.do(limited, tell)
        except OSError as error:
            raise FormatError(
                f"{path}: cannot be read in a process of its own ({error.strerror}); is it still "
                "there? Else close other programs and try again"
            ) from None
        if reply["state"] == "done" and isinstance(reply.get("sources"), list):
            sources: list[Any] = reply["sources"]
            return sources
        raise _make_error(path, form, reply, limited["time_s"])


def _make_error(path: str, form: str, reply: dict[str, Any], time_s: float) -> MisfireError:
    """Make the one error for a file that was not read."""
    state, message = reply["state"], str(reply.get("message", ""))[:_MOST_TEXT]
    advice = "copy it again, or export it as CSV or WAV"
    if state == "refused" and message.strip():
        return _KINDS.get(str(reply.get("code")), FormatError)(message)
    if state == "unreadable":
        return FormatError(f"{path}: cannot be read ({message}); {advice}")
    if state == "timeout":
        return FormatError(
            f"{path}: reading it as {form} did not end within {time_s:.0f} s; it is damaged, or "
            f"its disk is slow: {advice}"
        )
    if state == "memory":
        return FormatError(
            f"{path}: reading it as {form} needs far more memory than a file of its size should; "
            f"it is damaged: {advice}"
        )
    if state == "crash":
        return FormatError(
            f"{path}: the library that reads {form} breaks down on it ({message}); it is "
            f"damaged: {advice}"
        )
    detail = (message.splitlines() or [state])[0][:120]
    return FormatError(f"{path}: cannot be read as {form} ({detail}); it is damaged: {advice}")


@dataclass(frozen=True, slots=True)
class ApartReader:
    """A reader that runs in a process of its own, because its library is not safe on any bytes.

    `libraries` are what it imports: where one is not there, the reader itself says so.
    """

    reader: Callable[..., list[Source]]
    form: str
    libraries: tuple[str, ...]

    def __call__(
        self,
        path: Path,
        requests: Sequence[Request],
        *,
        scratch: Scratch,
        progress: Progress | None = None,
    ) -> list[Source]:
        """Give one source for each request.

        Raises
        ------
        MisfireError
            What the reader refuses, and FormatError if it breaks down, takes too long or needs too
            much memory.
        """
        if any(importlib.util.find_spec(name.partition(".")[0]) is None for name in self.libraries):
            return self.reader(path, requests, scratch=scratch, progress=progress)
        process = scratch.apart
        if process is None:
            process = scratch.apart = ReaderProcess()
        folder = scratch.new_folder()
        task = {
            "module": self.reader.__module__,
            "function": self.reader.__name__,
            "libraries": self.libraries,
            "path": str(path),
            "folder": str(folder),
            "orphaned": str(folder.parent),
            "requests": [
                {
                    "name": request.card.name,
                    "column": request.card.column,
                    "rate_hz": request.card.rate_hz,
                    "place": request.place,
                }
                for request in requests
            ],
        }
        described = process.read(task, self.form, progress)
        try:
            if len(described) != len(requests):
                raise ValueError("another number of channels")
            return [
                _parse_source(one, path, folder / f"{i}.npy", request, scratch, progress)
                for i, (one, request) in enumerate(zip(described, requests, strict=True))
            ]
        except (ValueError, TypeError, KeyError, AttributeError, OSError, EOFError) as error:
            if isinstance(error, MisfireError):
                raise
            raise _make_error(
                str(path), self.form, {"state": "fault", "message": str(error)}, 0.0
            ) from None


def _parse_source(
    one: dict[str, Any],
    path: Path,
    numbers: Path,
    request: Request,
    scratch: Scratch,
    progress: Progress | None,
) -> Source:
    """Check what the process says of a channel: its memory may have been overwritten."""
    n_samples, stored, unit = one["n_samples"], one.get("stored"), one["unit"]
    if type(n_samples) is not int or n_samples < 0 or not (unit is None or isinstance(unit, str)):
        raise ValueError("no number of samples")
    if stored is not None:
        form = Stored(np.dtype(str(stored["dtype"])), stored["place"])
        if type(form.place) is not int:
            raise ValueError("no place")
        column = open_in_place(
            path, form.dtype, form.place, n_samples, name=request.card.name, scratch=scratch
        )
        counts = map_counts(column, name=request.card.name, scratch=scratch, progress=progress)
    else:
        told = one["counts"]
        clips = told["clip_low"], told["clip_high"]
        if any(type(clip) is not int or abs(clip) > 1 << 62 for clip in clips):
            raise ValueError("no limits of the counts")
        kept = np.load(numbers, mmap_mode="r", allow_pickle=False)
        if kept.dtype != np.dtype("<i2") or kept.shape != (n_samples,):
            raise ValueError("counts of another form")
        counts = Counts(
            n_samples,
            read_array(kept),
            _check_number(told["step"]),
            _check_number(told["base"]),
            *clips,
            _parse_findings(told["findings"]),
        )
    first_s, slack = _check_number(one["first_s"]), _check_number(one["header_slack"])
    return Source(
        counts,
        rate_hz=_check_optional(one["rate_hz"]),
        scale=_check_optional(one["scale"]),
        offset=_check_optional(one["offset"]),
        unit=None if unit is None else unit[:_MOST_TEXT],
        first_s=first_s,
        findings=_parse_findings(one["findings"]),
        header_s=_check_optional(one["header_s"]),
        header_slack=slack,
    )


def _check_number(value: Any) -> float:
    """Give a finite number."""
    if type(value) is not float or not math.isfinite(value):
        raise ValueError("a number that is none")
    return value


def _check_optional(value: Any) -> float | None:
    """Give a finite number, or None."""
    return None if value is None else _check_number(value)


def _parse_findings(values: Any) -> tuple[Finding, ...]:
    """Check findings."""
    findings = tuple(Finding(**value) for value in values)
    for finding in findings:
        texts = (finding.code, finding.message, finding.channel)
        if finding.severity not in _SEVERITIES or not all(isinstance(text, str) for text in texts):
            raise ValueError("no findings")
    return findings
