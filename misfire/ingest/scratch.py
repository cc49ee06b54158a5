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

    Attributes
    ----------
    apart : closable or None
        The process in which foreign files are read; its reader puts it here and ends with it.
    """

    def __init__(self, *, most_bytes: int | None = None, source: str = "") -> None:
        """Make nothing yet; `most_bytes` is how much the file `source` may unpack to."""
        self.apart: Any = None
        self._left = most_bytes
        self._source = source
        self._folder: Path | None = None
        self._finalizer: weakref.finalize[Any, Any] | None = None
        self._n_folders = 0
        self._files: list[ScratchFile] = []
        self._owned: list[weakref.finalize[Any, Any]] = []

    def new_file(self) -> "ScratchFile":
        """Start one more file."""
        file = ScratchFile(self._make_folder() / f"{len(self._files)}.bin", self._spend)
        self._files.append(file)
        return file

    def new_folder(self) -> Path:
        """Make a folder of its own in the folder."""
        self._n_folders += 1
        folder = self._make_folder() / f"apart-{self._n_folders}"
        folder.mkdir()
        return folder

    def _make_folder(self) -> Path:
        """Make the folder when it is first needed."""
        if self._folder is None:
            try:
                self._folder = Path(tempfile.mkdtemp(prefix="misfire-"))
            except OSError as error:
                raise FormatError(
                    f"no temporary folder can be made ({error.strerror}); set TMPDIR to a folder "
                    "with room for the recording"
                ) from None
            self._finalizer = weakref.finalize(self, shutil.rmtree, self._folder, True)
        return self._folder

    def _spend(self, n_bytes: int) -> None:
        """Count what is written: a small file must not fill the disk."""
        if self._left is None:
            return
        self._left -= n_bytes
        if self._left < 0:
            raise FormatError(
                f"{self._source}: unpacks to far more than a file of its size should; it is "
                "damaged: copy or export it again"
            )

    def own(self, close: Callable[[], None]) -> None:
        """Take over closing something."""
        self._owned.append(weakref.finalize(self, close))

    def end_apart(self) -> None:
        """End the process in which foreign files were read."""
        apart, self.apart = self.apart, None
        if apart is not None:
            apart.close()

    def close(self) -> None:
        """Remove the folder, close what was taken over."""
        self.end_apart()
        for file in self._files:
            file.end()
        while self._owned:
            self._owned.pop()()
        if self._finalizer is not None:
            self._finalizer()


class ScratchFile:
    """One array on disk: append blocks, then map it."""

    def __init__(self, path: Path, spend: Callable[[int], None]) -> None:
        """Create the file; `spend` is told of each block before it is written."""
        self._path = path
        self._spend = spend
        self._file = path.open("wb", buffering=0)

    def append(self, values: NDArray[Any]) -> None:
        """Write one more block."""
        self._spend(values.nbytes)
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
