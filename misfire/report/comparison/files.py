"""A comparison as plain text for a terminal, and its output folder."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from misfire.errors import OutputError
from misfire.publishing import write_together
from misfire.report.advice import cautions
from misfire.report.comparison.page import format_comparison_page
from misfire.report.comparison.wording import (
    format_points,
    format_points_range,
    format_share_count,
    format_word,
    write_needed,
    write_speed,
)
from misfire.report.wording import format_count, format_duration

DOCUMENT, PAGE = "compare.json", "compare.html"


def write_comparison(document: Mapping[str, Any], folder: Path) -> tuple[Path, ...]:
    """Write compare.json and compare.html into a folder.

    Each is written under a temporary name and then renamed; compare.json comes last, and an
    earlier one is taken away first.

    Parameters
    ----------
    document : mapping
        From `compare`.
    folder : Path
        Made when absent.

    Returns
    -------
    paths : tuple of Path

    Raises
    ------
    OutputError
        If the folder or a file in it cannot be written.
    """
    contents = {
        PAGE: format_comparison_page(document),
        DOCUMENT: format_comparison_json(document),
    }
    try:
        folder.mkdir(parents=True, exist_ok=True)
        blocked = [name for name in contents if (folder / name).is_dir()]
        if blocked:
            raise IsADirectoryError(f"{blocked[0]} is a folder there")
        write_together(folder, {name: text.encode("utf-8") for name, text in contents.items()})
    except OSError as error:
        raise OutputError(
            f"cannot write the comparison to {folder}: {error.strerror or error}; "
            "choose another output folder or make this one writable"
        ) from error
    return tuple(folder / name for name in contents)


def format_comparison_json(document: Mapping[str, Any]) -> str:
    """Give compare.json as text: one JSON document, indented, ending with a line feed."""
    return json.dumps(document, indent=2, allow_nan=False, ensure_ascii=False) + "\n"


def format_comparison_table(document: Mapping[str, Any]) -> str:
    """Give the verdict and the rates of every cylinder as plain text.

    Parameters
    ----------
    document : mapping
        From `compare`.

    Returns
    -------
    text : str
        Lines ending with a line feed; no colours, no control characters.
    """
    after = document["after"]
    word = document["verdict"].replace("_", " ").upper()
    lines = [f"{after['vehicle']}: {word}", document["headline"]]
    lines += [f"WARNING: {warning}" for warning in document["warnings"]]
    lines += [f"  {reason}" for reason in document["reasons"]]
    needed = write_needed(document)
    if needed:
        lines += ["", f"What is still needed: {needed}"]
    head = [
        "",
        f"{'cyl':>4}  {'before':>15}  {'after':>15}  {'change':>9}  {'95 % interval':>18}  word",
    ]
    lines += head if document["cylinders"] else []
    for entry in document["cylinders"]:
        mark = "*" if entry["suspect"] else "!" if entry["new_fault"] else " "
        change, word = entry["rate_change"], format_word(entry["verdict"])
        lines.append(
            f"{mark}{entry['cylinder']:>3}  {format_share_count(entry['before']):>15}"
            f"  {format_share_count(entry['after']):>15}  {format_points(change['value']):>9}"
            f"  {format_points_range(change['low'], change['high']):>18}  {word}"
        )
    if document["cylinders"]:
        lines.append("lost / judged; change in percentage points; * suspect before, ! new after")
    if any(entry["pair"] for entry in document["cylinders"]):
        lines.append("cylinders that cannot be told apart show the count of both")
    lines.append("")
    for name in ("before", "after"):
        side = document[name]
        lines.append(
            f"{name:<6}  {format_duration(side['duration_s'])}, "
            f"{format_count(side['cycles'])} cycles, {write_speed(side)}: "
            f"{format_word(side['verdict'])}"
        )
    lines += [f"note: {note}" for note in document["notes"]]
    lines.append(f"Before anybody touches the vehicle: {cautions()[0]}")
    return "".join(f"{_printable(line).rstrip()}\n" for line in lines)


def _printable(line: str) -> str:
    """Drop control characters: a vehicle's name must not steer the terminal."""
    return "".join(ch if ch.isprintable() else " " for ch in line)
