"""The pictures that scenarios show, as columns by LEDs by red, green, blue."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from spinlag.synth.scenario import Picture

Image = NDArray[np.uint8]

TIDE_PERIOD_H = 12.42
"""Mean interval between high waters (half a lunar day of 24.84 h)."""


def draw(picture: Picture, columns: int, leds: int, rng: np.random.Generator) -> Image:
    """The picture as uint8, shape (columns, leds, 3); LED 0 is nearest the hub."""
    if picture.kind == "noise":
        return rng.integers(0, 256, (columns, leds, 3), dtype=np.uint8)
    if picture.kind == "dark":
        return np.zeros((columns, leds, 3), dtype=np.uint8)
    if picture.kind == "white":
        return np.full((columns, leds, 3), picture.brightness, dtype=np.uint8)
    if picture.kind == "gray-code":
        return gray_code(columns, leds)
    return tide_dial(picture, columns, leds)


def on_the_leds(picture: Image, arms: int) -> Image:
    """What the LEDs of all arms show while the first arm is at each column, shape (columns, arms * leds, 3).

    Arm i is 1 / arms of a turn ahead, so it shows the column that is that much ahead.
    """
    step = picture.shape[0] // arms
    return np.concatenate([np.roll(picture, -i * step, axis=0) for i in range(arms)], axis=1)


def gray_code(columns: int, leds: int) -> Image:
    """White LEDs that count the columns in Gray code, so that each column differs from the next in one LED."""
    number = np.arange(1, columns + 1)
    code = number ^ (number >> 1)
    lit = (code[:, None] >> np.arange(leds)[None, :]) & 1
    return np.asarray(np.repeat(lit[..., None] * 255, 3, axis=-1), dtype=np.uint8)


def tide_dial(picture: Picture, columns: int, leds: int) -> Image:
    """The tide dial: the ring is the coming tide period, clockwise from now.

    Each column's blue bar is the height of the tide then (a plain sine between low and high water); the outermost LED
    is a white tick at each full hour; the column of the next high water is green from hub to rim, and the column of now
    is red.
    """
    image = np.zeros((columns, leds, 3), dtype=np.uint8)
    full = picture.brightness
    hours = np.arange(columns) * (TIDE_PERIOD_H / columns)
    height = np.cos(2.0 * math.pi * (hours - picture.high_water_in_h) / TIDE_PERIOD_H)
    bar = np.rint((height + 1.0) / 2.0 * (leds - 3)).astype(np.int64) + 1
    led = np.arange(leds)
    water = led[None, :] < bar[:, None]
    image[water] = (0, full // 4, full)
    ticks = np.floor(hours) != np.floor(np.roll(hours, 1))
    image[ticks, -1] = (full, full, full)
    image[round(picture.high_water_in_h / TIDE_PERIOD_H * columns) % columns, :] = (0, full, 0)
    image[0, :] = (full, 0, 0)
    return image


def wire_bytes(image: Image, order: str) -> NDArray[np.uint8]:
    """Columns as bytes in wire order, shape (columns, leds * letters). White is the least of the three colours."""
    planes = {"R": image[..., 0], "G": image[..., 1], "B": image[..., 2], "W": image.min(axis=-1)}
    return np.stack([planes[letter] for letter in order], axis=-1).reshape(image.shape[0], -1)
