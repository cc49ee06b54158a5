"""CSV, TSV and other text tables: sampled channels, and logic captures as level changes."""

import io
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from misfire.errors import FormatError
from misfire.ingest.counts import map_counts
from misfire.ingest.formats.layout import (
    OVER_TOKEN,
    TextLayout,
    find_layout,
    is_number,
    split_lines,
    split_row,
)
from misfire.ingest.formats.lines import TextLines
from misfire.ingest.formats.timebase import Timebase, fit_timebase
from misfire.ingest.scratch import Scratch, ScratchFile
from misfire.ingest.source import (
    Counts,
    Progress,
    RawColumn,
    Request,
    Source,
    read_array,
    truncated,
)
from misfire.ingest.units import split_unit
from misfire.records import LEVEL_FIELDS, Finding

LOGIC_ROLES = ("crank", "cam", "coil_trigger", "injector_voltage")
_OVER = 9e307  # stands in the parsed numbers for an over-range mark without a sign


def open_text(
    path: Path, requests: Sequence[Request], *, scratch: Scratch, progress: Progress | None = None
) -> list[Source]:
    """Read channels of a text table, once, into scratch files.

    Parameters
    ----------
    path : path
        Plain or gzipped.
    requests : sequence of Request
        `column` is an index that counts all columns, the time included, or a header name.
    scratch : Scratch
    progress : callable (stage, fraction), optional

    Returns
    -------
    sources : list of Source [one for each request]

    Raises
    ------
    FormatError
        If no table of numbers is found, a cell is no number, or time is uneven or falls.
    JobCardError
        If the file has no such column, or a logic capture is asked for an analog role.
    """
    lines = TextLines(path)
    try:
        try:
            layout = find_layout(lines.head)
        except FormatError as error:
            raise FormatError(f"{path}: {error}") from None
        if layout is None:
            raise FormatError(
                f"{path}: no rows of numbers found; export as CSV with one row a sample, time as a "
                "number (not as a clock time), and one column for each channel"
            )
        columns = [_find_column(request, layout, path) for request in requests]
        if layout.time_column in columns and not layout.time_is_named:
            layout = _without_time(layout)
        table = _Table(path, layout, columns, scratch)
        table.read(lines, progress)
    finally:
        lines.close()
    return _make_sources(table, requests, columns, scratch)


def _without_time(layout: TextLayout) -> TextLayout:
    """Give the layout with its first column taken as a channel, since the card asks for it."""
    return TextLayout(
        layout.delimiter,
        layout.decimal,
        layout.width,
        layout.first_line,
        layout.names,
        layout.units,
        rate_hz=layout.rate_hz,
        is_logic=False,
    )


def _find_column(request: Request, layout: TextLayout, path: Path) -> int:
    """Find the column that a channel of the card names by index or header."""
    column = request.card.column
    if isinstance(column, int):
        if column >= layout.width:
            raise request.error(
                "column",
                f"{column} is past the last of {path.name}, which has {layout.width} "
                f"(0 to {layout.width - 1}, the time included)",
            )
    else:
        column = _find_name(request, column, layout, path)
    if column == layout.time_column and layout.time_is_named:
        raise request.error(
            "column", f"{column} is the time column of {path.name}; name a channel's column"
        )
    if column == layout.time_column and request.card.rate_hz is None:
        raise request.error(
            "column",
            f"{column} of {path.name} rises like a time column; name a channel's column, or add "
            "rate_hz if the file has no time column",
        )
    return column


def _find_name(request: Request, wanted: str, layout: TextLayout, path: Path) -> int:
    """Find a header name: as it stands, then without its unit, then in any case."""
    plain = [split_unit(name)[0] for name in layout.names]
    for names in (
        list(layout.names),
        plain,
        [name.casefold() for name in layout.names],
        [name.casefold() for name in plain],
    ):
        for text in (wanted.strip(), wanted.strip().casefold()):
            if names.count(text) == 1:
                return names.index(text)
            if names.count(text) > 1:
                raise request.error(
                    "column", f'"{wanted}" heads several columns of {path.name}; give the index'
                )
    known = [name for name in layout.names if name]
    if not known:
        raise request.error(
            "column", f'"{wanted}": {path.name} has no header; give the index, from 0'
        )
    raise request.unknown("column", path.name, known)


class _Table:
    """The columns of a text table as float64 scratch files, with what was seen in passing."""

    def __init__(
        self, path: Path, layout: TextLayout, columns: Sequence[int], scratch: Scratch
    ) -> None:
        """Start one scratch file for each column that is needed."""
        self.path, self.layout = path, layout
        used = set(columns) | ({layout.time_column} - {None})
        self.used: list[int] = sorted(column for column in used if column is not None)
        self.files: dict[int, ScratchFile] = {column: scratch.new_file() for column in self.used}
        self.n_rows = 0
        self.n_filled = dict.fromkeys(self.used, 0)  # cells that are not blank
        self.stop = dict.fromkeys(self.used, 0)  # one past the last cell that is not blank
        self.is_logic = dict.fromkeys(self.used, True)
        self.cut = ""
        self.footer = 0
        self.is_last_doubtful = False

    def read(self, lines: TextLines, progress: Progress | None) -> None:
        """Parse the whole file."""
        total = max(self.path.stat().st_size, 1)
        for number, text, is_last in lines.blocks():
            if number == 1:
                text = _skip_lines(text, self.layout.first_line)
                number += self.layout.first_line
            if is_last and not text.endswith("\n"):
                text = self._drop_cut_line(text)
            if text.strip():
                self._parse(number, text, is_last)
            if progress is not None:
                progress("read text", min(1.0, lines.tell() / total))
        self.cut = lines.cut or self.cut
        if self.n_rows == 0:
            raise FormatError(f"{self.path}: holds no whole row of numbers; export it again")

    def _drop_cut_line(self, text: str) -> str:
        """Drop a last line without an end, unless its form shows that it is whole."""
        lines = split_lines(text[text.rfind("\n", 0, len(text) - 20_000) + 1 :])
        lines = [line for line in lines if line.strip()]
        if not lines:
            return text
        last = split_row(lines[-1], self.layout.delimiter)
        kept = text[: text.rfind("\n") + 1]
        if len(last) < self.layout.width:
            self.cut = "the last line is cut short"
            return kept
        forms = {
            _describe_form(split_row(line, self.layout.delimiter)[-1], self.layout.decimal)
            for line in lines[-200:]
        }
        if len(forms) > 1 and kept.strip():
            self.is_last_doubtful = True
            return kept
        return text

    def _parse(self, number: int, text: str, is_last: bool) -> None:
        """Parse a block of rows and add its columns to the scratch files."""
        try:
            block = self._parse_numbers(text)
        except ValueError:
            text = self._clean(number, text, is_last)
            if not text.strip():
                return
            try:
                block = self._parse_numbers(text)
            except ValueError as error:
                raise FormatError(
                    f"{self.path}: near line {number}: {str(error).strip()}; export it again"
                ) from None
        for values, column in zip(block, self.used, strict=True):
            filled = np.flatnonzero(~np.isnan(values))
            if filled.size:
                self.n_filled[column] += filled.size
                self.stop[column] = self.n_rows + int(filled[-1]) + 1
            if self.is_logic[column]:
                self.is_logic[column] = bool(np.isin(values, (0.0, 1.0)).all())
            values[values == _OVER] = np.nan
            self.files[column].append(values)
        self.n_rows += block.shape[1]

    def _parse_numbers(self, text: str) -> NDArray[np.float64]:
        """Parse a block of rows [shape=(n_used, n_rows)]; ValueError where a cell is no number."""
        import pandas as pd

        layout = self.layout
        frame = pd.read_csv(
            io.StringIO(text),
            header=None,
            sep=r"\s+" if layout.delimiter == " " else layout.delimiter,
            decimal=layout.decimal,
            names=list(range(layout.width)),
            usecols=self.used,
            index_col=False,
            dtype=np.float64,
            engine="c",
            keep_default_na=False,
            na_values=[""],
            skipinitialspace=True,
            skip_blank_lines=True,
            on_bad_lines="error",
        )
        block = np.array(frame[self.used].to_numpy().T, order="C")
        if layout.delimiter != " " and '"' not in text:
            n_expected = block.shape[1] * (layout.width - 1)
            if text.count(layout.delimiter) > n_expected:  # pandas drops cells past the last
                raise ValueError("a row has too many cells")
        return block

    def _clean(self, number: int, text: str, is_last: bool) -> str:
        """Put over-range marks into numbers; name the first cell that is none of both."""
        rows: list[str] = []
        lines = split_lines(text)
        delimiter, decimal = self.layout.delimiter, self.layout.decimal
        for offset, line in enumerate(lines):
            if not line.strip():
                continue
            cells = split_row(line, delimiter)
            for column in self.used:
                cell = cells[column] if column < len(cells) else ""
                if not cell or is_number(cell, decimal):
                    continue
                mark = OVER_TOKEN.fullmatch(cell)
                if mark is None:
                    if is_last and not any(
                        is_number(c, decimal)
                        for later in lines[offset:]
                        for c in split_row(later, delimiter)[:1]
                    ):
                        self.footer = len(lines) - offset
                        return "\n".join(rows) + "\n"
                    name = self.layout.names[column] or f"column {column}"
                    raise FormatError(
                        f"{self.path}: line {number + offset}: {cell[:40]!r} in {name!r} is no "
                        "number; correct or remove that line, or export again"
                    )
                minus = mark["sign"] == "-"
                signed = mark["signed"] or mark["sign"]
                cells[column] = ("-inf" if minus else "inf") if signed else f"{_OVER:.0e}"
            if len(cells) > self.layout.width:
                if any(cells[self.layout.width :]):
                    raise FormatError(
                        f"{self.path}: line {number + offset} has {len(cells)} cells where the "
                        f"others have {self.layout.width}; correct or remove that line"
                    )
                cells = cells[: self.layout.width]
            kept = ["0" if i not in self.used else cell for i, cell in enumerate(cells)]
            if any(cells):
                rows.append(
                    (delimiter if self.layout.width > 1 else ";").join(
                        cell.lower().replace("d", "e") if cell[-1:].isdigit() else cell
                        for cell in kept
                    )
                )
        return "\n".join(rows) + "\n"

    def remove(self) -> None:
        """Delete the scratch files."""
        for file in self.files.values():
            file.remove()


def _describe_form(cell: str, decimal: str) -> tuple[bool, int]:
    """Give what all numbers of one fixed format share: the length of their fraction, or all of it.

    Examples
    --------
    >>> _describe_form("-12.50", "."), _describe_form("1", ".")
    ((True, 2), (False, 1))
    """
    _, mark, fraction = cell.partition(decimal)
    return bool(mark), len(fraction) if mark else len(cell)


def _skip_lines(text: str, n_lines: int) -> str:
    """Drop the first lines of a text."""
    start = 0
    for _ in range(n_lines):
        start = text.index("\n", start) + 1
    return text[start:]


def _make_sources(
    table: _Table, requests: Sequence[Request], columns: Sequence[int], scratch: Scratch
) -> list[Source]:
    """Turn the parsed columns into counts or level changes."""
    layout, path = table.layout, table.path
    arrays = {column: table.files[column].map(np.float64) for column in table.used}
    base = Timebase(0, table.n_rows, 0.0, layout.rate_hz, 0.0)
    if layout.time_column is not None:
        rates = [request.card.rate_hz for request in requests if request.card.rate_hz]
        name = layout.names[layout.time_column] or f"column {layout.time_column}"
        base = fit_timebase(
            arrays[layout.time_column],
            unit_s=layout.time_unit_s,
            place=f"{path}: {name!r}",
            rate_hz=rates[0] if rates else None,
        )
        is_event_list = not base.is_even or bool(base.trouble) or layout.changes_each_row
        if is_event_list and layout.is_logic and all(table.is_logic[column] for column in columns):
            time = arrays[layout.time_column]
            sources = [
                _make_levels(time, arrays[column], request, table, base)
                for request, column in zip(requests, columns, strict=True)
            ]
            table.remove()
            return sources
        if not base.is_even:
            raise FormatError(f"{path}: {base.trouble}")
    sources = []
    for request, column in zip(requests, columns, strict=True):
        name = request.card.name
        stop = min(base.stop, table.stop[column])
        if stop <= base.start:
            raise request.error("column", f"{column} of {path.name} is empty")
        if table.n_filled[column] < 0.5 * table.stop[column]:
            raise request.error(
                "column",
                f"{column} of {path.name} is mostly blank; export this channel into a file of its "
                "own with its own rate",
            )
        values = arrays[column][base.start : stop]
        raw = RawColumn(values.size, np.dtype(np.float64), read_array(values), is_text=True)
        findings = _find_faults(table, name)
        if base.trouble:
            findings += (Finding("gaps", "warning", f"{path.name}: {base.trouble}", name),)
        sources.append(
            Source(
                map_counts(raw, name=name, scratch=scratch, keep=True),
                rate_hz=base.rate_hz,
                unit=layout.units[column] or None,
                first_s=base.first_s,
                findings=findings,
            )
        )
    table.remove()
    return sources


def _make_levels(
    time: NDArray[np.float64],
    values: NDArray[np.float64],
    request: Request,
    table: _Table,
    base: Timebase,
) -> Source:
    """Turn the rows of a logic capture into the changes of one column."""
    role = request.card.role
    if role not in LOGIC_ROLES:
        raise request.error(
            "role",
            f"{role} needs samples, but {table.path.name} is a logic capture (0 and 1, a row at "
            f"each change); only {', '.join(LOGIC_ROLES)} can come from one",
        )
    level = np.asarray(values, dtype=np.int8)
    changed = np.flatnonzero(level[1:] != level[:-1]) + 1
    levels = np.empty(changed.size, LEVEL_FIELDS)
    levels["time_s"] = np.asarray(time)[changed] * table.layout.time_unit_s
    levels["level"] = level[changed]
    none = Counts(0, lambda start, stop: np.empty(0, np.int16))
    return Source(
        none,
        rate_hz=1 / base.resolution_s,
        first_s=float(time[0]) * table.layout.time_unit_s,
        levels=levels,
        findings=_find_faults(table, request.card.name),
    )


def _find_faults(table: _Table, name: str) -> tuple[Finding, ...]:
    """Say where the file was cut or went on with other text."""
    findings = []
    if table.cut:
        message = f"{table.path.name}: {table.cut}; the {table.n_rows} rows before are used"
        findings.append(truncated(name, message))
    if table.is_last_doubtful:
        message = f"{table.path.name}: its last line has no end and may be cut; it is left out"
        findings.append(Finding("last_row", "info", message, name))
    if table.footer:
        message = f"{table.path.name}: {table.footer} lines of text after the numbers are left out"
        findings.append(Finding("trailing_text", "info", message, name))
    return tuple(findings)
