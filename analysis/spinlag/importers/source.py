"""The decompressed bytes of one capture file, in order, with the digest of the file as it lies on disk."""

from __future__ import annotations

import errno
import hashlib
import importlib
import importlib.util
import io
import lzma
import os
import select
import stat
import zlib
from pathlib import Path
from types import TracebackType
from typing import Any, Literal, Protocol

from spinlag.capture import Progress
from spinlag.errors import CaptureError

inflate: Any = importlib.import_module("zlib_ng.zlib_ng" if importlib.util.find_spec("zlib_ng") else "zlib")
"""What unpacks gzip data: zlib-ng where it is installed, the same text in little more than half the time."""

Packing = Literal["plain", "gzip", "xz"]

HEAD_BYTES = 1 << 16
"""How many decompressed bytes the choice of an importer may look at."""

EXPAND_LIMIT = 1 << 30
"""Bytes of text that a compressed file may hold whatever its size; MOST_EXPANSION times its size is always allowed."""

MOST_EXPANSION = 100
"""Captures shrink to a tenth or a thirtieth; text that shrinks beyond this says the same thing over and over."""

XZ_MEMORY = 160 << 20
"""What unpacking may take: twice the need of the tightest preset of xz."""

PIPE_WAIT_S = 10.0
"""How long to wait for somebody to write to a named pipe."""

PIPE_PATIENCE_S = 60.0
"""How long a pipe may be silent once something has come."""

_GZIP_MAGIC = b"\x1f\x8b"
_XZ_MAGIC = b"\xfd7zXZ\x00"
_PACKED_READ = 1 << 18
"""Small reads of packed data: what one call leaves undecoded is copied by the next."""


class ByteSource(Protocol):
    """What an importer reads from: bytes in order, and a look at the first of them."""

    file: str

    @property
    def unpacks(self) -> bool:
        """Whether reading is work for the processor and never waits for anybody: worth a thread of its own."""
        ...

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


class _Inflater(Protocol):
    """What both libraries offer."""

    eof: bool
    unused_data: bytes
    unconsumed_tail: bytes

    def decompress(self, data: bytes, most: int, /) -> bytes: ...


class _GzipDecoder:
    def __init__(self) -> None:
        self._inner: _Inflater = inflate.decompressobj(wbits=31)

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
        self._inner = lzma.LZMADecompressor(format=lzma.FORMAT_XZ, memlimit=XZ_MEMORY)

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


class ChangedSource:
    """Another source's text, changed piece by piece on its way; `head` is its head, changed."""

    def __init__(self, source: ByteSource, head: bytes) -> None:
        self.file = source.file
        self.unpacks = source.unpacks
        self.head = head
        self._source = source
        self._chunk = bytearray(1 << 16)
        self._pending = memoryview(b"")
        self._ended = False

    def readinto(self, buffer: memoryview) -> int:
        """Fill `buffer`; fewer bytes only at the end. Raises CaptureError where a piece cannot be changed."""
        filled = 0
        while filled < len(buffer):
            if not self._pending:
                if self._ended:
                    break
                got = self._source.readinto(memoryview(self._chunk))
                self._ended = got < len(self._chunk)
                self._pending = memoryview(self.changed(bytes(self._chunk[:got]), last=self._ended))
                continue
            count = min(len(buffer) - filled, len(self._pending))
            buffer[filled : filled + count] = self._pending[:count]
            self._pending = self._pending[count:]
            filled += count
        return filled

    def changed(self, piece: bytes, *, last: bool) -> bytes:
        """What stands for the next piece of the text; what has to wait for more may be held back until the last."""
        raise NotImplementedError


class Unpadded:
    """Another source without the zero bytes at its very end, as a crash leaves them; `text`, already read, comes first.

    `padding` is how many there are, once all was read: they are held back until something else follows, so that where
    a block ends makes no difference to what they mean.
    """

    def __init__(self, source: ByteSource, text: bytes = b"") -> None:
        self.file = source.file
        self.head = source.head.rstrip(b"\0")
        self.unpacks = source.unpacks
        self._source = source
        self._text = memoryview(text.rstrip(b"\0"))
        self._due = 0
        self._ended = False
        self.padding = len(text) - len(self._text)

    def readinto(self, buffer: memoryview) -> int:
        """The text first, then what the source has."""
        filled = 0
        while filled < len(buffer) and (self._due or self._text or not self._ended):
            room = buffer[filled:]
            if self._due:
                count = min(self._due, len(room))
                room[:count] = bytes(count)
                self._due -= count
            elif self._text:
                count = min(len(self._text), len(room))
                room[:count] = self._text[:count]
                self._text = self._text[count:]
            else:
                count = self._more(room)
            filled += count
        return filled

    def _more(self, room: memoryview) -> int:
        """How many bytes of the source stand in `room` now; none where zeros held back have to go before them."""
        got = self._source.readinto(room)
        self._ended = got < len(room)
        count = len(bytes(room[:got]).rstrip(b"\0")) if got and room[got - 1] == 0 else got
        if count and self.padding:
            self._due, self._text = self.padding, memoryview(bytes(room[:count]))
            self.padding = got - count
            return 0
        self.padding += got - count
        return count


class FileSource:
    """A capture file, plain, gzip- or xz-compressed (told by its first bytes), read once from front to back.

    Several compressed members in a row are read as one text. A compressed file that was cut short yields what can be
    decoded, and `warnings` says so; so it does of a file that changes while it is read. `expand_limit` is how many
    bytes of text a compressed file may hold (None: EXPAND_LIMIT, or MOST_EXPANSION times its size where that is more).
    Never seeks, so a named pipe will do. Raises CaptureError for whatever cannot be opened, read or decompressed.
    """

    def __init__(self, path: str | Path, *, progress: Progress | None = None, expand_limit: int | None = None) -> None:
        self.file = str(path)
        self._expand_limit = expand_limit
        self.warnings: list[str] = []
        self._progress = progress
        self._digest = hashlib.sha256()
        self._done = 0
        self._handle = self._open(path)
        try:
            self._before = os.fstat(self._handle.fileno())
            self._total = self._before.st_size
            self._is_pipe = stat.S_ISFIFO(self._before.st_mode)
            self._read_out = False
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
    def unpacks(self) -> bool:
        """Whether this is a compressed file whose unpacking takes as long as reading the text, and no pipe."""
        slow = self.packing == "xz" or (self.packing == "gzip" and inflate is zlib)
        return slow and not self._is_pipe

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
        """Hexadecimal digest of the whole file as it lies on disk; reads on to its end if need be.

        What is written to the file after its end was reached belongs neither to the text nor to the digest.
        """
        while not self._read_out:
            self._raw(1 << 20)
        self._note_changes()
        return self._digest.hexdigest()

    def _open(self, path: str | Path) -> io.FileIO:
        try:
            handle = io.FileIO(path, "rb", True, _without_waiting)
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
        if self._decoder is not None:
            self._refuse_bomb()
        return filled

    def _refuse_bomb(self) -> None:
        limit = self._expand_limit
        if limit is None:
            limit = max(EXPAND_LIMIT, MOST_EXPANSION * self._done)
        if self._decoded > limit:
            raise CaptureError(
                f"the {self.packing} data expand to more than {limit / 1e9:.3g} GB, {self._decoded // self._done} "
                "times what was read of the file so far; if that is right, raise the limit with --expand-limit GB",
                file=self.file,
            )

    def _note_changes(self) -> None:
        """Say so where the file is no longer what it was when it was opened."""
        now = os.fstat(self._handle.fileno())
        if not stat.S_ISREG(now.st_mode):
            return
        if (now.st_size, now.st_mtime_ns) != (self._before.st_size, self._before.st_mtime_ns):
            self.warnings.append(
                f"the file changed while it was read ({self._before.st_size} bytes at first, {now.st_size} at the "
                f"end): {self._done} bytes were analysed; is the recorder still writing?"
            )

    def _await(self) -> None:
        """Wait for a pipe to have something to say, within reason."""
        if not self._is_pipe:
            return
        patience = PIPE_PATIENCE_S if self._done else PIPE_WAIT_S
        if not select.select([self._handle.fileno()], [], [], patience)[0]:
            raise CaptureError(f"nothing came through this pipe for {patience:.0f} s", file=self.file)
        os.set_blocking(self._handle.fileno(), True)

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
        self._await()
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
                    f"the {self.packing} data end before their time, after {self._done} bytes: the capture was "
                    "analysed up to there; copy the file again"
                )
                return b""
        try:
            text = decoder.decode(data, most)
        except (zlib.error, inflate.error, lzma.LZMAError) as error:
            if "limit" in str(error):
                raise CaptureError(
                    f"the xz data need more than {XZ_MEMORY >> 20} MiB of memory to unpack; unpack them first",
                    file=self.file,
                ) from None
            raise CaptureError(
                f"the {self.packing} data are damaged, after {self._decoded} bytes of text: copy the file again, or "
                "unpack it by hand as far as it goes",
                file=self.file,
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
        self.warnings.append(
            f"what follows the {self.packing} data, from byte {self._done - len(self._pending)} of the file on, is not "
            f"{self.packing} data and was left out: where part of the recording is missing, copy the file again"
        )

    def _new_decoder(self) -> _Decoder | None:
        if self.packing == "plain":
            return None
        return _GzipDecoder() if self.packing == "gzip" else _XzDecoder()

    def _raw(self, most: int) -> bytes:
        self._await()
        try:
            data = self._handle.read(most) or b""
        except OSError as error:
            raise CaptureError(_os_reason(error), file=self.file) from None
        self._account(data)
        return data

    def _account(self, data: bytes | memoryview) -> None:
        self._read_out |= not len(data)
        self._digest.update(data)
        self._done += len(data)
        if self._progress is not None and data:
            self._progress(self._done, max(self._total, self._done) if self._total else 0)

    def _read_head(self) -> bytes:
        buffer = bytearray(HEAD_BYTES)
        return bytes(buffer[: self._fill(memoryview(buffer))])


def _without_waiting(path: str, flags: int) -> int:
    """Open without waiting for somebody at the other end of a named pipe."""
    return os.open(path, flags | getattr(os, "O_NONBLOCK", 0))


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
