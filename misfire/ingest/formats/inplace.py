"""Numbers that stand in a file as they are, read where they are."""

import threading
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from misfire.errors import FormatError
from misfire.ingest.scratch import Scratch
from misfire.ingest.source import RawColumn

_PIECE_BYTES = 1 << 20


def open_in_place(
    path: Path,
    dtype: np.dtype[Any],
    place: int,
    n_samples: int,
    *,
    name: str,
    scratch: Scratch,
    stride: int = 1,
) -> RawColumn:
    """Open a column of numbers in a file.

    Parameters
    ----------
    path : path
    dtype : dtype
    place : int [bytes from the start of the file]
        Of the column's first number.
    n_samples : int
    name : str
        The channel, for messages.
    scratch : Scratch
        Closes the file with itself.
    stride : int [numbers]
        From one number of the column to its next.

    Returns
    -------
    column : RawColumn
        Reading raises FormatError where the file has become shorter. The file is read, not mapped:
        one that becomes shorter, or whose disk fails, would end the process.

    Raises
    ------
    ValueError
        If there is no such place in the file, or the numbers are none.
    OSError
        If the file cannot be opened.
    """
    file = path.open("rb", buffering=0)
    scratch.own(file.close)
    size = file.seek(0, 2)
    end = place + ((n_samples - 1) * stride + 1) * dtype.itemsize
    if dtype.kind not in "biuf" or n_samples < 1 or stride < 1 or not 0 <= place < end <= size:
        raise ValueError("numbers that are not in the file")
    lock = threading.Lock()
    step = max(1, _PIECE_BYTES // (dtype.itemsize * stride))

    def fill(target: NDArray[Any], start: int) -> None:
        file.seek(place + start * stride * dtype.itemsize)
        room = target.view(np.uint8).data
        while room:
            try:
                n_bytes = file.readinto(room)
            except OSError as error:
                raise FormatError(
                    f"{path}: channel {name!r} cannot be read ({error.strerror}); copy it again"
                ) from None
            if not n_bytes:
                raise FormatError(
                    f"{path}: channel {name!r}, from sample {start} on: the file has changed while "
                    "it was read; copy or export it again"
                )
            room = room[n_bytes:]

    def read(start: int, stop: int) -> NDArray[Any]:
        values = np.empty(stop - start, dtype)
        with lock:
            if stride == 1:
                fill(values, start)
                return values
            for first in range(start, stop, step):
                n = min(step, stop - first)
                piece = np.empty((n - 1) * stride + 1, dtype)
                fill(piece, first)
                values[first - start : first - start + n] = piece[::stride]
        return values

    return RawColumn(n_samples, dtype, read)
