"""`[[leds]]` of a rig: a chain of LEDs on its lines, whatever the wiring."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Annotated, Any, Literal

from pydantic import Field, field_validator, model_validator

from spinlag.quantities import TIMING_NAMES
from spinlag.rig_base import MOST, Positive, Table

WiringName = Literal["one-wire", "clocked", "latched", "direct"]
Level = Literal["high", "low"]
Edge = Literal["rising", "falling"]
Bound = Annotated[float, Field(ge=0, le=MOST, allow_inf_nan=False)] | Literal["-"]

MOST_DIRECT_LINES = 64

_NEEDS: dict[str, tuple[str, ...]] = {
    "one-wire": (),
    "clocked": ("clock",),
    "latched": ("clock", "latch"),
    "direct": ("lines",),
}
_ONLY_FOR: dict[str, tuple[str, ...]] = {
    "clock": ("clocked", "latched"),
    "clock_edge": ("clocked", "latched"),
    "latch": ("latched",),
    "latch_edge": ("latched",),
    "blank": ("latched",),
    "blank_dark": ("latched",),
    "bits_per_output": ("latched",),
    "outputs_per_chip": ("latched",),
    "frame": ("clocked",),
    "lines": ("direct",),
    "tap": ("one-wire",),
    "inverted": ("one-wire",),
    "latch_us": ("one-wire", "clocked"),
}
_RANGE = re.compile(r"^(?P<name>.+)\[(?P<first>\d{1,4}):(?P<last>\d{1,4})\]$")


class LedsTable(Table):
    """One `[[leds]]`: a chain of LEDs on its lines.

    `wiring` `one-wire` needs `data`; `clocked` (two wires; `two-wire` means the same) `data` and `clock`; `latched`
    `data`, `clock` and `latch`, perhaps `blank`; `direct` needs `lines`, one for each letter of each LED, where
    `PORT[0:7]` stands for the eight bits of a vector. `clock_edge` is the edge that samples the data, `latch_edge` the
    one that shows them; while `blank` is at `blank_dark` the LEDs are dark. `bits_per_output` and `outputs_per_chip`
    describe latched drivers, `bits_per_led` other LEDs, where the part does not. `frame` names the part number whose
    words a clocked chain uses, where no part is given.

    A part that nobody lists is given by its limits: `windows_ns` (least and most by timing name, "-" for none) with the
    sheet in `source`. `supply_v` and `ambient_c` choose the row of sheets that have several.
    """

    name: str = "leds"
    part: str | None = None
    wiring: WiringName = "one-wire"
    data: str
    clock: str | None = None
    latch: str | None = None
    blank: str | None = None
    lines: Annotated[tuple[str, ...], Field(max_length=MOST_DIRECT_LINES)] = ()
    count: Annotated[int, Field(ge=1, le=100_000)] | None = None
    order: Annotated[str, Field(pattern=r"^[RGBWrgbw]{1,4}$")] | None = None
    tap: Literal["controller", "after-led"] = "controller"
    inverted: bool = False
    latch_us: Positive | None = None
    clock_edge: Edge = "rising"
    latch_edge: Edge = "rising"
    blank_dark: Level = "high"
    frame: str | None = None
    bits_per_led: Annotated[int, Field(ge=1, le=1024)] | None = None
    bits_per_output: Annotated[int, Field(ge=1, le=32)] | None = None
    outputs_per_chip: Annotated[int, Field(ge=1, le=1024)] | None = None
    supply_v: Positive | None = None
    ambient_c: Annotated[float, Field(ge=-60, le=200)] | None = None
    windows_ns: Mapping[str, tuple[Bound, Bound]] = Field(default_factory=dict)
    source: str | None = None

    @model_validator(mode="before")
    @classmethod
    def _spelled_out(cls, table: Any) -> Any:
        """Other spellings: `two-wire`, vectors as a range of bits, no data line where each LED has its own."""
        if not isinstance(table, Mapping):
            return table
        found = dict(table)
        if found.get("wiring") == "two-wire":
            found["wiring"] = "clocked"
        lines = found.get("lines")
        if isinstance(lines, list | tuple) and all(isinstance(line, str) for line in lines):
            found["lines"] = tuple(bit for line in lines for bit in _bits(line))
            if found.get("wiring") == "direct" and found["lines"] and "data" not in found:
                found["data"] = found["lines"][0]
        return found

    @field_validator("order")
    @classmethod
    def _letters_once(cls, value: str | None) -> str | None:
        if value is None:
            return None
        if len(set(value.upper())) != len(value):
            raise ValueError("each colour letter once, such as GRB or RGBW")
        return value.upper()

    @field_validator("windows_ns")
    @classmethod
    def _known_names(cls, value: Mapping[str, tuple[Bound, Bound]]) -> Mapping[str, tuple[Bound, Bound]]:
        for name, (low, high) in value.items():
            if name not in TIMING_NAMES:
                raise ValueError(f"no interval {name!r} is measured; there are {', '.join(TIMING_NAMES)}")
            if low != "-" and high != "-" and low > high:
                raise ValueError(f"{name}: the least lies above the most")
        return value

    @model_validator(mode="after")
    def _fits_its_wiring(self) -> LedsTable:
        lacking = [key for key in _NEEDS[self.wiring] if not getattr(self, key)]
        if lacking:
            raise ValueError(f"{self.wiring} wiring needs {' and '.join(lacking)}")
        fields = type(self).model_fields
        odd = [
            key
            for key in sorted(self.model_fields_set & self.keys_of_other_wirings)
            if getattr(self, key) != fields[key].get_default(call_default_factory=True)
        ]
        if odd:
            raise ValueError(f"{', '.join(odd)} mean{'s' if len(odd) == 1 else ''} nothing on {self.wiring} wiring")
        if self.wiring == "direct":
            letters = len(self.order or "W")
            if len(self.lines) % letters or (self.count is not None and self.count * letters != len(self.lines)):
                raise ValueError(f"{len(self.lines)} lines do not make whole LEDs of {letters} each, or not so many")
        if self.windows_ns and not self.source:
            raise ValueError("windows_ns needs source, which says where the limits come from")
        if self.windows_ns and self.part is not None:
            raise ValueError("give either part or windows_ns with source")
        return self

    @property
    def keys_of_other_wirings(self) -> frozenset[str]:
        """Keys that mean nothing on this chain's wiring."""
        return frozenset(key for key, wirings in _ONLY_FOR.items() if self.wiring not in wirings)

    @property
    def channels(self) -> dict[str, str]:
        """Key -> channel name of every line that the chain uses."""
        if self.wiring == "direct":
            return {f"lines[{i}]": line for i, line in enumerate(self.lines)}
        named = {"data": self.data, "clock": self.clock, "latch": self.latch, "blank": self.blank}
        return {key: channel for key, channel in named.items() if channel is not None}


def _bits(line: str) -> tuple[str, ...]:
    """`PORT[0:7]` as PORT[0] to PORT[7], in the order that it counts; any other name as it stands."""
    found = _RANGE.match(line)
    if found is None:
        return (line,)
    first, last = int(found["first"]), int(found["last"])
    step = 1 if last >= first else -1
    return tuple(f"{found['name']}[{bit}]" for bit in range(first, last + step, step))
