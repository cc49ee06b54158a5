"""What a folder holds to be judged: job cards, stored recordings, raw data that no card names."""

from __future__ import annotations

import hashlib
import os
import re
import stat
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from misfire.errors import FormatError, JobCardError
from misfire.ingest.jobcard import MAX_CARD_BYTES, read_job_card
from misfire.ingest.parts import list_files
from misfire.records import JobCard

CATALOGUE, RESULTS = "catalogue.sqlite", "results"  # where both stand, the folder is one of ours
STORES = (".h5", ".hdf5")
RAW = (".wav", ".npz", ".npy", ".mat", ".mf4")  # formats of signals; a stray CSV may be anything
_CARD = re.compile(rb"^\s*(\[\[\s*channel\s*\]\]|channel\s*=\s*\[)", re.MULTILINE)
_FILE = re.compile(rb"^\s*file\s*=|[{,]\s*file\s*=", re.MULTILINE)

Kind = Literal["card", "store", "raw"]


@dataclass(frozen=True, slots=True)
class FoundRecording:
    """One recording to judge.

    `name` is its path from the screened folder, always with `/` and printable; `path` the path as
    the system has it. `files` are all files whose content counts, `signature` changes when one of
    them is replaced, grows or goes; `size` is their sum [bytes].
    """

    name: str
    path: str
    kind: Kind
    files: tuple[str, ...]
    signature: str
    size: int


@dataclass(frozen=True, slots=True)
class Scan:
    """What was found, in the order of the names, and what could not be looked into, in words.

    `waiting` names recordings that are there but not to be judged yet.
    """

    sources: tuple[FoundRecording, ...]
    blocked: tuple[str, ...]
    waiting: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class _File:
    """A regular file found, with its printable name."""

    name: str
    path: str
    folder: str
    suffix: str


def find_sources(folder: Path, *, skip: Path | None = None) -> Scan:
    """Find every job card and recording under a folder.

    Parameters
    ----------
    folder : Path
    skip : Path, optional
        A folder that is not entered: that of the results.

    Returns
    -------
    scan : Scan
        Hidden files and folders, folders of screening results and files that a job card names are
        left out. A folder that is reached by several ways (symbolic links, loops) is entered once,
        by its own name if that is under `folder`.

    Raises
    ------
    FormatError
        If `folder` is none, or cannot be read.
    """
    root = os.path.abspath(folder)
    if not os.path.isdir(root):
        raise FormatError(f"{folder}: no such folder; give the folder with the recordings")
    try:
        os.listdir(root)
    except OSError as error:
        raise FormatError(f"{folder}: cannot be read ({error.strerror}); check access") from None
    blocked: list[str] = []
    files = list(_walk(root, skip, blocked))
    claimed: set[str] = set()
    broken: set[str] = set()
    carded: set[str] = set()
    sources: list[FoundRecording] = []
    for file in files:
        if file.suffix != ".toml" or not _is_card(file.path):
            continue
        carded.add(file.folder)
        job = _try_card(file.path)
        if job is None:
            broken.add(file.folder)
            sources.append(_make_source(file, "card", (file.path,)))
            continue
        raw = tuple(os.path.join(file.folder, name) for name in list_files(job))
        claimed |= {os.path.realpath(path) for path in raw}
        sources.append(_make_source(file, "card", (file.path, *raw)))
    for file in files:
        kind: Kind
        if file.suffix in STORES:
            kind = "store"
        elif (
            file.suffix in RAW and file.folder not in carded and not _is_under(file.folder, broken)
        ):
            kind = "raw"  # beside a card it was left out on purpose, or the card is the trouble
        else:
            continue
        if os.path.realpath(file.path) not in claimed:
            sources.append(_make_source(file, kind, (file.path,)))
    return Scan(tuple(sorted(sources, key=lambda s: s.name)), tuple(sorted(blocked)))


def make_signature(files: tuple[str, ...]) -> tuple[str, int]:
    """Sum up names, sizes and times of change of files; a missing file counts as such.

    Parameters
    ----------
    files : tuple of str

    Returns
    -------
    signature : str
        SHA-256, hexadecimal.
    size : int [bytes]
    """
    digest, total = hashlib.sha256(), 0
    for path in files:
        try:
            found = os.stat(path)
            words = f"{found.st_size} {found.st_mtime_ns}"
            total += found.st_size
        except (OSError, ValueError):
            words = "missing"
        digest.update(f"{os.path.basename(path)!r} {words}\n".encode("utf-8", "backslashreplace"))
    return digest.hexdigest(), total


def make_printable(path: str) -> str:
    r"""Give a path that can be shown and stored: bytes that are no UTF-8 appear as escapes.

    Examples
    --------
    >>> make_printable("a/b\udcff.h5")
    'a/b\\udcff.h5'
    """
    text = path.replace(os.sep, "/").encode("utf-8", "backslashreplace").decode("utf-8")
    return "".join(c if c.isprintable() else f"\\x{ord(c):02x}" for c in text)


def _make_source(file: _File, kind: Kind, files: tuple[str, ...]) -> FoundRecording:
    """Describe a found recording."""
    signature, size = make_signature(files)
    return FoundRecording(file.name, file.path, kind, files, signature, size)


def _walk(root: str, skip: Path | None, blocked: list[str]) -> Iterator[_File]:
    """Give every regular file; real folders come before those that links lead to."""
    left_out = None if skip is None else os.path.realpath(skip)
    seen: set[str] = set()
    plain, links = [root], list[str]()
    while plain or links:
        folder = plain.pop() if plain else links.pop(0)
        real = os.path.realpath(folder)
        if real in seen or real == left_out:
            continue
        seen.add(real)
        try:
            with os.scandir(folder) as found:
                entries = sorted(found, key=lambda e: e.name)
        except OSError as error:
            name = make_printable(os.path.relpath(folder, root))
            blocked.append(f"{name}: cannot be looked into ({error.strerror})")
            continue
        names = {entry.name for entry in entries}
        if folder != root and {CATALOGUE, RESULTS} <= names:
            continue  # results of a screening
        folders: list[str] = []
        for entry in entries:
            if entry.name.startswith("."):
                continue
            try:
                mode = entry.stat().st_mode
            except OSError:  # a link to nowhere, or in a circle
                continue
            if stat.S_ISDIR(mode):
                (links if entry.is_symlink() else folders).append(entry.path)
            elif stat.S_ISREG(mode):  # never a pipe or device: reading one would not end
                shown = make_printable(os.path.relpath(entry.path, root))
                suffix = os.path.splitext(entry.name)[1].lower()
                yield _File(shown, entry.path, folder, suffix)
        plain += reversed(folders)


def _is_card(path: str) -> bool:
    """Tell a job card, good or bad, from another TOML file."""
    name = os.path.basename(path).lower()
    if name.endswith("job.toml"):
        return True
    try:
        with open(path, "rb") as file:
            start = file.read(MAX_CARD_BYTES)
    except OSError:
        return False
    return bool(_CARD.search(start) and _FILE.search(start))


def _try_card(path: str) -> JobCard | None:
    """Read a job card; None where it is wrong, which is told when it is judged."""
    try:
        return read_job_card(path)
    except JobCardError:
        return None


def _is_under(folder: str, places: set[str]) -> bool:
    """Tell whether a folder is one of some or within one."""
    while folder not in places:
        parent = os.path.dirname(folder)
        if parent == folder:
            return False
        folder = parent
    return True
