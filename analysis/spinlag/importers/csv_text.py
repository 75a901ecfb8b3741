"""CSV text brought into one plain form: no quotes, one delimiter between fields, no spaces around them."""

from __future__ import annotations

import codecs
import re
from dataclasses import dataclass

import numpy as np

from spinlag.errors import CaptureError
from spinlag.importers.blocks import MARGIN
from spinlag.importers.csv_decimals import Bytes, Words
from spinlag.importers.csv_dialect import SPACES, Dialect
from spinlag.importers.source import ByteSource, ChangedSource

NEWLINE, RETURN, SPACE, TAB, QUOTE, POINT = 10, 13, 32, 9, 34, 46

END_OF_FILE = b"\x1a"
"""Control-Z, with which old programs end a text (common practice, no source)."""

_BYTE_ORDER_MARKS = (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)
_JUDGED = 400
_MINUS = "\N{MINUS SIGN}".encode()
_SIGN = re.compile(_MINUS + rb"(?=[\d.,])")


@dataclass(frozen=True, eq=False)
class Text:
    """Whole lines, each ended by a line feed (or that after a carriage return), in `words.view(uint8)[start:stop]`.

    `delimiter` and `decimal` are those of this text; at least MARGIN bytes lie on either side of it.
    """

    words: Words
    start: int
    stop: int
    delimiter: int
    decimal: int

    @property
    def buffer(self) -> Bytes:
        """The bytes, margins included."""
        return self.words.view(np.uint8)


def encoding_of(head: bytes) -> str | None:
    """The name of a file's UTF-16, None for other text: by its mark or, without one, by its zero bytes.

    Every other byte of plain text in UTF-16 is 0, and none of those between.
    """
    if head.startswith(_BYTE_ORDER_MARKS):
        return "utf-16"
    few = head[:_JUDGED]
    odd, even = few[1::2], few[::2]
    if len(few) < 4:
        return None
    if not any(odd) and 0 not in even:
        return "utf-16-le"
    return "utf-16-be" if not any(even) and 0 not in odd else None


class Utf8Source(ChangedSource):
    """A UTF-16 source as UTF-8."""

    def __init__(self, source: ByteSource) -> None:
        super().__init__(source, utf8_head(source.head))
        self._decoder = codecs.getincrementaldecoder(encoding_of(source.head) or "utf-16")()
        self._done = 0

    def changed(self, piece: bytes, *, last: bool) -> bytes:  # noqa: ARG002 - half a character at the end is lost
        """Raises CaptureError, with the byte of the file as it stands, where the text is no UTF-16."""
        self._done += len(piece)
        try:
            return self._decoder.decode(piece).encode("utf-8", "replace")
        except UnicodeDecodeError as error:
            raise CaptureError(
                "the text begins as UTF-16 and does not go on so: copy or export the file again",
                file=self.file,
                byte_offset=self._done - len(error.object) + error.start,
            ) from None


def utf8_head(head: bytes) -> bytes:
    """The head of a UTF-16 file as UTF-8; other heads as they are."""
    encoding = encoding_of(head)
    if encoding is None:
        return head
    return head[: len(head) // 2 * 2].decode(encoding, "replace").encode("utf-8", "replace")


def text_as_it_stands(raw: bytearray, start: int, stop: int, dialect: Dialect) -> Text:
    """Text [start, stop) with whatever quotes and spaces it has."""
    return Text(_words(np.frombuffer(raw, dtype=np.uint8)), start, stop, ord(dialect.delimiter), ord(dialect.decimal))


def plain_text(raw: bytearray, start: int, stop: int, dialect: Dialect, newline: int) -> Text | None:
    """Text [start, stop) in plain form; `raw` itself where it is plain already. None for a line break in quotes.

    `raw` has MARGIN bytes to spare at either end. The number of lines stays as it was.
    """
    if raw.find(_MINUS, start, stop) >= 0:
        signed = _SIGN.sub(b"-", bytes(raw[start:stop]))
        raw = bytearray(MARGIN) + signed + bytearray((-len(signed)) % 8 + MARGIN)
        start, stop = MARGIN, MARGIN + len(signed)
    buffer = np.frombuffer(raw, dtype=np.uint8)
    delimiter = SPACE if dialect.delimiter == SPACES else ord(dialect.delimiter)
    decimal = ord(dialect.decimal)
    text = buffer[start:stop]
    quoted = raw.find(QUOTE, start, stop) >= 0
    spaced = raw.find(SPACE, start, stop) >= 0 or (delimiter == SPACE and raw.find(TAB, start, stop) >= 0)
    if newline == NEWLINE and not quoted and not spaced and decimal != delimiter:
        return Text(_words(buffer), start, stop, delimiter, decimal)
    if newline != NEWLINE:
        text = np.where(text == newline, np.uint8(NEWLINE), text)
    if delimiter == SPACE:
        text = np.where(text == TAB, np.uint8(SPACE), text)
    if quoted or decimal == delimiter:
        unquoted = _unquoted(text, delimiter, decimal)
        if unquoted is None:
            return None
        text = unquoted
        decimal = POINT if decimal == delimiter else decimal
    if spaced:
        text = _without_spaces(text, delimiter)
    room = np.full((len(text) + 2 * MARGIN + 7) // 8 * 8, SPACE, dtype=np.uint8)
    room[MARGIN : MARGIN + len(text)] = text
    return Text(room.view(np.uint64), MARGIN, MARGIN + len(text), delimiter, decimal)


def _words(buffer: Bytes) -> Words:
    return buffer[: len(buffer) // 8 * 8].view(np.uint64)


def _unquoted(text: Bytes, delimiter: int, decimal: int) -> Bytes | None:
    """Without quotes; a delimiter within quotes reads as a point where it is the decimal sign too, else as a space."""
    quotes = text == QUOTE
    inside = np.bitwise_xor.accumulate(quotes)
    if bool((inside & (text == NEWLINE)).any()) or (len(inside) and bool(inside[-1])):
        return None
    hidden = inside & (text == delimiter)
    text = text.copy()
    text[hidden] = POINT if decimal == delimiter else SPACE
    unquoted: Bytes = text[~quotes]
    return unquoted


def _without_spaces(text: Bytes, delimiter: int) -> Bytes:
    """Without the spaces at the ends of fields; runs of spaces that delimit become one."""
    space = text == SPACE
    flips = np.flatnonzero(np.diff(space.view(np.int8), prepend=np.int8(0), append=np.int8(0)))
    begins, ends = flips[0::2], flips[1::2]
    left = np.where(begins > 0, text.take(begins - 1, mode="clip"), NEWLINE)
    right = np.where(ends < len(text), text.take(ends, mode="clip"), NEWLINE)
    edge = np.isin(left, (NEWLINE, RETURN)) | np.isin(right, (NEWLINE, RETURN))
    if delimiter != SPACE:
        edge |= (left == delimiter) | (right == delimiter)
    keep = ~space
    keep[begins[~edge]] = True  # within a field, or as the delimiter itself: one space stays
    kept: Bytes = text[keep]
    return kept
