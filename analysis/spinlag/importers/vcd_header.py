"""The declarations of a VCD file (IEEE Std 1364-2005 18.2 and 18.3), read token by token up to the first value."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from fractions import Fraction

from spinlag.errors import CaptureError
from spinlag.importers.source import ByteSource
from spinlag.importers.vcd_advice import AGAIN, shown

_PIECE = 1 << 17
_BYTE_ORDER_MARK = b"\xef\xbb\xbf"
_TOKEN = re.compile(rb"[^\x00-\x20]+")
_UNITS = {"s": 1, "ms": 10**3, "us": 10**6, "ns": 10**9, "ps": 10**12, "fs": 10**15}
_TIMESCALE = re.compile(r"\s*(\d+)\s*([^\W\d_]+)\s*")
_MICRO = str.maketrans({"\N{MICRO SIGN}": "u", "\N{GREEK SMALL LETTER MU}": "u"})
_RANGE = re.compile(r"(?s)(.+?)\[\s*(-?\d{1,18})\s*:\s*(-?\d{1,18})\s*\]")
_WIDTH_RANGE = re.compile(r"\[\s*(-?\d{1,18})\s*:\s*(-?\d{1,18})\s*\]")
_MOST_DIGITS = 18
"""Digits of a size or an index: a larger one is no line that can be kept, whatever it says."""
_BODY_KEYWORDS = {b"$dumpvars", b"$dumpall", b"$dumpon", b"$dumpoff", b"$dumpports", b"$dumpportsall"}
_LONGEST_WORD = 1 << 18
_MOST_TEXT = 1 << 20
"""A section's text is kept up to here; the rest of an endless comment is read and dropped."""

NOT_DIGITAL = frozenset({"real", "realtime", "string", "event"})
"""Variable types that are no digital line."""


@dataclass(frozen=True, slots=True)
class Variable:
    """One $var. `bits` are the declared indices, most significant first; None for a variable of one bit."""

    kind: str
    width: int
    code: bytes
    name: str
    scopes: tuple[str, ...]
    bits: range | None

    @property
    def path(self) -> str:
        """Dotted scopes and the name."""
        return ".".join((*self.scopes, self.name))


@dataclass
class Header:
    """What the declarations say. `body` is text read beyond them, `body_offset` where it begins in the file."""

    timescale: str | None = None
    timescale_offset: int = 0
    timescale_lost: int | None = None
    """Where a comment begins that ends in a timescale, as one without its $end does that swallows the next section."""
    zeros: tuple[int, int] | None = None
    """Where zero bytes stand in the text of a date, version or comment, and how many."""
    date: str | None = None
    version: str | None = None
    comments: list[str] = field(default_factory=list)
    variables: list[Variable] = field(default_factory=list)
    complete: bool = False
    """$enddefinitions was there."""
    ended: bool = False
    """The file ends inside the declarations."""
    body: bytes = b""
    body_offset: int = 0


class _Reader:
    """Tokens of the header with their offsets, and what is left of the text behind the last one."""

    def __init__(self, source: ByteSource) -> None:
        self._source = source
        self._text = b""
        self._offset = 0
        self._position = 0
        self._ended = False
        self.zeros: tuple[int, int] | None = None

    def __iter__(self) -> Iterator[tuple[bytes, int]]:
        while True:
            for match in _TOKEN.finditer(self._text, self._position):
                if match.end() == len(self._text) and not self._ended:
                    break
                self._note_zeros(match.start())
                self._position = match.end()
                yield match.group(), self._offset + match.start()
            else:
                self._position = max(self._position, len(self._text.rstrip(bytes(range(33)))))
            if self._ended:
                return
            self._more()

    def _note_zeros(self, stop: int) -> None:
        """Add the zero bytes before the next token to `zeros`: where the first stands, and how many there are."""
        first = self._text.find(0, self._position, stop)
        if first >= 0:
            offset, count = self.zeros if self.zeros is not None else (self._offset + first, 0)
            self.zeros = offset, count + self._text.count(0, first, stop)

    def rest_from(self, offset: int) -> bytes:
        """Text from a byte of the file on, as far as it was read."""
        return self._text[offset - self._offset :]

    @property
    def position(self) -> int:
        """Where the text behind the last token begins."""
        return self._offset + self._position

    def _more(self) -> None:
        if len(self._text) - self._position > _LONGEST_WORD:
            self._note_zeros(len(self._text))
            if self.zeros is not None:
                raise _lost(self.zeros, self._source.file)
            raise CaptureError(
                f"a word of more than {_LONGEST_WORD >> 10} KiB stands in the declarations: this is no VCD file",
                file=self._source.file,
                byte_offset=self.position,
            )
        buffer = bytearray(_PIECE)
        got = self._source.readinto(memoryview(buffer))
        self._ended = got < len(buffer)
        self._text = self._text[self._position :] + bytes(buffer[:got])
        if self._offset == 0 and self._position == 0 and self._text.startswith(_BYTE_ORDER_MARK):
            self._position = len(_BYTE_ORDER_MARK)
            return
        self._offset += self._position
        self._position = 0


def read_header(source: ByteSource) -> Header:
    """Read up to `$enddefinitions $end`, or, where a writer left that out, up to the first time stamp or dump.

    Raises CaptureError with the byte offset for a declaration that cannot be understood.
    """
    header = Header()
    scopes: list[str] = []
    reader = _Reader(source)
    tokens = iter(reader)
    for word, offset in tokens:
        if word.startswith(b"#") or word in _BODY_KEYWORDS:
            header.body, header.body_offset = reader.rest_from(offset), offset
            return header
        if reader.zeros is not None and word not in _FREE_TEXT:
            raise _lost(reader.zeros, source.file)
        _refuse_strange(word, offset, source.file)
        if word == b"$end":
            continue
        text = _section(tokens)
        if reader.zeros is not None:
            if word not in _FREE_TEXT:
                raise _lost(reader.zeros, source.file)
            header.zeros, reader.zeros = header.zeros or reader.zeros, None
        if text is None:
            break
        _refuse_unended(word, text, offset, source.file)
        _declare(header, scopes, word, text, offset, source.file)
        if header.complete:
            header.body, header.body_offset = reader.rest_from(reader.position), reader.position
            return header
    header.ended = True
    return header


def timescale_tick(header: Header, file: str) -> Fraction | None:
    """The tick in seconds, None where the file has no $timescale. Raises CaptureError for one that is none, or lost."""
    if header.timescale is None:
        if header.timescale_lost is not None:
            raise _unended(b"$comment", b"$timescale", header.timescale_lost, file)
        if header.zeros is not None:
            raise _lost(header.zeros, file)
        return None
    plain = plain_timescale(header.timescale)
    if plain is None:
        raise CaptureError(
            f"the timescale {shown(header.timescale.encode())} is not 1, 10 or 100 of s, ms, us, ns, ps "
            "or fs: correct it, or give [capture] tick_ns in the rig, which overrules it",
            file=file,
            byte_offset=header.timescale_offset,
        )
    number, unit = plain.split()
    return Fraction(int(number), _UNITS[unit])


def plain_timescale(text: str) -> str | None:
    """A timescale as the standard writes it, such as `10 us` for `10 µs` or `10US`; None for what is none."""
    match = _TIMESCALE.fullmatch(text)
    if match is None or match[1] not in {"1", "10", "100"}:
        return None
    unit = match[2].translate(_MICRO).lower()
    return f"{match[1]} {unit}" if unit in _UNITS else None


def _section(tokens: Iterator[tuple[bytes, int]]) -> list[bytes] | None:
    """The words up to $end; None where the file ends first."""
    words: list[bytes] = []
    size = 0
    for word, _ in tokens:
        if word == b"$end":
            return words
        size += len(word)
        if size < _MOST_TEXT:
            words.append(word)
    return None


def _refuse_unended(keyword: bytes, words: list[bytes], offset: int, file: str) -> None:
    """A declaration that swallowed the next one: its $end is missing, and a line would be without a name."""
    if keyword == b"$comment":  # which may speak of declarations; dates and versions hardly do
        return
    for word in words:
        if word in _DECLARATIONS or (word in _BODY_KEYWORDS and keyword != b"$var"):
            raise _unended(keyword, word, offset, file)
    if keyword == b"$enddefinitions" and words:
        raise _unended(keyword, words[0], offset, file)


def _unended(keyword: bytes, following: bytes, offset: int, file: str) -> CaptureError:
    return CaptureError(
        f"the {_text(keyword)} that begins here has no $end before the next {_text(following[:40])}: write it in",
        file=file,
        byte_offset=offset,
    )


def _refuse_strange(word: bytes, offset: int, file: str) -> None:
    """What stands for a keyword and is none, or is one in capital letters, which would be passed over."""
    if not word.startswith(b"$") or len(word) < 2:
        reason = f"{shown(word)} stands where the declarations of a VCD file should be: delete it, or {AGAIN}"
    elif word not in _RESERVED and word.lower() in _RESERVED:
        reason = f"{shown(word)} is no keyword: write it in lower case, as {_text(word.lower())}"
    else:
        return
    raise CaptureError(reason, file=file, byte_offset=offset)


def _lost(zeros: tuple[int, int], file: str) -> CaptureError:
    offset, count = zeros
    stand = "1 zero byte stands" if count == 1 else f"{count} zero bytes stand"
    return CaptureError(
        f"{stand} among the declarations, as in an unfinished copy: the text there is lost; {AGAIN}",
        file=file,
        byte_offset=offset,
    )


def _declare(header: Header, scopes: list[str], keyword: bytes, words: list[bytes], offset: int, file: str) -> None:
    text = b" ".join(words).decode("latin-1")
    if keyword == b"$var":
        header.variables.append(_variable(words, tuple(scopes), offset, file))
    elif keyword == b"$scope":
        scopes.append(_unescaped(_text(words[1])) if len(words) > 1 else "")
    elif keyword == b"$upscope":
        if scopes:
            scopes.pop()
    elif keyword == b"$timescale":
        before, text = header.timescale, _text(b" ".join(words))
        if before is not None and before.replace(" ", "") != text.replace(" ", ""):
            raise CaptureError(
                f"a second timescale, {shown(text.encode())}, where {shown(before.encode())} was "
                "given: delete the wrong one",
                file=file,
                byte_offset=offset,
            )
        header.timescale, header.timescale_offset = text, offset
    elif keyword == b"$date":
        header.date = text
    elif keyword == b"$version":
        header.version = text
    elif keyword == b"$comment":
        header.comments.append(text[:200])
        before_it, keyword_in_it, behind = _text(b" ".join(words)).rpartition("$timescale ")
        if keyword_in_it and before_it and plain_timescale(behind) is not None:
            header.timescale_lost = offset
    elif keyword == b"$enddefinitions":
        header.complete = True


def _variable(words: list[bytes], scopes: tuple[str, ...], offset: int, file: str) -> Variable:
    """`type size code name [range]`."""
    if len(words) < 4:
        raise CaptureError(
            f"a $var needs a type, a size, an identifier code and a name, not {shown(b' '.join(words))}: complete it, "
            f"or {AGAIN}",
            file=file,
            byte_offset=offset,
        )
    width = _width(words[1])
    if width is None:
        reason = f"the size {shown(words[1])} of a $var is no number: write how many bits it has, or {AGAIN}"
        raise CaptureError(reason, file=file, byte_offset=offset)
    code = words[2]
    if code.startswith(b"$") and code[1:].isalpha() and len(code) > 3 and code in _RESERVED:
        reason = f"{shown(code)} is a keyword, not an identifier code: complete the $var, or {AGAIN}"
        raise CaptureError(reason, file=file, byte_offset=offset)
    name = _name(words[3:])
    bits: range | None = None
    if width != 1:
        name, bits = _indices(name, width)
    return Variable(_text(words[0]).lower(), width, code, name, tuple(scope for scope in scopes if scope), bits)


_FREE_TEXT = frozenset(b"$date $version $comment".split())
_DECLARATIONS = frozenset(b"$timescale $scope $upscope $var $enddefinitions".split())
_RESERVED = _BODY_KEYWORDS | set(
    b"$end $comment $date $version $timescale $scope $upscope $var $enddefinitions $attrbegin $attrend "
    b"$dumpportson $dumpportsoff $vcdclose".split()
)


def _width(word: bytes) -> int | None:
    if word.isdigit():
        return int(word[-_MOST_DIGITS:]) if len(word.lstrip(b"0")) <= _MOST_DIGITS else 10**_MOST_DIGITS
    match = _WIDTH_RANGE.fullmatch(word.decode("latin-1"))
    return abs(int(match[1]) - int(match[2])) + 1 if match else None


def _name(words: list[bytes]) -> str:
    """The reference: a name, its index or range joined to it whether or not white space stood between."""
    joined = ""
    for word in map(_text, words):
        joined += word if not joined or word.startswith("[") else f" {word}"
    return _unescaped(joined)


def _indices(name: str, width: int) -> tuple[str, range]:
    """The name without its range, and the bits' indices, most significant first."""
    match = _RANGE.fullmatch(name)
    if match is not None:
        high, low = int(match[2]), int(match[3])
        step = -1 if high >= low else 1
        if abs(high - low) + 1 == width:
            return match[1], range(high, low + step, step)
    return name, range(width - 1, -1, -1)


def _unescaped(name: str) -> str:
    """An escaped identifier (IEEE Std 1364-2005 3.7.1) without its backslash."""
    return name.removeprefix("\\")


def _text(word: bytes) -> str:
    """UTF-8 where it is that, else Latin-1, which cannot fail."""
    try:
        return word.decode("utf-8")
    except UnicodeDecodeError:
        return word.decode("latin-1")
