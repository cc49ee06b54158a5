"""Parquet tables: streamed batch by batch into scratch files."""

import math
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from misfire.errors import FormatError, find_first_line
from misfire.ingest.counts import map_counts
from misfire.ingest.formats.timebase import Timebase, fit_timebase
from misfire.ingest.scratch import Scratch
from misfire.ingest.source import (
    Progress,
    RawColumn,
    Request,
    Source,
    read_array,
    truncated,
)
from misfire.ingest.units import TIME_UNITS, split_unit
from misfire.records import Finding

_TIME_NAMES = ("time", "t", "timestamp", "timestamps", "zeit")
_BATCH_ROWS = 1 << 17
_PAGE_BYTES = 1 << 20


def open_parquet(
    path: Path, requests: Sequence[Request], *, scratch: Scratch, progress: Progress | None = None
) -> list[Source]:
    """Stream columns of a Parquet file into scratch files.

    Parameters
    ----------
    path : path
    requests : sequence of Request
        `column` is a column's name, or its index. A column called `time` or `t`, with its unit
        (`time_s`, `t [ms]`; seconds without one), gives the rate; so do the metadata `rate_hz` of
        the table or of a field, where `scale`, `offset` and `unit` may stand as well.
    scratch : Scratch
    progress : callable (stage, fraction), optional

    Returns
    -------
    sources : list of Source [one for each request]

    Raises
    ------
    FormatError
        If the file is cut short (its index stands at its end) or damaged, or a column holds no
        numbers.
    JobCardError
        If there is no such column.
    """
    import pyarrow as pa
    import pyarrow.parquet as pq

    damage = (pa.ArrowException, OSError, ValueError, KeyError, NotImplementedError, MemoryError)
    try:
        file = pq.ParquetFile(path, pre_buffer=False, buffer_size=_PAGE_BYTES)
        schema = file.schema_arrow
        total = file.metadata.num_rows
    except damage:
        raise FormatError(
            f"{path}: is cut short or no Parquet file (its index at the end is missing or "
            "damaged); copy or export it again"
        ) from None
    with file:
        if total <= 0 or not schema.names:
            raise FormatError(f"{path}: holds no samples; export it again")
        names = [_find_column(path, request, schema.names) for request in requests]
        time_name = _find_time(schema, names)
        wanted = list(dict.fromkeys([*names, *([time_name] if time_name else [])]))
        dtypes = {name: _choose_dtype(path, schema.field(name), pa) for name in wanted}
        if time_name:
            dtypes[time_name] = np.dtype(np.float64)
        kept = {name: scratch.new_file() for name in wanted}
        n_done = 0
        origins: dict[str, int] = {}
        try:
            for batch in file.iter_batches(_BATCH_ROWS, columns=wanted, use_threads=False):
                parts = {n: _read_cells(batch.column(n), dtypes[n], origins, pa) for n in wanted}
                for name, numbers in parts.items():
                    kept[name].append(numbers)
                n_done += batch.num_rows
                if progress is not None:
                    progress("read Parquet", min(1.0, n_done / total))
        except damage as error:
            if n_done == 0:
                raise FormatError(
                    f"{path}: not one row can be read ({find_first_line(error)}); copy or "
                    "export it again"
                ) from None
    values = {name: kept[name].map(dtypes[name]) for name in wanted}
    base = _fit_time(path, schema, time_name, values, requests) if time_name else None
    if base and not base.is_even:
        raise FormatError(f"{path}: {base.trouble}")
    sources = []
    for request, name in zip(requests, names, strict=True):
        findings: list[Finding] = []
        if n_done < total:
            message = f"{path.name}: only the first {n_done} of {total} rows can be read"
            findings.append(truncated(request.card.name, message + "; those are used"))
        start, stop = (base.start, base.stop) if base else (0, n_done)
        if base and base.trouble:
            message = f"{path.name}: {base.trouble}"
            findings.append(Finding("gaps", "warning", message, request.card.name))
        part = values[name][start:stop]
        column = RawColumn(part.size, dtypes[name], read_array(part))
        meta = _read_metadata(schema, name)
        counts = map_counts(column, name=request.card.name, scratch=scratch, progress=progress)
        sources.append(
            Source(
                counts,
                rate_hz=(base.rate_hz if base else None) or _read_number(meta, "rate_hz"),
                scale=_read_number(meta, "scale"),
                offset=_read_number(meta, "offset"),
                unit=meta.get("unit") or split_unit(name)[1] or None,
                first_s=base.first_s if base else 0.0,
                findings=tuple(findings),
            )
        )
    return sources


def _read_cells(cells: Any, dtype: np.dtype[Any], origins: dict[str, int], pa: Any) -> NDArray[Any]:
    """Turn a column's next cells into numbers.

    Times since an epoch count from the first that was met, which stays in `origins`: a float holds
    their differences, not the times themselves.
    """
    if not _is_clock(cells.type, pa):
        return _to_numbers(cells, dtype)
    ticks = cells.cast(pa.int64()).to_numpy(zero_copy_only=False)
    if "clock" not in origins:
        origins["clock"] = int(ticks[0])
    return np.asarray((ticks - origins["clock"]).astype(np.float64))


def _find_column(path: Path, request: Request, names: list[str]) -> str:
    """Find the column that a channel of the card names, by name or index."""
    wanted = request.card.column
    if isinstance(wanted, str) and wanted in names:
        return wanted
    if isinstance(wanted, int) and wanted < len(names):
        return names[wanted]
    raise request.unknown("column", path.name, names)


def _find_time(schema: Any, taken: list[str]) -> str | None:
    """Find the time column among those that no channel wants."""
    import pyarrow as pa

    for name in schema.names:
        if name in taken:
            continue
        kind = schema.field(name).type
        if _is_clock(kind, pa):
            return str(name)
        is_number = pa.types.is_integer(kind) or pa.types.is_floating(kind)
        if is_number and split_unit(name)[0].lower() in _TIME_NAMES:
            return str(name)
    return None


def _choose_dtype(path: Path, field: Any, pa: Any) -> np.dtype[Any]:
    """Choose how a column is kept: integers as they are unless rows may be empty."""
    kind = field.type
    if _is_clock(kind, pa):
        return np.dtype(np.float64)
    if pa.types.is_decimal(kind):
        return np.dtype(np.float64)
    if not (pa.types.is_integer(kind) or pa.types.is_floating(kind) or pa.types.is_boolean(kind)):
        raise FormatError(
            f"{path}: column {field.name!r} holds {kind}, not numbers; export numbers"
        )
    dtype: np.dtype[Any] = np.dtype(kind.to_pandas_dtype())
    return dtype


def _is_clock(kind: Any, pa: Any) -> bool:
    """Tell whether a type holds times."""
    return bool(pa.types.is_timestamp(kind) or pa.types.is_duration(kind))


def _to_numbers(cells: Any, dtype: np.dtype[Any]) -> NDArray[Any]:
    """Give a batch's column as numbers; empty cells of floats become NaN."""
    if cells.null_count:
        if dtype.kind != "f":
            raise ValueError("an empty cell in a column of integers; export as floats")
        cells = cells.fill_null(math.nan)
    return np.asarray(cells.to_numpy(zero_copy_only=False)).astype(dtype, copy=False)


def _fit_time(
    path: Path,
    schema: Any,
    name: str,
    values: dict[str, NDArray[Any]],
    requests: Sequence[Request],
) -> Timebase:
    """Judge the time column; times since an epoch count from the first row."""
    import pyarrow as pa

    kind = schema.field(name).type
    if _is_clock(kind, pa):
        unit_s = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "ns": 1e-9}[kind.unit]
    else:
        unit_s = TIME_UNITS.get(split_unit(name)[1].lower(), 1.0)
    rates = {r.card.rate_hz for r in requests if r.card.rate_hz}
    return fit_timebase(
        values[name],
        unit_s=unit_s,
        place=f"{path}: column {name!r}",
        rate_hz=rates.pop() if len(rates) == 1 else None,
    )


def _read_metadata(schema: Any, name: str) -> dict[str, str]:
    """Give what the table's and the field's metadata say of a column."""
    both = {**(schema.metadata or {}), **(schema.field(name).metadata or {})}
    keys = ("rate_hz", "scale", "offset", "unit")
    return {
        key: both[key.encode()].decode("utf-8", "replace") for key in keys if key.encode() in both
    }


def _read_number(meta: dict[str, str], key: str) -> float | None:
    """Read a number of the metadata, None where it is none that can be used."""
    try:
        value = float(meta[key])
    except (KeyError, ValueError):
        return None
    bad = not math.isfinite(value) or (key == "rate_hz" and value <= 0)
    return None if bad or (key == "scale" and value == 0) else value
