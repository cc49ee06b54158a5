"""What a command says and where it may write."""

import errno
import itertools
import json
import os
import shutil
import sys
import textwrap
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import typer

from misfire.errors import OutputError

NARROWEST = 40  # columns: narrower terminals get lines of this length


def print_json(document: Any) -> None:
    """Print one JSON document (RFC 8259: no NaN) on standard output."""
    typer.echo(json.dumps(document, indent=2, allow_nan=False, ensure_ascii=True))


def find_width() -> int | None:
    """Give the columns of the terminal that standard output is; None where it is none."""
    if not sys.stdout.isatty():
        return None
    return max(shutil.get_terminal_size().columns, NARROWEST)


def print_text(text: str) -> None:
    """Print lines; on a terminal long ones are folded at words, indented under their own line."""
    width = find_width()
    for line in text.rstrip("\n").split("\n"):
        if width is None or len(line) <= width:
            typer.echo(line)
            continue
        indent = len(line) - len(line.lstrip(" "))
        folded = textwrap.wrap(
            line.replace(" %", "\u00a0%"),  # a number keeps its per cent sign
            width,
            subsequent_indent=" " * (indent + 4),
            replace_whitespace=False,
            break_long_words=False,
            break_on_hyphens=False,
        )
        typer.echo("\n".join(folded).replace("\u00a0%", " %"))


def print_rows(rows: Iterable[Iterable[str]]) -> None:
    """Print rows of a table: with tabs for programs, in columns on a terminal.

    Columns for which the terminal is too narrow come on lines of their own below their row.
    """
    table = [tuple(row) for row in rows]
    width = find_width()
    if width is None:
        typer.echo("\n".join("\t".join(row) for row in table))
        return
    sizes = [max(map(len, column)) for column in zip(*table, strict=True)]
    ends = itertools.accumulate(size + 2 for size in sizes)
    n_abreast = sum(end - 2 <= width for end in ends)
    for row in table:
        cells = (c.ljust(size) for c, size in zip(row[:n_abreast], sizes, strict=False))
        typer.echo("  ".join(cells).rstrip())
        for cell in row[n_abreast:]:
            if cell:
                print_text(f"    {cell}")


def print_written(paths: Iterable[Path]) -> None:
    """Say which files were written, the page for people last."""
    for path in sorted(paths, key=lambda path: path.suffix in (".html", ".pdf")):
        typer.echo(f"wrote {path}")


def print_failure(message: str) -> None:
    """Print one line on standard error, whatever line breaks the message has."""
    typer.echo(f"misfire: {' '.join(message.split())}", err=True)


def format_os_error(error: OSError) -> str:
    """Say what the system refused, on which file, and what to do."""
    place = error.filename if error.filename is not None else ""
    reason = error.strerror or str(error) or type(error).__name__
    advice = {
        errno.ENOENT: "check the path",
        errno.EACCES: "check the permissions of the file and its folder",
        errno.EPERM: "check the permissions of the file and its folder",
        errno.EROFS: "choose another folder with -o",
        errno.ENOSPC: "free some space or choose another folder with -o",
        errno.EISDIR: "name a file",
        errno.ENOTDIR: "one part of the path is a file",
    }.get(error.errno or 0, "")
    text = f"{place}: {reason}" if place else reason
    return f"{text}; {advice}" if advice else text


def check_folder(folder: Path) -> None:
    """Refuse an output folder that cannot be made or written, before the work is done."""
    place = folder
    while not place.exists() and place != place.parent:
        place = place.parent
    if not place.is_dir():
        which = "" if place == folder else f"{place} "
        raise OutputError(f"{folder}: {which}is a file, not a folder; choose another with -o")
    if not os.access(place, os.W_OK | os.X_OK):
        raise OutputError(f"{folder}: no permission to write in {place}; choose another with -o")


def check_file(path: Path) -> None:
    """Refuse an output file that cannot be written, before the work is done."""
    if path.is_dir():
        raise OutputError(f"{path}: is a folder; name a file with -o")
    check_folder(path.parent)
