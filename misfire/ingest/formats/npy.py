"""NumPy files: NPY mapped from disk, members of NPZ streamed from the archive."""

import math
import struct
import tokenize
import warnings
import zipfile
import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any

import numpy as np

from misfire.errors import FormatError
from misfire.ingest.counts import map_counts
from misfire.ingest.formats.inplace import open_in_place
from misfire.ingest.scratch import Scratch
from misfire.ingest.source import (
    Progress,
    RawColumn,
    Request,
    Source,
    read_array,
    truncated,
)

_BLOCK_BYTES = 1 << 22
_ARCHIVE_ERRORS = (  # also: encrypted, names that are no text, made by a later version
    zipfile.BadZipFile,
    RuntimeError,  # NotImplementedError is one
    OSError,
    ValueError,
    OverflowError,
    MemoryError,
    struct.error,
)
_HEADER_ERRORS = (  # the header is a Python literal, so that damage shows in many ways
    ValueError,
    EOFError,
    OSError,
    SyntaxError,
    TypeError,
    OverflowError,
    MemoryError,
    tokenize.TokenError,
    zipfile.BadZipFile,
    zlib.error,
)


def open_npy(
    path: Path, requests: Sequence[Request], *, scratch: Scratch, progress: Progress | None = None
) -> list[Source]:
    """Open columns of an NPY file, read in place.

    Parameters
    ----------
    path : path
        An array of one dimension, or of two: time then runs along the longer one.
    requests : sequence of Request
        `column` is the index of the column, 0 in an array of one dimension.
    scratch : Scratch
    progress : callable (stage, fraction), optional

    Returns
    -------
    sources : list of Source [one for each request]

    Raises
    ------
    FormatError
        If the file is no NPY file, holds Python objects or no samples.
    JobCardError
        If there is no such column.
    """
    with path.open("rb") as file:
        shape, is_fortran, dtype = _read_header(file, str(path))
        start = file.tell()
    if len(shape) not in (1, 2):
        raise FormatError(f"{path}: has {len(shape)} dimensions; save one or two")
    n_there, total = (path.stat().st_size - start) // dtype.itemsize, math.prod(shape)
    if n_there <= 0:
        raise FormatError(f"{path}: ends with its header; copy or save it again")
    columns = _find_columns(n_there, shape, is_fortran)
    if not columns:
        raise FormatError(f"{path}: holds no whole row; copy or save it again")
    trouble = ""
    if n_there < total:
        trouble = f"the file ends after {n_there} of {total} numbers; those are used"
    sources = []
    for request in requests:
        index = request.card.column
        if isinstance(index, int) and trouble and len(columns) <= index < min(shape[-1:] + shape):
            raise FormatError(f"{path}: ends before column {index}; copy or save it again")
        found = columns[request.take_index(len(columns), "columns", path.name)]
        name = request.card.name
        column = open_in_place(
            path,
            dtype,
            start + found.first * dtype.itemsize,
            found.n_samples,
            name=name,
            scratch=scratch,
            stride=found.stride,
        )
        findings = (truncated(name, f"{path.name}: {trouble}"),) if trouble else ()
        counts = map_counts(column, name=name, scratch=scratch, progress=progress)
        sources.append(Source(counts, findings=findings))
    return sources


def open_npz(
    path: Path, requests: Sequence[Request], *, scratch: Scratch, progress: Progress | None = None
) -> list[Source]:
    """Stream members of an NPZ file into scratch files.

    Parameters
    ----------
    path : path
    requests : sequence of Request
        `column` is a variable's name; its array has one dimension, or a single column.
    scratch : Scratch
    progress : callable (stage, fraction), optional

    Returns
    -------
    sources : list of Source [one for each request]

    Raises
    ------
    FormatError
        If the archive is damaged or cut short so that a variable is lost.
    JobCardError
        If there is no such variable.
    """
    try:
        archive = zipfile.ZipFile(path)
    except _ARCHIVE_ERRORS:
        raise FormatError(f"{path}: is cut short or no NPZ file; copy or export it again") from None
    with archive:
        sources = []
        for done, request in enumerate(requests):
            sources.append(_stream_member(archive, path, request, scratch))
            if progress is not None:
                progress("read NPZ", (done + 1) / len(requests))
        return sources


def _read_header(file: IO[bytes], place: str) -> tuple[tuple[int, ...], bool, np.dtype[Any]]:
    """Read the header of an NPY stream: shape, order and type."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", UserWarning)  # a header as older Pythons wrote it
            version = np.lib.format.read_magic(file)
            if version == (1, 0):
                shape, is_fortran, dtype = np.lib.format.read_array_header_1_0(file)
            else:
                shape, is_fortran, dtype = np.lib.format.read_array_header_2_0(file)
    except _HEADER_ERRORS:
        raise FormatError(f"{place}: has no readable NPY header; save it again") from None
    if dtype.hasobject or dtype.kind not in "biuf":
        raise FormatError(f"{place}: holds {dtype}, not real numbers; save integers or floats")
    if not shape or min(shape) <= 0:
        raise FormatError(f"{place}: holds no samples; save it again")
    return shape, is_fortran, dtype


@dataclass(frozen=True, slots=True)
class _Column:
    """A column of an array: its first number, the way to the next, how many; counted in numbers."""

    first: int
    stride: int
    n_samples: int


def _find_columns(n_there: int, shape: tuple[int, ...], is_fortran: bool) -> list[_Column]:
    """Find the columns of an array of which so many numbers are there."""
    if len(shape) == 1:
        return [_Column(0, 1, min(n_there, shape[0]))]
    rows, width = shape
    if is_fortran:
        rows, width = width, rows  # the same bytes, read as the transposed array
    # The file holds `rows` runs of `width`; time runs along the longer side.
    n_there = min(n_there, rows * width)
    if rows >= width:
        n_rows = n_there // width
        return [_Column(i, width, n_rows) for i in range(width)] if n_rows else []
    whole = [min(width, n_there - i * width) for i in range(-(-n_there // width))]
    return [_Column(i * width, 1, n) for i, n in enumerate(whole)]


def _stream_member(
    archive: zipfile.ZipFile, path: Path, request: Request, scratch: Scratch
) -> Source:
    """Stream one variable to scratch."""
    name = request.card.name
    member = _find_member(archive, path, request)
    place = f"{path}: variable {request.card.column!r}"
    file = scratch.new_file()
    trouble, n_done = "", 0
    try:
        if archive.getinfo(member).compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
            raise NotImplementedError("a coding that can make anything of a few bytes")
        stream = archive.open(member)
    except _ARCHIVE_ERRORS:
        raise FormatError(f"{place}: cannot be unpacked; copy or save the file again") from None
    with stream:
        shape, _, dtype = _read_header(stream, place)
        if len(shape) > 2 or (len(shape) == 2 and 1 not in shape):
            raise request.error(
                "column",
                f"{request.card.column!r} of {path.name} has the shape {shape}; save each channel "
                "as a variable of one dimension",
            )
        total = math.prod(shape) * dtype.itemsize
        rest = b""
        while n_done < total:
            try:
                part = stream.read(min(_BLOCK_BYTES, total - n_done))
            except (zipfile.BadZipFile, zlib.error, EOFError, OSError):
                part = b""
            if not part:
                n_there = n_done // dtype.itemsize
                trouble = (
                    f"{request.card.column!r} breaks off after {n_there} of "
                    f"{total // dtype.itemsize} numbers; those are used"
                )
                break
            n_done += len(part)
            part = rest + part
            whole = len(part) // dtype.itemsize * dtype.itemsize
            file.append(np.frombuffer(part[:whole], np.uint8))
            rest = part[whole:]
    values = file.map(dtype)
    if values.size == 0:
        raise FormatError(f"{place}: not one number can be read; copy or save the file again")
    column = RawColumn(values.size, dtype, read_array(values))
    findings = (truncated(name, f"{path.name}: {trouble}"),) if trouble else ()
    return Source(map_counts(column, name=name, scratch=scratch), findings=findings)


def _find_member(archive: zipfile.ZipFile, path: Path, request: Request) -> str:
    """Find the variable that a channel of the card names."""
    known = [name.removesuffix(".npy") for name in archive.namelist() if name.endswith(".npy")]
    wanted = request.card.column
    if wanted in known:
        return f"{wanted}.npy"
    if not known:
        raise FormatError(f"{path}: is a ZIP archive without NumPy arrays; export as NPZ or CSV")
    raise request.unknown("variable", path.name, known)
