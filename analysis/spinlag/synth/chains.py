"""The `[[leds]]` tables of a scenario: one model for each wiring."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Discriminator, Field, Tag, model_validator

from spinlag.rig import NotNegative, Positive

Protocol = Literal["APA102", "SK9822", "P9813", "WS2801", "LPD6803", "LPD8806"]

WIRINGS = ("one-wire", "clocked", "latched", "direct")


class _ChainTable(BaseModel):
    """What every chain has. `offset_us` delays it against the schedule; its first LED is the picture's `first_led`."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    name: str = "arm"
    count: Annotated[int, Field(ge=1, le=100_000)] = 16
    offset_us: NotNegative = 0.0
    first_led: Annotated[int, Field(ge=0)] = 0


class OneWire(_ChainTable):
    """One wire. Times in ns of the controller's own clock; `jitter_ns` is Gaussian, rms, on each edge. `pause_us` is
    inserted after every `pause_every_leds` LEDs."""

    wiring: Literal["one-wire"] = "one-wire"
    part: str | None = "WS2812B 2013-05"
    data: str = "DOUT"
    order: Annotated[str, Field(pattern=r"^[RGBW]{1,4}$")] = "GRB"
    t0h_ns: Positive = 400.0
    t0l_ns: Positive = 850.0
    t1h_ns: Positive = 800.0
    t1l_ns: Positive = 450.0
    jitter_ns: NotNegative = 0.0
    latch_us: Positive = 50.0
    pause_every_leds: Annotated[int, Field(ge=0)] = 0
    pause_us: NotNegative = 0.0
    inverted: bool = False

    @model_validator(mode="after")
    def _quiet(self) -> OneWire:
        if self.jitter_ns * 12 > min(self.t0h_ns, self.t0l_ns, self.t1h_ns, self.t1l_ns):
            raise ValueError("jitter_ns is more than a twelfth of the shortest bit time, so edges could change places")
        return self

    @property
    def lines(self) -> tuple[str, ...]:
        """The channels it is recorded on."""
        return (self.data,)


class Clocked(_ChainTable):
    """Data and clock. `protocol` says how words, start and end look; `end_bits` and `end_ones` overrule the end, and
    `brightness` fills the five-bit field of parts that have one. `clock_high` is the clock's duty; data change
    `data_lead_ns` before the sampling edge (by default with the falling edge before it)."""

    wiring: Literal["clocked"]
    protocol: Protocol = "APA102"
    part: str | None = None
    data: str = "DATA"
    clock: str = "CLOCK"
    order: Annotated[str, Field(pattern=r"^[RGB]{3}$")] = "BGR"
    clock_rate_hz: Annotated[float, Field(gt=0, le=100e6)] = 2e6
    clock_high: Annotated[float, Field(gt=0.05, lt=0.95)] = 0.5
    data_lead_ns: NotNegative | None = None
    jitter_ns: NotNegative = 0.0
    brightness: Annotated[int, Field(ge=0, le=31)] = 31
    end_bits: Annotated[int, Field(ge=0, le=100_000)] | None = None
    end_ones: bool | None = None
    byte_gap_us: NotNegative = 0.0
    latch_us: Positive = 500.0

    @model_validator(mode="after")
    def _quiet(self) -> Clocked:
        period = 1e9 / self.clock_rate_hz
        least = min(self.clock_high, 1 - self.clock_high) * period
        if self.jitter_ns * 12 > least:
            raise ValueError("jitter_ns is more than a twelfth of half a clock, so edges could change places")
        if self.data_lead_ns is not None and self.data_lead_ns + 12 * self.jitter_ns >= period:
            raise ValueError("data_lead_ns is not shorter than a clock period")
        return self

    @property
    def lines(self) -> tuple[str, ...]:
        """The channels it is recorded on."""
        return (self.data, self.clock)


class Latched(_ChainTable):
    """Shift registers: `depth` bits for each output, `outputs_per_chip` outputs on a chip. The latch rises
    `latch_after_ns` after the last falling clock edge; `blank` is high from `blank_lead_ns` before the latch rises to
    `blank_tail_ns` after it has fallen."""

    wiring: Literal["latched"]
    part: str | None = None
    data: str = "SER"
    clock: str = "SRCLK"
    latch: str = "RCLK"
    blank: str | None = None
    order: Annotated[str, Field(pattern=r"^[RGBW]{1,4}$")] = "W"
    depth: Annotated[int, Field(ge=1, le=16)] = 1
    outputs_per_chip: Annotated[int, Field(ge=1, le=64)] = 8
    clock_rate_hz: Annotated[float, Field(gt=0, le=100e6)] = 1e6
    data_lead_ns: Positive | None = None
    latch_after_ns: Positive = 500.0
    latch_width_ns: Positive = 500.0
    blank_lead_ns: NotNegative = 200.0
    blank_tail_ns: NotNegative = 200.0
    jitter_ns: NotNegative = 0.0

    @model_validator(mode="after")
    def _quiet(self) -> Latched:
        if self.depth not in (1, 8, 12, 16):
            raise ValueError("depth is 1, 8, 12 or 16")
        half = 0.5e9 / self.clock_rate_hz
        if self.jitter_ns * 12 > min(half, self.latch_width_ns, self.latch_after_ns):
            raise ValueError("jitter_ns is more than a twelfth of the shortest interval, so edges could change places")
        if self.data_lead_ns is not None and self.data_lead_ns + 12 * self.jitter_ns >= 2 * half:
            raise ValueError("data_lead_ns is not shorter than a clock period")
        return self

    @property
    def lines(self) -> tuple[str, ...]:
        """The channels it is recorded on."""
        return (self.data, self.clock, self.latch, *([self.blank] if self.blank else []))


class Direct(_ChainTable):
    """One line for each letter of each LED, in order. With `pwm_hz` the lines carry brightness, else on and off."""

    wiring: Literal["direct"]
    part: str | None = None
    lines: Annotated[tuple[str, ...], Field(min_length=1, max_length=64)]
    order: Annotated[str, Field(pattern=r"^[RGBW]{1,4}$")] = "W"
    skew_ns: NotNegative = 0.0
    pwm_hz: Positive | None = None

    @model_validator(mode="after")
    def _one_each(self) -> Direct:
        if len(self.lines) != self.count * len(self.order):
            raise ValueError(
                f"{self.count} LEDs of {len(self.order)} letters need {self.count * len(self.order)} lines"
            )
        return self


def _wiring_of(value: Any) -> str:
    """Which model a table is for; the first one where it does not say or says something unknown."""
    said = value.get("wiring", "one-wire") if isinstance(value, Mapping) else getattr(value, "wiring", "one-wire")
    return said if said in WIRINGS else "one-wire"


Chain = Annotated[
    Annotated[OneWire, Tag("one-wire")]
    | Annotated[Clocked, Tag("clocked")]
    | Annotated[Latched, Tag("latched")]
    | Annotated[Direct, Tag("direct")],
    Discriminator(_wiring_of),
]
AnyChain = OneWire | Clocked | Latched | Direct
