"""The chunk coding of stored counts: byte shuffle and deflate, as any HDF5 reader knows them."""

import zlib
from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

try:  # same format, several times quicker; optional
    from isal import isal_zlib as _fast
except ImportError:
    _fast = None

LEVEL = 1
"""Deflate level of plain zlib: higher ones cost much time for little."""

_ISAL_LEVEL = 1

_compress: Callable[..., bytes] = zlib.compress if _fast is None else _fast.compress
_decompress: Callable[[Any], bytes] = zlib.decompress if _fast is None else _fast.decompress

ERRORS: tuple[type[Exception], ...] = (
    (zlib.error, ValueError) if _fast is None else (zlib.error, ValueError, _fast.error)
)
"""What `unpack` raises on a damaged chunk."""


def pack(counts: NDArray[np.int16]) -> bytes:
    """Code one whole chunk: all low bytes, then all high bytes, deflated.

    Examples
    --------
    >>> unpack(pack(np.array([1, -2, 300], np.int16)), 3).tolist()
    [1, -2, 300]
    """
    little = np.ascontiguousarray(counts, dtype="<i2")
    shuffled = np.ascontiguousarray(little.view(np.uint8).reshape(-1, 2).T)
    return _compress(shuffled.data, LEVEL if _fast is None else _ISAL_LEVEL)


def unpack(data: bytes, n_samples: int) -> NDArray[np.int16]:
    """Decode one chunk of `n_samples` counts.

    Raises
    ------
    ValueError
        If the chunk has another length; one of `ERRORS` if it is damaged.
    """
    raw = np.frombuffer(_decompress(data), np.uint8)
    if raw.size != 2 * n_samples:
        raise ValueError(f"chunk of {raw.size} bytes instead of {2 * n_samples}")
    words = np.empty(n_samples, np.uint16)
    np.left_shift(raw[n_samples:], 8, out=words, dtype=np.uint16)
    np.bitwise_or(words, raw[:n_samples], out=words)
    return words.view(np.int16)
