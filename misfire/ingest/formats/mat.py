"""MAT files of version 5: variables read in place, or unpacked into scratch files."""

import math
import zlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any, Literal

import numpy as np

from misfire.errors import FormatError
from misfire.ingest.counts import map_counts
from misfire.ingest.formats.inplace import open_in_place
from misfire.ingest.scratch import Scratch, ScratchFile
from misfire.ingest.source import Progress, RawColumn, Request, Source, read_array, truncated
from misfire.records import Finding

_MATRIX, _COMPRESSED = 14, 15
_STORAGE = {1: "i1", 2: "u1", 3: "i2", 4: "u2", 5: "i4", 6: "u4", 7: "f4", 9: "f8", 12: "i8"}
_STORAGE |= {13: "u8"}
_CLASSES = {1: "cells", 2: "a structure", 3: "an object", 4: "text", 5: "a sparse matrix"}
_NUMERIC = range(6, 16)
_COMPLEX = 0x0800
_HEAD_BYTES = 4096  # of a packed variable: enough for its name and shape
_BLOCK_BYTES = 1 << 20
_RATE_NAMES = ("rate_hz", "sample_rate", "fs")

Order = Literal["little", "big"]


@dataclass(frozen=True, slots=True)
class Variable:
    """Where a variable's numbers stand: `start` in the file, or in what its element unpacks to."""

    name: str
    shape: tuple[int, ...]
    dtype: np.dtype[Any] | None  # None: no real numbers
    kind: str
    start: int
    n_bytes: int
    packed_at: int | None = None  # the compressed element's place in the file
    packed_bytes: int = 0


def open_mat(
    path: Path, requests: Sequence[Request], *, scratch: Scratch, progress: Progress | None = None
) -> list[Source]:
    """Open variables of a MAT file of version 5 (what `save` writes with -v6 or -v7).

    Parameters
    ----------
    path : path
    requests : sequence of Request
        `column` is a variable's name; its array has one row or one column of real numbers. A
        variable `rate_hz`, `sample_rate` or `fs` with one number gives the rate.
    scratch : Scratch
    progress : callable (stage, fraction), optional

    Returns
    -------
    sources : list of Source [one for each request]

    Raises
    ------
    FormatError
        If the file is damaged so that a variable is lost.
    JobCardError
        If there is no such variable, or it is no row of real numbers.

    Notes
    -----
    Source: "MAT-File Format" of the maker, version 5 (levels 1 and 2), from memory; tested against
    scipy.io.savemat.
    """
    with path.open("rb") as file:
        order = _read_order(file, path)
        variables = list(_find_variables(file, order, path.stat().st_size))
        if not variables:
            raise FormatError(f"{path}: is cut short before its first variable; copy it again")
        rate_hz = _read_rate(file, variables)
        sources = []
        for done, request in enumerate(requests):
            variable = _choose(path, request, variables, is_cut=_is_cut(file, order, path))
            sources.append(_open_variable(file, path, request, variable, rate_hz, scratch))
            if progress is not None:
                progress("read MAT", (done + 1) / len(requests))
    return sources


def _read_order(file: IO[bytes], path: Path) -> Order:
    """Read the end of the header: version and order of bytes."""
    head = file.read(128)
    mark = head[126:128]
    if len(head) < 128 or mark not in (b"IM", b"MI"):
        raise FormatError(f"{path}: is cut short or no MAT file of version 5; save it again")
    order: Order = "little" if mark == b"IM" else "big"
    if int.from_bytes(head[124:126], order) >> 8 != 1:
        raise FormatError(f"{path}: is a MAT file of a version that is not known; save with -v7")
    return order


def _find_variables(file: IO[bytes], order: Order, size: int) -> Iterator[Variable]:
    """Walk through the elements of the file; a damaged one is passed over."""
    at = 128
    while at + 8 <= size:
        file.seek(at)
        tag = file.read(8)
        kind, n_bytes = int.from_bytes(tag[:4], order), int.from_bytes(tag[4:], order)
        start = at + 8
        if kind == _MATRIX:
            variable = _parse_matrix(file.read(_HEAD_BYTES), order, start)
            if variable is not None:
                yield variable
            n_bytes += -n_bytes % 8
        elif kind == _COMPRESSED:
            head = _unpack_head(file, start, n_bytes)
            if len(head) > 8 and int.from_bytes(head[:4], order) == _MATRIX:
                variable = _parse_matrix(head[8:], order, 8)
                if variable is not None:
                    yield Variable(
                        variable.name,
                        variable.shape,
                        variable.dtype,
                        variable.kind,
                        variable.start,
                        variable.n_bytes,
                        start,
                        n_bytes,
                    )
        else:
            return
        at = start + n_bytes


def _unpack_head(file: IO[bytes], start: int, n_bytes: int) -> bytes:
    """Unpack the beginning of a compressed element, as far as it goes."""
    file.seek(start)
    try:
        return zlib.decompressobj().decompress(file.read(min(n_bytes, _HEAD_BYTES)), _HEAD_BYTES)
    except zlib.error:
        return b""


def _parse_matrix(head: bytes, order: Order, start: int) -> Variable | None:
    """Read flags, shape, name and the tag of the numbers; None if they are damaged."""
    parts: list[tuple[int, bytes]] = []
    at = 0
    for _ in range(3):
        step = _read_tag(head, at, order)
        if step is None:
            return None
        kind, n_bytes, body, after = step
        if body + n_bytes > len(head):
            return None
        parts.append((kind, head[body : body + n_bytes]))
        at = after
    flags, shape_bytes, name = parts[0][1], parts[1][1], parts[2][1].decode("latin-1")
    if len(flags) < 8 or len(shape_bytes) < 8 or len(shape_bytes) % 4:
        return None
    word = int.from_bytes(flags[:4], order)
    shape = tuple(
        int.from_bytes(shape_bytes[i : i + 4], order) for i in range(0, len(shape_bytes), 4)
    )
    form = word & 0xFF
    if form not in _NUMERIC or word & _COMPLEX:
        kind_name = "complex numbers" if form in _NUMERIC else _CLASSES.get(form, "no numbers")
        return Variable(name, shape, None, kind_name, 0, 0)
    step = _read_tag(head, at, order)
    if step is None or step[0] not in _STORAGE:
        return None
    dtype = np.dtype(_STORAGE[step[0]]).newbyteorder("<" if order == "little" else ">")
    return Variable(name, shape, dtype, "", start + step[2], step[1])


def _read_tag(data: bytes, at: int, order: Order) -> tuple[int, int, int, int] | None:
    """Read the tag at a place: type, bytes, where they start and where the next tag stands."""
    if at + 8 > len(data):
        return None
    first = int.from_bytes(data[at : at + 4], order)
    if first >> 16:  # the small form: up to four bytes within the tag
        n_bytes = first >> 16
        return (first & 0xFFFF, n_bytes, at + 4, at + 8) if n_bytes <= 4 else None
    n_bytes = int.from_bytes(data[at + 4 : at + 8], order)
    return first, n_bytes, at + 8, at + 8 + n_bytes + -n_bytes % 8


def _read_rate(file: IO[bytes], variables: list[Variable]) -> float | None:
    """Read the rate from a variable of one number."""
    for variable in variables:
        dtype = variable.dtype
        is_single = math.prod(variable.shape) == 1 and variable.n_bytes <= 8
        if dtype is None or not is_single or variable.name.lower() not in _RATE_NAMES:
            continue
        if variable.packed_at is None:
            file.seek(variable.start)
            data = file.read(variable.n_bytes)
        else:
            head = _unpack_head(file, variable.packed_at, variable.packed_bytes)
            data = head[variable.start : variable.start + variable.n_bytes]
        if len(data) == dtype.itemsize:
            rate_hz = float(np.frombuffer(data, dtype)[0])
            if np.isfinite(rate_hz) and rate_hz > 0:
                return rate_hz
    return None


def _is_cut(file: IO[bytes], order: Order, path: Path) -> bool:
    """Tell whether the elements of the file do not fill it exactly."""
    at, size = 128, path.stat().st_size
    while at + 8 <= size:
        file.seek(at)
        tag = file.read(8)
        kind, n_bytes = int.from_bytes(tag[:4], order), int.from_bytes(tag[4:], order)
        at += 8 + n_bytes + (-n_bytes % 8 if kind == _MATRIX else 0)
    return at != size


def _choose(path: Path, request: Request, variables: list[Variable], *, is_cut: bool) -> Variable:
    """Find the variable that a channel of the card names."""
    wanted = request.card.column
    for variable in variables:
        if variable.name != wanted:
            continue
        shape = variable.shape
        if variable.dtype is None:
            raise request.error(
                "column",
                f"{wanted!r} of {path.name} holds {variable.kind}, not real numbers; save each "
                "channel as a variable of its own",
            )
        if len(shape) != 2 or 1 not in shape:
            raise request.error(
                "column",
                f"{wanted!r} of {path.name} has the shape {shape}; save each channel as a variable "
                "of one row or column",
            )
        if 0 in shape:
            raise FormatError(f"{path}: variable {wanted!r} holds no samples; save it again")
        return variable
    if is_cut:
        raise FormatError(
            f"{path}: is cut short or damaged before the variable {wanted!r}; copy it again"
        )
    names = [v.name for v in variables]
    raise request.unknown("variable", path.name, names)


def _open_variable(
    file: IO[bytes],
    path: Path,
    request: Request,
    variable: Variable,
    rate_hz: float | None,
    scratch: Scratch,
) -> Source:
    """Open one variable: mapped from the file, or unpacked block by block."""
    name, dtype = request.card.name, variable.dtype or np.dtype(np.float64)
    total = math.prod(variable.shape)
    if variable.n_bytes != total * dtype.itemsize:
        raise FormatError(
            f"{path}: variable {variable.name!r} contradicts itself ({total} numbers in "
            f"{variable.n_bytes} bytes); save it again"
        )
    if variable.packed_at is None:
        there = max(0, path.stat().st_size - variable.start) // dtype.itemsize
        n_there = min(total, there)
    else:
        kept = scratch.new_file()
        n_there = _unpack(file, variable, variable.packed_at, kept) // dtype.itemsize
        values = kept.map(np.uint8)[: n_there * dtype.itemsize].view(dtype)
    if n_there == 0:
        raise FormatError(
            f"{path}: not one number of {variable.name!r} can be read; copy or save the file again"
        )
    findings: tuple[Finding, ...] = ()
    if n_there < total:
        message = (
            f"{path.name}: {variable.name!r} breaks off after {n_there} of {total} numbers; those "
            "are used"
        )
        findings = (truncated(name, message),)
    if variable.packed_at is None:
        column = open_in_place(path, dtype, variable.start, n_there, name=name, scratch=scratch)
    else:
        column = RawColumn(n_there, dtype, read_array(values))
    return Source(map_counts(column, name=name, scratch=scratch), rate_hz, findings=findings)


def _unpack(file: IO[bytes], variable: Variable, start: int, kept: ScratchFile) -> int:
    """Unpack the numbers of a compressed variable as far as they go; give their bytes."""
    file.seek(start)
    unpacker = zlib.decompressobj()
    left, n_done, skip = variable.packed_bytes, 0, variable.start
    while n_done < variable.n_bytes and not unpacker.eof:
        feed = unpacker.unconsumed_tail
        if not feed:
            feed = file.read(min(_BLOCK_BYTES, left))
            left -= len(feed)
            if not feed:
                break
        try:
            part = unpacker.decompress(feed, _BLOCK_BYTES)
        except zlib.error:
            break
        passed = min(skip, len(part))
        skip -= passed
        part = part[passed:][: variable.n_bytes - n_done]
        kept.append(np.frombuffer(part, np.uint8))
        n_done += len(part)
    return n_done
