"""Output files, whole under a temporary name that is then renamed; cells that are no formula."""

from __future__ import annotations

import contextlib
import glob
import os
import tempfile
from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from pathlib import Path

FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r", "\n")
OLD = "old"  # name of what a folder replaces, as long as both are there


def find_today() -> str:
    """Give the date that a document bears: today, or that of `SOURCE_DATE_EPOCH`.

    Returns
    -------
    today : str
        ISO 8601. The variable is the convention of reproducible builds (seconds since 1970, UTC):
        with it the same recording gives the same bytes on any day.
    """
    told = os.environ.get("SOURCE_DATE_EPOCH", "")
    if told.isdecimal():
        return datetime.fromtimestamp(int(told), tz=UTC).date().isoformat()
    return datetime.now().astimezone().date().isoformat()


def write_whole(path: Path, content: bytes | Callable[[Path], object]) -> None:
    """Write a file so that it is complete under its name, or as it was before.

    Parameters
    ----------
    path : Path
        In a folder that exists. Replaced if it is there.
    content : bytes, or callable (part)
        The callable writes the whole file `part`, which is there and empty.

    Raises
    ------
    OSError
        If it cannot be written; nothing temporary is left then.

    Notes
    -----
    The content reaches the disk before the name does, so that a power cut leaves no empty file.
    """
    parts: list[Path] = []
    try:
        os.replace(_write_part(path, content, parts), path)
    finally:
        _remove(parts)


def write_together(folder: Path, contents: Mapping[str, bytes]) -> None:
    """Write files that belong together; where the last one stands, the others are its own.

    All are written under temporary names first. An earlier last file is taken away before the
    others change, and the new one comes when they are there.

    Parameters
    ----------
    folder : Path
        One that exists.
    contents : mapping of name to bytes

    Raises
    ------
    OSError
        If they cannot be written; nothing temporary is left then.
    """
    parts: list[Path] = []
    try:
        for name, content in contents.items():
            _write_part(folder / name, content, parts)
        (folder / list(contents)[-1]).unlink(missing_ok=True)
        for name, part in zip(contents, parts, strict=True):
            os.replace(part, folder / name)
    finally:
        _remove(parts)


def guard_cell(text: str) -> str:
    """Keep a spreadsheet from running a text of a CSV file as a formula.

    Parameters
    ----------
    text : str

    Returns
    -------
    text : str
        With an apostrophe before it where a spreadsheet would take it for a formula.

    Notes
    -----
    Source: OWASP, "CSV Injection", from memory.

    Examples
    --------
    >>> guard_cell("=1+1"), guard_cell("van 1")
    ("'=1+1", 'van 1')
    """
    return f"'{text}" if text.startswith(FORMULA_STARTS) else text


def replace_folder(made: Path, folder: Path) -> None:
    """Put a folder in the place of another; the other comes back if that fails.

    Parameters
    ----------
    made : Path
        Complete, in a temporary folder of its own beside `folder`.
    folder : Path

    Raises
    ------
    OSError
        If it cannot be put there.

    Notes
    -----
    No system call of all platforms exchanges two folders at once. A process that is killed between
    the two renamings leaves the other under `OLD` in the temporary folder: see `restore_folder`.
    """
    old = made.with_name(OLD)
    had_one = folder.exists()
    if had_one:
        os.rename(folder, old)
    try:
        os.rename(made, folder)
    except OSError:
        if had_one:
            os.rename(old, folder)
        raise


def restore_folder(folder: Path) -> None:
    """Bring back a folder that a killed `replace_folder` took from its place.

    Parameters
    ----------
    folder : Path
        Nothing is done if it is there, or if nothing was left.
    """
    if folder.exists():
        return
    for old in sorted(folder.parent.glob(f".{glob.escape(folder.name)}-*.part/{OLD}")):
        with contextlib.suppress(OSError):
            os.rename(old, folder)
            return


def _write_part(path: Path, content: bytes | Callable[[Path], object], parts: list[Path]) -> Path:
    """Write a whole file under a temporary name, which is noted in `parts` before anything else."""
    handle, name = tempfile.mkstemp(prefix=f".{path.name}.", suffix=".part", dir=path.parent)
    part = Path(name)
    parts.append(part)
    os.close(handle)
    if isinstance(content, bytes):
        part.write_bytes(content)
    else:
        content(part)
    with part.open("rb+") as file:
        os.fsync(file.fileno())
    os.chmod(part, 0o666 & ~read_umask())
    return part


def _remove(parts: list[Path]) -> None:
    """Take away what still has its temporary name."""
    for part in parts:
        with contextlib.suppress(OSError):
            part.unlink()


def read_umask() -> int:
    """Give the process's file mode mask, which a temporary file does not follow."""
    mask = os.umask(0o022)
    os.umask(mask)
    return mask
