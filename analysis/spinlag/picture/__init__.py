"""What the viewer saw: decoded data and visible instants, laid out over angle and LED, turn by turn."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from spinlag.capture import Capture, Ticks
from spinlag.leds.updates import ChainUpdates
from spinlag.picture.dwell import LEVELS, Blank, blank_of, lit_levels
from spinlag.picture.light import LightRows, light_rows, word_of
from spinlag.placement import Placement
from spinlag.rig import DisplayTable, Rig
from spinlag.rotation import Rotation

Floats = NDArray[np.float64]
Indices = NDArray[np.int64]
Image = NDArray[np.uint8]
Levels = NDArray[np.uint8]

FULL_TURN = 360.0

FINEST_BINS = 1440
MOST_BINS_PER_COLUMN = 4

DARK = -1
"""Stands for an update in `turn_rows` where nothing had been shown yet."""

_BLOCK_CELLS = 4_000_000

_MIX = np.uint64(0x9E3779B97F4A7C15)
"""An odd multiplier that spreads keys over 64 bits."""

_GROUPS_ALONG = 8
"""Groups into which a chain is cut where light runs along it; each group is taken to change at once, in its middle. An
update takes a column slot at most, so that no LED is drawn more than a sixteenth of a slot from its own instant."""


@dataclass(frozen=True)
class Window:
    """LEDs that reach the eye together: those of one chain on one arm, or under one slot.

    It stands `offset_deg` ahead of the shaft's reference in the direction of rotation and shows LEDs `first` to
    `last` - 1 of chain number `chain` on the picture's rows `row` and up. Where light runs along the chain, `share`
    says where on its way these LEDs are: 0 the first, 1 the last; elsewhere it is 1.
    """

    offset_deg: float
    chain: int
    first: int
    last: int
    row: int
    share: float = 1.0


@dataclass(frozen=True, eq=False)
class Screen:
    """Everything needed to lay out any turn's picture, none of the pictures themselves.

    A picture is uint8 of shape (bins, rows, 3): angle from the reference in the direction of rotation, LED row, and
    red, green, blue as sent to the LEDs. `angles_deg`, shape (bins,), are the bins' middles; bins begin where columns
    begin (`phase_deg`), so that ordinary jitter of a fraction of a column moves nothing. `radii`, shape (rows,), are in
    mm where `radii_from` is `rig`, else in LED pitches from the hub. `words` is how many words each chain takes,
    `early` and `late` are the ticks at which the first and the last of its LEDs show each update, `blanks` the lines
    that darken it (None where there is none). `turn_ticks`, shape (turns + 1,).
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
    words: tuple[int, ...]
    early: tuple[Ticks, ...]
    late: tuple[Ticks, ...]
    blanks: tuple[Blank | None, ...]
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
    words = [_word_count(chain, rig) for chain in lit]
    windows, rows = _windows(display, lit, [n * word_of(chain).leds for n, chain in zip(words, lit, strict=True)])
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
        words=tuple(words),
        early=tuple(_shows(chain, chain.light_early_s, capture) for chain in lit),
        late=tuple(_shows(chain, chain.light_s, capture) for chain in lit),
        blanks=tuple(blank_of(capture, rig, chain.name) for chain in lit),
        turn_ticks=rotation.turn_ticks,
        tick_s=float(capture.tick),
    )


def _word_count(chain: ChainUpdates, rig: Rig) -> int:
    given = next((entry.count for entry in rig.leds if entry.name == chain.name), None)
    return -(-given // word_of(chain).leds) if given else chain.leds_seen


def _windows(
    display: DisplayTable, chains: Sequence[ChainUpdates], counts: Sequence[int]
) -> tuple[tuple[Window, ...], int]:
    """Windows and the number of picture rows; `counts` are the LEDs of each chain."""
    leds = sum(counts)
    if display.geometry == "slot":
        spans = [(i * FULL_TURN / display.slots, 0, leds, 0) for i in range(display.slots)]
        rows = leds
    else:
        arms = display.arms
        per_arm = -(-leds // arms)
        own_rows = arms > 1 and display.radii_mm is not None and len(display.radii_mm) == leds
        rows = leds if own_rows else per_arm
        spans = [
            (i * FULL_TURN / arms, i * per_arm, min((i + 1) * per_arm, leds), i * per_arm if own_rows else 0)
            for i in range(arms)
            if i * per_arm < leds
        ]
    begins = np.concatenate(([0], np.cumsum(counts))).tolist()
    windows: list[Window] = []
    for offset, low, high, row in spans:
        for c, chain in enumerate(chains):
            first, last = max(low, begins[c]), min(high, begins[c + 1])
            if first < last:
                windows += _along(chain, offset, c, first - begins[c], last - begins[c], row + first - low, counts[c])
    return tuple(windows), rows


def _along(
    chain: ChainUpdates, offset: float, number: int, first: int, last: int, row: int, count: int
) -> list[Window]:
    """One window, or several groups of LEDs where light runs along the chain."""
    if not chain.along_chain or count < 2:
        return [Window(offset, number, first, last, row)]
    edges = np.unique(np.linspace(first, last, min(_GROUPS_ALONG, last - first) + 1).astype(np.int64)).tolist()
    return [
        Window(offset, number, a, b, row + a - first, share=((a + b - 1) / 2) / (count - 1)) for a, b in pairwise(edges)
    ]


def _radii(display: DisplayTable, rows: int) -> tuple[Floats, str]:
    if display.radii_mm is not None and len(display.radii_mm) == rows:
        return np.array(display.radii_mm, dtype=np.float64), "rig"
    return np.arange(rows, dtype=np.float64) + 0.5, "even"


def _shows(chain: ChainUpdates, after_s: Floats, capture: Capture) -> Ticks:
    """Ticks at which each update shows, so long after its last edge; never falling."""
    if not after_s.any() and not (chain.last[1:] < chain.last[:-1]).any():
        return chain.last
    return np.maximum.accumulate(chain.last + np.rint(after_s / float(capture.tick)).astype(np.int64))


def turn_rows(screen: Screen, window: Window, first: int, last: int) -> Indices:
    """Which update of its chain showed through a window at each angle of turns [first, last).

    Shape (last - first, bins): row numbers in the chain's updates, DARK where none had come yet. LEDs hold their light
    between updates.
    """
    at = _passes(screen, window, first, last, screen.angles_deg)
    late = screen.late[window.chain]
    if window.share == 1.0 or not at.size:
        return np.asarray(late.searchsorted(at, side="right") - 1)
    # only the updates around these turns matter; the others need no instants of their own
    low = max(int(late.searchsorted(at.min())) - 1, 0)
    high = int(screen.early[window.chain].searchsorted(at.max(), side="right"))
    early = screen.early[window.chain][low:high]
    chain = screen.chains[window.chain]
    # an update of fewer words ends with a LED before the last
    steps = np.maximum(chain.bits[low:high] // chain.bits_per_led - 1, 1)
    way = np.minimum(window.share * max(screen.words[window.chain] - 1, 1) / steps, 1.0)
    shows = early + np.rint(way * (late[low:high] - early)).astype(np.int64)
    return np.asarray(low + np.maximum.accumulate(shows).searchsorted(at, side="right") - 1)


def turn_levels(screen: Screen, window: Window, first: int, last: int) -> Levels | None:
    """How much of each bin of turns [first, last) a window's LEDs are lit, uint8 of LEVELS, shape (last - first, bins);
    None where no line darkens them."""
    blank = screen.blanks[window.chain]
    if blank is None:
        return None
    half = FULL_TURN / screen.bins / 2
    begin = _passes(screen, window, first, last, screen.angles_deg - half)
    return lit_levels(blank, begin, _passes(screen, window, first, last, screen.angles_deg + half))


def _passes(screen: Screen, window: Window, first: int, last: int, angles_deg: Floats) -> Ticks:
    """Ticks at which a window passes each of the angles in turns [first, last), shape (last - first, angles)."""
    turns = np.arange(first, last)[:, None] + (angles_deg - window.offset_deg)[None, :] / FULL_TURN
    whole = np.clip(np.floor(turns).astype(np.int64), 0, screen.turns - 1)
    begin = screen.turn_ticks[whole]
    length = screen.turn_ticks[whole + 1] - begin
    return np.asarray(begin + np.rint((turns - whole) * length).astype(np.int64))


@dataclass(frozen=True, eq=False)
class Block:
    """Turns [first, last) laid out: which update showed through each window at each angle.

    `rows[w]`, shape (turns, bins); `levels[w]`, uint8, same shape, how much of each bin its LEDs are lit, of LEVELS, or
    None where always; `keys`, uint64, shape (turns, bins), are equal where all that was shown was equal;
    `light[c]` looks up the colours of chain c.
    """

    screen: Screen
    first: int
    last: int
    rows: tuple[Indices, ...]
    levels: tuple[Levels | None, ...]
    keys: NDArray[np.uint64]
    light: tuple[LightRows, ...]

    def colours(self, turn: Indices, angle: Indices) -> Image:
        """What was seen at pairs of turn (counted from `first`) and bin, each shape (n,): uint8, shape (n, rows, 3).

        Several windows that pass over one spot give the mean of their light.
        """
        screen = self.screen
        total = np.zeros((len(turn), screen.rows, 3), dtype=np.uint16)
        shown = np.zeros(screen.rows, dtype=np.uint16)
        for window, rows, levels in zip(screen.windows, self.rows, self.levels, strict=True):
            place = slice(window.row, window.row + window.last - window.first)
            shown[place] += 1
            seen = self.light[window.chain].colours(rows[turn, angle])[:, window.first : window.last]
            if levels is not None:
                lit = levels[turn, angle][:, None, None].astype(np.uint16)
                seen = np.asarray((seen * lit + LEVELS // 2) // LEVELS, dtype=np.uint8)
            total[:, place] += seen
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
    rows = tuple(turn_rows(screen, window, first, last) for window in screen.windows)
    light = []
    for c, chain in enumerate(screen.chains):
        used = [shown for window, shown in zip(screen.windows, rows, strict=True) if window.chain == c and shown.size]
        low = max(min((int(shown.min()) for shown in used), default=0), 0)
        high = max((int(shown.max()) + 1 for shown in used), default=0)
        light.append(light_rows(chain, screen.words[c], low, max(high, low)))
    keys = np.zeros((last - first, screen.bins), dtype=np.uint64)
    levels = tuple(turn_levels(screen, window, first, last) for window in screen.windows)
    for window, shown, lit in zip(screen.windows, rows, levels, strict=True):
        own = light[window.chain].keys(shown)
        if lit is not None:
            own = np.where(lit > 0, own * _MIX + lit, np.uint64(0))
        keys = keys * _MIX + own
    return Block(screen, first, last, rows, levels, keys, tuple(light))


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
