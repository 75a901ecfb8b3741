"""Bytes on the wire to red, green and blue per LED, with LEDs that an update did not reach keeping what they had."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spinlag.leds.updates import ChainUpdates

Indices = NDArray[np.int64]
Image = NDArray[np.uint8]

_LOOK_BACK = 4096
"""Updates before the first one wanted that are searched for the last complete one."""

_KEY_SLICE = 65_536


@dataclass(frozen=True, eq=False)
class LightRows:
    """Updates [first, last) of one chain as light. `raw`, uint8, shape (last - first, leds * letters): wire bytes with
    short updates filled up from the ones before."""

    chain: ChainUpdates
    leds: int
    first: int
    last: int
    raw: NDArray[np.uint8]
    row_keys: NDArray[np.uint64]

    def keys(self, rows: Indices) -> NDArray[np.uint64]:
        """A number per update row that differs where the data differ; 0 for a dark row (negative)."""
        if not len(self.row_keys):
            return np.zeros(rows.shape, dtype=np.uint64)
        found = self.row_keys[np.clip(rows - self.first, 0, len(self.row_keys) - 1)]
        return np.where(rows < 0, np.uint64(0), found)

    def colours(self, rows: Indices) -> Image:
        """Red, green, blue of every LED after each update row, shape (n,): uint8, shape (n, leds, 3)."""
        letters = self.chain.order
        if not len(self.raw):
            return np.zeros((len(rows), self.leds, 3), dtype=np.uint8)
        per_led = self.raw.shape[1] // self.leds
        raw = self.raw[np.clip(rows - self.first, 0, len(self.raw) - 1)].reshape(len(rows), self.leds, per_led)
        offset = raw.shape[2] - len(letters)  # a header byte, on wirings that have one, comes first
        image = np.zeros((len(rows), self.leds, 3), dtype=np.uint8)
        for plane, letter in enumerate("RGB"):
            if letter in letters:
                image[:, :, plane] = raw[:, :, offset + letters.index(letter)]
        if "W" in letters:
            white = raw[:, :, offset + letters.index("W"), None].astype(np.uint16)
            image = np.minimum(image + white, 255).astype(np.uint8)
        image[rows < 0] = 0
        return image


def light_rows(chain: ChainUpdates, leds: int, first: int, last: int) -> LightRows:
    """Rows [first, last) of a chain's updates, as what its LEDs showed after each.

    An update that ends early leaves the LEDs behind it as they were; one that is too long changes nothing more; an LED
    that got only part of its bits keeps its colour.
    """
    size = max(chain.bits_per_led // 8, 1)
    begin = first
    if first > 0 and not _complete(chain, leds, first, first + 1).all():
        before = np.flatnonzero(_complete(chain, leds, max(first - _LOOK_BACK, 0), first))
        begin = max(first - _LOOK_BACK, 0) + (int(before[-1]) if before.size else 0)
    raw = np.zeros((max(last - begin, 0), leds * size), dtype=np.uint8)
    complete = _complete(chain, leds, begin, last)
    _fill_whole(chain, raw, complete, begin)
    _fill_short(chain, raw, complete, begin, leds, size)
    raw = raw[first - begin :]
    return LightRows(chain, leds, first, last, raw, _keys(raw))


def _complete(chain: ChainUpdates, leds: int, first: int, last: int) -> NDArray[np.bool_]:
    """Which updates of [first, last) reach every LED."""
    return np.asarray(chain.bits[first:last] >= leds * chain.bits_per_led)


def _fill_whole(chain: ChainUpdates, raw: NDArray[np.uint8], complete: NDArray[np.bool_], begin: int) -> None:
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


def _fill_short(
    chain: ChainUpdates, raw: NDArray[np.uint8], complete: NDArray[np.bool_], begin: int, leds: int, size: int
) -> None:
    """Each short update on top of the row before it."""
    for row in np.flatnonzero(~complete).tolist():
        reached = min(int(chain.bits[begin + row]) // chain.bits_per_led, leds) * size
        if row > 0:
            raw[row] = raw[row - 1]
        at = int(chain.offsets[begin + row])
        raw[row, :reached] = chain.data[at : at + reached]


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
