"""The bench on paper: a rig in TOML, validated into frozen models, with every problem reported at once."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping
from difflib import get_close_matches
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import Field, ValidationError, field_validator, model_validator

from spinlag.errors import Problem, RigError
from spinlag.quantities import LIMIT_UNITS, QUANTITIES, quantity
from spinlag.rig_base import NotNegative as NotNegative
from spinlag.rig_base import Positive as Positive
from spinlag.rig_base import Table
from spinlag.rig_leds import LedsTable as LedsTable
from spinlag.small_files import read_small

Direction = Literal["clockwise", "counter-clockwise"]

DEFAULT_CLOCK_PPM = 50.0
"""Recorder clock tolerance where the rig says nothing. Common practice, no source."""


LARGEST_LIMIT = 1e15
"""Limits beyond this, in whatever unit, are slips of the pen."""

LARGEST_TEXT = 4_000_000
"""Bytes of a rig or scenario file: a thousand times what one takes."""

_SIDES = {"min": "low", "max": "high", "negligible": "negligible"}


class CaptureTable(Table):
    """`[capture]`: what the file cannot tell about itself."""

    sample_rate_hz: Positive | None = None
    tick_ns: Positive | None = None
    clock_ppm: NotNegative = DEFAULT_CLOCK_PPM


class IndexTable(Table):
    """`[index]`: the once- or n-per-revolution pulse."""

    channel: str
    edge: Literal["rising", "falling", "centre"] = "rising"
    pulses_per_revolution: Annotated[int, Field(ge=1, le=1024)] = 1
    missing_tooth: bool = False
    min_pulse_us: NotNegative = 0.0

    @model_validator(mode="after")
    def _tooth_needs_teeth(self) -> IndexTable:
        if self.missing_tooth and self.pulses_per_revolution < 3:
            raise ValueError("missing_tooth needs pulses_per_revolution of at least 3 (pulses that are really there)")
        return self


_SHARED = ("clock", "latch", "blank")
"""Lines that several chains may have in common."""


class MotorTable(Table):
    """`[motor]`: one to three phase, Hall or drive lines, or one tachometer line.

    `pole_pairs`: electrical cycles (of a tachometer: pulses) per turn; found from the index where it is not given.
    """

    phases: Annotated[tuple[str, ...], Field(min_length=1, max_length=3)]
    pole_pairs: Annotated[int, Field(ge=1, le=200)] | None = None


class DisplayTable(Table):
    """`[display]`: how the LEDs become a picture.

    The LEDs of all chains, in the rig's order, are shared evenly by the `arms`; of a slot display every one of the
    `slots` passes over all of them. `radii_mm` is one figure per LED of an arm (the arms then draw over each other) or
    one per LED of the display; without it LEDs stand evenly from the hub outwards. `gamma` is the exponent with which
    the firmware turned picture values into LED values. `target` is what should be seen, the path of
    an image file or of a truth file of `spinlag synth`, relative to the rig file. An image with `target_layout`
    `columns` has one pixel column per column of the display and one pixel row per LED, the first LED at the bottom;
    with `disc`, it is the picture as it looks, the reference at the top.
    """

    geometry: Literal["arm", "slot"] = "arm"
    columns: Annotated[int, Field(ge=1, le=100_000)] | None = None
    direction: Direction = "counter-clockwise"
    arms: Annotated[int, Field(ge=1, le=64)] = 1
    slots: Annotated[int, Field(ge=1, le=64)] = 1
    radii_mm: tuple[Positive, ...] | None = None
    gamma: Positive = 1.0
    target: str | None = None
    target_layout: Literal["columns", "disc"] = "columns"

    @model_validator(mode="after")
    def _one_geometry(self) -> DisplayTable:
        if self.geometry == "arm" and self.slots != 1:
            raise ValueError('slots belong to geometry = "slot"')
        if self.geometry == "slot" and self.arms != 1:
            raise ValueError('arms belong to geometry = "arm"')
        return self


class Limit(Table):
    """Bounds of one quantity in its SI unit, and the change that comparison calls negligible."""

    low: float | None = None
    high: float | None = None
    negligible: float | None = None
    source: str = "rig"


class Rig(Table):
    """A whole rig. `limits` are keyed by quantity id, in SI units."""

    capture: CaptureTable = CaptureTable()
    index: IndexTable | None = None
    motor: MotorTable | None = None
    leds: tuple[LedsTable, ...] = ()
    display: DisplayTable = DisplayTable()
    markers: Mapping[str, str] = Field(default_factory=dict)
    limits: Mapping[str, Limit] = Field(default_factory=dict)
    guessed: tuple[str, ...] = ()
    """Sentences saying what was guessed; empty for a rig that a person wrote."""

    @field_validator("markers", "limits")
    @classmethod
    def _in_order(cls, value: Mapping[str, Any]) -> Mapping[str, Any]:
        """By name, so that a rig read back from results.json gives the same results."""
        return dict(sorted(value.items()))

    def channels(self) -> dict[str, str]:
        """Rig key -> channel name, for every channel that the rig names."""
        named = {f"markers.{name}": channel for name, channel in self.markers.items()}
        if self.index is not None:
            named["index.channel"] = self.index.channel
        if self.motor is not None:
            named |= {f"motor.phases[{i}]": name for i, name in enumerate(self.motor.phases)}
        for i, chain in enumerate(self.leds):
            named |= {f"leds[{i}].{key}": channel for key, channel in chain.channels.items()}
        return named


def _limit(key: str, entry: Any) -> tuple[Limit, list[Problem]]:
    """`{"max_us": 450}` -> Limit in SI units, with whatever is wrong."""
    where = f'limits."{key}"'
    try:
        dimension = quantity(key).dimension
    except KeyError:
        known = ", ".join(QUANTITIES) + " and leds.<chain>.<timing name>"
        return Limit(), [Problem(where, f"no quantity of that name is measured; there are {known}")]
    if not isinstance(entry, Mapping):
        return Limit(), [Problem(where, "give a table such as { max_us = 450 }")]
    problems: list[Problem] = []
    found: dict[str, float] = {}
    units = LIMIT_UNITS[dimension]
    for name, value in entry.items():
        side, _, unit = name.partition("_")
        if name == "source" and isinstance(value, str):
            continue
        if side not in _SIDES or unit not in units:
            allowed = ", ".join(f"{side}_{unit}" for side in _SIDES for unit in units)
            problems.append(Problem(f"{where}.{name}", f"unknown key; this quantity takes {allowed} and source"))
        elif isinstance(value, bool) or not isinstance(value, int | float) or not abs(value) <= LARGEST_LIMIT:
            problems.append(Problem(f"{where}.{name}", "not a number of a sensible size"))
        elif _SIDES[side] in found:
            problems.append(Problem(f"{where}.{name}", f"{side} is given twice"))
        else:
            found[_SIDES[side]] = value / units[unit]
    if found.get("low", -math.inf) > found.get("high", math.inf):
        problems.append(Problem(where, "the minimum lies above the maximum"))
    return Limit(**found, source=str(entry.get("source", "rig"))), problems


def _limits(tables: Any) -> tuple[dict[str, Limit], list[Problem]]:
    if not isinstance(tables, Mapping):
        return {}, [Problem("limits", 'must be a table of tables, such as [limits."latency.latency"]')]
    limits: dict[str, Limit] = {}
    problems: list[Problem] = []
    for key, entry in tables.items():
        if isinstance(entry, Limit):
            limits[key] = entry
            continue
        limits[key], wrong = _limit(key, entry)
        problems += wrong
    return limits, problems


def _chain_problems(data: Mapping[str, Any]) -> list[Problem]:
    chains = data.get("leds", ())
    if not isinstance(chains, list | tuple):
        return []
    names = [str(chain.get("name", "leds")) for chain in chains if isinstance(chain, Mapping)]
    problems = [
        Problem(f"leds[{i}].name", f"{name!r} is taken by an earlier chain; names must differ")
        for i, name in enumerate(names)
        if name in names[:i]
    ]
    tables = data.get("limits")
    for key in tables if isinstance(tables, Mapping) else ():
        chain = key[5:].rpartition(".")[0]
        if key.startswith("leds.") and chain and chain not in names:
            problems.append(Problem(f'limits."{key}"', f"the rig has no chain {chain!r}"))
    return problems


def rig_from_mapping(data: Mapping[str, Any], *, file: str | None = None) -> Rig:
    """A rig from parsed TOML. Raises RigError that lists every problem with its key."""
    limits, problems = _limits(data.get("limits", {}))
    problems += _chain_problems(data)
    if "guessed" in data:
        problems.append(Problem("guessed", "unknown key; a rig that a person wrote was not guessed"))
    try:
        rig = Rig.model_validate({**data, "limits": limits})
    except ValidationError as error:
        problems = [Problem(_dotted(item["loc"]), _reason(item) + _meant(item)) for item in error.errors()] + problems
    else:
        problems += [*_display_problems(rig), *lines_named_twice(rig.channels())]
    if problems:
        raise RigError(problems, file=file)
    return rig


def lines_named_twice(named: Mapping[str, str]) -> list[Problem]:
    """What is wrong where two keys name one line (`named`: rig key to the line's name or path).

    Chains may share a clock, a latch or a blank, and a marker may be any line: it is only looked at.
    """
    first: dict[str, str] = {}
    problems = []
    for key, line in named.items():
        if key.startswith("markers."):
            continue
        earlier = first.setdefault(line, key)
        role = key.rpartition(".")[2]
        if earlier == key or (role in _SHARED and earlier.startswith("leds[") and earlier.endswith(f".{role}")):
            continue
        problems.append(Problem(key, f"{line!r} is {earlier} already; a line has one role, so name each line once"))
    return problems


def _display_problems(rig: Rig) -> list[Problem]:
    radii, counts = rig.display.radii_mm, [chain.count for chain in rig.leds]
    if radii is None or not counts or None in counts:
        return []
    leds = sum(count for count in counts if count is not None)
    per_arm = -(-leds // rig.display.arms)
    if len(radii) in (leds, per_arm):
        return []
    wanted = f"{leds}" if per_arm == leds else f"{per_arm} (one arm's) or {leds} (all)"
    return [Problem("display.radii_mm", f"{len(radii)} figures for {leds} LEDs; give {wanted}")]


def read_toml(path: str | Path, *, what: str) -> dict[str, Any]:
    """Parse a TOML file (UTF-8, a byte-order mark allowed). Raises RigError; `what` names the file's purpose in it."""
    file = str(path)
    try:
        text = read_small(path, most_bytes=LARGEST_TEXT).decode("utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        reason = error.strerror if isinstance(error, OSError) and error.strerror else "not UTF-8 text"
        raise RigError([Problem(what, reason)], file=file) from None
    try:
        return tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        # besides TOMLDecodeError: whole numbers of more digits than Python converts, tables nested without end
        reason = str(error) if isinstance(error, tomllib.TOMLDecodeError) else "a number or a nesting without end"
        raise RigError([Problem("TOML", reason)], file=file) from None


def read_rig(path: str | Path) -> Rig:
    """Read a rig file (TOML, UTF-8). Raises RigError with every problem and its key.

    A relative `display.target` is taken from the rig file's folder.
    """
    data = read_toml(path, what="rig file")
    display = data.get("display")
    if isinstance(display, dict) and isinstance(display.get("target"), str):
        data["display"] = {**display, "target": str(Path(path).parent / display["target"])}
    return rig_from_mapping(data, file=str(path))


def validation_problems(error: ValidationError) -> list[Problem]:
    """Every mistake that pydantic found, each under its dotted key, in words for the file's author."""
    return [Problem(_dotted(item["loc"]), _reason(item)) for item in error.errors()]


def _dotted(loc: tuple[int | str, ...]) -> str:
    text = ""
    for step in loc:
        text += f"[{step}]" if isinstance(step, int) else f".{step}" if text else str(step)
    return text or "rig"


def _meant(item: Any) -> str:
    """What an unknown key of a rig may stand for, or the keys that its table takes; nothing for other mistakes."""
    loc = item["loc"]
    table = _TABLES.get(str(loc[0]) if len(loc) > 1 else "")
    if item["type"] != "extra_forbidden" or table is None or sum(isinstance(step, str) for step in loc) > 2:
        return ""
    known = [name for name in table.model_fields if name != "guessed"]
    near = get_close_matches(str(loc[-1])[:80], known, n=1)
    return f"; did you mean {near[0]}?" if near else f"; there are {', '.join(known)}"


_TABLES: Mapping[str, type[Table]] = {
    "": Rig,
    "capture": CaptureTable,
    "index": IndexTable,
    "motor": MotorTable,
    "leds": LedsTable,
    "display": DisplayTable,
}


def _reason(item: Any) -> str:
    if item["type"] == "extra_forbidden":
        return "unknown key"
    if item["type"] == "missing":
        return "is required"
    if item["type"] in ("model_type", "dict_type"):
        where = _dotted(item["loc"])
        return (
            f"must be one table, written [{where}]"
            if "[" not in where
            else f"must be a table, written [[{where.partition('[')[0]}]]"
        )
    if item["type"] == "tuple_type":
        key = str(item["loc"][-1])
        return f"must be tables, each written [[{key}]]" if key == "leds" else "must be a list, written [..., ...]"
    message = str(item["msg"])
    return message.removeprefix("Value error, ")[:1].lower() + message.removeprefix("Value error, ")[1:]
