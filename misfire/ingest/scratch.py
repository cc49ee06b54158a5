"""Temporary files on disk for channels that cannot be read in place."""

import shutil
import tempfile
import weakref
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from misfire.errors import FormatError


class Scratch:
    """A folder of plain binary files; made when first used, gone with `close` or the object.

    It also closes, with itself, whatever else a reader keeps open.
    """

    def __init__(self) -> None:
        """Make nothing yet."""
        self._folder: Path | None = None
        self._finalizer: weakref.finalize[Any, Any] | None = None
        self._files: list[ScratchFile] = []
        self._owned: list[weakref.finalize[Any, Any]] = []

    def new_file(self) -> "ScratchFile":
        """Start one more file."""
        if self._folder is None:
            try:
                self._folder = Path(tempfile.mkdtemp(prefix="misfire-"))
            except OSError as error:
                raise FormatError(
                    f"no temporary folder can be made ({error.strerror}); set TMPDIR to a folder "
                    "with room for the recording"
                ) from None
            self._finalizer = weakref.finalize(self, shutil.rmtree, self._folder, True)
        file = ScratchFile(self._folder / f"{len(self._files)}.bin")
        self._files.append(file)
        return file

    def own(self, close: Callable[[], None]) -> None:
        """Take over closing something."""
        self._owned.append(weakref.finalize(self, close))

    def close(self) -> None:
        """Remove the folder, close what was taken over."""
        for file in self._files:
            file.end()
        while self._owned:
            self._owned.pop()()
        if self._finalizer is not None:
            self._finalizer()


class ScratchFile:
    """One array on disk: append blocks, then map it."""

    def __init__(self, path: Path) -> None:
        """Create the file."""
        self._path = path
        self._file = path.open("wb", buffering=0)

    def append(self, values: NDArray[Any]) -> None:
        """Write one more block."""
        try:
            self._file.write(np.ascontiguousarray(values).data)
        except OSError as error:
            raise FormatError(
                f"{self._path}: the temporary copy cannot be written ({error.strerror}); set "
                "TMPDIR to a folder with room for the recording"
            ) from None

    def end(self) -> None:
        """End writing."""
        self._file.close()

    def map(self, dtype: Any) -> NDArray[Any]:
        """End writing and give the whole array, mapped from disk."""
        self._file.close()
        if self._path.stat().st_size == 0:
            return np.empty(0, dtype)
        return np.memmap(self._path, dtype=dtype, mode="r")

    def remove(self) -> None:
        """Delete the file; maps of it must not be used any more."""
        self._file.close()
        self._path.unlink(missing_ok=True)
