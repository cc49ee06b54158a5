"""The layout of a text file: delimiter, decimal mark, header and time column, from its head."""

import csv
import re
from dataclasses import dataclass

from misfire.errors import FormatError
from misfire.ingest.units import TIME_UNITS, is_unit, split_unit

DELIMITERS = (",", ";", "\t", "|", " ")
MAX_HEADER_LINES = 400

OVER_TOKEN = re.compile(
    r"(?P<sign>[+-]?)\s*(?:"
    r"(?P<signed>inf(?:inity)?|∞|(?:1\.)?#inf)"
    r"|(?P<unsigned>o\.?l\.?|ovl|ovr|ovf|ovrld|over(?:flow|range|load)?|clip(?:ped)?"
    r"|-{2,}|\*+|#+(?!\w)|n/?a|nan|null|1\.#(?:qnan|ind)))",
    re.IGNORECASE,
)
"""What instruments print for a sample that is over range or absent."""

_NUMBER = {
    ".": re.compile(r"[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eEdD][+-]?\d+)?"),
    ",": re.compile(r"[+-]?(?:\d+(?:,\d+)?|,\d+)(?:[eEdD][+-]?\d+)?"),
}
_TIME_NAME = re.compile(
    r"(?:the )?(?:time(?:[ _-]?stamp)?|t|x|zeit|temps|tiempo|tempo|tijd|tid|czas|elapsed time"
    r"|time axis|x[ -]?axis|seconds?|secs?)",
    re.IGNORECASE,
)
_INDEX_NAME = re.compile(r"(?:sample|index|n|no\.?|nr\.?|#|point|i)s?", re.IGNORECASE)
_COMMA_PAIR = re.compile(r"[+-]?\d+,(\d+)")
_STRANGE_UNIT = re.compile(r"(.*?)\s*[\[({]\s*([^\])}]+?)\s*[\])}]")
_RATE_KEY = re.compile(r"sampl\w*[ _-]*(?:rate|freq\w*)|rate[ _-]?hz", re.IGNORECASE)
_STEP_KEY = re.compile(
    r"(?:sampl\w*|time|x|horizontal)?[ _-]*(?:interval|increment|period|delta[ _-]?t)|dt",
    re.IGNORECASE,
)
_PREFIX = {"hz": 1.0, "s/s": 1.0, "sa/s": 1.0, "": 1.0}
_PREFIX |= {"k" + u: 1e3 for u in ("hz", "s/s", "sa/s")}
_PREFIX |= {"m" + u: 1e6 for u in ("hz", "s/s", "sa/s")}


@dataclass(frozen=True, slots=True)
class TextLayout:
    """How the numbers of a text file are laid out.

    `first_line` (from 0) is the first row of numbers. `names` and `units` have one entry a column,
    blank where the file is silent. `time_column` is None where there is none; `time_unit_s` are
    the seconds in its unit. `rate_hz` is what a preamble says.
    """

    delimiter: str
    decimal: str
    width: int
    first_line: int
    names: tuple[str, ...]
    units: tuple[str, ...]
    time_column: int | None = None
    time_unit_s: float = 1.0
    time_is_named: bool = False
    rate_hz: float | None = None
    is_logic: bool = False  # all columns but the time hold only 0 and 1 in the head
    changes_each_row: bool = False  # hardly a row of the head repeats the one before, time apart


def split_lines(text: str) -> list[str]:
    r"""Split at line feeds alone; str.splitlines() knows a dozen more ends, some found in titles.

    Examples
    --------
    >>> split_lines("time\x1ds;K1\r\n0;1\n")
    ['time\x1ds;K1', '0;1']
    """
    lines = [line.removesuffix("\r") for line in text.split("\n")]
    return lines[:-1] if lines[-1] == "" else lines


def find_layout(head: str) -> TextLayout | None:
    r"""Work out the layout from the first lines of a file.

    Parameters
    ----------
    head : str
        Whole lines from the start of the file.

    Returns
    -------
    layout : TextLayout or None
        None where no rows of numbers are found.

    Raises
    ------
    FormatError
        If the time column has a unit that is not known, or a comma is delimiter and decimal mark.

    Notes
    -----
    Of all pairs of delimiter and decimal mark, the one that gives the longest run of rows of equal
    width with nothing but numbers is taken; the header is all that stands before the run.

    Examples
    --------
    >>> layout = find_layout("Zeit;K1\n(ms);(V)\n\n0,0;1,5\n0,1;1,6\n0,2;1,4\n")
    >>> layout.delimiter, layout.decimal, layout.first_line, layout.names, layout.time_unit_s
    (';', ',', 3, ('Zeit', 'K1'), 0.001)
    """
    lines = split_lines(head)
    best: tuple[tuple[int, int, int], str, str, int, int] | None = None
    for rank, delimiter in enumerate(DELIMITERS):
        if delimiter != " " and not any(delimiter in line for line in lines):
            continue
        for decimal in (".", ",") if delimiter != "," else (".", ",") if '"' in head else (".",):
            first, n_rows, width = _longest_run(lines, delimiter, decimal)
            score = (n_rows * min(width, 2), width, -rank)
            if n_rows and (best is None or score > best[0]):
                best = (score, delimiter, decimal, first, width)
    if best is None:
        return None
    _, delimiter, decimal, first, width = best
    if delimiter == "," and width == 2 and _is_one_column(lines[first:]):
        delimiter, decimal, width = ";", ",", 1
    rows = [split_row(line, delimiter) for line in lines[first:] if line.strip()]
    rows = [row for row in rows if len(row) >= width]
    halves = [line for line in lines[:first] if 2 * len(split_row(line, ",")) == width]
    if delimiter == "," and width >= 4 and halves:
        raise FormatError(
            "commas stand between the columns and inside the numbers, so the columns cannot be "
            "told apart; export with semicolons or tabs, or with decimal points"
        )
    names, units = _read_header(lines[:first], delimiter, width)
    layout = TextLayout(
        delimiter if width > 1 else ";",
        decimal,
        width,
        first,
        names,
        units,
        rate_hz=_read_rate(lines[:first]),
    )
    return _find_time(layout, rows)


def split_row(line: str, delimiter: str) -> list[str]:
    """Cut a line into cells without blanks and quotes around them."""
    line = line.rstrip("\r\n").replace("\r", " ")
    if delimiter == " ":
        return line.replace('"', "").split()
    if '"' in line:
        row = next(csv.reader([line], delimiter=delimiter, skipinitialspace=True), [])
        return [cell.strip() for cell in row]
    return [cell.strip() for cell in line.split(delimiter)]


def is_number(cell: str, decimal: str) -> bool:
    """Tell whether a cell is a number."""
    return _NUMBER[decimal].fullmatch(cell) is not None


def parse_number(cell: str, decimal: str) -> float:
    """Read a cell as a number; NaN where it is none."""
    plain = cell.strip()
    if not is_number(plain, decimal):
        return float("nan")
    return float(plain.replace(",", ".").replace("d", "e").replace("D", "e"))


def _row_width(line: str, delimiter: str, decimal: str) -> int:
    """Count the cells of a row of numbers; 0 when it is none."""
    cells = split_row(line, delimiter)
    n_numbers = sum(is_number(cell, decimal) for cell in cells)
    others = (cell for cell in cells if cell and not is_number(cell, decimal))
    if n_numbers == 0 or any(OVER_TOKEN.fullmatch(cell) is None for cell in others):
        return 0
    return len(cells)


def _longest_run(lines: list[str], delimiter: str, decimal: str) -> tuple[int, int, int]:
    """Find the longest run of rows of equal width: first line, number of rows, width."""
    best = (0, 0, 0)
    start = n_rows = width = 0
    for number, line in enumerate(lines):
        if not line.strip():
            continue
        found = _row_width(line, delimiter, decimal)
        if found == 0 or found != width:
            start, n_rows, width = number, 0, found
        if found:
            n_rows += 1
        if n_rows > best[1]:
            best = (start, n_rows, width)
        if n_rows == 0 and number > MAX_HEADER_LINES and best[1] == 0:
            break
    return best


def _is_one_column(lines: list[str]) -> bool:
    """Tell one column with decimal commas from two columns: 1,05 has a zero that no integer has."""
    rows = [match for line in lines if (match := _COMMA_PAIR.fullmatch(line.strip()))]
    n_lines = sum(bool(line.strip()) for line in lines)
    return len(rows) == n_lines and any(row[1].startswith("0") and row[1] != "0" for row in rows)


def _read_header(
    lines: list[str], delimiter: str, width: int
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Find the names row and the units row just above the numbers."""
    blank = ("",) * width
    above = [line.strip().lstrip("#%").strip() for line in lines if line.strip()][-3:]
    names: tuple[str, ...] | None = None
    units: tuple[str, ...] | None = None
    for line in reversed(above):
        cells = split_row(line, delimiter)
        if delimiter == " " and len(cells) != width:
            cells = re.split(r"\s{2,}|\t|,|;", line)
        if not width <= len(cells) <= width + 1 and len(cells) != width - 1:
            break
        row = (*cells, "")[:width]
        if units is None and names is None and any(row) and all(map(is_unit, row)):
            units = tuple(cell.strip("()[]{} ") for cell in row)
        elif any(row):
            names = row
            break
    if names is None:
        return units or blank, units or blank
    pairs = [split_unit(name) for name in names]
    found = tuple(unit for _, unit in pairs)
    merged = tuple(a or b for a, b in zip(units or blank, found, strict=True))
    return tuple(name.strip() for name in names), merged


def _read_rate(lines: list[str]) -> float | None:
    """Find a sampling rate or interval among the keys of a preamble."""
    for line in lines:
        match = re.match(
            r"\W*([A-Za-z][\w \-.]*?)\s*(?:[\[(]([^\])]*)[\])])?\W*[:=,;\t]\s*(.*)", line
        )
        if not match:
            continue
        key, unit, rest = match[1].strip(), (match[2] or "").strip().lower(), match[3]
        value = re.match(
            r"\"?([+-]?\d+(?:[.,]\d+)?(?:[eE][+-]?\d+)?)\"?[\s,;\t]*([^\s,;\t]*)", rest
        )
        if not value:
            continue
        number = float(value[1].replace(",", "."))
        unit = unit or value[2].strip('"()[]').lower()
        if number > 0 and _RATE_KEY.fullmatch(key) and unit in _PREFIX:
            return number * _PREFIX[unit]
        if number > 0 and _STEP_KEY.fullmatch(key) and (unit in TIME_UNITS or not unit):
            return 1.0 / (number * TIME_UNITS.get(unit, 1.0))
    return None


def _find_time(layout: TextLayout, rows: list[list[str]]) -> TextLayout:
    """Find the time column: by its name, by its unit, or a first column that rises steadily."""
    column: int | None = None
    is_named = False
    for i, (name, unit) in enumerate(zip(layout.names, layout.units, strict=True)):
        strange = _STRANGE_UNIT.fullmatch(name)
        if strange and _TIME_NAME.fullmatch(strange[1]) and not unit:
            raise FormatError(
                f"the time column {name!r} has a unit that is not known; export time in s, ms or us"
            )
        plain = split_unit(name)[0] or name
        if _TIME_NAME.fullmatch(plain) or unit.lower() in TIME_UNITS or name.lower() in TIME_UNITS:
            column, is_named = (i, True) if layout.width > 1 else (None, False)
            break
    values = [parse_number(row[0], layout.decimal) for row in rows]
    if column is None and layout.width > 1 and len(values) >= 2 and layout.rate_hz is None:
        rises = all(a < b for a, b in zip(values, values[1:], strict=False))
        is_index = _INDEX_NAME.fullmatch(layout.names[0]) is not None
        steps = {b - a for a, b in zip(values, values[1:], strict=False)}
        if rises and not is_index and not (steps == {1.0} and values[0] in (0.0, 1.0)):
            column = 0
    unit_s = 1.0
    if column is not None:
        name = layout.names[column]
        unit_s = TIME_UNITS.get((layout.units[column] or name).lower(), 1.0)
    others = [
        [parse_number(c, layout.decimal) for i, c in enumerate(row[: layout.width]) if i != column]
        for row in rows
    ]
    n_repeats = sum(a == b for a, b in zip(others, others[1:], strict=False))
    return TextLayout(
        layout.delimiter,
        layout.decimal,
        layout.width,
        layout.first_line,
        layout.names,
        layout.units,
        column,
        unit_s,
        is_named,
        layout.rate_hz,
        is_logic=bool(others) and all(value in (0.0, 1.0) for row in others for value in row),
        changes_each_row=n_repeats <= len(others) // 20,
    )
