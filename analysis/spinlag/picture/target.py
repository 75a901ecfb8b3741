"""The picture that was sent against the picture that was meant: wrong columns, wrong LEDs, wrong colours."""

from __future__ import annotations

import errno
import json
import warnings
from collections.abc import Iterable
from dataclasses import dataclass
from io import BytesIO
from itertools import permutations
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from spinlag.errors import Problem, RigError
from spinlag.picture import FULL_TURN, Image, Screen, usual_image
from spinlag.picture.change import USUAL_TURNS
from spinlag.rig import DisplayTable
from spinlag.small_files import read_small

TOLERANCE = 8
"""LED values that differ by no more than this count as equal: rounding of an image file or of a gamma table. Common
practice, no source."""

FORMATS = ("PNG", "JPEG", "GIF", "BMP", "PPM")
"""Kinds of image that a target may be. Others are left out: some start another program when they are read."""

LARGEST_FILE = 100_000_000
"""Bytes of an image file."""

MOST_PIXELS = 25_000_000
"""Pixels of a target: a display has a few thousand columns and a few hundred LEDs."""

_TOO_MANY = f"more than {MOST_PIXELS // 1_000_000} million pixels; make it smaller"
_PLAIN = "RGB"
_NAMES = ("red", "green", "blue")
_MOST_NAMED = 12


@dataclass(frozen=True, eq=False)
class TargetComparison:
    """What was seen, column by column, against the target.

    `seen` and `target`, uint8, shape (columns, rows, 3), both in the target's own columns: the usual (median) picture
    at each column's middle, and the target. The target fits best turned by `shift_columns`, so that its first column
    begins `turned_deg` after the reference (run backwards where `backwards`). `wrong`, bool, shape (columns, rows),
    marks spots that differ by more than TOLERANCE in any colour. `colours` names the order of planes that would fit far
    better (`GRB`: what was shown as red belongs to green...), None where red, green and blue fit as they are.
    """

    seen: Image
    target: Image
    wrong: NDArray[np.bool_]
    shift_columns: int
    turned_deg: float
    backwards: bool
    colours: str | None

    @property
    def wrong_columns(self) -> tuple[int, ...]:
        """Columns of the target with at least one wrong spot."""
        return tuple(int(c) for c in np.flatnonzero(self.wrong.any(axis=1)))

    @property
    def wrong_leds(self) -> tuple[int, ...]:
        """LED rows that are wrong in most columns: a fault of wiring or order rather than of some columns."""
        if not self.wrong.size:
            return ()
        return tuple(int(led) for led in np.flatnonzero(self.wrong.mean(axis=0) > 0.5))

    @property
    def wrong_colours(self) -> tuple[float, float, float]:
        """Share of spots whose red, green and blue are wrong."""
        off = np.abs(self.seen.astype(np.int16) - self.target.astype(np.int16)) > TOLERANCE
        red, green, blue = off.mean(axis=(0, 1)).tolist() if off.size else (0.0, 0.0, 0.0)
        return red, green, blue

    @property
    def share_wrong(self) -> float:
        """Share of spots that are wrong."""
        return float(self.wrong.mean()) if self.wrong.size else 0.0

    @property
    def sentence(self) -> str:
        """The comparison in words."""
        if not self.wrong.any():
            text = "The usual picture is the target"
        else:
            text = (
                f"{100 * self.share_wrong:.1f} % of the usual picture's spots differ from the target, in "
                f"{len(self.wrong_columns)} of {len(self.wrong)} columns ({_few(self.wrong_columns)})"
            )
        text += f", turned by {self.turned_deg:.1f}°" + (" and run backwards." if self.backwards else ".")
        if self.wrong_leds:
            text += f" LEDs {_few(self.wrong_leds)} are wrong in most columns."
        if self.wrong.any():
            shares = (f"{name} in {100 * share:.1f} %" for name, share in zip(_NAMES, self.wrong_colours, strict=True))
            text += f" Wrong by colour, of all spots: {', '.join(shares)}."
        if self.colours:
            text += f" Its colours fit far better with the planes in the order {self.colours}: check the rig's `order`."
        return text


def _few(numbers: tuple[int, ...]) -> str:
    """The first of some numbers, and how many more there are."""
    more = f" and {len(numbers) - _MOST_NAMED} more" if len(numbers) > _MOST_NAMED else ""
    return ", ".join(map(str, numbers[:_MOST_NAMED])) + more


def load_target(path: str, layout: str, screen: Screen) -> Image:
    """The target as LED values, uint8, shape (columns, leds, 3), with the firmware's gamma applied.

    A truth file of `spinlag synth` (`.json`) gives the picture that its scenario drew, whatever the layout. `columns`:
    an image of as many pixels as there are columns and LEDs, first LED at the bottom. `disc`: an image as the viewer
    sees it, the reference at the top, sampled at each column's middle and each LED's radius. Raises RigError for a file
    that is no picture or has the wrong size.
    """
    if path.lower().endswith(".json"):
        return _from_truth(path, screen)
    pixels = _read_image(path)
    if layout == "disc":
        values = _from_disc(pixels, screen)
    else:
        height, width = pixels.shape[:2]
        if (width, height) != (screen.columns, screen.rows):
            reason = (
                f"{Path(path).name} is {width} x {height} pixels; "
                f"{screen.columns} columns of {screen.rows} LEDs need {screen.columns} x {screen.rows}"
            )
            raise RigError([Problem("display.target", reason)])
        values = pixels[::-1].transpose(1, 0, 2)
    return np.asarray(np.rint((values / 255.0) ** screen.gamma * 255.0), dtype=np.uint8)


def _from_truth(path: str, screen: Screen) -> Image:
    """The image of a truth file: values as sent to the LEDs, so no gamma; arms between each other all draw it."""
    try:
        data = json.loads(read_small(path, most_bytes=LARGEST_FILE))
        columns = [bytes.fromhex(column) for column in data["image"]] if _is_truth(data) else []
        values = np.stack([np.frombuffer(column, dtype=np.uint8).reshape(-1, 3) for column in columns])
    except OSError as error:
        raise RigError([Problem("display.target", f"{path}: {error.strerror or error}")]) from None
    except (ValueError, KeyError, TypeError, RecursionError):
        raise RigError([Problem("display.target", f"{path}: not a truth file of spinlag with an image")]) from None
    repeats, rest = divmod(screen.rows, max(values.shape[1], 1))
    if len(values) != screen.columns or rest or not repeats:
        reason = (
            f"{values.shape[0]} columns of {values.shape[1]} LEDs; the display shows {screen.columns} of {screen.rows}"
        )
        raise RigError([Problem("display.target", f"{path}: {reason}")])
    return np.asarray(np.tile(values, (1, repeats, 1)), dtype=np.uint8)


def _is_truth(data: Any) -> bool:
    return isinstance(data, dict) and str(data.get("schema", "")).startswith("spinlag/truth/")


def _read_image(path: str) -> Image:
    from PIL import Image as Pictures

    try:
        content = BytesIO(read_small(path, most_bytes=LARGEST_FILE))
        # the library warns of large pictures; the bound here is tighter
        with warnings.catch_warnings(action="ignore"), Pictures.open(content, formats=FORMATS) as picture:
            width, height = picture.size
            if width * height > MOST_PIXELS:
                raise OSError(errno.EFBIG, _TOO_MANY)
            return np.asarray(picture.convert("RGB"), dtype=np.uint8)
    except (OSError, ValueError, SyntaxError, Pictures.DecompressionBombError) as error:
        kinds = f"not an image that can be read ({', '.join(FORMATS)})"
        reason = error.strerror if isinstance(error, OSError) and error.strerror else kinds
        if isinstance(error, Pictures.DecompressionBombError):
            reason = _TOO_MANY
        raise RigError([Problem("display.target", f"{path}: {reason}")]) from None


def _from_disc(pixels: Image, screen: Screen) -> Image:
    height, width = pixels.shape[:2]
    angle = np.deg2rad((np.arange(screen.columns) + 0.5) * (FULL_TURN / screen.columns))
    sense = 1.0 if screen.direction == "clockwise" else -1.0
    pitch = screen.radii[-1] - screen.radii[-2] if screen.rows > 1 else 2 * screen.radii[0]
    reach = screen.radii / (screen.radii.max() + pitch / 2)
    x = (width - 1) / 2 + np.outer(np.sin(angle) * sense, reach) * width / 2
    y = (height - 1) / 2 - np.outer(np.cos(angle), reach) * height / 2
    row = np.clip(np.rint(y), 0, height - 1).astype(np.int64)
    column = np.clip(np.rint(x), 0, width - 1).astype(np.int64)
    return np.asarray(pixels[row, column], dtype=np.uint8)


def compare_target_file(screen: Screen, display: DisplayTable, unusual: Iterable[int] = ()) -> TargetComparison | None:
    """Compare the usual picture of the capture with the rig's target file; None where the rig names none.

    The usual picture is the median of up to USUAL_TURNS turns spread over the capture, those in `unusual` left out.
    """
    if display.target is None:
        return None
    target = load_target(display.target, display.target_layout, screen)
    turns = np.setdiff1d(np.arange(screen.turns), np.fromiter(unusual, dtype=np.int64))
    turns = turns if turns.size else np.arange(screen.turns)
    spread = turns[np.linspace(0, len(turns) - 1, min(USUAL_TURNS, len(turns))).astype(np.int64)]
    return compare_target(screen, usual_image(screen, spread), target)


def compare_target(screen: Screen, usual: Image, target: Image) -> TargetComparison:
    """Compare the usual picture, shape (bins, rows, 3), with a target, shape (columns, rows, 3)."""
    per_column = screen.bins // screen.columns
    seen = usual.reshape(screen.columns, per_column, screen.rows, 3)[:, per_column // 2]
    shift, backwards = _best_turn(seen, target)
    placed = _turned(target, shift, backwards)
    order = min(permutations(range(3)), key=lambda planes: (_misfit(seen[..., planes], placed), planes))
    plain = _misfit(seen, placed)
    swapped = order != (0, 1, 2) and _misfit(seen[..., order], placed) < 0.5 * plain
    wrong = _wrong(seen, placed)
    unturned = _turned_back(wrong, shift, backwards)
    return TargetComparison(
        seen=_turned_back(seen, shift, backwards),
        target=target,
        wrong=unturned,
        shift_columns=shift,
        turned_deg=(screen.phase_deg + shift * FULL_TURN / screen.columns) % FULL_TURN,
        backwards=backwards,
        colours="".join(_PLAIN[plane] for plane in order) if swapped else None,
    )


def _wrong(seen: Image, target: Image) -> NDArray[np.bool_]:
    return np.asarray((np.abs(seen.astype(np.int16) - target.astype(np.int16)) > TOLERANCE).any(axis=2))


def _misfit(seen: Image, target: Image) -> float:
    return float(_wrong(seen, target).mean())


def _turned(target: Image, shift: int, backwards: bool) -> Image:
    return np.roll(target[::-1] if backwards else target, shift, axis=0)


def _turned_back(values: NDArray[Any], shift: int, backwards: bool) -> NDArray[Any]:
    back = np.roll(values, -shift, axis=0)
    return back[::-1] if backwards else back


def _best_turn(seen: Image, target: Image) -> tuple[int, bool]:
    """The shift in columns, and whether backwards, at which brightness fits best; the least turn where several do."""
    light = seen.astype(np.float32).sum(axis=2)
    columns = len(light)
    found: list[tuple[float, bool, int, int]] = []
    for backwards in (False, True):
        wanted = target.astype(np.float32).sum(axis=2)[:: -1 if backwards else 1]
        for shift in range(columns):
            misfit = float(np.abs(light - np.roll(wanted, shift, axis=0)).mean())
            found.append((misfit, backwards, min(shift, columns - shift), shift))
    _, backwards, _, shift = min(found)
    return shift, backwards
