"""The decompressed bytes of one capture file, in order, with the digest of the file as it lies on disk."""

from __future__ import annotations

import errno
import hashlib
import io
import lzma
import os
import stat
import zlib
from pathlib import Path
from types import TracebackType
from typing import Literal, Protocol

from spinlag.capture import Progress
from spinlag.errors import CaptureError

Packing = Literal["plain", "gzip", "xz"]

HEAD_BYTES = 1 << 16
"""How many decompressed bytes the choice of an importer may look at."""

_GZIP_MAGIC = b"\x1f\x8b"
_XZ_MAGIC = b"\xfd7zXZ\x00"
_PACKED_READ = 1 << 16
"""Small reads of packed data: what one call leaves undecoded is copied by the next."""


class ByteSource(Protocol):
    """What an importer reads from: bytes in order, and a look at the first of them."""

    file: str

    @property
    def head(self) -> bytes:
        """The first HEAD_BYTES decompressed bytes, or all of them where there are fewer; reading is not affected."""
        ...

    def readinto(self, buffer: memoryview) -> int:
        """Fill `buffer` and return how many bytes were written: fewer than asked for only at the end."""
        ...


class _Decoder(Protocol):
    """The common face of zlib.decompressobj and LZMADecompressor."""

    @property
    def eof(self) -> bool: ...
    @property
    def unused_data(self) -> bytes: ...
    def decode(self, data: bytes, most: int) -> bytes: ...
    @property
    def hungry(self) -> bool: ...


class _GzipDecoder:
    def __init__(self) -> None:
        self._inner = zlib.decompressobj(wbits=31)

    @property
    def eof(self) -> bool:
        return self._inner.eof

    @property
    def unused_data(self) -> bytes:
        return self._inner.unused_data

    @property
    def hungry(self) -> bool:
        return not self._inner.unconsumed_tail

    def decode(self, data: bytes, most: int) -> bytes:
        return self._inner.decompress(self._inner.unconsumed_tail + data, most)


class _XzDecoder:
    def __init__(self) -> None:
        self._inner = lzma.LZMADecompressor(format=lzma.FORMAT_XZ)

    @property
    def eof(self) -> bool:
        return self._inner.eof

    @property
    def unused_data(self) -> bytes:
        return self._inner.unused_data

    @property
    def hungry(self) -> bool:
        return self._inner.needs_input

    def decode(self, data: bytes, most: int) -> bytes:
        return self._inner.decompress(data, most)


class FileSource:
    """A capture file, plain, gzip- or xz-compressed (told by its first bytes), read once from front to back.

    Several compressed members in a row are read as one text. A compressed file that was cut short yields what can be
    decoded, and `warnings` says so. Never seeks, so a named pipe will do. Raises CaptureError for whatever cannot be
    opened, read or decompressed.
    """

    def __init__(self, path: str | Path, *, progress: Progress | None = None) -> None:
        self.file = str(path)
        self.warnings: list[str] = []
        self._progress = progress
        self._digest = hashlib.sha256()
        self._done = 0
        self._handle = self._open(path)
        try:
            self._total = os.fstat(self._handle.fileno()).st_size
            self._pending = self._raw(_PACKED_READ)
            self.packing: Packing = _packing(self._pending)
            self._decoder: _Decoder | None = self._new_decoder()
            self._ended = False
            self._decoded = 0
            self._head = b""
            self._head = self._read_head()
            self._head_left = memoryview(self._head)
        except BaseException:
            self.close()
            raise

    def __enter__(self) -> FileSource:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close the file; calling it twice does no harm."""
        self._handle.close()

    @property
    def head(self) -> bytes:
        """The first decompressed bytes, at most HEAD_BYTES."""
        return self._head

    def readinto(self, buffer: memoryview) -> int:
        """Fill `buffer` with decompressed bytes; fewer than it holds only at the end."""
        filled = min(len(buffer), len(self._head_left))
        if filled:
            buffer[:filled] = self._head_left[:filled]
            self._head_left = self._head_left[filled:]
        return filled + self._fill(buffer[filled:])

    def sha256(self) -> str:
        """Hexadecimal digest of the whole file as it lies on disk; reads on to its end if need be."""
        while self._raw(1 << 20):
            pass
        return self._digest.hexdigest()

    def _open(self, path: str | Path) -> io.FileIO:
        try:
            handle = io.FileIO(path, "rb")
            if stat.S_ISDIR(os.fstat(handle.fileno()).st_mode):
                raise IsADirectoryError(errno.EISDIR, "is a folder, not a capture file")
        except (OSError, ValueError) as error:
            raise CaptureError(_os_reason(error), file=self.file) from None
        return handle

    def _fill(self, buffer: memoryview) -> int:
        filled = 0
        while filled < len(buffer):
            count = self._step(buffer[filled:])
            if count == 0:
                break
            filled += count
        self._decoded += filled
        return filled

    def _step(self, buffer: memoryview) -> int:
        if self._decoder is None:
            return self._plain(buffer)
        while not self._ended:
            text = self._unpack(self._decoder, len(buffer))
            if text:
                buffer[: len(text)] = text
                return len(text)
        return 0

    def _plain(self, buffer: memoryview) -> int:
        if self._pending:
            count = min(len(buffer), len(self._pending))
            buffer[:count] = self._pending[:count]
            self._pending = self._pending[count:]
            return count
        try:
            count = self._handle.readinto(buffer) or 0
        except OSError as error:
            raise CaptureError(_os_reason(error), file=self.file) from None
        self._account(buffer[:count])
        return count

    def _unpack(self, decoder: _Decoder, most: int) -> bytes:
        """One step of decoding: some text, or b"" after the state moved on."""
        data = b""
        if decoder.hungry:
            data = self._pending or self._raw(_PACKED_READ)
            self._pending = b""
            if not data:
                self._ended = True
                self.warnings.append(
                    f"the {self.packing} data end before their time: the capture was analysed up to there"
                )
                return b""
        try:
            text = decoder.decode(data, most)
        except (zlib.error, lzma.LZMAError):
            raise CaptureError(
                f"the {self.packing} data are damaged, after {self._decoded} bytes of text", file=self.file
            ) from None
        if decoder.eof:
            self._next_member(decoder)
        return text

    def _next_member(self, decoder: _Decoder) -> None:
        """After the end of one compressed member: another, padding with zeros, garbage, or the end of the file."""
        self._pending = decoder.unused_data.lstrip(b"\0")
        while not self._pending:
            data = self._raw(_PACKED_READ)
            if not data:
                self._ended = True
                return
            self._pending = data.lstrip(b"\0")
        magic = _GZIP_MAGIC if self.packing == "gzip" else _XZ_MAGIC
        if len(self._pending) < len(magic):
            self._pending += self._raw(_PACKED_READ)
        if self._pending.startswith(magic):
            self._decoder = self._new_decoder()
            return
        self._ended = True
        self.warnings.append(f"what follows the {self.packing} data is not {self.packing} data and was left out")

    def _new_decoder(self) -> _Decoder | None:
        if self.packing == "plain":
            return None
        return _GzipDecoder() if self.packing == "gzip" else _XzDecoder()

    def _raw(self, most: int) -> bytes:
        try:
            data = self._handle.read(most) or b""
        except OSError as error:
            raise CaptureError(_os_reason(error), file=self.file) from None
        self._account(data)
        return data

    def _account(self, data: bytes | memoryview) -> None:
        self._digest.update(data)
        self._done += len(data)
        if self._progress is not None and data:
            self._progress(self._done, max(self._total, self._done) if self._total else 0)

    def _read_head(self) -> bytes:
        buffer = bytearray(HEAD_BYTES)
        return bytes(buffer[: self._fill(memoryview(buffer))])


def _packing(first: bytes) -> Packing:
    if first.startswith(_GZIP_MAGIC):
        return "gzip"
    return "xz" if first.startswith(_XZ_MAGIC) else "plain"


def _os_reason(error: OSError | ValueError) -> str:
    if isinstance(error, FileNotFoundError):
        return "no such file"
    if isinstance(error, PermissionError):
        return "no permission to read it"
    if isinstance(error, OSError) and error.strerror:
        return error.strerror
    return "not a usable file name"
