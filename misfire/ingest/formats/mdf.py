"""ASAM MDF 4 files (and 3), through a library that is installed as an extra."""

import io
import logging
import struct
import zlib
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, cast

import numpy as np
from numpy.typing import NDArray

from misfire.errors import FormatError, find_first_line
from misfire.ingest.counts import map_counts
from misfire.ingest.formats.timebase import fit_timebase
from misfire.ingest.scratch import Scratch
from misfire.ingest.source import Progress, RawColumn, Request, Source, read_array, truncated
from misfire.records import Finding

_RECORDS = 1 << 17  # records at a time
_DAMAGE = (  # what the library raises on a damaged file; its own error is an Exception of its own
    ArithmeticError,
    AssertionError,
    AttributeError,
    BufferError,
    EOFError,
    LookupError,
    MemoryError,
    OSError,
    RuntimeError,
    TypeError,
    ValueError,
    struct.error,
    zlib.error,
)


def open_mdf(
    path: Path, requests: Sequence[Request], *, scratch: Scratch, progress: Progress | None = None
) -> list[Source]:
    """Stream channels of an MDF file into scratch files.

    Parameters
    ----------
    path : path
    requests : sequence of Request
        `column` is a channel's name, or its index among all channels that are no time. The
        recorded number is the value that the file's own conversion gives. The rate comes from the
        time channel of its group.
    scratch : Scratch
    progress : callable (stage, fraction), optional

    Returns
    -------
    sources : list of Source [one for each request]

    Raises
    ------
    FormatError
        If the library is not installed, the file is damaged, or a channel holds no numbers.
    JobCardError
        If there is no such channel.
    """
    try:
        from asammdf import MDF
        from asammdf.blocks.utils import MdfException
        from isal.igzip_lib import IsalError
    except ImportError:
        raise FormatError(
            f"{path}: needs the library asammdf (LGPL); install it with `pip install asammdf` (the "
            "extra `mdf`), or export as CSV, HDF5 or Parquet"
        ) from None
    packing = cast(type[Exception], IsalError)  # its stub says otherwise
    damage: tuple[type[Exception], ...] = (*_DAMAGE, MdfException, packing)
    logging.getLogger("asammdf").setLevel(logging.CRITICAL)  # it speaks on standard error
    try:
        file = MDF(str(path), raise_on_multiple_occurrences=False)
    except damage as error:
        _close_half_open(error)
        raise FormatError(
            f"{path}: is cut short or damaged ({find_first_line(error)}); copy or export it again"
        ) from None
    try:
        started_s = _read_start(file)
        sources = []
        for done, request in enumerate(requests):
            group, index = _find_channel(file, path, request)
            sources.append(_stream(file, path, request, group, index, scratch, started_s, damage))
            if progress is not None:
                progress("read MDF", (done + 1) / len(requests))
    finally:
        file.close()
    return sources


def _close_half_open(error: Exception) -> None:
    """Close what the library left half made: its own end would fail aloud on standard error."""
    trace = error.__traceback__.tb_next if error.__traceback__ else None
    while trace is not None:
        for value in trace.tb_frame.f_locals.values():
            if isinstance(value, io.IOBase):
                value.close()
        made: Any = trace.tb_frame.f_locals.get("self")
        if hasattr(made, "_closed"):
            made._closed = True
            for name in ("_mapped_file", "_file", "_tempfile"):
                handle: Any = getattr(made, name, None)
                if hasattr(handle, "close"):
                    handle.close()
        trace = trace.tb_next


def _read_start(file: Any) -> float | None:
    """Read when the recording began, by the header [s since 1970]."""
    try:
        return float(file.header.start_time.timestamp())
    except (AttributeError, ValueError, OSError, OverflowError):
        return None


def _find_channel(file: Any, path: Path, request: Request) -> tuple[int, int]:
    """Find group and index of the channel that the card names."""
    masters = {(group, index) for group, index in file.masters_db.items()}
    wanted = request.card.column
    entries = [(name, place) for name, places in file.channels_db.items() for place in places]
    usable = sorted((tuple(place), name) for name, place in entries if tuple(place) not in masters)
    if isinstance(wanted, int) and wanted < len(usable):
        return usable[wanted][0]
    for place, name in usable:
        if name == wanted:
            return place
    names = [name for _, name in usable]
    raise request.unknown("channel", path.name, names)


def _stream(
    file: Any,
    path: Path,
    request: Request,
    group: int,
    index: int,
    scratch: Scratch,
    started_s: float | None,
    damage: tuple[type[Exception], ...],
) -> Source:
    """Copy one channel and its time to scratch, records at a time."""
    name = request.card.name
    total = int(file.groups[group].channel_group.cycles_nr)
    values_file, time_file = scratch.new_file(), scratch.new_file()
    dtype: np.dtype[Any] | None = None
    step, base, unit, n_done, reason = 1.0, 0.0, "", 0, ""
    while n_done < total:
        try:
            signal = file.get(
                group=group, index=index, raw=True, record_offset=n_done, record_count=_RECORDS
            )
            line = _read_line(signal.conversion)
            if line is None:
                signal = signal.physical()
                line = (1.0, 0.0)
            samples, times = np.asarray(signal.samples), np.asarray(signal.timestamps, np.float64)
        except damage as error:
            reason = find_first_line(error)
            break
        if samples.ndim != 1 or samples.dtype.kind not in "biuf":
            raise request.error(
                "column",
                f"{request.card.column!r} of {path.name} holds {samples.dtype}, not "
                "a row of real numbers",
            )
        if samples.size == 0 or times.size != samples.size:
            break
        dtype = dtype or samples.dtype
        (step, base), unit = line, str(signal.unit or "")
        values_file.append(samples.astype(dtype, copy=False))
        time_file.append(times)
        n_done += samples.size
    if dtype is None:
        raise FormatError(
            f"{path}: not one sample of {request.card.column!r} can be read"
            + (f" ({reason})" if reason else "")
            + "; copy or export it again"
        )
    findings: list[Finding] = []
    if n_done < total:
        message = f"{path.name}: only the first {n_done} of {total} samples can be read"
        findings.append(truncated(name, message + "; those are used"))
    timebase = fit_timebase(
        time_file.map(np.float64),
        unit_s=1.0,
        place=f"{path}: time of {request.card.column!r}",
        rate_hz=request.card.rate_hz,
    )
    if not timebase.is_even:
        raise FormatError(f"{path}: {timebase.trouble}")
    if timebase.trouble:
        findings.append(Finding("gaps", "warning", f"{path.name}: {timebase.trouble}", name))
    part: NDArray[Any] = values_file.map(dtype)[timebase.start : timebase.stop]
    counts = map_counts(RawColumn(part.size, dtype, read_array(part)), name=name, scratch=scratch)
    return Source(
        replace(counts, step=counts.step * step, base=counts.base * step + base),
        rate_hz=timebase.rate_hz,
        unit=unit or None,
        first_s=timebase.first_s,
        findings=tuple(findings),
        header_s=None if started_s is None else started_s + timebase.first_s,
        header_slack=2e-4,  # the clock of the day is not that of the samples
    )


def _read_line(conversion: Any) -> tuple[float, float] | None:
    """Give factor and offset of a linear conversion; None for any other."""
    if conversion is None:
        return 1.0, 0.0
    kind = getattr(conversion, "conversion_type", None)
    a, b = getattr(conversion, "a", None), getattr(conversion, "b", None)
    if kind == 0 and a is None:
        return 1.0, 0.0
    if a is None or b is None or kind not in (0, 1) or not a:
        return None
    return float(a), float(b)
