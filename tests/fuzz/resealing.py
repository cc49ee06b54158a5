"""Checksums of an HDF5 file made right again after bytes were changed: what a forger would do."""

import re

_MASK = 0xFFFFFFFF
_MARKS = re.compile(rb"\x89HDF\r\n\x1a\n\x03|OHDR|OCHK|FRHP|BTHD|FAHD")


def reseal(data: bytes) -> bytes:
    """Make right the checksums of all blocks that can still be told.

    Parameters
    ----------
    data : bytes
        Of a file with superblock 3 and blocks of fixed layout, as `write_store` leaves it.

    Notes
    -----
    Sizes of the blocks: HDF5 File Format Specification 3.0, from memory.
    """
    out = bytearray(data)
    pieces: dict[int, int] = {}
    for found in _MARKS.finditer(data):
        if found.start() + 7 <= len(data):  # else cut short before anything that is read singly
            _reseal_block(out, found.start(), pieces)
    return bytes(out)


def _reseal_block(out: bytearray, at: int, pieces: dict[int, int]) -> None:
    """Make right the checksum of one block; those that others describe come after them."""
    mark = bytes(out[at : at + 4])
    end = None
    if mark == b"\x89HDF":
        end = at + 44
    elif mark == b"OHDR":
        width = 1 << (out[at + 5] & 3)
        end = at + 6 + width + _number(out, at + 6, width)
        _note_pieces(out, at + 6 + width, end, pieces)
    elif mark == b"OCHK":
        n_bytes = pieces.get(at)
        if n_bytes:
            end = at + n_bytes - 4
            _note_pieces(out, at + 4, end, pieces)
    elif mark == b"FRHP":
        end = at + 142
        block_at, n_bytes = _number(out, at + 132, 8), _number(out, at + 112, 8)
        width = (_number(out, at + 128, 2) + 7) // 8
        _seal_inner(out, block_at, n_bytes, 13 + width)
    elif mark == b"BTHD":
        end = at + 34
        leaf, n_record = _number(out, at + 16, 8), _number(out, at + 10, 2)
        _seal(out, leaf, leaf + 6 + n_record * _number(out, at + 24, 2))
    elif mark == b"FAHD":
        end = at + 24
        block_at = _number(out, at + 16, 8)
        _seal(out, block_at, block_at + 14 + out[at + 6] * _number(out, at + 8, 8))
    if end is not None:
        _seal(out, at, end)


def _note_pieces(out: bytearray, at: int, end: int, pieces: dict[int, int]) -> None:
    """Note where a header goes on, by its messages."""
    end = min(end, len(out))
    while at + 4 <= end:
        kind, length = out[at], _number(out, at + 1, 2)
        if kind == 0x10:
            place, n_bytes = _number(out, at + 4, 8), _number(out, at + 12, 8)
            pieces[place] = n_bytes
        at += 4 + length


def _number(out: bytearray, at: int, width: int) -> int:
    """Read an unsigned number."""
    return int.from_bytes(out[at : at + width], "little")


def _seal(out: bytearray, start: int, end: int) -> None:
    """Write the checksum of a stretch behind it, if the file has room."""
    if 0 <= start < end <= len(out) - 4 and end - start < 1 << 16:
        out[end : end + 4] = checksum(bytes(out[start:end])).to_bytes(4, "little")


def _seal_inner(out: bytearray, start: int, n_bytes: int, at: int) -> None:
    """Write the checksum of a block that holds it inside, as nought while it is summed."""
    end = start + n_bytes
    if start >= 0 and at + 4 <= n_bytes < 1 << 16 and end <= len(out):
        out[start + at : start + at + 4] = bytes(4)
        value = checksum(bytes(out[start:end]))
        out[start + at : start + at + 4] = value.to_bytes(4, "little")


def checksum(data: bytes) -> int:
    """Compute the checksum of HDF5's blocks.

    Notes
    -----
    Source: R. J. Jenkins, lookup3 (`hashlittle`, 2006, public domain), from memory; the tests hold
    it against what the HDF5 library wrote.
    """
    a = b = c = (0xDEADBEEF + len(data)) & _MASK
    if not data:
        return c
    last = (len(data) - 1) // 12 * 12
    for at in range(0, last, 12):
        a = (a + int.from_bytes(data[at : at + 4], "little")) & _MASK
        b = (b + int.from_bytes(data[at + 4 : at + 8], "little")) & _MASK
        c = (c + int.from_bytes(data[at + 8 : at + 12], "little")) & _MASK
        a = ((a - c) & _MASK) ^ _turn(c, 4)
        c = (c + b) & _MASK
        b = ((b - a) & _MASK) ^ _turn(a, 6)
        a = (a + c) & _MASK
        c = ((c - b) & _MASK) ^ _turn(b, 8)
        b = (b + a) & _MASK
        a = ((a - c) & _MASK) ^ _turn(c, 16)
        c = (c + b) & _MASK
        b = ((b - a) & _MASK) ^ _turn(a, 19)
        a = (a + c) & _MASK
        c = ((c - b) & _MASK) ^ _turn(b, 4)
        b = (b + a) & _MASK
    rest = data[last:].ljust(12, b"\0")
    a = (a + int.from_bytes(rest[:4], "little")) & _MASK
    b = (b + int.from_bytes(rest[4:8], "little")) & _MASK
    c = (c + int.from_bytes(rest[8:], "little")) & _MASK
    c = ((c ^ b) - _turn(b, 14)) & _MASK
    a = ((a ^ c) - _turn(c, 11)) & _MASK
    b = ((b ^ a) - _turn(a, 25)) & _MASK
    c = ((c ^ b) - _turn(b, 16)) & _MASK
    a = ((a ^ c) - _turn(c, 4)) & _MASK
    b = ((b ^ a) - _turn(a, 14)) & _MASK
    return ((c ^ b) - _turn(b, 24)) & _MASK


def _turn(value: int, n_bits: int) -> int:
    """Turn 32 bits to the left."""
    return (value << n_bits | value >> (32 - n_bits)) & _MASK
