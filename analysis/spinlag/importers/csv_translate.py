"""CSV cells that a person reads at once and a number parser does not: clock times, a unit in every cell; and line ends
of several kinds in one file. They become plain numbers and line feeds, line by line, before anything reads them.

A clock time becomes seconds since midnight of the first row's day (`csv_clock`). A time with a unit becomes seconds, a
voltage with a unit volts, by an exponent: nothing is rounded. A cell that does not fit stays as it is, for the reader
to complain about at its place; so that it does, a plain number there is marked, once rows began.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, replace
from itertools import pairwise

from spinlag.importers.csv_clock import CLOCK, DATE_CELL, Clock
from spinlag.importers.csv_dialect import COMMENT_MARKS, DELIMITER_NAMES, MOST_LINES, PLAIN_NUMBER, newline_of
from spinlag.importers.csv_header import HeaderName, header_name
from spinlag.importers.csv_layout import Layout
from spinlag.importers.csv_options import CsvOptions
from spinlag.importers.source import ByteSource, ChangedSource

_MOSTLY = 0.95
"""Share of a column's filled cells that must be of one kind."""

_ALIKE = 0.7
"""Share of the rows that must have the same number of cells; a short table may have a footer."""

_SAMPLED = 200
"""Lines of the head by which columns are judged: of its second half, where the rows are."""

_LONGEST_LINE = 1 << 20
"""A longer piece without a line end is no row and goes on as it is."""

_SPACE = b" "
_DELIMITERS = (b"\t", b";", b"|", b",", _SPACE)
_COMMENTS = tuple(mark.encode() for mark in COMMENT_MARKS)
_APART = rb"(?:\xc2\xa0|\xe2\x80\xaf|\xa0| )?"
"""What may stand between a number and its unit: nothing or a space, which may be one that does not break."""

_MICRO = rb"\xc2?\xb5|\xce\xbc"
_WORTH_A_LOOK = re.compile(rb"\d:\d\d:\d\d|\d" + _APART + rb"(?:[mnpu]|" + _MICRO + rb")?[sSvV]|\r[^\r\n]")
_MINUS = "\N{MINUS SIGN}".encode()
_BEGINS_ROW = re.compile(rb'[ "]*(?:[-+.,\d]|\xe2\x88\x92)')
_LONE_RETURN = re.compile(rb"\r+(?=[^\r\n])")
_MEASURE = (
    rb'(?P<open> *(?P<quote>"?) *)(?P<number>(?:[-+]|\xe2\x88\x92)?(?:\d+[.,]?\d*|[.,]\d+))'
    + rb"(?:[eE](?P<power>[-+]?\d{1,3}))?"
    + _APART
)
_TIME = re.compile(_MEASURE + rb"(?P<prefix>[mnpu]|" + _MICRO + rb")?s(?:ec(?:onds?)?)? *(?P=quote)[ \r]*")
_VOLTAGE = re.compile(_MEASURE + rb"(?P<prefix>[mu]|" + _MICRO + rb")?[Vv] *(?P=quote)[ \r]*")
_PLAIN = re.compile(rb' *"? *(?P<number>(?:[-+]|\xe2\x88\x92)?(?:\d+[.,]?\d*|[.,]\d+)(?:[eE][-+]?\d{1,3})?) *"?[ \r]*')
_ZERO = re.compile(rb"(?:[-+]|\xe2\x88\x92)?[0.,]+(?:[eE].*)?")
_POWER = {b"m": -3, b"u": -6, b"\xb5": -6, b"\xc2\xb5": -6, b"\xce\xbc": -6, b"n": -9, b"p": -12}
_THOUSANDTHS = re.compile(rb'"?\d{3}(?:\d{3}){0,2}"?')


@dataclass(frozen=True)
class Translation:
    """What of a file is to be translated: columns from 0, of `width` between `delimiter`s.

    `returns`: lone ones end lines too.
    """

    newline: bytes
    delimiter: bytes = b","
    width: int = 0
    clock: int | None = None
    time: int | None = None
    volts: tuple[int, ...] = ()
    returns: bool = False

    def options(self, options: CsvOptions) -> CsvOptions:
        """Options for reading the translated text."""
        column = self.clock if self.clock is not None else self.time
        if column is not None:
            options = replace(options, time_column=column + 1, time_unit="s")
        if self.volts:  # none of them is a time, whatever else the file lacks
            analogue = (*(options.analogue_columns or ()), *(k + 1 for k in self.volts))
            options = replace(options, analogue_columns=analogue)
        return options

    def layout(self, layout: Layout) -> Layout:
        """The layout of the translated text, with what was translated said in it."""
        if self.clock is not None:
            layout = replace(layout, unit_from="clock times, from midnight of the first row's day")
        elif self.time is not None:
            layout = replace(layout, unit_from="a unit stands in every cell")
        columns = list(layout.columns)
        for k in self.volts:
            if k < len(columns):
                columns[k] = replace(columns[k], kind="analogue", factor=1.0, note="")
        return replace(layout, columns=tuple(columns))

    def head(self, head: bytes) -> bytes:
        """The head of the file, translated, without a last line that a cut left without its unit."""
        text = Translator(self).text(head)
        last = text.rfind(self.newline) + 1
        return text[:last] if last and self._is_cut(text[last:]) else text

    def _is_cut(self, line: bytes) -> bool:
        """Whether a cell of the last line, of which nothing tells that it is whole, was not translated."""
        cells = split(line, self.delimiter)
        return any(k < len(cells) and not _PLAIN.fullmatch(cells[k]) for k in self.translated)

    @property
    def translated(self) -> tuple[int, ...]:
        """The columns of which cells are translated."""
        return (*(k for k in (self.clock, self.time) if k is not None), *self.volts)


def find_translation(head: bytes, options: CsvOptions) -> Translation | None:
    """What has to be translated in a file with this head; None, as for most files, for nothing."""
    if not _WORTH_A_LOOK.search(head):
        return None
    newline = newline_of(head)
    returns = newline == b"\n" and _LONE_RETURN.search(head) is not None
    text = _LONE_RETURN.sub(b"\n", head) if returns else head
    lines = [line for line in text.split(newline, MOST_LINES)[:-1] if line.strip()]
    if not lines:
        lines = [text]
    found = Translation(newline, returns=returns)
    delimiter = _delimiter(lines, options)
    if delimiter is not None:
        found = _columns(found, lines, delimiter, options)
    nothing = not returns and found.clock is None and found.time is None and not found.volts
    return None if nothing else found


def _rows(lines: list[bytes]) -> list[bytes]:
    """The lines by which columns are judged."""
    lines = [line for line in lines if not line.lstrip().startswith(_COMMENTS)]
    return lines[len(lines) // 2 :][:_SAMPLED]


def _delimiter(lines: list[bytes], options: CsvOptions) -> bytes | None:
    """The first delimiter that cuts most of the rows into as many cells; None where none does."""
    rows = _rows(lines)
    given = options.delimiter
    tried = _DELIMITERS if given is None else (DELIMITER_NAMES.get(given.lower(), given).encode("utf-8", "replace"),)
    for delimiter in tried:
        widths = Counter(len(split(row, delimiter)) - 1 for row in rows)
        if rows and widths[max(widths, key=lambda width: widths[width])] >= _ALIKE * len(rows) and max(widths) > 0:
            return delimiter
    return None


def _columns(found: Translation, lines: list[bytes], delimiter: bytes, options: CsvOptions) -> Translation:
    rows = [split(row, delimiter) for row in _rows(lines)]
    width = Counter(map(len, rows)).most_common(1)[0][0]
    columns = list(zip(*(row for row in rows if len(row) == width), strict=True))
    heading = _heading(lines, delimiter, width)
    names = [header_name(_text(cell)) for cell in heading]
    chosen = None if options.time_column is None else str(options.time_column)
    clock = time = None
    for k, cells in enumerate(columns):
        named = k < len(names) and names[k].is_time
        wanted = chosen in (str(k + 1), names[k].name, _text(heading[k])) if chosen and names else named
        if not wanted and (chosen or not all(_may_precede(column) for column in columns[:k])):
            continue
        if _mostly(CLOCK, cells):
            # a fraction behind a comma that delimits as well would be lost
            beside = columns[k + 1] if k + 1 < width else ()
            apart = not any(b"." in cell or b"," in cell for cell in cells) and _mostly(_THOUSANDTHS, beside)
            clock = None if apart else k
            break
        if _mostly(_TIME, cells):
            time = k
            break
    found_time = clock if clock is not None else time
    if found_time is not None and not chosen and _plain_times(columns, names, found_time):
        clock = time = None
    volts = tuple(k for k, cells in enumerate(columns) if _mostly(_VOLTAGE, cells))
    return replace(found, delimiter=delimiter, width=width, clock=clock, time=time, volts=volts)


def _heading(lines: list[bytes], delimiter: bytes, width: int) -> list[bytes]:
    """The first line of that many cells that names a time; where none does, the first of them."""
    headings = [cells for line in lines if len(cells := split(line, delimiter)) == width]
    for cells in headings:
        if not any(_PLAIN.fullmatch(cell) for cell in cells) and any(
            header_name(_text(cell)).is_time for cell in cells
        ):
            return cells
    return headings[0] if headings else []


def _plain_times(columns: list[tuple[bytes, ...]], names: list[HeaderName], found: int) -> bool:
    """Whether another column than that found holds the times as plain numbers, as beside the date of every row.

    It is named a time, or numbers with fractions rise in it while most rows repeat the cell of the column found.
    """
    coarse = 2 * sum(one == other for one, other in pairwise(columns[found])) > len(columns[found])
    for k, cells in enumerate(columns):
        if k == found or not _mostly(_PLAIN, cells):
            continue
        named = k < len(names) and names[k].is_time and names[k].time_unit != "samples"
        if named and (names[k].unit or len(names[k].name) > 1 or _rises(cells)):
            return True
        if coarse and not (found < len(names) and names[found].is_time) and _rises(cells):
            return True
    return False


def _rises(cells: Iterable[bytes]) -> bool:
    """Whether the plain numbers of a column rise at every step, with a fraction in one of them."""
    texts = [found["number"] for cell in cells if (found := _PLAIN.fullmatch(cell))]
    numbers = [float(text.replace(b",", b".").replace(_MINUS, b"-")) for text in texts]
    rising = all(one < other for one, other in pairwise(numbers))
    return rising and len(numbers) > 1 and any(b"." in text or b"," in text for text in texts)


def _text(cell: bytes) -> str:
    return cell.decode("utf-8", "replace").strip(' "\r\ufeff')


def _may_precede(cells: Iterable[bytes]) -> bool:
    """Whether a column can stand left of the time: nothing, a date or a count of rows."""
    return all(DATE_CELL.fullmatch(cell) or cell.strip(b' "').isdigit() or not cell.strip() for cell in cells)


def _mostly(kind: re.Pattern[bytes], cells: Iterable[bytes]) -> bool:
    filled = [cell for cell in cells if cell.strip()]
    return len(filled) > 0 and sum(kind.fullmatch(cell) is not None for cell in filled) >= _MOSTLY * len(filled)


class Translator:
    """Translates lines in the order of the file."""

    def __init__(self, translation: Translation) -> None:
        self._of = translation
        self._clock = Clock()
        self._translated = translation.translated
        self._begun = False

    def text(self, text: bytes) -> bytes:
        """Whole lines, translated."""
        of = self._of
        if of.returns:
            text = _LONE_RETURN.sub(b"\n", text)
        if of.clock is None and of.time is None and not of.volts:
            return text
        return of.newline.join(map(self._line, text.split(of.newline)))

    def _line(self, line: bytes) -> bytes:
        of = self._of
        cells = split(line, of.delimiter)
        before = list(cells)
        if of.clock is not None and of.clock < len(cells):
            cells[of.clock] = self._clock.plain(cells[of.clock], cells[of.clock - 1] if of.clock else None)
        if of.time is not None and of.time < len(cells):
            cells[of.time] = _plain(_TIME, cells[of.time])
        for k in of.volts:
            if k < len(cells):
                cells[k] = _plain(_VOLTAGE, cells[k])
        if len(cells) == of.width:
            kept = [k for k in self._translated if cells[k] == before[k]]
            if self._begun and kept and _BEGINS_ROW.match(line):
                self._mark(cells, kept)
            elif not self._begun:
                self._begun = not kept and _BEGINS_ROW.match(line) is not None
        return of.delimiter.join(cells)

    def _mark(self, cells: list[bytes], kept: list[int]) -> None:
        """Mark the plain numbers that a row has where the rows above have units or clock times."""
        for k in kept:
            found = _PLAIN.fullmatch(cells[k])
            if found is not None and (k == self._of.clock or not _ZERO.fullmatch(found["number"])):
                cells[k] = found["number"] + PLAIN_NUMBER.encode()


def split(line: bytes, delimiter: bytes) -> list[bytes]:
    """The cells of a line, quotes and spaces about them kept, but for spaces that delimit."""
    return line.split() if delimiter == _SPACE else line.split(delimiter)


def _plain(kind: re.Pattern[bytes], cell: bytes) -> bytes:
    """A cell's number in the unit without a prefix."""
    found = kind.fullmatch(cell)
    if found is None:
        return cell
    power = int(found["power"] or 0) + _POWER.get(found["prefix"], 0)
    number = found["number"] + (b"e%d" % power if power else b"")
    return found["quote"] + number + found["quote"] + cell[len(cell.rstrip()) :]


class TranslatedSource(ChangedSource):
    """A source with its lines translated."""

    def __init__(self, source: ByteSource, translation: Translation) -> None:
        super().__init__(source, translation.head(source.head))
        self._translator = Translator(translation)
        self._newline = translation.newline
        self._begun = b""

    def changed(self, piece: bytes, *, last: bool) -> bytes:
        """Whole lines, translated; the begun one waits for its end."""
        text = self._begun + piece
        cut = len(text) if last or len(text) > _LONGEST_LINE else text.rfind(self._newline) + 1
        self._begun = text[cut:]
        return self._translator.text(text[:cut])
