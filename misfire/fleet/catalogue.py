"""The catalogue of a screening in SQLite: each recording's state, and each run."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from misfire.errors import OutputError
from misfire.fleet.folder import CATALOGUE

_COLUMNS = {
    "name": "TEXT PRIMARY KEY",  # path from the screened folder
    "kind": "TEXT",
    "signature": "TEXT",  # of names, sizes and times of the files
    "pipeline": "TEXT",
    "model": "TEXT",
    "state": "TEXT",  # identified, judged, failed
    "code": "TEXT",
    "message": "TEXT",
    "content": "TEXT",  # SHA-256 of card and raw files, or of the stored recording
    "twin": "TEXT",  # SHA-256 of what a stored recording was made from
    "key": "TEXT",
    "folder": "TEXT",  # of the result
    "vehicle": "TEXT",
    "verdict": "TEXT",
    "suspects": "TEXT",
    "size": "INTEGER",
    "seconds": "REAL",
    "attempts": "INTEGER",
    "host": "TEXT",
    "changed_utc": "TEXT",
}
_RUNS = {
    "number": "INTEGER PRIMARY KEY",
    "started_utc": "TEXT",
    "ended_utc": "TEXT",
    "state": "TEXT",
    "pipeline": "TEXT",
    "model": "TEXT",
    "workers": "TEXT",
    "found": "INTEGER",
    "judged": "INTEGER",
    "failed": "INTEGER",
    "seconds": "REAL",
}
_SHARES = {"nfs", "nfs4", "cifs", "smb3", "smbfs", "9p", "fuse.sshfs", "afs", "ceph", "glusterfs"}


class Catalogue:
    """The catalogue of one results folder; written by the coordinator alone."""

    def __init__(self, folder: Path) -> None:
        """Open or make it; one that is no database is put aside."""
        path = folder / CATALOGUE
        try:
            self._base = _open(path)
        except (sqlite3.DatabaseError, UnicodeDecodeError) as error:
            if isinstance(error, sqlite3.OperationalError) and not (path.exists() and _odd(path)):
                raise OutputError(
                    f"{path}: cannot be used ({error}); is another run on, or the disk full?"
                ) from None
            path.replace(folder / f"{CATALOGUE}.unreadable")
            for tail in ("-wal", "-shm"):
                (folder / f"{CATALOGUE}{tail}").unlink(missing_ok=True)
            self._base = _open(path)

    def read(self) -> dict[str, dict[str, Any]]:
        """Give every row by its name."""
        try:
            cursor = self._base.execute(f"SELECT {', '.join(_COLUMNS)} FROM recordings")
            return {row[0]: dict(zip(_COLUMNS, row, strict=True)) for row in cursor}
        except (
            sqlite3.DatabaseError,
            UnicodeDecodeError,
        ) as error:  # damage deep in the file, seen only when read
            raise OutputError(
                f"{CATALOGUE}: is damaged ({error}); move it away and run again"
            ) from None

    def write(self, row: dict[str, Any]) -> None:
        """Write one recording's row, lastingly."""
        known = {name: row.get(name) for name in _COLUMNS}
        known["changed_utc"] = _now()
        marks = ", ".join("?" for _ in known)
        with _tell_trouble(), self._base:
            self._base.execute(
                f"INSERT OR REPLACE INTO recordings ({', '.join(known)}) VALUES ({marks})",
                tuple(known.values()),
            )

    def remove(self, names: Iterable[str]) -> None:
        """Forget recordings."""
        with _tell_trouble(), self._base:
            self._base.executemany(
                "DELETE FROM recordings WHERE name = ?", [(name,) for name in names]
            )

    def start_run(self, **values: Any) -> int:
        """Note that a run has begun."""
        values |= {"started_utc": _now(), "state": "running"}
        with _tell_trouble(), self._base:
            self._base.execute("UPDATE runs SET state = 'broken off' WHERE state = 'running'")
            cursor = self._base.execute(
                f"INSERT INTO runs ({', '.join(values)}) VALUES ({', '.join('?' for _ in values)})",
                tuple(values.values()),
            )
        return int(cursor.lastrowid or 0)

    def end_run(self, number: int, **values: Any) -> None:
        """Note how a run ended."""
        values |= {"ended_utc": _now()}
        sets = ", ".join(f"{name} = ?" for name in values)
        with _tell_trouble(), self._base:
            self._base.execute(
                f"UPDATE runs SET {sets} WHERE number = ?", (*values.values(), number)
            )

    def close(self) -> None:
        """Fold the log into the file and close."""
        try:
            self._base.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        except sqlite3.OperationalError:
            pass  # somebody reads it; the next opening does it
        finally:
            self._base.close()


@contextmanager
def _tell_trouble() -> Iterator[None]:
    """Say that the catalogue cannot be written, most likely for lack of room."""
    try:
        yield
    except sqlite3.Error as error:
        raise OutputError(
            f"{CATALOGUE}: cannot be written ({error}); is the disk full? Run again to go on"
        ) from None


def is_share(folder: Path, mounts: str = "/proc/self/mounts") -> bool:
    """Tell whether a folder lies on a network share, as far as the system tells.

    Parameters
    ----------
    folder : Path
    mounts : str
        The system's table of mounts.
    """
    try:
        with open(mounts, encoding="utf-8", errors="replace") as file:
            table = [line.split() for line in file]
    except OSError:
        return False
    real = os.path.realpath(folder)
    best = ("", "")
    for fields in table:
        if len(fields) < 3:
            continue
        place = fields[1].replace("\\040", " ")
        inside = real == place or real.startswith(place.rstrip("/") + "/")
        if inside and len(place) >= len(best[0]):
            best = (place, fields[2])
    return best[1] in _SHARES


def _open(path: Path) -> sqlite3.Connection:
    """Open the database in WAL mode and make its tables."""
    # Transactions are opened by `with`; statements outside one commit by themselves.
    base = sqlite3.connect(path, timeout=10.0)
    try:
        if is_share(path.parent):
            # WAL without memory shared between processes, which a share cannot give
            # (sqlite.org/wal.html, "use of WAL without shared-memory").
            base.execute("PRAGMA locking_mode = EXCLUSIVE")
        base.execute("PRAGMA journal_mode = WAL")
        base.execute("PRAGMA synchronous = NORMAL")
        for table, columns in (("recordings", _COLUMNS), ("runs", _RUNS)):
            lines = ", ".join(f"{name} {kind}" for name, kind in columns.items())
            base.execute(f"CREATE TABLE IF NOT EXISTS {table} ({lines})")
            has = {row[1] for row in base.execute(f"PRAGMA table_info({table})")}
            for name in columns.keys() - has:
                base.execute(f"ALTER TABLE {table} ADD COLUMN {name} {columns[name].split()[0]}")
        base.commit()
    except sqlite3.Error:
        base.close()
        raise
    return base


def _odd(path: Path) -> bool:
    """Tell a file that is no SQLite database."""
    with path.open("rb") as file:
        start = file.read(16)
    return bool(start) and start != b"SQLite format 3\0"


def _now() -> str:
    """Give the time in UTC."""
    return datetime.now(UTC).isoformat(timespec="milliseconds")
