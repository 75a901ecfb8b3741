"""Text in blocks cut where a format can be cut, in buffers that are used again, and work on them in order."""

from __future__ import annotations

import os
import queue
import threading
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import suppress
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from spinlag.errors import CaptureError
from spinlag.importers.source import ByteSource

MARGIN = 32
"""Bytes of a buffer before and after the text, so that whole words may be read across either end of it."""

LONGEST_PIECE = 1 << 26
"""A piece of text that cannot be cut, such as a line, may be this long; a block grows to hold it."""

WORKERS = max(1, min(2, (os.cpu_count() or 1) - 1))
"""Threads that parse blocks while the caller's reads text and gathers what they found. The caller has work for most of
a core: with more threads than cores all of them wait for the interpreter's lock, which costs a third of the time."""

Cut = Callable[[bytearray, int, int], int]
"""Where a block may be cut: cut(buffer, start, stop) gives a position in (start, stop], or -1 where there is none."""

Item = TypeVar("Item")
Result = TypeVar("Result")


@dataclass(eq=False)
class Block:
    """Text `buffer[start:stop]`, of which the first byte is byte `offset` of the (decompressed) file.

    `buffer` has at least MARGIN bytes before `start` and after `stop`, with nothing of meaning in them. `last` marks
    the end of the file: there the text may end anywhere.
    """

    raw: bytearray
    buffer: NDArray[np.uint8]
    start: int
    stop: int
    offset: int
    last: bool

    def __len__(self) -> int:
        return self.stop - self.start

    def text(self) -> NDArray[np.uint8]:
        """The block's text, a view of shape (len,)."""
        return self.buffer[self.start : self.stop]


class BlockReader:
    """Iterates over a source in blocks of about `size` bytes, each cut where `cut` allows.

    Buffers handed back with `recycle` are used again: fresh pages cost more than the work done on them. The last block
    (maybe empty) has `last` set. `offset` is where in the file the source begins.
    """

    def __init__(self, source: ByteSource, size: int, cut: Cut, *, offset: int = 0) -> None:
        keep_freed_memory()
        self._source = source
        self._offset = offset
        self._size = max(size, 1)
        self._cut = cut
        self._free: list[bytearray] = []

    def recycle(self, block: Block) -> None:
        """Give the buffer of a block back; the block must not be used afterwards."""
        if len(block.raw) == self._size + 2 * MARGIN:
            self._free.append(block.raw)

    def __iter__(self) -> Iterator[Block]:
        rest = b""
        offset = self._offset
        while True:
            block = self._read(rest, offset)
            if block.last:
                yield block
                return
            end = self._cut_or_grow(block)
            if block.last:
                yield block
                return
            rest = bytes(block.raw[end : block.stop])
            block.stop = end
            offset = block.offset + len(block)
            yield block

    def _read(self, rest: bytes, offset: int) -> Block:
        room = self._size if len(rest) < self._size else 2 * len(rest)
        raw = self._free.pop() if self._free and room == self._size else bytearray(b" ") * (room + 2 * MARGIN)
        start = MARGIN
        raw[start : start + len(rest)] = rest
        stop = start + len(rest)
        with memoryview(raw) as view, view[stop : start + room] as space:
            got = self._source.readinto(space)
            last = got < len(space)
        return Block(raw, np.frombuffer(raw, dtype=np.uint8), start, stop + got, offset, last)

    def _cut_or_grow(self, block: Block) -> int:
        """Position of the cut; reads on into a larger buffer while there is none."""
        while (end := self._cut(block.raw, block.start, block.stop)) < 0:
            if len(block) > LONGEST_PIECE:
                raise CaptureError(
                    f"no line or word ends within {LONGEST_PIECE >> 20} MiB: this is no text capture",
                    file=self._source.file,
                    byte_offset=block.offset,
                )
            larger = bytearray(b" ") * (2 * len(block) + 2 * MARGIN)
            larger[block.start : block.stop] = block.raw[block.start : block.stop]
            with memoryview(larger) as view, view[block.stop : len(larger) - MARGIN] as space:
                got = self._source.readinto(space)
                block.last = got < len(space)
            block.raw = larger
            block.buffer = np.frombuffer(larger, dtype=np.uint8)
            block.stop += got
            if block.last:
                return block.stop
        return end


def keep_freed_memory() -> None:
    """Make the C library keep freed memory for the next block instead of handing it back page by page.

    glibc does so for arrays up to the size of the largest it has seen freed; other C libraries are not affected.
    """
    np.empty(1 << 24, dtype=np.uint8)


def in_order(items: Iterable[Item], work: Callable[[Item], Result], *, threads: int) -> Iterator[tuple[Item, Result]]:
    """`work` on every item, at most `threads` at a time, results in the order of the items.

    `items` is advanced in the caller's thread, no more than `threads + 1` ahead. With `threads` 0 there is no pool.
    """
    if threads < 1:
        for item in items:
            yield item, work(item)
        return
    waiting: deque[tuple[Item, Future[Result]]] = deque()
    with ThreadPoolExecutor(threads, thread_name_prefix="spinlag-import") as pool:
        try:
            for item in items:
                waiting.append((item, pool.submit(work, item)))
                if len(waiting) > threads:
                    first, future = waiting.popleft()
                    yield first, future.result()
            while waiting:
                first, future = waiting.popleft()
                yield first, future.result()
        finally:
            for _, future in waiting:
                future.cancel()


_AHEAD = 3
"""Items that `ahead` keeps ready: enough for a thread that was held up to catch up, few enough to stay in cache."""


def ahead(items: Iterable[Item]) -> Iterator[Item]:
    """The same items, made in a thread of their own while the caller is at work on those before.

    Pays where making them takes processor time without the interpreter's lock, as decompression does. What goes wrong
    in `items` is raised here, in its turn. The thread has ended when this iterator has, also where it is closed early.
    """
    ready: queue.Queue[tuple[Item | None, BaseException | None]] = queue.Queue(_AHEAD)
    over = threading.Event()

    def make() -> None:
        try:
            for item in items:
                ready.put((item, None))
                if over.is_set():
                    return
            ready.put((None, StopIteration()))
        except BaseException as error:  # noqa: BLE001 - handed over to the caller's thread, whatever it is
            ready.put((None, error))

    maker = threading.Thread(target=make, name="spinlag-read-ahead", daemon=True)
    maker.start()
    try:
        while True:
            item, error = ready.get()
            if isinstance(error, StopIteration):
                return
            if error is not None:
                raise error
            yield item  # type: ignore[misc]
    finally:
        over.set()
        while maker.is_alive():
            with suppress(queue.Empty):
                ready.get(timeout=0.01)
        maker.join()
