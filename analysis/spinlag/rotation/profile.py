"""Within the turn: mean speed profile with its spread, orders of rotation, and the spectrum of the speed over order."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spinlag.capture import Capture
from spinlag.motor import Motor
from spinlag.motor.lines import CountedLines, Series
from spinlag.motor.pattern import Nodes, Pattern, find_nodes, learn_pattern
from spinlag.motor.warp import Warp, separate
from spinlag.rotation import Rotation
from spinlag.rotation.spectrum import welch

Floats = NDArray[np.float64]

LEAST_MARKS = 6
"""Fewer marks on the index wheel say too little of the turn between them."""

SPECTRUM_TURNS = 32
"""Length of the stretches that Welch's method averages over; the resolution is one part in so many of an order."""

PROFILE_COLUMNS = ("angle_deg", "speed_ratio", "low", "high", "spread")
ORDER_COLUMNS = ("order", "name", "ripple", "low", "high", "angle_deg")
SPECTRUM_COLUMNS = ("order", "density")


@dataclass(frozen=True, eq=False)
class Witnessed:
    """What shows the shaft within its turn: `nodes` and `warp` in even turns of the witness's own, `zero` the index's
    place on it, `poles` its electrical cycles (None for the index's own marks), `source` in words."""

    nodes: Nodes
    warp: Warp
    zero: float
    poles: int | None
    per_turn: int
    source: str


def find_witness(capture: Capture, rotation: Rotation, motor: Motor | None) -> tuple[Witnessed | None, str]:
    """The motor lines, or an index wheel of many marks; and why not, where neither tells."""
    if motor is not None and motor.witness is not None:
        witness = motor.witness
        zero = float(witness.slip.even[0])
        per_turn = _nodes_per_turn(witness.nodes)
        return Witnessed(witness.nodes, witness.warp, zero, motor.pole_pairs, per_turn, "motor lines"), ""
    teeth = len(rotation.tooth_angles_deg)
    if teeth < LEAST_MARKS:
        return None, "one index mark per turn shows nothing of the speed within it, and no motor lines do"
    lines = _marks_as_lines(rotation, teeth)
    pattern = learn_pattern(lines, teeth)
    if pattern is None:
        return None, "too few whole turns to learn the places of the index wheel's marks"
    nodes = find_nodes(lines, pattern, float(capture.sample_period.ticks))
    warp = separate(lines, pattern, _even_places(rotation, pattern))
    return Witnessed(nodes, warp, 0.0, None, teeth, f"{teeth} marks of the index wheel, taken as evenly cut"), ""


def _nodes_per_turn(nodes: Nodes) -> int:
    span = float(nodes.even[-1] - nodes.even[0])
    return max(round((len(nodes.even) - 1) / span), 1) if span > 0 else 1


def _marks_as_lines(rotation: Rotation, teeth: int) -> CountedLines:
    """The believed marks of the index wheel as one series of `teeth` cycles a turn."""
    kind = rotation.pulses["kind"].to_numpy()
    ticks = rotation.pulses["tick"].to_numpy()[np.isin(kind, ("index", "tooth"))]
    turn = np.searchsorted(rotation.turn_ticks, ticks, side="right") - 1
    inside = (turn >= 0) & (turn < len(rotation.turn_ticks) - 1)
    ticks, turn = ticks[inside], turn[inside]
    share = (ticks - rotation.turn_ticks[turn]) / np.diff(rotation.turn_ticks)[turn]
    marks = np.array(rotation.tooth_angles_deg) / 360.0
    nearest = np.abs(share[:, None] - marks[None, :]).argmin(axis=1) if len(share) else np.empty(0, dtype=np.int64)
    cycle = turn * teeth + nearest
    fresh = np.concatenate(([True], np.diff(cycle) > 0)) if len(cycle) else np.empty(0, dtype=np.bool_)
    none = np.zeros(int(fresh.sum()), dtype=np.bool_)
    one = Series(0, True, ticks[fresh], cycle[fresh].astype(np.int64), 0.0, none, none)
    return CountedLines(("index",), (one,), (), (), ())


def _even_places(rotation: Rotation, pattern: Pattern) -> Floats:
    """The even places at which the marks were cut, turns; a missing tooth leaves one empty."""
    places = _places(rotation)
    even = np.rint(np.array(rotation.tooth_angles_deg) / 360.0 * places) / places
    return np.asarray(even[pattern.pole])


def _places(rotation: Rotation) -> int:
    """Evenly spaced places on the wheel, a missing tooth's included."""
    teeth = len(rotation.tooth_angles_deg)
    gaps = np.diff(np.append(rotation.tooth_angles_deg, 360.0))
    return teeth + int(gaps.max() > 1.5 * float(np.median(gaps)))


def order_table(witnessed: Witnessed) -> pd.DataFrame:
    """Orders of rotation of the mean profile: `order`, `name`, `ripple` (relative amplitude of the speed) with `low`
    and `high` (95 %), `angle_deg` (amplitude on the picture). NaN where an order cannot be told from uneven sensors."""
    ripple, low, high = witnessed.warp.amplitudes()
    order = witnessed.warp.order
    return pd.DataFrame(
        {
            "order": order.astype(np.int64),
            "name": pd.Series([order_name(int(one), witnessed.poles) for one in order], dtype="str"),
            "ripple": ripple,
            "low": low,
            "high": high,
            "angle_deg": 360.0 * ripple / (2.0 * np.pi * order),
        }
    )


def order_name(order: int, poles: int | None) -> str:
    """What an order of rotation usually means (common practice, no source)."""
    if poles is not None and order == 6 * poles:
        return "commutation: torque ripple of six steps per electrical cycle"
    if poles is not None and order == poles and order > 1:
        return "electrical cycle: torque ripple"
    if poles is not None and order > poles and order % poles == 0:
        return f"{order // poles} times the electrical cycle: torque ripple"
    return {1: "once per turn: imbalance or a bent arm", 2: "twice per turn: misalignment or an oval part"}.get(
        order, f"{order} times per turn"
    )


def profile_table(witnessed: Witnessed) -> pd.DataFrame:
    """Mean speed over the turn: `angle_deg` from the index, `speed_ratio` (1: the mean), its 95 % interval `low`,
    `high`, and `spread`, the standard deviation from turn to turn. One row per sector between nodes."""
    even, speed = _sector_speeds(witnessed.nodes)
    if not len(even):
        return pd.DataFrame({name: pd.Series(dtype="float64") for name in PROFILE_COLUMNS})
    middle = even - np.floor(even)
    bins = np.minimum((middle * witnessed.per_turn).astype(np.int64), witnessed.per_turn - 1)
    table = pd.DataFrame({"bin": bins, "middle": middle, "speed": speed})
    grouped = table.groupby("bin")
    at = grouped["middle"].mean().to_numpy()
    spread = grouped["speed"].std().to_numpy()
    count = grouped["speed"].count().to_numpy()
    ratio, reach = _profile(witnessed.warp, at)
    mean = ratio * grouped["speed"].mean().to_numpy()
    total = np.hypot(reach, 1.959964 * spread / np.sqrt(count))
    zero = witnessed.warp.angle(np.array([witnessed.zero % 1.0]))[0]
    angle = 360.0 * ((witnessed.warp.angle(at) - zero) % 1.0)
    profile = pd.DataFrame(
        {"angle_deg": angle, "speed_ratio": mean, "low": mean - total, "high": mean + total, "spread": spread}
    )
    return profile.sort_values("angle_deg", ignore_index=True)


def _profile(warp: Warp, at: Floats) -> tuple[Floats, Floats]:
    """Speed ratio that the warp means at even turns `at`, and the half-width of its 95 % interval."""
    if not len(warp.order):
        return np.ones(len(at)), np.zeros(len(at))
    reach = 1.959964 * np.sqrt(np.sum((2.0 * np.pi * warp.order * warp.spread) ** 2))
    return warp.speed(warp.angle(at)), np.full(len(at), float(reach))


def _sector_speeds(nodes: Nodes) -> tuple[Floats, Floats]:
    """Even middle of each sector between neighbouring nodes, and its speed relative to the turn around it."""
    if nodes.even[-1] - nodes.even[0] < 2.0:
        return np.empty(0), np.empty(0)
    base = nodes.ticks[0]
    seconds = (nodes.ticks - base).astype(np.float64)
    middle = 0.5 * (nodes.even[1:] + nodes.even[:-1])
    inside = (middle >= nodes.even[0] + 0.5) & (middle <= nodes.even[-1] - 0.5)
    around = np.interp(middle[inside] + 0.5, nodes.even, seconds) - np.interp(middle[inside] - 0.5, nodes.even, seconds)
    width, length = np.diff(nodes.even)[inside], np.diff(seconds)[inside]
    # sectors much narrower than usual hold two edges that nearly coincide: their speed is all noise
    wide = width > 0.5 * float(np.median(width))
    return middle[inside][wide], (width / length * around)[wide]


def spectrum_table(witnessed: Witnessed) -> pd.DataFrame:
    """Power spectral density of the relative speed over order: `order`, `density` per order.

    Welch's method over stretches of 32 turns with a Hann window; integrated over orders it gives
    the variance.
    """
    speed = _even_speeds(witnessed)
    length = min(SPECTRUM_TURNS * witnessed.per_turn, len(speed))
    if length < 4 * witnessed.per_turn:
        return pd.DataFrame({name: pd.Series(dtype="float64") for name in SPECTRUM_COLUMNS})
    order, density = welch(speed - speed.mean(), witnessed.per_turn, length)
    return pd.DataFrame({"order": order, "density": density})


def _even_speeds(witnessed: Witnessed) -> Floats:
    """Relative speed in sectors of equal angle, as many to a turn as there are nodes."""
    nodes = witnessed.nodes
    whole = np.floor(nodes.even)
    angle = np.maximum.accumulate(whole + witnessed.warp.angle(nodes.even - whole))
    step = 1.0 / witnessed.per_turn
    marks = np.arange(np.ceil(angle[0] / step), np.floor(angle[-1] / step) + 1) * step
    seconds = np.interp(marks, angle, (nodes.ticks - nodes.ticks[0]).astype(np.float64))
    length = np.diff(seconds)
    if not len(length):
        return np.empty(0)
    return np.asarray(float(np.mean(length)) / np.maximum(length, 1e-12))
