"""What the viewer saw: decoded data and visible instants, laid out over angle and LED, turn by turn."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spinlag.capture import Capture, Ticks
from spinlag.leds.updates import ChainUpdates
from spinlag.picture_light import LightRows, light_rows
from spinlag.placement import Placement
from spinlag.rig import DisplayTable, Rig
from spinlag.rotation import Rotation

Floats = NDArray[np.float64]
Indices = NDArray[np.int64]
Image = NDArray[np.uint8]

FULL_TURN = 360.0

FINEST_BINS = 1440
MOST_BINS_PER_COLUMN = 4

DARK = -1
"""Stands for an update in `turn_rows` where nothing had been shown yet."""

_BLOCK_CELLS = 4_000_000


@dataclass(frozen=True, eq=False)
class Window:
    """Something through which light reaches the eye: an arm that carries LEDs, or a slot over them.

    It stands `offset_deg` ahead of the shaft's reference in the direction of rotation and shows LEDs `first` to
    `last` - 1 of the display on rows 0, 1, ... of the picture, or on rows `row` and up.
    """

    offset_deg: float
    first: int
    last: int
    row: int = 0


@dataclass(frozen=True, eq=False)
class Screen:
    """Everything needed to lay out any turn's picture, none of the pictures themselves.

    A picture is uint8 of shape (bins, rows, 3): angle from the reference in the direction of rotation, LED row, and
    red, green, blue as sent to the LEDs. `angles_deg`, shape (bins,), are the bins' middles; bins begin where columns
    begin (`phase_deg`), so that ordinary jitter of a fraction of a column moves nothing. `radii`, shape (rows,), are in
    mm where `radii_from` is `rig`, else in LED pitches from the hub. `turn_ticks`, shape (turns + 1,).
    """

    geometry: str
    direction: str
    columns: int
    gamma: float
    phase_deg: float
    angles_deg: Floats
    radii: Floats
    radii_from: str
    windows: tuple[Window, ...]
    chains: tuple[ChainUpdates, ...]
    first_led: tuple[int, ...]
    visible: tuple[Ticks, ...]
    turn_ticks: Ticks
    tick_s: float

    @property
    def bins(self) -> int:
        """Angular bins of a picture."""
        return len(self.angles_deg)

    @property
    def rows(self) -> int:
        """LED rows of a picture."""
        return len(self.radii)

    @property
    def turns(self) -> int:
        """Whole turns that can be laid out."""
        return len(self.turn_ticks) - 1

    @property
    def weights(self) -> Floats:
        """Share of the picture's area that each row covers, shape (rows,): rings on a disc, stripes under a slot."""
        area = self.radii if self.geometry == "arm" else np.ones(self.rows)
        return np.asarray(area / area.sum())


def set_up_screen(
    capture: Capture,
    rig: Rig,
    rotation: Rotation | None,
    chains: Sequence[ChainUpdates],
    placements: Sequence[Placement | None],
) -> Screen | None:
    """The screen of a capture: geometry from the rig's `[display]`, columns and their phase from the first placement.

    Chains in the rig's order carry the display's LEDs one after the other; several arms share them evenly. None where
    there is no whole turn or no LED to show.
    """
    lit = [chain for chain in chains if len(chain) and chain.leds_seen]
    if rotation is None or len(rotation.turn_ticks) < 2 or not lit:
        return None
    display = rig.display
    placed = next((placement for placement in placements if placement is not None), None)
    columns = display.columns or (placed.columns if placed else 0)
    if not columns:
        return None
    counts = [_led_count(chain, rig) for chain in lit]
    first_led = np.concatenate(([0], np.cumsum(counts)))
    windows, rows = _windows(display, int(first_led[-1]))
    slot = FULL_TURN / columns
    offset = placed.offset.median if placed is not None and placed.offset.median is not None else 0.0
    per_column = max(1, min(MOST_BINS_PER_COLUMN, FINEST_BINS // columns))
    bins = columns * per_column
    phase = float(offset % slot)
    radii, radii_from = _radii(display, rows)
    return Screen(
        geometry=display.geometry,
        direction=display.direction,
        columns=columns,
        gamma=display.gamma,
        phase_deg=phase,
        angles_deg=np.asarray(phase + (np.arange(bins) + 0.5) * (FULL_TURN / bins), dtype=np.float64),
        radii=radii,
        radii_from=radii_from,
        windows=windows,
        chains=tuple(lit),
        first_led=tuple(int(led) for led in first_led),
        visible=tuple(_visible(chain, capture) for chain in lit),
        turn_ticks=rotation.turn_ticks,
        tick_s=float(capture.tick),
    )


def _led_count(chain: ChainUpdates, rig: Rig) -> int:
    given = next((entry.count for entry in rig.leds if entry.name == chain.name), None)
    return given or chain.leds_seen


def _windows(display: DisplayTable, leds: int) -> tuple[tuple[Window, ...], int]:
    """Windows and the number of picture rows."""
    if display.geometry == "slot":
        slots = display.slots
        return tuple(Window(i * FULL_TURN / slots, 0, leds) for i in range(slots)), leds
    arms = display.arms
    per_arm = -(-leds // arms)
    own_rows = display.radii_mm is not None and len(display.radii_mm) == leds and arms > 1
    windows = tuple(
        Window(i * FULL_TURN / arms, i * per_arm, min((i + 1) * per_arm, leds), i * per_arm if own_rows else 0)
        for i in range(arms)
        if i * per_arm < leds
    )
    return windows, leds if own_rows else per_arm


def _radii(display: DisplayTable, rows: int) -> tuple[Floats, str]:
    if display.radii_mm is not None and len(display.radii_mm) == rows:
        return np.array(display.radii_mm, dtype=np.float64), "rig"
    return np.arange(rows, dtype=np.float64) + 0.5, "even"


def _visible(chain: ChainUpdates, capture: Capture) -> Ticks:
    """Ticks at which each update shows, never falling."""
    after = np.rint(chain.light_s / float(capture.tick)).astype(np.int64)
    return np.maximum.accumulate(chain.last + after)


def turn_rows(screen: Screen, chain: int, window: Window, first: int, last: int) -> Indices:
    """Which update of a chain showed through a window at each angle of turns [first, last).

    Shape (last - first, bins): row numbers in the chain's updates, DARK where none had come yet. LEDs hold their light
    between updates.
    """
    turns = np.arange(first, last)[:, None] + (screen.angles_deg - window.offset_deg)[None, :] / FULL_TURN
    whole = np.clip(np.floor(turns).astype(np.int64), 0, screen.turns - 1)
    begin = screen.turn_ticks[whole]
    length = screen.turn_ticks[whole + 1] - begin
    at = begin + np.rint((turns - whole) * length).astype(np.int64)
    return np.asarray(screen.visible[chain].searchsorted(at, side="right") - 1)


@dataclass(frozen=True, eq=False)
class Block:
    """Turns [first, last) laid out: which update each chain showed through each window at each angle.

    `rows[w][c]`, shape (turns, bins); `keys`, uint64, shape (turns, bins), are equal where all that was shown was
    equal; `light[c]` looks colours up.
    """

    screen: Screen
    first: int
    last: int
    rows: tuple[tuple[Indices, ...], ...]
    keys: NDArray[np.uint64]
    light: tuple[LightRows, ...]

    def colours(self, turn: Indices, angle: Indices) -> Image:
        """What was seen at pairs of turn (counted from `first`) and bin, each shape (n,): uint8, shape (n, rows, 3).

        Several windows that pass over one spot give the mean of their light.
        """
        screen = self.screen
        total = np.zeros((len(turn), screen.rows, 3), dtype=np.uint16)
        shown = np.zeros(screen.rows, dtype=np.uint16)
        for window, by_chain in zip(screen.windows, self.rows, strict=True):
            place = window.row - window.first
            shown[window.first + place : window.last + place] += 1
            for c, rows in enumerate(by_chain):
                low = max(window.first, screen.first_led[c])
                high = min(window.last, screen.first_led[c + 1])
                if low >= high:
                    continue
                lit = self.light[c].colours(rows[turn, angle])
                total[:, low + place : high + place] += lit[:, low - screen.first_led[c] : high - screen.first_led[c]]
        if int(shown.max(initial=1)) == 1:
            return total.astype(np.uint8)
        return np.asarray(np.rint(total / np.maximum(shown, 1)[None, :, None]), dtype=np.uint8)

    def images(self) -> Image:
        """Every turn's picture, shape (turns, bins, rows, 3)."""
        n, bins = self.keys.shape
        turn, angle = np.divmod(np.arange(n * bins), bins)
        return self.colours(turn, angle).reshape(n, bins, self.screen.rows, 3)


def lay_out(screen: Screen, first: int, last: int) -> Block:
    """Lay out turns [first, last); both are clipped to the turns there are."""
    first, last = max(first, 0), min(max(last, first, 0), screen.turns)
    rows = tuple(
        tuple(turn_rows(screen, c, window, first, last) for c in range(len(screen.chains))) for window in screen.windows
    )
    light = []
    for c, chain in enumerate(screen.chains):
        used = np.concatenate([by_chain[c].ravel() for by_chain in rows]) if last > first else np.empty(0, np.int64)
        low = int(used.min(initial=0)) if used.size else 0
        high = int(used.max(initial=-1)) + 1 if used.size else 0
        light.append(light_rows(chain, screen.first_led[c + 1] - screen.first_led[c], max(low, 0), high))
    keys = np.zeros((last - first, screen.bins), dtype=np.uint64)
    for by_chain in rows:
        for c, chosen in enumerate(by_chain):
            keys = keys * np.uint64(0x9E3779B97F4A7C15) + light[c].keys(chosen)
    return Block(screen, first, last, rows, keys, tuple(light))


def blocks(screen: Screen, turns_each: int = 64) -> Iterator[Block]:
    """All turns in blocks of at most `turns_each`, fewer where the picture is large."""
    size = max(1, min(turns_each, _BLOCK_CELLS // (screen.bins * len(screen.windows))))
    for first in range(0, screen.turns, size):
        yield lay_out(screen, first, first + size)


def turn_image(screen: Screen, turn: int) -> Image:
    """The picture of one turn, uint8, shape (bins, rows, 3). Raises IndexError for a turn that is not there."""
    if not 0 <= turn < screen.turns:
        raise IndexError(f"no turn {turn}; there are {screen.turns}")
    return np.asarray(lay_out(screen, turn, turn + 1).images()[0])


def usual_image(screen: Screen, turns: Sequence[int] | Indices) -> Image:
    """The median picture over `turns`, per spot and colour, uint8, shape (bins, rows, 3); dark for no turns."""
    chosen = np.unique(np.asarray(turns, dtype=np.int64))
    chosen = chosen[(chosen >= 0) & (chosen < screen.turns)]
    if not chosen.size:
        return np.zeros((screen.bins, screen.rows, 3), dtype=np.uint8)
    stack = [lay_out(screen, int(turn), int(turn) + 1) for turn in chosen]
    keys = np.concatenate([block.keys for block in stack])
    _, settled, holder = majority(keys)
    image = np.zeros((screen.bins, screen.rows, 3), dtype=np.uint8)
    for i, block in enumerate(stack):
        mine = np.flatnonzero(settled & (holder == i))
        if mine.size:
            image[mine] = block.colours(np.zeros(mine.size, dtype=np.int64), mine)
    open_bins = np.flatnonzero(~settled)
    if open_bins.size:
        zero = np.zeros(open_bins.size, dtype=np.int64)
        image[open_bins] = _median(np.stack([block.colours(zero, open_bins) for block in stack]))
    return image


def majority(keys: NDArray[np.uint64]) -> tuple[NDArray[np.uint64], NDArray[np.bool_], Indices]:
    """Per column of `keys`, shape (n, m): the middle key, whether more than half share it, and one row that does.

    Where more than half of the pictures agree on a spot, the median of every colour is what they agree on.
    """
    n = len(keys)
    middle = np.partition(keys, n // 2, axis=0)[n // 2]
    same = keys == middle
    return middle, same.sum(axis=0) * 2 > n, np.argmax(same, axis=0)


def _median(stack: Image) -> Image:
    """Median over the first axis; of an even number the lower of the middle two, so that colours stay real ones."""
    n = len(stack)
    return np.asarray(np.partition(stack, (n - 1) // 2, axis=0)[(n - 1) // 2])
