"""A file for the HDF5 library to write: a full disk is told by us, not by the library."""

from __future__ import annotations

from pathlib import Path


class OutFile:
    """A binary file that keeps its first error and takes everything after it as written.

    The HDF5 library cannot close a file after a write that failed: it raises anew at every later
    step and may break the process at its end. So it is never told; `check` tells.
    """

    def __init__(self, path: Path) -> None:
        """Open a file that is there, to be written from its start."""
        self._file = path.open("r+b", buffering=0)
        self._error: OSError | None = None
        self._at = 0

    def check(self) -> None:
        """Raise the first error there was.

        Raises
        ------
        OSError
            If something could not be written.
        """
        if self._error is not None:
            raise self._error

    def close(self) -> None:
        """Close the file; an error then is kept as well."""
        try:
            self._file.close()
        except OSError as error:
            self._error = self._error or error

    def seek(self, offset: int, whence: int = 0) -> int:
        """Go to a place."""
        if self._error is None:
            self._at = self._file.seek(offset, whence)
        elif whence == 0:
            self._at = offset
        return self._at

    def tell(self) -> int:
        """Give the place."""
        return self._at

    def read(self, size: int = -1) -> bytes:
        """Read back; by this method h5py knows a file."""
        return b"" if self._error is not None else self._file.read(size)

    def readinto(self, buffer: memoryview) -> int:
        """Read back; zeros once there was an error."""
        view = memoryview(buffer).cast("B")
        if self._error is not None:
            view[:] = bytes(len(view))
            return len(view)
        return self._file.readinto(view)

    def write(self, data: bytes | memoryview) -> int:
        """Write all of it, unless there was an error."""
        view = memoryview(data).cast("B")
        start = 0
        while start < len(view) and self._error is None:
            try:
                start += self._file.write(view[start:])
            except OSError as error:
                self._error = error
        self._at += len(view)
        return len(view)

    def truncate(self, size: int | None = None) -> int:
        """Set the length."""
        size = self._at if size is None else size
        if self._error is None:
            try:
                self._file.truncate(size)
            except OSError as error:
                self._error = error
        return size

    def flush(self) -> None:
        """Nothing is held back."""
