"""Text files as blocks of whole lines: gzip, encodings and line ends taken care of."""

import codecs
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import IO

from misfire.errors import FormatError

HEAD_BYTES = 1 << 16  # what the layout is worked out from
BLOCK_BYTES = 1 << 22
_GZIP = b"\x1f\x8b"
_BROKEN = "the gzip stream breaks off or is damaged"
_BOMS = (
    (codecs.BOM_UTF8, "utf-8"),
    (codecs.BOM_UTF16_LE, "utf-16-le"),
    (codecs.BOM_UTF16_BE, "utf-16-be"),
)


class TextLines:
    """A text file, plain or gzipped, read once from start to end.

    `head` is the first 64 KiB as text; `head_is_all` says that there is no more. After `blocks`
    has been walked through, `cut` says why the file ends early, or is empty.
    """

    def __init__(self, path: Path) -> None:
        """Open the file and work out its encoding."""
        self.path = path
        self.cut = ""
        self._disk: IO[bytes] = path.open("rb")
        try:
            self._open()
        except FormatError:
            self.close()
            raise

    def _open(self) -> None:
        """Read the head."""
        path = self.path
        is_gzip = self._disk.read(2) == _GZIP
        self._disk.seek(0)
        self._is_gzip = is_gzip
        self._unpacker = zlib.decompressobj(wbits=31)
        self._unpacked = b""
        self._start = self._read(HEAD_BYTES)
        if not self._start:
            raise FormatError(f"{path}: " + (self.cut or "is empty") + "; record or export again")
        self.encoding = self._find_encoding(self._start)
        self._decoder = codecs.getincrementaldecoder(self.encoding)(errors="replace")
        text = self._decode(self._start)
        self.head_is_all = len(self._start) < HEAD_BYTES
        self._bare_returns = "\r" in text and "\n" not in text
        self._pending = self._plain(text)
        self.head = self._pending
        if not self.head_is_all:
            self.head = self.head[: self.head.rfind("\n") + 1] or self.head

    def _read(self, size: int) -> bytes:
        """Read up to `size` bytes; a broken gzip stream gives what came before the break."""
        try:
            if not self._is_gzip:
                return self._disk.read(size)
            parts = [self._unpacked]
            left = size - len(self._unpacked)
            while left > 0 and not self.cut:
                data = self._disk.read(HEAD_BYTES)
                if not data:
                    if not self._unpacker.eof:
                        self.cut = _BROKEN
                    break
                parts.append(self._unpack(data))
                left -= len(parts[-1])
        except OSError as error:
            raise FormatError(f"{self.path}: cannot be read ({error.strerror})") from None
        whole = b"".join(parts)
        self._unpacked = whole[size:]
        return whole[:size]

    def _unpack(self, data: bytes) -> bytes:
        """Decompress some bytes, which may hold the end of one member and the start of the next."""
        parts = []
        while data:
            if self._unpacker.eof:
                data = data.lstrip(b"\0")  # padding after a member
                if not data:
                    break
                self._unpacker = zlib.decompressobj(wbits=31)
            try:
                parts.append(self._unpacker.decompress(data))
            except zlib.error:
                self.cut = _BROKEN
                break
            data = self._unpacker.unused_data
        return b"".join(parts)

    def _find_encoding(self, start: bytes) -> str:
        """Tell the encoding from a byte order mark or from the bytes themselves."""
        for bom, encoding in _BOMS:
            if start.startswith(bom):
                return encoding
        if b"\0" in start:
            pairs = start[: len(start) // 2 * 2]
            odd, even = pairs[1::2].count(0), pairs[::2].count(0)
            if odd > 0.9 * len(pairs) / 2 and even == 0:
                return "utf-16-le"
            if even > 0.9 * len(pairs) / 2 and odd == 0:
                return "utf-16-be"
            raise FormatError(
                f"{self.path}: is a binary file of no known kind; export it as CSV, WAV, HDF5 or "
                "NPZ"
            )
        try:
            codecs.getincrementaldecoder("utf-8")().decode(start)
        except UnicodeDecodeError:
            return "cp1252" if all(b not in start for b in b"\x81\x8d\x8f\x90\x9d") else "latin-1"
        return "utf-8"

    def _decode(self, data: bytes, *, final: bool = False) -> str:
        """Decode the next bytes; a byte order mark is dropped."""
        return self._decoder.decode(data, final).replace("\ufeff", "")

    def _plain(self, text: str) -> str:
        """Give lone carriage returns (an old line end) as line feeds."""
        return text.replace("\r", "\n") if self._bare_returns else text

    def blocks(self) -> Iterator[tuple[int, str, bool]]:
        """Give the whole file in blocks of whole lines.

        Yields
        ------
        line : int
            Number of the block's first line, from 1.
        text : str
        is_last : bool
        """
        line, pending = 1, self._pending
        self._pending = ""
        while True:
            data = self._read(BLOCK_BYTES)
            pending += self._plain(self._decode(data, final=not data))
            if not data:
                if self.cut:  # the last line may be cut within a number
                    pending = pending[: pending.rfind("\n") + 1]
                yield line, pending, True
                return
            end = pending.rfind("\n") + 1
            if end == 0:
                if len(pending) > 4 * BLOCK_BYTES:
                    raise FormatError(
                        f"{self.path}: line {line} has no end; this is no table of numbers"
                    )
                continue
            block, pending = pending[:end], pending[end:]
            yield line, block, False
            line += block.count("\n")

    def tell(self) -> int:
        """Give how many bytes of the file on disk have been read."""
        return self._disk.tell()

    def close(self) -> None:
        """Close the file."""
        self._disk.close()
