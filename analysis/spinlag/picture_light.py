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
    reached = np.minimum(chain.bits[first:last] // chain.bits_per_led, leds)
    if (reached == leds).all():
        raw = _rows(chain, np.arange(first, last), leds * size)
    else:
        raw = _filled(chain, leds, size, first, last)
    return LightRows(chain, leds, first, last, raw, _keys(raw))


def _rows(chain: ChainUpdates, updates: Indices, width: int) -> NDArray[np.uint8]:
    """The first `width` bytes of each update, shape (n, width); zeros past an update's end."""
    if not len(updates):
        return np.zeros((0, width), dtype=np.uint8)
    begin, end = chain.offsets[updates], chain.offsets[updates + 1]
    lengths = end - begin
    if (lengths == width).all() and (np.diff(begin) == width).all():
        return np.asarray(chain.data[begin[0] : end[-1]]).reshape(len(updates), width)
    at = begin[:, None] + np.arange(width)[None, :]
    inside = at < end[:, None]
    return np.where(inside, chain.data[np.minimum(at, max(len(chain.data) - 1, 0))], 0).astype(np.uint8)


def _filled(chain: ChainUpdates, leds: int, size: int, first: int, last: int) -> NDArray[np.uint8]:
    before = chain.bits[max(first - _LOOK_BACK, 0) : first] // chain.bits_per_led >= leds
    whole = np.flatnonzero(before)
    begin = max(first - _LOOK_BACK, 0) + int(whole[-1]) if whole.size else max(first - _LOOK_BACK, 0)
    updates = np.arange(begin, last)
    raw = _rows(chain, updates, leds * size)
    reached = np.minimum(chain.bits[begin:last] // chain.bits_per_led, leds)
    holds = np.where(reached[:, None] > np.arange(leds)[None, :], np.arange(len(updates))[:, None], -1)
    source = np.maximum.accumulate(holds, axis=0)
    cells = raw.reshape(len(updates), leds, size)
    shown = cells[np.maximum(source, 0), np.arange(leds)[None, :]]
    shown[source < 0] = 0
    return np.ascontiguousarray(shown.reshape(len(updates), leds * size)[first - begin :])


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
