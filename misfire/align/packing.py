"""The chunk coding of stored counts: byte shuffle and deflate, as any HDF5 reader knows them."""

import contextlib
import zlib
from typing import Any, cast

import numpy as np
from numpy.typing import NDArray

_codec: Any = zlib
with contextlib.suppress(ImportError):  # same format, several times quicker; optional
    from isal import isal_zlib as _codec

_inflate: Any = None
with contextlib.suppress(ImportError):  # for whole chunks quicker still; optional
    import deflate as _inflate

LEVEL = 1
"""Deflate level: higher ones cost much time for little."""

_DAMAGE: tuple[type[Exception], ...] = (zlib.error, cast(type[Exception], _codec.error))
if _inflate is not None:
    _DAMAGE = (*_DAMAGE, cast(type[Exception], _inflate.DeflateError))


def pack(counts: NDArray[np.int16]) -> bytes:
    """Code one whole chunk: all low bytes, then all high bytes, deflated.

    Examples
    --------
    >>> unpack(pack(np.array([1, -2, 300], np.int16)), 3).tolist()
    [1, -2, 300]
    """
    little = np.ascontiguousarray(counts, dtype="<i2")
    shuffled = np.ascontiguousarray(little.view(np.uint8).reshape(-1, 2).T)
    data: bytes = _codec.compress(shuffled.data, LEVEL)
    return data


def unpack(data: bytes, n_samples: int) -> NDArray[np.int16]:
    """Decode one chunk of `n_samples` counts.

    Raises
    ------
    ValueError
        If the chunk is damaged or has another length.
    """
    # never more than asked for, whatever a forged chunk would unpack to
    try:
        if _inflate is not None:
            raw, whole = (
                np.frombuffer(_inflate.zlib_decompress(data, 2 * n_samples), np.uint8),
                True,
            )
        else:
            stream = _codec.decompressobj(15)  # 15: a zlib stream of any window
            raw = np.frombuffer(stream.decompress(data, 2 * n_samples + 1), np.uint8)
            whole = stream.eof
    except _DAMAGE as error:
        raise ValueError(str(error)) from None
    if raw.size != 2 * n_samples or not whole:
        raise ValueError(f"chunk is not of {2 * n_samples} bytes, or is cut short")
    words = np.empty(n_samples, np.uint16)
    np.left_shift(raw[n_samples:], 8, out=words, dtype=np.uint16)
    np.bitwise_or(words, raw[:n_samples], out=words)
    return words.view(np.int16)
