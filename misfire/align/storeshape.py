"""The structure of a stored recording, walked before the HDF5 library does.

The library trusts a file: a forged one can send it round in circles, or beyond its memory. A
recording as `storewriter` leaves it uses few kinds of blocks; one that has these and no others is
known to end. Anything else, though it may be sound, is for `storeprobe`.
"""

from pathlib import Path
from typing import IO

from misfire.dsp.heaps import is_sound_heap

_MOST_BLOCKS = 10_000  # of one file: some ten a channel are used
_NOWHERE = (1 << 64) - 1
SIGNATURE = b"\x89HDF\r\n\x1a\n"
_TEXT = bytes.fromhex("19010100 10000000 10000000 01000000 00000800")
_FLOAT = bytes.fromhex("11203f00 08000000 00004000 340b0034 ff030000")
_INT8 = bytes.fromhex("10080000 01000000 00000800")
_INT64 = bytes.fromhex("10080000 08000000 00004000")
_INT32 = bytes.fromhex("10080000 04000000 00002000")
_COUNTS = bytes.fromhex("10080000 02000000 00001000")
_BOOL = bytes.fromhex("38020000 01000000") + _INT8 + b"FALSE\0TRUE\0\0\1"
_LEVELS = bytes.fromhex("36020000 09000000") + b"time_s\0\0" + _FLOAT + b"level\0\x08" + _INT8
_TYPES = {_TEXT: 16, _FLOAT: 8, _INT64: 8, _INT32: 4, _COUNTS: 2, _BOOL: 1, _LEVELS: 9}
"""Types of numbers and texts as they are coded, and the bytes of one."""

_FILTERS = bytes.fromhex("0202 0200 0100 0100 02000000 0100 0100 0100")  # shuffle, deflate


class _UnknownError(ValueError):
    """The file holds something that a recording of ours does not."""


def has_known_shape(path: Path) -> bool:
    """Tell whether an HDF5 file has the structure of a stored recording and no other.

    Parameters
    ----------
    path : path

    Returns
    -------
    known : bool
        True: each block that the library will visit was visited here, once. Samples were not.

    Raises
    ------
    OSError
        If the file cannot be read.

    Notes
    -----
    Superblock 3, object headers 2, attributes and links either in them or in a fractal heap of one
    block under a B-tree (version 2) of one leaf, fixed arrays of deflated chunks, global heaps of
    texts. Checksums are left to the library: they tell damage, not forgery. Source: HDF5 File
    Format Specification 3.0, from memory; tested against files of the library.
    """
    with path.open("rb") as file:
        try:
            _Walk(file, path.stat().st_size).visit_file()
        except _UnknownError:
            return False
    return True


def has_signature(path: Path) -> bool:
    """Tell whether a file begins as an HDF5 file does.

    Raises
    ------
    OSError
        If the file cannot be read.
    """
    with path.open("rb") as file:
        return file.read(len(SIGNATURE)) == SIGNATURE


class _Block:
    """A stretch of the file, read from front to back."""

    def __init__(self, data: bytes, at: int = 0) -> None:
        self.data, self.at = data, at

    def take(self, n_bytes: int) -> bytes:
        """Take bytes."""
        part = self.data[self.at : self.at + n_bytes]
        if len(part) < n_bytes:
            raise _UnknownError("a block that ends early")
        self.at += n_bytes
        return part

    def number(self, n_bytes: int) -> int:
        """Take an unsigned number."""
        return int.from_bytes(self.take(n_bytes), "little")

    def expect(self, *fields: bytes) -> None:
        """Take fields that have one value only."""
        for field in fields:
            if self.take(len(field)) != field:
                raise _UnknownError("a field of another value")

    @property
    def left(self) -> int:
        """Bytes that are left."""
        return len(self.data) - self.at


class _Walk:
    """One walk through a file, from its superblock to every block but the samples."""

    def __init__(self, file: IO[bytes], size: int) -> None:
        self._file, self._size = file, size
        self._visited: set[int] = set()
        self._heaps: dict[int, int] = {}

    def visit_file(self) -> None:
        """Walk through all."""
        block = self._open(0, 48)
        block.expect(SIGNATURE, b"\3\x08\x08\0", bytes(8))
        _require(block.number(8) == _NOWHERE)  # no extension
        block.take(8)  # the end of the file: the library compares it
        self._visit_object(block.number(8), depth=0)

    def _open(self, place: int, n_bytes: int, mark: bytes = b"") -> _Block:
        """Read a block that nothing else has led to."""
        _require(place not in self._visited and len(self._visited) < _MOST_BLOCKS)
        self._visited.add(place)
        _require(0 <= place <= place + n_bytes <= self._size and n_bytes < 1 << 24)
        self._file.seek(place)
        block = _Block(self._file.read(n_bytes))
        block.expect(mark)
        return block

    def _visit_object(self, place: int, depth: int) -> None:
        """Walk through a group or a dataset: its header in one or several pieces."""
        _require(depth <= 2)
        _require(place + 12 <= self._size)
        self._file.seek(place)
        head = self._file.read(12)
        _require(head[:5] == b"OHDR\2" and head[5] <= 3)
        width = 1 << head[5]
        n_bytes = int.from_bytes(head[6 : 6 + width], "little")
        block = self._open(place, 6 + width + n_bytes + 4, b"OHDR\2")
        block.take(1 + width)
        pieces = [_Block(block.take(n_bytes))]
        found: dict[int, _Block] = {}
        while pieces:
            piece = pieces.pop()
            while piece.left >= 4:
                kind, length, flags = piece.number(1), piece.number(2), piece.number(1)
                body = _Block(piece.take(length))
                _require(flags in (0, 1, 4))  # constant; to be kept by other versions
                if kind == 0x10:
                    start, n_bytes = body.number(8), body.number(8)
                    _require(n_bytes >= 8)
                    more = self._open(start, n_bytes, b"OCHK")
                    pieces.append(_Block(more.take(n_bytes - 8)))
                elif kind == 0x0C:
                    self._visit_attribute(body)
                elif kind == 0x06:
                    self._visit_link(body, depth)
                elif kind in (0x01, 0x02, 0x03, 0x05, 0x08, 0x0A, 0x0B, 0x15):
                    _require(kind not in found)
                    found[kind] = body
                else:
                    _require(kind == 0)
        _require(0x0A not in found or found[0x0A].data == bytes(2))
        if 0x15 in found:
            self._visit_dense(found[0x15], 8, depth)
        if 0x08 in found:
            self._visit_dataset(found)
        else:
            _require(not {0x01, 0x03, 0x05, 0x0B} & set(found))
            if 0x02 in found:
                self._visit_dense(found[0x02], 5, depth)

    def _visit_link(self, block: _Block, depth: int) -> None:
        """Follow a hard link."""
        block.expect(b"\1")
        flags = block.number(1)
        _require(flags & ~0x13 == 0)  # no other kinds of link, no order of making
        if flags & 0x10:
            _require(block.number(1) <= 1)
        length = block.number(1 << (flags & 3))
        block.take(length)
        self._visit_object(block.number(8), depth + 1)
        _require(block.left == 0)

    def _visit_attribute(self, block: _Block) -> None:
        """Look through an attribute."""
        block.expect(b"\3\0")
        n_name, n_type, n_space = block.number(2), block.number(2), block.number(2)
        _require(block.number(1) <= 1)
        block.take(n_name)
        kind = block.take(n_type)
        n_values = _count_values(_Block(block.take(n_space)))
        _require(kind in _TYPES and n_values * _TYPES[kind] == block.left)
        if kind == _TEXT:
            self._visit_texts(block, n_values)

    def _visit_texts(self, block: _Block, n_values: int) -> None:
        """Look through the heaps in which texts stand."""
        for _ in range(n_values):
            length, place = block.number(4), block.number(8)
            block.take(4)
            if place in (0, _NOWHERE):
                _require(length == 0)
                continue
            if place not in self._heaps:
                self._heaps[place] = self._measure_heap(place)
            _require(length <= self._heaps[place])  # the library makes room for any length

    def _measure_heap(self, place: int) -> int:
        """Look through a heap of texts and give its size."""
        _require(place + 16 <= self._size)
        self._file.seek(place)
        head = _Block(self._file.read(16))
        head.expect(b"GCOL\1\0\0\0")
        self._file.seek(place)
        _require(is_sound_heap(self._file, self._size - place))
        return head.number(8)

    def _visit_dense(self, info: _Block, kind: int, depth: int) -> None:
        """Walk through attributes (kind 8) or links (5) that stand outside of the header."""
        info.expect(b"\0\0")
        heap, tree = info.number(8), info.number(8)
        _require(info.left == 0)
        if heap == tree == _NOWHERE:
            return
        objects, start, width = self._open_heap(heap, kind)
        n_id = 8 if kind == 8 else 7
        n_record = n_id + (9 if kind == 8 else 4)
        head = self._open(tree, 38, b"BTHD\0")
        head.expect(bytes([kind]))
        n_node = 512
        head.expect(_code(n_node, 4), _code(n_record, 2), bytes(2), b"\x64\x28")  # of one leaf
        leaf_at, n_records, n_all = head.number(8), head.number(2), head.number(8)
        _require(n_records == n_all and 6 + n_records * n_record + 4 <= n_node)
        if n_records == 0:
            return
        leaf = self._open(leaf_at, n_node, b"BTLF\0")
        leaf.expect(bytes([kind]))
        for _ in range(n_records):
            record = _Block(leaf.take(n_record))
            if kind == 5:
                record.take(4)
            record.expect(b"\0")
            offset, length = record.number(width), record.number(n_id - 1 - width)
            if kind == 8:
                record.expect(b"\0")
            body = _Block(objects[: offset + length], offset)
            _require(start <= offset and offset + length <= len(objects))
            if kind == 8:
                self._visit_attribute(body)
            else:
                self._visit_link(body, depth)

    def _open_heap(self, place: int, kind: int) -> tuple[bytes, int, int]:
        """Give a fractal heap's only block, where its objects start, the bytes of an offset."""
        n_id, n_bytes, n_bits = (8, 1024, 40) if kind == 8 else (7, 512, 32)
        head = self._open(place, 146, b"FRHP\0")
        head.expect(_code(n_id, 2), bytes(2), b"\2", _code(4096, 4))  # not coded, with checksums
        head.expect(bytes(8), b"\xff" * 8)  # no huge objects
        head.take(8 + 8)  # free space, which only a writer wants
        head.expect(_code(n_bytes, 8), _code(n_bytes, 8), bytes(8))
        n_objects = head.number(8)
        head.expect(bytes(32))  # neither huge nor tiny objects
        head.expect(_code(4, 2), _code(n_bytes, 8), _code(1 << 16, 8), _code(n_bits, 2))
        head.expect(_code(1, 2))
        root = head.number(8)
        head.expect(bytes(2))  # a heap of one block
        _require(n_objects <= n_bytes)
        block = self._open(root, n_bytes, b"FHDB\0")
        _require(block.number(8) == place)
        width = n_bits // 8
        block.expect(bytes(width))
        block.take(4)
        return block.data, block.at, width

    def _visit_dataset(self, found: dict[int, _Block]) -> None:
        """Look through a dataset: its texts, or the places of its chunks."""
        _require({0x01, 0x03, 0x05} <= set(found) and 0x02 not in found)
        n_values = _count_values(found[0x01])
        kind = found[0x03].data
        _require(kind in _TYPES and found[0x05].data in (b"\3\2", b"\3\x0a", b"\3\x0b"))
        layout = found[0x08]
        if layout.data[:2] == b"\3\1":
            layout.take(2)
            place, n_bytes = layout.number(8), layout.number(8)
            _require(0x0B not in found and n_bytes == n_values * _TYPES[kind])
            if n_bytes == 0 or place == _NOWHERE:
                return
            data = self._open(place, 0 if kind != _TEXT else n_bytes)
            _require(place + n_bytes <= self._size)
            if kind == _TEXT:
                self._visit_texts(data, n_values)
            return
        _require(kind == _COUNTS and found[0x0B].data[:-4] == _FILTERS if 0x0B in found else False)
        _require(found[0x0B].data[-4:] in [bytes([level, 0, 0, 0]) for level in range(10)])
        self._visit_chunks(layout, n_values)

    def _visit_chunks(self, layout: _Block, n_values: int) -> None:
        """Look through the places of chunks."""
        layout.expect(b"\4\2")
        flags = layout.number(1)
        layout.expect(b"\2")
        n_bytes = layout.number(1)
        _require(1 <= n_bytes <= 8)
        chunk, itemsize = layout.number(n_bytes), layout.number(n_bytes)
        _require(chunk > 0 and itemsize == 2)
        index = layout.number(1)
        n_chunks = -(-n_values // chunk)
        if index == 1:  # a single chunk, deflated
            _require(flags == 2 and n_chunks == 1)
            layout.take(12)
            self._open(layout.number(8), 0)
            _require(layout.left == 0)
            return
        _require(index == 3 and flags == 0)
        layout.expect(b"\x0a")
        place = layout.number(8)
        _require(layout.left == 0)
        if place == _NOWHERE:
            return
        head = self._open(place, 28, b"FAHD\0\1")
        n_entry, n_page = head.number(1), 1 << 10
        head.expect(b"\x0a")
        _require(head.number(8) == n_chunks and 13 <= n_entry <= 20)
        data_at = head.number(8)
        if data_at == _NOWHERE:
            return
        n_pages = -(-n_chunks // n_page) if n_chunks > n_page else 0
        total = 18 + (n_pages + 7) // 8 + n_chunks * n_entry + 4 * n_pages
        _require(data_at + total <= self._size)
        data = self._open(data_at, 14, b"FADB\0\1")
        _require(data.number(8) == place)


def _require(condition: bool) -> None:
    """Go on only if something is as in our own files."""
    if not condition:
        raise _UnknownError("not as our own files")


def _code(number: int, n_bytes: int) -> bytes:
    """Code an unsigned number."""
    return number.to_bytes(n_bytes, "little")


def _count_values(space: _Block) -> int:
    """Count the values of a dataspace: a single one, or a row of fixed length."""
    space.expect(b"\2")
    rank, flags, kind = space.number(1), space.number(1), space.number(1)
    _require((rank, kind) in ((0, 0), (1, 1)) and flags <= rank)
    if rank == 0:
        _require(space.left == 0)
        return 1
    n_values = space.number(8)
    _require(flags == 0 or space.number(8) == n_values)
    _require(space.left == 0 and n_values < 1 << 56)
    return n_values
