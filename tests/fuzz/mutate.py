"""A seeded mutator: bytes, tokens, numbers and lines of a text, changed the way bad recorders, cables and people do."""

from __future__ import annotations

import random
import re
from collections.abc import Callable, Sequence

from .corpus import NUMBERS

LARGEST = 1 << 11
"""Inputs stay small, so that many can be tried."""

_NUMBER = re.compile(rb"\d+")

Change = Callable[[random.Random, bytes, Sequence[bytes], Sequence[bytes]], bytes]


def mutated(chance: random.Random, corpus: Sequence[bytes], words: Sequence[bytes]) -> bytes:
    """A text of the corpus after one to six changes."""
    text = chance.choice(corpus)
    for _ in range(chance.choice((1, 1, 1, 2, 3, 6))):
        text = chance.choice(_CHANGES)(chance, text, words, corpus)[:LARGEST]
    return text


def _span(chance: random.Random, text: bytes) -> tuple[int, int]:
    start = chance.randrange(len(text) + 1)
    return start, min(len(text), start + chance.choice((1, 1, 2, 4, 16, 64, 400)))


def _flip(chance: random.Random, text: bytes, *_: object) -> bytes:
    at, _end = _span(chance, text)
    return text[:at] + bytes([chance.randrange(256)]) + text[at + 1 :]


def _drop(chance: random.Random, text: bytes, *_: object) -> bytes:
    start, stop = _span(chance, text)
    return text[:start] + text[stop:]


def _repeat(chance: random.Random, text: bytes, *_: object) -> bytes:
    start, stop = _span(chance, text)
    return text[:stop] + text[start:stop] * chance.choice((1, 1, 2, 20)) + text[stop:]


def _cut(chance: random.Random, text: bytes, *_: object) -> bytes:
    return text[: chance.randrange(len(text) + 1)]


def _insert(chance: random.Random, text: bytes, words: Sequence[bytes], _: object) -> bytes:
    at, _end = _span(chance, text)
    blank = chance.choice((b"", b" ", b"\n"))
    return text[:at] + blank + chance.choice(words) + blank + text[at:]


def _renumber(chance: random.Random, text: bytes, *_: object) -> bytes:
    found = list(_NUMBER.finditer(text))
    if not found:
        return text
    one = chance.choice(found)
    if chance.random() < 0.5:
        new = chance.choice(NUMBERS)
    else:
        new = b"%d" % max(0, int(one.group()[:18]) + chance.choice((-1, 1, 2, -100, 1000, 10**6)))
    return text[: one.start()] + new + text[one.end() :]


def _splice(chance: random.Random, text: bytes, _: object, corpus: Sequence[bytes]) -> bytes:
    other = chance.choice(corpus)
    return text[: chance.randrange(len(text) + 1)] + other[chance.randrange(len(other) + 1) :]


def _swap(chance: random.Random, text: bytes, *_: object) -> bytes:
    lines = text.split(b"\n")
    one, two = chance.randrange(len(lines)), chance.randrange(len(lines))
    lines[one], lines[two] = lines[two], lines[one]
    return b"\n".join(lines)


def _blanks(chance: random.Random, text: bytes, *_: object) -> bytes:
    old, new = chance.choice(
        ((b"\n", b"\r\n"), (b"\n", b"\r"), (b" ", b"\t"), (b"\n", b" "), (b",", b";"), (b"\n", b"\n\n"))
    )
    return text.replace(old, new)


def _recode(chance: random.Random, text: bytes, *_: object) -> bytes:
    if chance.random() < 0.8:
        return text
    return text.decode("latin-1").encode(chance.choice(("utf-16", "utf-8-sig", "utf-16-be", "utf-8")))


_CHANGES: tuple[Change, ...] = (
    *(_flip, _flip, _drop, _drop, _repeat, _cut, _insert, _insert, _insert),
    *(_renumber, _renumber, _splice, _swap, _blanks, _recode),
)
