"""What a reader is asked for, and what it gives: one channel of a raw file."""

import difflib
import mmap
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from misfire.errors import JobCardError
from misfire.records import ChannelCard, Finding

READ_SAMPLES = 1 << 20  # block of a streaming pass
MOST_NAMES = 20  # of a file, that a message lists

Progress = Callable[[str, float], None]
"""Called with the name of the stage and the fraction done, 0..1."""


@dataclass(frozen=True, slots=True)
class Request:
    """One channel wanted from a file; `place` names its table of the job card in messages."""

    card: ChannelCard
    place: str

    def error(self, field: str, message: str) -> JobCardError:
        """Make the error for a field of this channel that does not fit the file."""
        return JobCardError(f"{self.place} {field}: {message}")

    def unknown(self, kind: str, file: str, known: Sequence[str]) -> JobCardError:
        """Make the error for a column that the file does not have, with the nearest name."""
        wanted = self.card.column
        near = difflib.get_close_matches(str(wanted), known, n=1, cutoff=0.5)
        hint = f'did you mean "{near[0]}"?' if near else "it has " + ", ".join(known[:MOST_NAMES])
        return self.error("column", f"{wanted!r} is no {kind} of {file}; {hint}")

    def take_index(self, n_columns: int, kind: str, file: str) -> int:
        """Give the index that the card names; an error if it is none, or too high."""
        index = self.card.column
        if isinstance(index, int) and index < n_columns:
            return index
        last = f" to {n_columns - 1}" if n_columns > 1 else ""
        raise self.error(
            "column", f"{index!r}: {file} has {n_columns} {kind}; give the index 0{last}"
        )


@dataclass(frozen=True, slots=True)
class RawColumn:
    """Recorded numbers as they stand in the file.

    `read(start, stop)` gives them in their own type [shape=(stop - start,)], in an array of its
    own; `full_scale` are the limits of integers that do not fill their type (24 bits in 32).
    """

    n_samples: int
    dtype: np.dtype[Any]
    read: Callable[[int, int], NDArray[Any]]
    full_scale: tuple[int, int] | None = None
    is_text: bool = False  # numbers were printed: known to half a unit of their last digit


@dataclass(frozen=True, slots=True)
class Counts:
    """A column mapped to int16: recorded number = counts x step + base."""

    n_samples: int
    read: Callable[[int, int], NDArray[np.int16]]
    step: float = 1.0
    base: float = 0.0
    clip_low: int = -32768
    clip_high: int = 32767
    findings: tuple[Finding, ...] = ()


@dataclass(frozen=True, slots=True)
class Stored:
    """Numbers that stand in a file one behind the other: of which type, from which byte on."""

    dtype: np.dtype[Any]
    place: int


@dataclass(frozen=True, slots=True)
class Source:
    """One channel of a raw file, ready to become a channel of a recording.

    `rate_hz`, `scale`, `offset`, `unit`: what the file itself says, None where it is silent.
    `first_s`: time of the first sample on the file's own time column, 0 without one. `header_s`:
    the same as its header tells, on a clock that all files of one instrument share, and
    `header_slack` the share of time by which that clock may run beside the samples'. `levels`
    [LEVEL_FIELDS] replaces the counts for a logic capture; its times are those of the file.
    `stored`: the counts are yet to be made from the numbers there, and only their length holds.
    """

    counts: Counts
    rate_hz: float | None = None
    scale: float | None = None
    offset: float | None = None
    unit: str | None = None
    first_s: float = 0.0
    levels: NDArray[np.void] | None = None
    findings: tuple[Finding, ...] = ()
    header_s: float | None = None
    header_slack: float = 0.0
    stored: Stored | None = None


def read_array(values: NDArray[Any]) -> Callable[[int, int], NDArray[Any]]:
    """Give the `read` of a RawColumn for numbers that are an array already.

    Pages of an array that is mapped from disk are given back after each reading: they would count
    as memory of this process.
    """
    mapped = getattr(values, "_mmap", None)
    release = getattr(mapped, "madvise", None)  # not on every system

    def read(start: int, stop: int) -> NDArray[Any]:
        part = np.array(values[start:stop])
        if release is not None:
            release(mmap.MADV_DONTNEED)
        return part

    return read


def truncated(channel: str, message: str) -> Finding:
    """Make the finding for a file that ends early and was used as far as it goes."""
    return Finding("truncated", "warning", message, channel)
