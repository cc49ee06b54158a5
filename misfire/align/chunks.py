"""Reading stored counts chunk by chunk, with the last few decoded chunks kept."""

import contextlib
from collections import OrderedDict
from typing import Any

import numpy as np
from numpy.typing import NDArray

from misfire.align.packing import unpack
from misfire.errors import FormatError, ParameterError

KEPT_CHUNKS = 6  # a block of four chunks and its context; half a megabyte each


class ChunkReader:
    """Reads any stretch of one int16 dataset.

    Chunks of the usual coding are decoded here, which is several times quicker than the library's
    own filters; a dataset that another program coded anew is read through the library.
    """

    def __init__(self, dataset: Any, *, place: str, rate_hz: float) -> None:
        """Look at the coding of the dataset; read nothing yet."""
        self.dataset = dataset
        self.place = place
        self.rate_hz = rate_hz
        self.n_samples = int(dataset.shape[0])
        self.chunk = int(dataset.chunks[0]) if dataset.chunks else 0
        properties = dataset.id.get_create_plist()
        codes = [properties.get_filter(i)[0] for i in range(properties.get_nfilters())]
        self._is_plain = bool(self.chunk) and codes == [2, 1] and dataset.dtype == np.dtype("<i2")
        self._kept: OrderedDict[int, NDArray[np.int16]] = OrderedDict()

    def read(self, start: int, stop: int) -> NDArray[np.int16]:
        """Read counts `start` to `stop` [shape=(stop - start,)].

        Raises
        ------
        ParameterError
            If not 0 <= start <= stop <= n_samples.
        FormatError
            If a chunk is damaged or missing.
        """
        if not 0 <= start <= stop <= self.n_samples:
            raise ParameterError(
                f"{self.place}: need 0 <= start <= stop <= {self.n_samples}, got {start}, {stop}"
            )
        if not self._is_plain:
            try:
                return np.asarray(self.dataset[start:stop], np.int16)
            except (OSError, RuntimeError, ValueError, MemoryError):
                raise self._damaged(start) from None
        counts = np.empty(stop - start, np.int16)
        for number in range(start // self.chunk, -(-stop // self.chunk)):
            first = number * self.chunk
            low, high = max(start, first), min(stop, first + self.chunk)
            if low < high:
                counts[low - start : high - start] = self._fetch(number)[low - first : high - first]
        return counts

    def try_all(self) -> None:
        """Let the library find and read whatever it will have to, but decode nothing of ours.

        A damaged chunk is told when it is needed.
        """
        step = self.chunk or max(1, self.n_samples - 1)  # of one piece: its first and last sample
        for first in range(0, self.n_samples, step):
            stop = min(first + step, self.n_samples) if self.chunk else first + 1
            with contextlib.suppress(OSError, RuntimeError, ValueError, MemoryError):
                if self._is_plain:
                    self.dataset.id.read_direct_chunk((first,))
                else:
                    self.dataset[first:stop]

    def _fetch(self, number: int) -> NDArray[np.int16]:
        """Give one decoded chunk."""
        kept = self._kept.get(number)
        if kept is not None:
            self._kept.move_to_end(number)
            return kept
        first = number * self.chunk
        try:
            skipped, data = self.dataset.id.read_direct_chunk((first,))
            if skipped:
                raise ValueError("chunk without its filters")
            counts = unpack(data, self.chunk)
        except (ValueError, OSError, RuntimeError, MemoryError):
            raise self._damaged(first) from None
        self._kept[number] = counts
        if len(self._kept) > KEPT_CHUNKS:
            self._kept.popitem(last=False)
        return counts

    def _damaged(self, sample: int) -> FormatError:
        """Make the error for a chunk that cannot be read."""
        return FormatError(
            f"{self.place}: cannot be read from {sample / self.rate_hz:.3f} s on, the file is "
            "damaged there; run `misfire ingest` again"
        )
