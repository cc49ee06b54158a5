"""The fleet as tables: CSV for a spreadsheet, Parquet for analysis, plain text for a terminal."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from typing import Any

from misfire.report.wording import name_fault

_FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r", "\n")
WHOLE = ("rank", "score", "misfires", "judged_firings")
SHARES = ("probability", "share_200_rev", "share_1000_rev")


def format_fleet_csv(rows: Sequence[dict[str, Any]], names: Sequence[str]) -> str:
    """Give fleet.csv: one row per recording.

    Parameters
    ----------
    rows : sequence of dict
    names : sequence of str
        The columns.

    Returns
    -------
    text : str
        RFC 4180. A text that a spreadsheet would take for a formula starts with an apostrophe;
        what is not known is empty.
    """
    stream = io.StringIO()
    writer = csv.writer(stream)  # CRLF is its default
    writer.writerow(names)
    for row in rows:
        writer.writerow([_cell(row[name]) for name in names])
    return stream.getvalue()


def format_fleet_parquet(rows: Sequence[dict[str, Any]], names: Sequence[str]) -> bytes:
    """Give fleet.parquet: the same columns, with types.

    Parameters
    ----------
    rows : sequence of dict
    names : sequence of str

    Returns
    -------
    content : bytes
    """
    import pyarrow as pa
    import pyarrow.parquet as pq

    kinds = {n: pa.int64() if n in WHOLE else pa.float64() for n in (*WHOLE, *SHARES)}
    columns = {
        name: pa.array([row[name] for row in rows], type=kinds.get(name, pa.string()))
        for name in names
    }
    table = pa.table(columns).replace_schema_metadata({"schema": "misfire-fleet/1"})
    buffer = io.BytesIO()
    pq.write_table(table, buffer)
    return buffer.getvalue()


def format_fleet_lines(fleet: dict[str, Any]) -> str:
    """Give one tab-separated line per vehicle that needs attention, with a header.

    Parameters
    ----------
    fleet : dict

    Returns
    -------
    text : str
    """
    lines = ["rank\turgency\tvehicle\tverdict\tcylinders\tlikely fault\treason\treport"]
    for v in fleet["vehicles"]:
        if v["urgency"] == "none":
            continue
        cells = (
            str(v["rank"]),
            v["urgency"],
            v["id"],
            v["verdict"],
            ",".join(map(str, v["cylinders"])),
            name_fault(v["fault"]) if v["fault"] else "",
            v["reason"],
            v["report"],
        )
        lines.append("\t".join(" ".join(cell.split()) for cell in cells))
    return "\n".join(lines) + "\n"


def _cell(value: Any) -> str:
    """Write one cell."""
    if value is None:
        return ""
    if isinstance(value, float):
        return f"{value:.6g}"
    text = str(value)
    return f"'{text}" if text.startswith(_FORMULA_STARTS) else text
