"""Raw HDF5 files: one dataset a channel, read in place."""

import math
import posixpath
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from misfire.dsp.heaps import find_broken_heap
from misfire.errors import FormatError, find_first_line
from misfire.ingest.counts import map_counts
from misfire.ingest.scratch import Scratch
from misfire.ingest.source import (
    READ_SAMPLES,
    Counts,
    Progress,
    RawColumn,
    Request,
    Source,
    Stored,
    truncated,
)
from misfire.limits import MOST_SHRUNK
from misfire.records import Finding

LARGEST_CHUNK = 1 << 28  # bytes of one chunk, which the library unpacks in memory
MOST_LINKS = 16  # soft links one after another
_ATTRIBUTES = ("rate_hz", "scale", "offset", "unit")
_DAMAGE = (
    OSError,
    RuntimeError,
    KeyError,
    IndexError,
    ValueError,
    TypeError,
    OverflowError,
    MemoryError,
)
"""What the HDF5 library raises on a damaged file, depending on where the damage is."""


def open_hdf5(
    path: Path, requests: Sequence[Request], *, scratch: Scratch, progress: Progress | None = None
) -> list[Source]:
    """Open datasets of an HDF5 file.

    Parameters
    ----------
    path : path
    requests : sequence of Request
        `column` is the path of a dataset of one dimension (or of a single column), of real
        numbers, with the optional attributes `rate_hz`, `scale`, `offset` and `unit`.
    scratch : Scratch
    progress : callable (stage, fraction), optional

    Returns
    -------
    sources : list of Source [one for each request]
        Of a dataset that is neither cut into chunks nor coded, only where its numbers are stored.

    Raises
    ------
    FormatError
        If the file cannot be opened, an attribute is unusable, or no sample can be read.
    JobCardError
        If there is no such dataset, or it has several columns.
    """
    import h5py

    if find_broken_heap(path) is not None:
        raise FormatError(f"{path}: its texts are damaged; copy or export it again")
    try:
        file = h5py.File(path, "r")
    except OSError as error:
        reason = "is cut short" if "truncated" in str(error) else "cannot be opened as HDF5"
        raise FormatError(f"{path}: {reason}; copy or export it again") from None
    scratch.own(file.close)
    return [_open_dataset(file, path, request, scratch, progress) for request in requests]


def _open_dataset(
    file: Any, path: Path, request: Request, scratch: Scratch, progress: Progress | None
) -> Source:
    """Open the dataset of one channel."""
    name = request.card.name
    dataset = _find_dataset(file, path, request)
    try:
        shape, dtype = dataset.shape, dataset.dtype
        _refuse_elsewhere(dataset, path)
        attrs = {key: dataset.attrs[key] for key in dataset.attrs if key in _ATTRIBUTES}
        n_written = _count_written(dataset)
    except FormatError:
        raise
    except _DAMAGE:
        raise FormatError(
            f"{path}: dataset {dataset.name!r} is damaged; copy or export the file again"
        ) from None
    flat = None
    if shape is not None and len(shape) == 2 and 1 in shape:
        flat = 0 if shape[0] == 1 else 1
    elif shape is None or len(shape) != 1:
        raise request.error(
            "column",
            f'"{request.card.column}" of {path.name} has the shape {shape}; store each channel '
            "as a dataset of one dimension",
        )
    if dtype.kind not in "biuf":
        raise request.error(
            "column", f'"{request.card.column}" of {path.name} holds {dtype}, not real numbers'
        )

    def read(start: int, stop: int) -> NDArray[Any]:
        try:
            if flat is None:
                values = dataset[start:stop]
            else:
                values = dataset[0, start:stop] if flat == 0 else dataset[start:stop, 0]
        except _DAMAGE as error:
            raise FormatError(
                f"{path}: channel {name!r}, samples {start} to {stop}: cannot be read "
                f"({find_first_line(error)}); copy or export it again"
            ) from None
        return np.asarray(values)

    total = max(shape)
    n_samples = _count_readable(dataset, n_written, read)
    if n_samples == 0:
        raise FormatError(f"{path}: channel {name!r} holds no readable sample; export it again")
    findings: tuple[Finding, ...] = ()
    if n_samples < total:
        message = (
            f"{path.name}: only the first {n_samples} of {total} samples can be read; those are "
            "used"
        )
        findings = (truncated(name, message),)
    stored = _find_stored(dataset, dtype)
    if stored is None:
        column = RawColumn(n_samples, dtype, read)
        counts = map_counts(column, name=name, scratch=scratch, progress=progress)
    else:
        counts = Counts(n_samples, read)
    unit = attrs.get("unit")
    unit = unit.decode("utf-8", "replace") if isinstance(unit, bytes) else unit
    return Source(
        counts,
        rate_hz=_read_number(attrs, "rate_hz", dataset.name, path, positive=True),
        scale=_read_number(attrs, "scale", dataset.name, path, nonzero=True),
        offset=_read_number(attrs, "offset", dataset.name, path),
        unit=unit if isinstance(unit, str) else None,
        findings=findings,
        stored=stored,
    )


def _find_stored(dataset: Any, dtype: np.dtype[Any]) -> Stored | None:
    """Find where the numbers of a dataset stand as they are; None where they are coded."""
    import h5py

    try:
        place = dataset.id.get_offset()
        is_same = dataset.id.get_type().equal(h5py.h5t.py_create(dtype))
    except _DAMAGE:
        return None
    is_stored = dataset.chunks is None and place is not None and dtype.kind in "iuf"
    return Stored(dtype, int(place)) if is_stored and is_same else None


def _find_dataset(file: Any, path: Path, request: Request) -> Any:
    """Find the dataset that a channel of the card names."""
    import h5py

    wanted = request.card.column
    known: list[str] = []

    def note(name: str, item: Any) -> None:
        if isinstance(item, h5py.Dataset) and len(known) < 200:
            known.append(str(name))  # bytes where it is no text

    if isinstance(wanted, str):
        try:
            _refuse_outer_links(file, wanted, path)
            item = file.get(wanted)
        except FormatError:
            raise
        except _DAMAGE:
            raise FormatError(
                f"{path}: dataset {wanted!r} cannot be opened; copy or export the file again"
            ) from None
        if isinstance(item, h5py.Dataset):
            return item
    try:
        file.visititems(note)
    except _DAMAGE:
        raise FormatError(f"{path}: is damaged; copy or export it again") from None
    if not known:
        raise FormatError(f"{path}: holds no dataset; export it again")
    raise request.unknown("dataset", path.name, known)


def _refuse_outer_links(file: Any, wanted: str, path: Path, depth: int = 0) -> None:
    """Refuse a way to a dataset that leads into another file: anyone may have put it there."""
    import h5py

    place = "/"
    for part in wanted.split("/"):
        if part in ("", "."):
            continue
        group = file[place]
        link = group.get(part, getlink=True) if isinstance(group, h5py.Group) else None
        if link is None:
            return  # there is no such dataset, which is said later
        if isinstance(link, h5py.ExternalLink) or depth > MOST_LINKS:
            raise FormatError(
                f"{path}: {wanted!r} is a link out of this file; export the channels themselves"
            )
        if isinstance(link, h5py.SoftLink):
            target = posixpath.join(place, link.path)
            _refuse_outer_links(file, target, path, depth + 1)
        place = posixpath.join(place, part)


def _refuse_elsewhere(dataset: Any, path: Path) -> None:
    """Refuse a dataset whose samples lie in other files."""
    if dataset.external is not None or dataset.is_virtual:
        raise FormatError(
            f"{path}: the samples of {dataset.name!r} lie in other files; export them into this one"
        )


def _count_written(dataset: Any) -> int:
    """Find how many samples come before the first chunk that was never written.

    A header may promise any number: no more are taken than the stored bytes can unpack to.
    """
    total: int = max(dataset.shape or (0,))
    stored: int = dataset.id.get_storage_size()
    if dataset.chunks is None:
        there: int = stored // max(dataset.dtype.itemsize, 1)
        return min(total, there)
    chunk: int = max(dataset.chunks)
    if chunk * dataset.dtype.itemsize > LARGEST_CHUNK:
        raise ValueError(f"chunks of {chunk} samples")
    total = min(total, (MOST_SHRUNK * stored) // max(dataset.dtype.itemsize, 1) + chunk)
    n_chunks = dataset.id.get_num_chunks()
    if n_chunks >= -(-total // chunk):
        return total
    starts = {max(dataset.id.get_chunk_info(i).chunk_offset) for i in range(n_chunks)}
    return next(start for start in range(0, total, chunk) if start not in starts)


def _count_readable(dataset: Any, total: int, read: Any) -> int:
    """Find how many of `total` samples come before the first damaged chunk."""
    try:
        if dataset.chunks is None or (dataset.compression is None and not dataset.fletcher32):
            return total
    except _DAMAGE:
        return 0  # its filters are damaged
    chunk = max(dataset.chunks)
    step = max(chunk, READ_SAMPLES // chunk * chunk)
    for start in range(0, total, step):
        try:
            read(start, min(start + step, total))
        except FormatError:
            return _first_bad_chunk(read, start, min(start + step, total), chunk)
    return total


def _first_bad_chunk(read: Any, start: int, stop: int, chunk: int) -> int:
    """Find where the first unreadable chunk between two samples starts."""
    for low in range(start, stop, chunk):
        try:
            read(low, min(low + chunk, stop))
        except FormatError:
            return low
    return stop


def _read_number(
    attrs: dict[str, Any],
    key: str,
    place: str,
    path: Path,
    *,
    positive: bool = False,
    nonzero: bool = False,
) -> float | None:
    """Read a numeric attribute, None where there is none."""
    if key not in attrs:
        return None
    value = np.asarray(attrs[key])
    is_number = value.size == 1 and value.dtype.kind in "iuf"
    number = float(value.reshape(-1)[0]) if is_number else math.nan
    if not math.isfinite(number) or (positive and number <= 0) or (nonzero and number == 0):
        raise FormatError(
            f"{path}: attribute {key} of {place} is {attrs[key]!r}, not a usable "
            "number; export the file again"
        )
    return number
