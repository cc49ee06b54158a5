"""The output folder of one diagnosis: result.json, events.parquet, misfires.csv, report.html."""

from __future__ import annotations

import contextlib
import csv
import io
import json
from pathlib import Path
from typing import Any

from misfire.errors import OutputError
from misfire.publishing import guard_cell, write_together
from misfire.records import BAD_SPARKS, EVENT_COLUMNS, Diagnosis
from misfire.report.diagnosis.page import format_page
from misfire.report.diagnosis.table import format_json
from misfire.report.summary import LOST, build_summary

RESULT = "result.json"
EVENTS = "events.parquet"
MISFIRES = "misfires.csv"
REPORT = "report.html"
NAMES = (EVENTS, MISFIRES, REPORT, RESULT)  # in the order of publication: the result comes last
ABNORMAL_FLAGS = ("no_breakdown", "no_dwell")


TEXT_COLUMNS = ("flags", "spark", "work")


def write_reports(diagnosis: Diagnosis, folder: Path) -> tuple[Path, ...]:
    """Write all outputs of one diagnosis into a folder.

    Everything is first written under temporary names beside its place and renamed at the end.
    An earlier run's result.json is taken away before the other files change and the new one comes
    last, so where a result.json stands, the files beside it belong to it.

    Parameters
    ----------
    diagnosis : Diagnosis
    folder : Path
        Made when absent. Other files in it are left alone.

    Returns
    -------
    paths : tuple of Path
        The files written.

    Raises
    ------
    OutputError
        If the folder or a file in it cannot be written.
    """
    folder = Path(folder)
    contents = {
        EVENTS: format_parquet(diagnosis),
        MISFIRES: format_csv(diagnosis).encode("utf-8"),
        REPORT: format_page(diagnosis).encode("utf-8"),
        RESULT: format_json(diagnosis).encode("utf-8"),
    }
    made_here = not folder.exists()
    try:
        folder.mkdir(parents=True, exist_ok=True)
        blocked = [name for name in NAMES if (folder / name).is_dir()]
        if blocked:
            raise IsADirectoryError(f"{blocked[0]} is a folder there")
        write_together(folder, contents)
    except OSError as error:
        if made_here:
            with contextlib.suppress(OSError):
                folder.rmdir()  # only when empty
        reason = error.strerror or str(error)
        raise OutputError(
            f"cannot write the results to {folder}: {reason}; "
            "choose another output folder or make this one writable"
        ) from error
    return tuple(folder / name for name in NAMES)


def format_parquet(diagnosis: Diagnosis) -> bytes:
    """Give events.parquet: EVENT_COLUMNS in order, float64 (NaN kept), TEXT_COLUMNS as text.

    Columns that the events have beyond these (an injector's) follow, float64.

    Parameters
    ----------
    diagnosis : Diagnosis

    Returns
    -------
    content : bytes

    Raises
    ------
    OutputError
        If a column of the events is missing.
    """
    import numpy as np
    import pyarrow as pa
    import pyarrow.parquet as pq

    class Sink(io.BytesIO):
        """Keeps what is written; after each piece the library gives back the memory it took."""

        def write(self, piece: Any, /) -> int:
            pa.default_memory_pool().release_unused()  # else tables of values, column upon column
            return super().write(piece)

    _check_columns(diagnosis)
    more = [name for name in diagnosis.events.columns if name not in EVENT_COLUMNS]
    columns = {
        name: pa.array(diagnosis.events[name].to_numpy(dtype=np.float64, na_value=np.nan))
        for name in (*EVENT_COLUMNS, *more)
        if name not in TEXT_COLUMNS
    }
    for name in TEXT_COLUMNS:
        columns[name] = pa.array(_get_texts(diagnosis, name), type=pa.string())
    table = pa.table(
        {name: columns[name] for name in (*EVENT_COLUMNS, *more)}
    ).replace_schema_metadata(
        {
            "schema": "misfire-events/1",
            "vehicle": diagnosis.vehicle,
            "source_sha256": diagnosis.sha256,
            # what the report's first page says beyond the rows, so that it can be traced from here
            "duration_s": repr(float(diagnosis.duration_s)),
            "cylinders": json.dumps(build_summary(diagnosis)["cylinders"]),
        }
    )
    with Sink() as sink:
        pq.write_table(table, sink)
        return sink.getvalue()


def format_csv(diagnosis: Diagnosis) -> str:
    """Give misfires.csv: the firings lost, abnormal or with a bad spark, the reason first.

    Parameters
    ----------
    diagnosis : Diagnosis

    Returns
    -------
    text : str
        Comma-separated with a header row and CRLF line ends (RFC 4180). A text cell that a
        spreadsheet would take for a formula starts with an apostrophe; what was not measurable
        is empty.

    Raises
    ------
    OutputError
        If a column of the events is missing.
    """
    _check_columns(diagnosis)
    events = diagnosis.events
    texts = {name: _get_texts(diagnosis, name) for name in TEXT_COLUMNS}
    flags, sparks = texts["flags"], texts["spark"]
    lost = (events["misfire_probability"].to_numpy(dtype=float) >= LOST).tolist()
    odd = {text for text in set(flags) if any(flag in text.split() for flag in ABNORMAL_FLAGS)}
    bad = [s in BAD_SPARKS for s in sparks]
    abnormal = [a in odd or b for a, b in zip(flags, bad, strict=True)]
    rows = [i for i, (a, b) in enumerate(zip(lost, abnormal, strict=True)) if a or b]
    chosen = events.iloc[rows]
    values = {
        name: chosen[name].to_numpy(dtype=float).tolist()
        for name in EVENT_COLUMNS
        if name not in TEXT_COLUMNS
    }
    stream = io.StringIO()
    writer = csv.writer(stream)  # CRLF is its default
    writer.writerow(("reason", *EVENT_COLUMNS))
    for k, i in enumerate(rows):
        reason = "lost" if lost[i] else "bad spark" if bad[i] else "abnormal"
        cells = [
            guard_cell(texts[name][i]) if name in TEXT_COLUMNS else _cell(values[name][k])
            for name in EVENT_COLUMNS
        ]
        writer.writerow((reason, *cells))
    return stream.getvalue()


def _check_columns(diagnosis: Diagnosis) -> None:
    """Refuse events without a contract column."""
    missing = [name for name in EVENT_COLUMNS if name not in diagnosis.events.columns]
    if missing:
        raise OutputError(f"the events lack the columns {', '.join(missing)}")


def _get_texts(diagnosis: Diagnosis, name: str) -> list[str]:
    """Give a column of texts; none is an empty text."""
    texts = diagnosis.events[name].astype(object).to_numpy(dtype=object).tolist()
    return [text if isinstance(text, str) else "" for text in texts]


def _cell(value: float) -> str:
    """Write a number with up to nine digits, whole ones without a point; NaN is empty."""
    if value != value:
        return ""
    return str(int(value)) if value.is_integer() and abs(value) < 1e15 else f"{value:.9g}"
