"""Files of the package: where models and demo stand, and what its code hashes to."""

import hashlib
import re
from collections.abc import Iterable, Iterator
from functools import lru_cache
from pathlib import Path
from typing import Literal

from misfire.errors import MisfireError

PACKAGE = Path(__file__).resolve().parent


def find_resource(kind: Literal["models", "data_demo"]) -> Path:
    """Find a folder of files that travel with the package.

    Parameters
    ----------
    kind : str
        "models" or "data_demo".

    Returns
    -------
    folder : Path
        Inside the installed package, or beside it in a checkout.

    Raises
    ------
    MisfireError
        If neither place has the folder: the installation is incomplete.

    Examples
    --------
    >>> find_resource("models").is_dir()
    True
    """
    for folder in (PACKAGE / f"_{kind}", PACKAGE.parent / kind):
        if folder.is_dir():
            return folder
    raise MisfireError(
        f"the folder {kind!r} of this installation is missing (looked in {PACKAGE} and beside "
        "it); install the package again from its checkout with `pip install .`"
    )


def hash_rooms(rooms: Iterable[str]) -> str:
    """Hash the sources of whole rooms of the package, for what is kept and depends on them.

    Parameters
    ----------
    rooms : iterable of str
        Names of folders or files directly below the package, a file without its ending.

    Returns
    -------
    digest : str
        64 hexadecimal digits (SHA-256) over name and content of every file below.

    Raises
    ------
    FileNotFoundError
        If there is no such room: a list of names must not go stale.
    """
    digest = hashlib.sha256()
    for name, path in _find_sources(rooms):
        digest.update(name.encode() + b"\0" + path.read_bytes())
    return digest.hexdigest()


_CONSTANT = re.compile(  # an assignment in the first column, to upper-case names alone
    r"^_?[A-Z][A-Z0-9_]*(?:,\s*_?[A-Z][A-Z0-9_]*)*(?::[^\n=]+)?\s*[|+]?=(?!=)", re.MULTILINE
)
_TOKEN = re.compile(  # a text, which is kept, or a comment or a space, which are not
    r"""([rbfRBF]{0,2}(?:\"{3}.*?\"{3}|'{3}.*?'{3}|"(?:\\.|[^"\\\n])*"|'(?:\\.|[^'\\\n])*'))"""
    r"""|\#[^\n]*|\s+|([(\[{])|([)\]}])|(\w+|.)""",
    re.DOTALL,
)


@lru_cache
def hash_constants(rooms: tuple[str, ...]) -> str:
    """Hash the constants of rooms of the package: what a model was fitted with.

    Parameters
    ----------
    rooms : tuple of str
        Names of folders or files below the package, a file without its ending.

    Returns
    -------
    digest : str
        64 hexadecimal digits (SHA-256) over every assignment to upper-case names at the top of a
        module, with the module's name. Comments, spaces and all other code do not count.

    Raises
    ------
    FileNotFoundError
        If there is no such room.

    Notes
    -----
    The text is hashed, not the syntax tree: parsing all of it takes ten times as long, and a tree
    is written out otherwise by other versions of Python.
    """
    digest = hashlib.sha256()
    for name, path in _find_sources(rooms):
        for constant in find_constants(path.read_text(encoding="utf-8")):
            digest.update(f"{name}\0{constant}\0".encode())
    return digest.hexdigest()


def find_constants(source: str) -> list[str]:
    r"""List the assignments to upper-case names in the first column of a module.

    Parameters
    ----------
    source : str
        Python as ruff formats it.

    Returns
    -------
    constants : list of str
        Without comments and spaces, in their order.

    Examples
    --------
    >>> find_constants("LEAST, MOST = 1, (  # both\n    2.5,\n)\nother = 3\n")
    ['LEAST,MOST=1,(2.5)']
    """
    found, end = [], 0
    for match in _CONSTANT.finditer(source):
        if match.start() >= end:
            constant, end = _take_statement(source, match.start())
            found.append(constant)
    return found


def _take_statement(source: str, start: int) -> tuple[str, int]:
    """Read to the end of the line on which no bracket is open, without comments and spaces."""
    kept: list[str] = []
    depth, is_apart = 0, False
    for token in _TOKEN.finditer(source, start):
        text, opening, closing, other = token.groups()
        depth += bool(opening) - bool(closing)
        if closing and kept[-1] == "\n,":  # the comma before a break is only for looks
            kept.pop()
        if word := text or opening or closing or other:
            if kept and kept[-1] == "\n,":
                kept[-1] = ","
            if is_apart and kept[-1][-1].isalnum() and word[0].isalnum():
                kept.append(" ")
            kept.append(word)
            is_apart = False
            continue
        is_apart = True
        if "\n" in token.group():
            if depth == 0:
                return "".join(kept), token.end()
            if kept[-1] == ",":
                kept[-1] = "\n,"
    return "".join(kept), len(source)


def _find_sources(rooms: Iterable[str]) -> Iterator[tuple[str, Path]]:
    """List the files of rooms with their names inside the package."""
    for room in sorted(set(rooms)):
        place = PACKAGE / room
        for path in sorted(place.rglob("*.py")) if place.is_dir() else [PACKAGE / f"{room}.py"]:
            yield path.relative_to(PACKAGE).as_posix(), path
