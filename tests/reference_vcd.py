"""A slow, obvious VCD reader, one token after another, to check the vectorised one against.

Written from IEEE Std 1364-2005, clause 18, for files that keep to the standard; it checks nothing.
Zero bytes stand for text that was lost.
"""

from __future__ import annotations

import re
from bisect import bisect_left
from dataclasses import dataclass, field

KNOWN = {"0": 0, "L": 0, "l": 0, "1": 1, "H": 1, "h": 1}
SKIPPED = {"$comment", "$date", "$version", "$timescale"}
MARKS = {"$dumpvars", "$dumpall", "$dumpon", "$end", "$dumpports", "$dumpportsall", "$dumpportson", "$vcdclose"}
OFF = {"$dumpoff", "$dumpportsoff"}


@dataclass
class Bit:
    """One line while its records are replayed."""

    initial: int | None = None
    level: int | None = None
    toggles: list[int] = field(default_factory=list)
    unknown: list[list[int]] = field(default_factory=list)
    lost: bool = True
    lost_at: int | None = None
    cancelled: int = 0

    def record(self, time: int, state: str, start: int) -> None:
        value = KNOWN.get(state)
        if value is None:
            if not self.lost:
                self.lost, self.lost_at = True, time
            return
        if self.lost:
            begin = start if self.lost_at is None else self.lost_at
            if begin < time:
                self.unknown.append([begin, time])
            self.lost = False
        if self.initial is None:
            self.initial = value
        elif value != self.level:
            if self.toggles and self.toggles[-1] == time:
                self.toggles.pop()
                self.cancelled += 1
            else:
                self.toggles.append(time)
        self.level = value

    def intervals(self, start: int, end: int) -> list[list[int]]:
        spans = list(self.unknown)
        if self.lost:
            spans.append([start if self.lost_at is None else self.lost_at, end])
        joined: list[list[int]] = []
        for begin, stop in spans:
            if joined and joined[-1][1] == begin:
                joined[-1][1] = stop
            elif begin < stop:
                joined.append([begin, stop])
        return joined


@dataclass
class Reference:
    """start, end, and for every path (initial or -1, edges, unknown intervals)."""

    start: int
    end: int
    lines: dict[str, tuple[int, list[int], list[list[int]]]]
    cancelled: dict[str, int]
    """Pairs of changes at one time stamp that left nothing behind."""


def read(text: bytes) -> Reference:
    """Read a whole VCD text."""
    text = text.rstrip(b"\0")
    tokens, places = _tokens(text)
    place = 0
    scopes: list[str] = []
    bits: dict[str, list[Bit]] = {}
    names: list[tuple[str, Bit]] = []
    while tokens[place] != "$enddefinitions":
        keyword = tokens[place]
        stop = tokens.index("$end", place)
        words = tokens[place + 1 : stop]
        if keyword == "$scope":
            scopes.append(words[1])
        elif keyword == "$upscope":
            scopes.pop()
        elif keyword == "$var":
            _declare(words, scopes, bits, names)
        place = stop + 1
    place = tokens.index("$end", place) + 1
    records, start, end = _records(text[places[place - 1] + len("$end") :], bits)
    for time, bit, state in records:
        bit.record(time, state, start)
    lines = {
        path: (-1 if bit.initial is None else bit.initial, bit.toggles, bit.intervals(start, end))
        for path, bit in names
    }
    return Reference(start, end, lines, {path: bit.cancelled for path, bit in names})


def _tokens(text: bytes) -> tuple[list[str], list[int]]:
    """The tokens, and where each begins."""
    found = list(re.finditer(rb"[^\x00-\x20]+", text))
    return [token.group().decode("latin-1") for token in found], [token.start() for token in found]


def _declare(words: list[str], scopes: list[str], bits: dict[str, list[Bit]], names: list[tuple[str, Bit]]) -> None:
    kind, size, code, *reference = words
    if kind in {"real", "realtime", "event", "string"}:
        bits.setdefault(code, [])
        return
    width = int(size)
    mine = bits.setdefault(code, [Bit() for _ in range(width)])
    name = (reference[0] + "".join(reference[1:])).removeprefix("\\")
    if width == 1:
        names.append((".".join([*scopes, name]), mine[-1]))
        return
    match = re.fullmatch(r"(.+)\[(-?\d+):(-?\d+)\]", name)
    high, low = (int(match[2]), int(match[3])) if match else (width - 1, 0)
    stem = match[1] if match else name
    indices = range(high, low - 1, -1) if high >= low else range(high, low + 1)
    names.extend((".".join([*scopes, f"{stem}[{index}]"]), bit) for index, bit in zip(indices, mine, strict=True))


def _records(text: bytes, bits: dict[str, list[Bit]]) -> tuple[list[tuple[int, Bit, str]], int, int]:
    tokens, places = _tokens(text)
    # every line loses its level where zero bytes stand, once the record before them or around them is read
    holes = [bisect_left(places, hole.start()) for hole in re.finditer(rb"\x00+", text)]
    times = []
    records: list[tuple[int | None, Bit, str]] = []
    now: int | None = None
    place = 0
    while place < len(tokens) or holes:
        if holes and (holes[0] <= place or place == len(tokens)):
            holes.pop(0)
            records += [(now, bit, "x") for line in bits.values() for bit in line]
            continue
        token = tokens[place]
        place += 1
        if token in SKIPPED:
            place = tokens.index("$end", place) + 1
        elif token in OFF:
            records += [(now, bit, "x") for line in bits.values() for bit in line]
        elif token in MARKS:
            pass
        elif token[0] == "$" and len(token) > 2:
            # a section of a writer's own
            place = tokens.index("$end", place) + 1
        elif token[0] == "#":
            now = int(token[1:])
            times.append(now)
        elif token[0] in "rRsS":
            records += [(now, bit, "x") for bit in bits[tokens[place]]]
            place += 1
        else:
            if token[0] in "bB":
                value, code = token[1:], tokens[place]
                place += 1
            elif len(token) == 1:
                value, code = token, tokens[place]
                place += 1
            else:
                value, code = token[0], token[1:]
            line = bits[code]
            extension = "0" if value[0] in "01LHlh" else value[0]
            full = value.rjust(len(line), extension)
            records += [(now, bit, state) for bit, state in zip(line, full[len(full) - len(line) :], strict=True)]
    start, end = times[0], times[-1] + 1
    return [(start if time is None else time, bit, state) for time, bit, state in records], start, end
