"""Heaps of texts in an HDF5 file, checked before the library walks them."""

from pathlib import Path
from typing import IO

BLOCK_BYTES = 1 << 20
WHOLE_BYTES = 1 << 28  # larger files are looked at in their first and last eighth of it
_HEAP = b"GCOL\x01\0\0\0"
_LARGEST_OBJECT = 1 << 32


def find_broken_heap(path: Path) -> int | None:
    """Find a heap whose objects lead past it.

    Parameters
    ----------
    path : path of an HDF5 file

    Returns
    -------
    place : int or None
        Where the broken heap starts, in bytes; None where all are sound.

    Raises
    ------
    OSError
        If the file cannot be read.

    Notes
    -----
    Texts of any length stand in "global heap collections": a signature, the size, then objects,
    each with its own size. The library adds these up without end where they are damaged, which no
    exception and no signal handler can break off. Source: HDF5 File Format Specification 3.0,
    section III.E, from memory.
    """
    size = path.stat().st_size
    end = WHOLE_BYTES // 8
    spans = [(0, size)] if size <= WHOLE_BYTES else [(0, end), (size - end, size)]
    with path.open("rb") as file:
        for start, stop in spans:
            for at in range(start, stop, BLOCK_BYTES):
                file.seek(at)
                block = file.read(BLOCK_BYTES + len(_HEAP) - 1)
                found = block.find(_HEAP)
                while found >= 0:
                    file.seek(at + found)
                    if not is_sound_heap(file, size - at - found):
                        return at + found
                    found = block.find(_HEAP, found + 1)
    return None


def is_sound_heap(file: IO[bytes], room: int) -> bool:
    """Tell whether the objects of one heap lead to its end.

    Parameters
    ----------
    file : binary file [at the heap's first byte]
    room : int
        Bytes from there to the end of the file.
    """
    n_bytes = int.from_bytes(file.read(16)[8:], "little")
    if not 16 <= n_bytes <= min(room, _LARGEST_OBJECT):
        return False
    body = file.read(n_bytes - 16)
    at = 0
    while at + 16 <= len(body):
        index = int.from_bytes(body[at : at + 2], "little")
        length = int.from_bytes(body[at + 8 : at + 16], "little")
        if index == 0 and length < 16:
            return False
        at += length if index == 0 else 16 + (length + 7) // 8 * 8  # free: its header is counted
        if at > len(body):
            return False
    return True
