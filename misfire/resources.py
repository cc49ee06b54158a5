"""Files of the package: where models and demo stand, and what its code hashes to."""

import hashlib
from collections.abc import Iterable
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
    for room in sorted(set(rooms)):
        place = PACKAGE / room
        paths = sorted(place.rglob("*.py")) if place.is_dir() else [PACKAGE / f"{room}.py"]
        for path in paths:
            name = path.relative_to(PACKAGE).as_posix()
            digest.update(name.encode() + b"\0" + path.read_bytes())
    return digest.hexdigest()
