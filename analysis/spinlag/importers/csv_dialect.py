"""How the rows of a CSV file are written: line ends, delimiter and decimal sign, from a bounded look at its head."""

from __future__ import annotations

import csv
import re
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass

from spinlag.importers.csv_options import CsvOptions
from spinlag.importers.lanes import LOST

MOST_LINES = 1000
"""Lines of the head that are looked at."""

SPACES = " "
"""As a delimiter: any run of spaces or tabs."""

_TRIED = 60
"""Lines on which every dialect is tried."""

DELIMITER_NAMES = {
    "tab": "\t",
    "\\t": "\t",
    "space": SPACES,
    "spaces": SPACES,
    "comma": ",",
    "semicolon": ";",
    "bar": "|",
}
"""Names of delimiters that are awkward to type."""

DELIMITERS = ("\t", ";", ",", "|", SPACES)
COMMENT_MARKS = ("#", "%", "//")
_NUMBERS = {
    ".": re.compile(r"[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d{1,3})?", re.ASCII),
    ",": re.compile(r"[-+]?(?:\d+,?\d*|,\d+)(?:[eE][-+]?\d{1,3})?", re.ASCII),
}
_NOT_A_NUMBER = re.compile(r"[-+]?(?:nan|inf(?:inity)?)", re.IGNORECASE)
_SIGN = re.compile(r"\N{MINUS SIGN}(?=[\d.,])")
"""Typographic minus signs of numbers, which some writers use for their locale."""

_HEX = re.compile(r"0[bB][01]{1,64}|0[xX][0-9a-fA-F]{1,16}|[0-9a-fA-F]{2,16}")

NO_SAMPLE_TEXTS = ("nan", "-nan", "n/a", "null", "none")
"""What programs write into a table, in either case, where there was no sample. Common practice, no source."""

LEVELS = {
    **dict.fromkeys(("0", "l", "f", "low", "lo", "false", "off"), 0),
    **dict.fromkeys(("1", "h", "t", "high", "hi", "true", "on"), 1),
    **dict.fromkeys(("", "x", "z", "u", "w", "?", "-", *NO_SAMPLE_TEXTS), LOST),
}
"""Texts of a digital level in lower case."""


PLAIN_NUMBER = "(plain_number)"
"""Marks a plain number in a column whose other cells have a unit or are clock times: its size is anyone's guess."""

CLOCK_JUMP = "(clock_jump)"
"""Marks a clock time, without a date, more than half a day after the one before."""


@dataclass(frozen=True)
class HeadLine:
    """One line of the head: its number from 1, the byte where it starts, and its text."""

    number: int
    offset: int
    text: str

    @property
    def is_comment(self) -> bool:
        """Whether the line begins with a comment mark."""
        return self.text.lstrip().startswith(COMMENT_MARKS)


@dataclass(frozen=True)
class Dialect:
    """`delimiter` (SPACES for aligned columns), decimal sign, and the number of fields of a data row."""

    delimiter: str
    decimal: str
    width: int
    score: float
    """Share of the fields, over the lines tried, that a capture could hold."""

    def split(self, line: str) -> list[str]:
        """The fields of one line, quotes and surrounding spaces removed."""
        return split_line(line, self.delimiter)

    def is_number(self, text: str) -> bool:
        """Whether a field is one finite decimal number."""
        return _NUMBERS[self.decimal].fullmatch(text) is not None


def is_nan_or_infinity(text: str) -> bool:
    """Whether a field spells NaN or an infinity."""
    return _NOT_A_NUMBER.fullmatch(text) is not None


def is_hexadecimal(text: str) -> bool:
    """Whether a field could be a hexadecimal number of up to 64 bits, or a binary one marked 0b."""
    return _HEX.fullmatch(text) is not None


def split_line(line: str, delimiter: str) -> list[str]:
    """The fields of one line, quotes and surrounding spaces removed."""
    if '"' in line:
        source = re.sub(r"[ \t]+", " ", line.strip()) if delimiter == SPACES else line
        try:
            fields = next(csv.reader([source], delimiter=delimiter, skipinitialspace=True), [])
        except csv.Error:  # a line end within the line, or a field beyond the module's limit
            return [line.strip()]
        return [field.strip() for field in fields]
    return line.split() if delimiter == SPACES else [field.strip() for field in line.split(delimiter)]


def newline_of(head: bytes) -> bytes:
    """What ends a line: line feed (also where a carriage return precedes it), or a lone carriage return."""
    return b"\r" if b"\n" not in head and b"\r" in head else b"\n"


def head_lines(head: bytes, *, complete: bool) -> list[HeadLine]:
    """The lines of the head, at most MOST_LINES; without the last one, unless `complete`, if nothing ends it."""
    newline = newline_of(head)
    pieces = head.split(newline, MOST_LINES)
    last = pieces.pop()
    if last and complete and len(pieces) < MOST_LINES:
        pieces.append(last)
    lines = []
    offset = 0
    for number, piece in enumerate(pieces, start=1):
        lines.append(HeadLine(number, offset, _SIGN.sub("-", _decoded(piece).rstrip("\r\n"))))
        offset += len(piece) + 1
    return lines


def _decoded(piece: bytes) -> str:
    try:
        return piece.decode("utf-8-sig")
    except UnicodeDecodeError:
        return piece.decode("latin-1")


def find_dialect(lines: list[HeadLine], options: CsvOptions) -> Dialect | None:
    """The delimiter and decimal sign under which most of the lines read as rows of one width; None if none does."""
    texts = [line.text for line in lines if line.text.strip() and not line.is_comment][:_TRIED]
    if not texts:
        return None
    delimiters = DELIMITERS if options.delimiter is None else (options.delimiter,)
    best: Dialect | None = None
    for delimiter in delimiters:
        rows = [split_line(text, delimiter) for text in texts]
        widths = Counter(len(row) for row in rows if len(row) > 1)
        if not widths:
            continue
        width = max(widths, key=lambda count: (widths[count], count))
        if delimiter == SPACES and best is not None and (best.delimiter, best.width) == ("\t", width):
            continue  # tabs alone cut the rows so; spaces would cut a header and a preamble as well
        for decimal in (".", ",") if options.decimal is None else (options.decimal,):
            found = Dialect(delimiter, decimal, width, 0.0)
            score = sum(_score(row, found) for row in rows if len(row) == width) / len(rows)
            if best is None or score > best.score:
                best = Dialect(delimiter, decimal, width, score)
    return best


def _score(row: Iterable[str], dialect: Dialect) -> float:
    """Share of a row's fields that could be data; 0 for a row without a number."""
    kinds = [_kind(field, dialect) for field in row]
    return 0.0 if "number" not in kinds else 1.0 - kinds.count("text") / len(kinds)


def _kind(field: str, dialect: Dialect) -> str:
    if dialect.is_number(field):
        return "number"
    return "data" if field.lower() in LEVELS or is_hexadecimal(field) or is_nan_or_infinity(field) else "text"
