"""How clocked LEDs frame their data: start, LED words, end, and when each LED shows what it got."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Bools = NDArray[np.bool_]

Shows = Literal["own-word", "next-start", "clock-rest", "last-clock", "next-byte"]
"""`own-word`: each LED with the last bit of its own word; `next-start`: all with the next 32 zeros; `clock-rest`: all
once the clock has rested; `last-clock`: all with the last clock; `next-byte`: each as the byte behind it begins."""

START_ZEROS = 32


@dataclass(frozen=True)
class Frame:
    """One format. `head`: zeros before the first word; `ones` and `zeros`: bit places of a word that must be so, by
    which words are told from what follows them; `colour_bits`: bits of one colour; `lead`: bits before the colours;
    `brightness`: places of the five-bit brightness, empty for none; `retimes`: each LED passes the data on half a clock
    later; `wants_zeros`: an end of ones does harm. `source` says where the format is from.
    """

    name: str
    head: int
    word: int
    ones: tuple[int, ...]
    zeros: tuple[int, ...]
    lead: int
    colour_bits: int
    spacing: int
    shows: Shows
    retimes: bool
    wants_zeros: bool
    brightness: tuple[int, ...]
    source: str

    def end_clocks(self, leds: int) -> int:
        """Fewest clocks that must follow the last word for so many LEDs to show it."""
        return {
            "APA102": math.ceil(leds / 2),
            "SK9822": START_ZEROS + math.ceil(leds / 2),
            "LPD6803": leds,
            "LPD8806": 8 * math.ceil(leds / 32),
        }.get(self.name, 0)


_FIVE = (3, 4, 5, 6, 7)
_APA = {"head": 32, "word": 32, "ones": (0,), "zeros": (), "lead": 8, "colour_bits": 8, "spacing": 8}

FRAMES: dict[str, Frame] = {
    frame.name: frame
    for frame in (
        Frame(
            name="APA102",
            **_APA,  # type: ignore[arg-type]
            shows="own-word",
            retimes=True,
            wants_zeros=False,
            brightness=_FIVE,
            source="APA102C sheet of 2014-10-17, p. 3 and 4; only the first bit of 111 is looked at, LEDs show at once "
            "and n / 2 more clocks are needed (bench post of 2014-11-30)",
        ),
        Frame(
            name="SK9822",
            **_APA,  # type: ignore[arg-type]
            shows="next-start",
            retimes=True,
            wants_zeros=True,
            brightness=_FIVE,
            source="SK9822-EC20 sheet Rev 05, p. 6; the data show at the next 32 zeros, and n / 2 more zeros are "
            "needed (bench post of 2016-12-13)",
        ),
        Frame(
            name="P9813",
            head=32,
            word=32,
            ones=(0, 1),
            zeros=(),
            lead=8,
            colour_bits=8,
            spacing=8,
            shows="own-word",
            retimes=False,
            wants_zeros=False,
            brightness=(),
            source="P9813 sheet of 2012-03-06, p. 2 and 3; that the start frame is zeros is from memory",
        ),
        Frame(
            name="WS2801",
            head=0,
            word=24,
            ones=(),
            zeros=(),
            lead=0,
            colour_bits=8,
            spacing=8,
            shows="clock-rest",
            retimes=False,
            wants_zeros=False,
            brightness=(),
            source="WS2801 sheet V0.3, p. 11 (web copy)",
        ),
        Frame(
            name="LPD6803",
            head=32,
            word=16,
            ones=(0,),
            zeros=(),
            lead=1,
            colour_bits=5,
            spacing=5,
            shows="last-clock",
            retimes=False,
            wants_zeros=False,
            brightness=(),
            source="LPD6803 sheet, p. 9 (web copy)",
        ),
        Frame(
            name="LPD8806",
            head=0,
            word=24,
            ones=(0, 8, 16),
            zeros=(),
            lead=1,
            colour_bits=7,
            spacing=8,
            shows="next-byte",
            retimes=False,
            wants_zeros=False,
            brightness=(),
            source="documents of a driver library for the LPD8806 (web)",
        ),
        Frame(
            name="TLC5971",
            head=0,
            word=224,
            ones=(0, 3, 5),
            zeros=(1, 2, 4),
            lead=32,
            colour_bits=16,
            spacing=16,
            shows="clock-rest",
            retimes=False,
            wants_zeros=False,
            brightness=(),
            source="TLC5971 sheet SBVS146D (maker's web pages): command 25h, 5 function, 21 brightness, 192 grey bits",
        ),
    )
}


def recognise_frame(updates: Sequence[Bools]) -> tuple[Frame, str]:
    """The format that these updates' bits follow, and why; the plainest one where none leaves a mark."""
    bits = [update for update in updates if update.size]
    starts = [int(np.argmax(update)) if update.any() else update.size for update in bits]
    if bits and min(starts) >= START_ZEROS:
        words = [_words(update[start:], 32) for update, start in zip(bits, starts, strict=True)]
        led_words = np.concatenate([found[_lead_run(found[:, 0])] for found in words])
        if led_words.size and _p9813(led_words):
            return FRAMES["P9813"], "32 zeros, then words whose header repeats the inverse of their colours' top bits"
        if led_words.size and led_words[:, :3].all():
            return _apa_kind(bits, starts)
        return FRAMES["LPD6803"], "32 zeros, then words of 16 bits that begin with a one"
    if bits and all(_seven_bit(update) for update in bits):
        return FRAMES["LPD8806"], "bytes that begin with a one, zeros after them"
    if bits and all(_words(update, 224)[:, :6].tolist() and _command(update) for update in bits):
        return FRAMES["TLC5971"], "packets of 224 bits that begin with the command 25h"
    return FRAMES["WS2801"], "no start frame and no header: plain bytes"


def _words(bits: Bools, size: int) -> Bools:
    return bits[: len(bits) // size * size].reshape(-1, size)


def _lead_run(first_bits: Bools) -> slice:
    """Words up to the first that does not begin with a one."""
    return slice(0, len(first_bits) if first_bits.all() else int(np.argmin(first_bits)))


def _p9813(words: Bools) -> bool:
    """11, then the inverse of the top two bits of blue, green and red (P9813 sheet, p. 2 and 3)."""
    tops = words[:, [8, 9, 16, 17, 24, 25]]
    return bool(words[:, :2].all() and (words[:, 2:8] == ~tops).all() and not (words[:, :8].all()))


def _apa_kind(bits: Sequence[Bools], starts: Sequence[int]) -> tuple[Frame, str]:
    tails = [update[start:] for update, start in zip(bits, starts, strict=True)]
    rests = [len(tail) - int(np.flatnonzero(tail)[-1]) - 1 for tail in tails if tail.any()]
    if rests and min(rests) >= START_ZEROS:
        return FRAMES["SK9822"], "32 zeros, words that begin with 111, and at least 32 zeros after them"
    return FRAMES["APA102"], "32 zeros, then words that begin with 111"


def _seven_bit(update: Bools) -> bool:
    tops = _words(update, 8)[:, 0]
    count = int(tops.sum())
    return count > 0 and bool(tops[:count].all()) and not bool(_words(update, 8)[count:].any())


def _command(update: Bools) -> bool:
    wanted = np.array([1, 0, 0, 1, 0, 1], dtype=bool)
    return bool((_words(update, 224)[:, :6] == wanted).all())
