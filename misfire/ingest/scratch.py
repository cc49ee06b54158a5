"""Temporary files on disk for channels that cannot be read in place."""

import shutil
import tempfile
import weakref
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from misfire.errors import FormatError


class Scratch:
    """A folder of plain binary files; made when first used, gone with `close` or the object."""

    def __init__(self) -> None:
        """Make nothing yet."""
        self._folder: Path | None = None
        self._finalizer: weakref.finalize[Any, Any] | None = None
        self._n_files = 0

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
        self._n_files += 1
        return ScratchFile(self._folder / f"{self._n_files}.bin")

    def close(self) -> None:
        """Remove the folder."""
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
