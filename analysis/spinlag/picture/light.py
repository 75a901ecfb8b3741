"""Bits on the wire to red, green and blue per LED, with LEDs that an update did not reach keeping what they had."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spinlag.leds.frames import FRAMES
from spinlag.leds.updates import ChainUpdates

Indices = NDArray[np.int64]
Bools = NDArray[np.bool_]
Image = NDArray[np.uint8]

_LOOK_BACK = 4096
"""Updates before the first one wanted that are searched for the last complete one."""

_KEY_SLICE = 65_536


@dataclass(frozen=True)
class Word:
    """How one word of a chain carries colours: `bits` long, colours of `colour_bits` each, `spacing` apart from bit
    `lead` on, named by `letters`; a word may hold several LEDs. `brightness`: bit places of a common brightness.
    """

    bits: int
    lead: int
    colour_bits: int
    spacing: int
    letters: str
    brightness: tuple[int, ...]

    @property
    def leds(self) -> int:
        """LEDs in one word."""
        return max((self.bits - self.lead + self.spacing - self.colour_bits) // (self.spacing * len(self.letters)), 1)

    @property
    def bytewise(self) -> bool:
        """True where every colour is a byte of its own."""
        return self.colour_bits == self.spacing == 8 and self.lead % 8 == 0 and self.bits % 8 == 0


def word_of(chain: ChainUpdates) -> Word:
    """The word of a chain: by its frame where it has one, else its colours fill the LED's bits evenly."""
    letters = chain.order or "W"
    frame = FRAMES.get(chain.frame)
    if frame is not None:
        return Word(frame.word, frame.lead, frame.colour_bits, frame.spacing, letters, frame.brightness)
    colour_bits = max(chain.bits_per_led // len(letters), 1)
    return Word(chain.bits_per_led, 0, colour_bits, colour_bits, letters, ())


@dataclass(frozen=True, eq=False)
class LightRows:
    """Updates [first, last) of one chain as light. `raw`, uint8, shape (last - first, width): the bits on the wire,
    packed, with short updates filled up from the ones before."""

    word: Word
    words: int
    first: int
    last: int
    raw: NDArray[np.uint8]
    row_keys: NDArray[np.uint64]

    @property
    def leds(self) -> int:
        """LEDs in a row."""
        return self.words * self.word.leds

    def keys(self, rows: Indices) -> NDArray[np.uint64]:
        """A number per update row that differs where the data differ; 0 for a dark row (negative)."""
        if not len(self.row_keys):
            return np.zeros(rows.shape, dtype=np.uint64)
        found = self.row_keys[np.clip(rows - self.first, 0, len(self.row_keys) - 1)]
        return np.where(rows < 0, np.uint64(0), found)

    def colours(self, rows: Indices) -> Image:
        """Red, green, blue of every LED after each update row, shape (n,): uint8, shape (n, leds, 3)."""
        image = np.zeros((len(rows), self.leds, 3), dtype=np.uint8)
        if not len(self.raw) or not len(rows):
            return image
        raw = self.raw[np.clip(rows - self.first, 0, len(self.raw) - 1)]
        planes = self._planes(raw)
        letters = self.word.letters
        for plane, letter in enumerate("RGB"):
            if letter in letters:
                image[:, :, plane] = planes[:, :, letters.index(letter)]
        if "W" in letters:
            white = planes[:, :, letters.index("W"), None].astype(np.uint16)
            image = np.minimum(image + white, 255).astype(np.uint8)
        image[rows < 0] = 0
        return image

    def _planes(self, raw: NDArray[np.uint8]) -> NDArray[np.uint8]:
        """Values of every colour, 0 to 255, shape (n, leds, letters)."""
        word, n = self.word, len(raw)
        count = word.leds * len(word.letters)
        bits = None
        if word.bytewise:
            cells = raw.reshape(n, self.words, word.bits // 8)
            values = cells[:, :, word.lead // 8 : word.lead // 8 + count]
        else:
            bits = np.unpackbits(raw, axis=1, count=self.words * word.bits).reshape(n, self.words, word.bits)
            at = word.lead + word.spacing * np.arange(count)[:, None] + np.arange(word.colour_bits)[None, :]
            weight = 2.0 ** np.arange(word.colour_bits - 1, -1, -1)
            values = np.rint(bits[:, :, at] @ (weight * (255.0 / (2.0**word.colour_bits - 1)))).astype(np.uint8)
        if word.brightness:
            values = self._dimmed(values, raw, bits)
        return np.asarray(values.reshape(n, self.leds, len(word.letters)), dtype=np.uint8)

    def _dimmed(
        self, values: NDArray[np.uint8], raw: NDArray[np.uint8], bits: NDArray[np.uint8] | None
    ) -> NDArray[np.uint8]:
        """Values times the word's own brightness."""
        places = np.array(self.word.brightness)
        if bits is None:
            bits = np.unpackbits(raw, axis=1).reshape(len(raw), self.words, self.word.bits)
        weight = 2.0 ** np.arange(len(places) - 1, -1, -1)
        share = (bits[:, :, places] @ weight) / (2.0 ** len(places) - 1)
        return np.asarray(np.rint(values * share[:, :, None]), dtype=np.uint8)


def light_rows(chain: ChainUpdates, words: int, first: int, last: int) -> LightRows:
    """Rows [first, last) of a chain's updates, as what its LEDs showed after each; `words` is how many it takes.

    An update that ends early leaves the LEDs behind it as they were; one that is too long changes nothing more; a word
    that came only in part changes nothing. Shift registers are otherwise: the last LED's bits go first, and every clock
    moves what was there one place on.
    """
    word = word_of(chain)
    begin = first
    if first > 0 and not _complete(chain, words, first, first + 1).all():
        before = np.flatnonzero(_complete(chain, words, max(first - _LOOK_BACK, 0), first))
        begin = max(first - _LOOK_BACK, 0) + (int(before[-1]) if before.size else 0)
    if chain.wiring == "latched":
        raw = _shifted(chain, words, begin, last)
    else:
        raw = np.zeros((max(last - begin, 0), -(-words * chain.bits_per_led // 8)), dtype=np.uint8)
        complete = _complete(chain, words, begin, last)
        _fill_whole(chain, raw, complete, begin)
        _fill_short(chain, raw, complete, begin, words)
    raw = raw[first - begin :]
    return LightRows(word, words, first, last, raw, _keys(raw))


def _shifted(chain: ChainUpdates, words: int, first: int, last: int) -> NDArray[np.uint8]:
    """What shift registers hold after each update, packed, first LED first; bits beyond the last LED fall off."""
    colours = max(len(chain.order), 1)
    depth = max(chain.bits_per_led // colours, 1)
    size = words * colours * depth
    rows = np.zeros((max(last - first, 0), size), dtype=np.uint8)
    whole = _complete(chain, words, first, last)
    for bits in np.unique(chain.bits[first:last][whole]).tolist():
        same = np.flatnonzero(whole & (chain.bits[first:last] == bits))
        width = -(-bits // 8)
        packed = chain.data[chain.offsets[first + same][:, None] + np.arange(width)[None, :]]
        rows[same] = np.unpackbits(packed, axis=1)[:, bits - size : bits]
    for row in np.flatnonzero(~whole).tolist():
        begin, end = (int(at) for at in chain.offsets[first + row : first + row + 2])
        sent = np.unpackbits(chain.data[begin:end])[: int(chain.bits[first + row])]
        held = rows[row - 1] if row > 0 else np.zeros(size, dtype=np.uint8)
        rows[row] = np.concatenate((held, sent))[-size:]
    in_order = rows.reshape(len(rows), words * colours, depth)[:, ::-1]
    return np.packbits(in_order.reshape(len(rows), size), axis=1)


def _complete(chain: ChainUpdates, words: int, first: int, last: int) -> Bools:
    """Which updates of [first, last) reach every word."""
    return np.asarray(chain.bits[first:last] >= words * chain.bits_per_led)


def _fill_whole(chain: ChainUpdates, raw: NDArray[np.uint8], complete: Bools, begin: int) -> None:
    """Copy complete updates, runs of the same length at a time."""
    width = raw.shape[1]
    lengths = np.diff(chain.offsets[begin : begin + len(raw) + 1])
    fits = complete & (lengths >= width)
    same = fits[1:] & fits[:-1] & (lengths[1:] == lengths[:-1])
    starts = np.flatnonzero(fits & ~np.concatenate(([False], same)))
    ends = np.flatnonzero(fits & ~np.concatenate((same, [False]))) + 1
    for a, b in zip(starts.tolist(), ends.tolist(), strict=True):
        run = chain.data[chain.offsets[begin + a] : chain.offsets[begin + b]]
        raw[a:b] = run.reshape(b - a, -1)[:, :width]


def _fill_short(chain: ChainUpdates, raw: NDArray[np.uint8], complete: Bools, begin: int, words: int) -> None:
    """Each short update on top of the row before it."""
    for row in np.flatnonzero(~complete).tolist():
        reached = min(int(chain.bits[begin + row]) // chain.bits_per_led, words) * chain.bits_per_led
        if row > 0:
            raw[row] = raw[row - 1]
        at, end = (int(offset) for offset in chain.offsets[begin + row : begin + row + 2])
        whole, rest = divmod(min(reached, 8 * (end - at)), 8)
        raw[row, :whole] = chain.data[at : at + whole]
        if rest:
            mask = 0xFF << (8 - rest) & 0xFF
            raw[row, whole] = (int(chain.data[at + whole]) & mask) | (int(raw[row, whole]) & ~mask & 0xFF)


def _keys(raw: NDArray[np.uint8]) -> NDArray[np.uint64]:
    """A 64-bit number per row: a fixed random odd multiplier per byte place, summed modulo 2^64, plus one.

    Two rows that differ get the same number with a chance near 2^-60; nothing but the comparison of rows rests on it.
    """
    width = raw.shape[1]
    factors = np.random.default_rng(9973).integers(1, 2**63, size=width, dtype=np.uint64) * np.uint64(2) + np.uint64(1)
    keys = np.empty(len(raw), dtype=np.uint64)
    for at in range(0, len(raw), _KEY_SLICE):
        keys[at : at + _KEY_SLICE] = raw[at : at + _KEY_SLICE].astype(np.uint64) @ factors
    return keys + np.uint64(1)
