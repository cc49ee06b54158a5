"""Marks of a job card: moments that somebody noted while the engine was recorded."""

from __future__ import annotations

import csv
import datetime
import io
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

from misfire.ingest.fields import FieldTable, describe
from misfire.records import JobMark

MAX_MARKS = 1000
MAX_MARK_BYTES = 1_000_000
BEFORE_S = 3600.0  # a time of day further before the recording is one after midnight
DAY_S = 86400.0


def parse_marks(
    tables: Any, *, top: FieldTable, folder: Path, recorded: str, allows: Callable[[str], bool]
) -> tuple[JobMark, ...]:
    """Check all `[[mark]]` tables, and read the lists of marks that they name.

    Parameters
    ----------
    tables : list of dict
        As TOML gives them; None where there are none.
    top : FieldTable
        The card, for its name in messages.
    folder : Path
        What file names are relative to.
    recorded : str
        When the recording began, as ISO 8601 text; without a time of day clock times say nothing.
    allows : callable (file name) -> bool
        Whether the card may name a file.

    Returns
    -------
    marks : tuple of JobMark
        Ascending in time.

    Raises
    ------
    JobCardError
        If a field is missing or wrong, or a list cannot be read.
    """
    if tables is None:
        return ()
    if not isinstance(tables, list) or not all(isinstance(t, dict) for t in tables):
        raise top.error("[[mark]]", "must be written in double brackets, one for each mark")
    marks: list[JobMark] = []
    for number, values in enumerate(tables, start=1):
        table = FieldTable(
            values,
            source=top.source,
            place=f"[[mark]] {number}",
            known=("time_s", "clock", "text", "file"),
        )
        if "file" in table:
            marks += _read_list(table, folder=folder, recorded=recorded, allows=allows)
        else:
            marks.append(_parse_mark(table, recorded=recorded))
    if len(marks) > MAX_MARKS:
        raise top.error("[[mark]]", f"are {len(marks)}, more than {MAX_MARKS}; leave some out")
    return tuple(sorted(marks, key=lambda m: m.time_s))


def _parse_mark(table: FieldTable, *, recorded: str) -> JobMark:
    """Check one mark that stands in the card itself."""
    text = table.text("text", example='"felt"').strip()
    if ("time_s" in table) == ("clock" in table):
        raise table.error(
            "time_s",
            "is missing; give either `time_s = 65.2` (seconds from the start of the recording) or "
            "`clock = 20:16:05` (time of day)",
        )
    if "time_s" in table:
        return JobMark(table.check_number("time_s", table.values["time_s"], low=0, high=1e7), text)
    clock = table.values["clock"]
    if not isinstance(clock, datetime.time):
        raise table.error("clock", f"must be a time of day like 20:16:05, got {describe(clock)}")
    return JobMark(_place_clock(table, "clock", clock, recorded), text)


def _place_clock(table: FieldTable, key: str, clock: datetime.time, recorded: str) -> float:
    """Turn a time of day into seconds from the start of the recording."""
    if len(recorded) <= len("2026-03-01"):
        raise table.error(
            key,
            "needs the time at which the recording began: add `recorded = 2026-03-01T20:15:00` to "
            "[vehicle], or give time_s",
        )
    start = datetime.datetime.fromisoformat(recorded).time()
    after_s = _count_seconds(clock) - _count_seconds(start)
    if after_s < -BEFORE_S:
        after_s += DAY_S  # it went on beyond midnight
    if after_s < 0:
        raise table.error(
            key, f"{clock} lies before the recording, which began at {start}; correct one of them"
        )
    return after_s


def _count_seconds(clock: datetime.time) -> float:
    """Give the seconds since midnight."""
    return clock.hour * 3600 + clock.minute * 60 + clock.second + clock.microsecond / 1e6


def _read_list(
    table: FieldTable, *, folder: Path, recorded: str, allows: Callable[[str], bool]
) -> list[JobMark]:
    """Read a table of marks: time and text in the first two columns, a header row or none."""
    if len(table.values) > 1:
        raise table.error("file", "stands alone: time and text of each mark are in the file")
    name = table.text("file", example='"marks.csv"')
    if not allows(name):
        raise table.error(
            "file",
            f'"{name}" leaves the folder of the job card; put the file beside the card, or give '
            "--allow-outside if you trust the card",
        )
    path = folder / name
    try:
        with path.open("rb") as file:
            data = file.read(MAX_MARK_BYTES + 1)
    except OSError as error:
        raise table.error(
            "file", f"{path} cannot be read ({error.strerror}); give a table of time and text"
        ) from None
    if len(data) > MAX_MARK_BYTES:
        raise table.error("file", f"{path} is over 1 MB; a list of marks is a short text")
    text = data.decode("utf-8-sig", errors="replace")
    mark = next((c for c in "\t;" if c in text.partition("\n")[0]), ",")
    marks = []
    for number, row in enumerate(csv.reader(io.StringIO(text), delimiter=mark), start=1):
        cells = [cell.strip() for cell in row]
        if not any(cells) or (number == 1 and not re.match(r"[\d.,+-]", cells[0])):
            continue  # an empty line; names of the columns
        words = " ".join(cells[1:]).strip()
        if not words:
            raise table.error("file", f"{path} line {number}: the text is missing; add one")
        marks.append(JobMark(_read_time(table, cells[0], path, number, recorded), words))
    return marks


def _read_time(table: FieldTable, cell: str, path: Path, number: int, recorded: str) -> float:
    """Read a time in seconds, or a time of day."""
    try:
        if ":" in cell:
            return _place_clock(table, "file", datetime.time.fromisoformat(cell), recorded)
        return table.check_number("file", float(cell.replace(",", ".")), low=0, high=1e7)
    except ValueError:
        raise table.error(
            "file",
            f"{path} line {number}: {cell[:20]!r} is no time; write seconds from the start (65.2) "
            "or a time of day (20:16:05)",
        ) from None
