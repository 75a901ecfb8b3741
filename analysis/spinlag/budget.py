"""Can the wire keep up? Update time against column slot, before anything is built."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from spinlag.leds.frames import FRAMES
from spinlag.leds.parts import Part, find_parts

CHIP_BITS = 64
"""Clocked words as long as this are those of a driver chip."""
ASSUMED_CLOCK_HZ = 1e6
"""Clock of a part whose sheet gives no limit, where none is asked for. Common practice, no source."""


@dataclass(frozen=True)
class Budget:
    """What a part's wire allows at one speed. Times in seconds, angles in degrees.

    `bits` go over the wire for one update, starts and ends of frames included, each taking `bit_s`; `led_s` is what one
    more LED costs; `wire_s` the time that all of them take, `update_s` that and `latch_s`, the wait until the LEDs show
    them. `fits` says whether an update fits the column slot; `most_columns` and `most_leds` are the most that would fit
    with the other figures unchanged. `shear_s` is how long the light takes along a chain whose LEDs show their data one
    after the other, 0 where all change together. `clock_hz` is the clock reckoned with and `least_clock_hz` the slowest
    that would do, both None on one wire. `pwm_periods` counts the LED's own PWM periods in a slot, None where the LED
    has none or its rate is not published.
    """

    part: Part
    speed_rev_per_s: float
    columns: int
    leds: int
    revolution_s: float
    slot_s: float
    bits: int
    bit_s: float
    led_s: float
    wire_s: float
    latch_s: float
    update_s: float
    fits: bool
    most_columns: int
    most_leds: int
    wire_deg: float
    update_deg: float
    slot_deg: float
    shear_s: float
    shear_deg: float
    clock_hz: float | None
    least_clock_hz: float | None
    pwm_periods: float | None
    cautions: tuple[str, ...]


def budget(speed_rev_per_s: float, columns: int, leds: int, part: Part, *, clock_hz: float | None = None) -> Budget:
    """Wire time, slot and what fits, for so many LEDs of one part on one line.

    One wire: n LEDs of b bits of t seconds take n b t. Clocked: start, words and the end clocks that n LEDs need, at
    `clock_hz` (by default the sheet's fastest). Latched: the bits of all chips. The latch time comes on top; a slot
    lasts 1 / (r C); an interval of t seconds is 360 r t degrees. Raises ValueError for figures that are not positive
    and for a part whose bit time is not known.
    """
    figures = (speed_rev_per_s, columns, leds, *(() if clock_hz is None else (clock_hz,)))
    if not all(figure > 0 and math.isfinite(figure) for figure in figures):
        raise ValueError("speed, columns, leds and clock rate must be positive")
    revolution = 1 / speed_rev_per_s
    slot = revolution / columns
    bit, clock = _bit_time(part, clock_hz)
    latch = _latch(part, bit)
    bits = wire_bits(part, leds)
    update = bits * bit + latch
    shear = _shear(part, leds, bit)
    periods = part.pwm_hz * slot if part.pwm_hz else None
    spare = slot - latch if part.latch_clocks is None else slot
    return Budget(
        part=part,
        speed_rev_per_s=speed_rev_per_s,
        columns=columns,
        leds=leds,
        revolution_s=revolution,
        slot_s=slot,
        bits=bits,
        bit_s=bit,
        led_s=(wire_bits(part, 2 * 64) - wire_bits(part, 64)) / 64 * bit,
        wire_s=bits * bit,
        latch_s=latch,
        update_s=update,
        fits=_whole(slot / update) >= 1,
        most_columns=_whole(revolution / update),
        most_leds=_most_leds(part, bit, latch, slot),
        wire_deg=360 * bits * bit / revolution,
        update_deg=360 * update / revolution,
        slot_deg=360 / columns,
        shear_s=shear,
        shear_deg=360 * shear / revolution,
        clock_hz=clock,
        least_clock_hz=None if clock is None or spare <= 0 else (bits + (part.latch_clocks or 0)) / spare,
        pwm_periods=periods,
        cautions=_cautions(part, periods, slot, clock, clock_hz),
    )


def wire_bits(part: Part, leds: int) -> int:
    """Bits, or clocks, that one update of so many LEDs takes: start, words and the end that the family needs."""
    if part.wiring == "latched":
        outputs = leds * len(part.order)
        chip = part.outputs_per_chip or outputs
        return -(-outputs // chip) * chip * part.bits_per_output
    frame = FRAMES.get(part.frame)
    if frame is None:
        return leds * part.bits_per_led
    return frame.head + leds * frame.word + frame.end_clocks(leds)


def _bit_time(part: Part, clock_hz: float | None) -> tuple[float, float | None]:
    """Seconds per bit, and the clock where there is one."""
    if part.wiring == "one-wire":
        if part.bit_time_s is None:
            raise ValueError(f"the bit time of {part.name} is not known")
        return part.bit_time_s, None
    clock = clock_hz or fastest_clock_hz(part) or ASSUMED_CLOCK_HZ
    return 1 / clock, clock


def fastest_clock_hz(part: Part) -> float | None:
    """The sheet's fastest clock, None where it gives none."""
    period = part.windows.get("clock_period")
    return None if period is None or not period.low_s else 1 / period.low_s


def _latch(part: Part, bit_s: float) -> float:
    if part.wiring == "latched":
        after = (part.windows.get(name) for name in ("clock_to_latch", "clock_end_to_latch"))
        return sum(window.low_s or 0.0 for window in after if window is not None)
    return part.latch_s or (part.latch_clocks or 0.0) * bit_s


def _shear(part: Part, leds: int, bit_s: float) -> float:
    """From the first LED's light to the last one's, where each shows its own word as it comes."""
    frame = FRAMES.get(part.frame)
    if frame is None or frame.shows not in ("own-word", "next-byte"):
        return 0.0
    return (leds - 1) * (frame.word + (0.5 if frame.retimes else 0.0)) * bit_s


def _most_leds(part: Part, bit_s: float, latch_s: float, slot_s: float) -> int:
    """The most LEDs whose update fits the slot, by bisection: one more never takes less."""

    def fits(leds: int) -> bool:
        return wire_bits(part, leds) * bit_s + latch_s <= slot_s * (1 + 1e-12)

    low, high = 0, 1
    while fits(high):
        low, high = high, high * 2
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (middle, high) if fits(middle) else (low, middle)
    return low


def _whole(ratio: float) -> int:
    """The whole part, where a ratio that is whole but for rounding counts as whole."""
    return math.floor(ratio * (1 + 1e-12))


def _cautions(
    part: Part, periods: float | None, slot: float, clock: float | None, asked_hz: float | None
) -> tuple[str, ...]:
    said = []
    fastest = fastest_clock_hz(part)
    if part.wiring == "one-wire" and part.latch_s is None:
        said.append("the latch time is not published and is left out")
    if clock is not None and asked_hz is None and fastest is None:
        said.append(f"the sheet gives no fastest clock; reckoned with {clock / 1e6:.4g} MHz")
    if clock is not None and fastest is not None and clock > fastest * (1 + 1e-9):
        said.append(f"the clock is faster than the sheet allows ({fastest / 1e6:.4g} MHz)")
    if "pwm" in part.not_published and part.pwm_hz is None:
        said.append("the LED's PWM rate is not published, so dimmed colours may not be even within a slot")
    elif periods is not None and periods < 1:
        said.append(
            f"the LED's own PWM ({part.pwm_hz:.4g} Hz) completes {periods:.2f} periods in a slot: dimmed colours show "
            "as dots or in the wrong colour"
        )
    elif periods is not None and periods < 4:
        said.append(
            f"the LED's own PWM ({part.pwm_hz:.4g} Hz) completes only {periods:.2f} periods in a slot: dimmed colours "
            "differ from slot to slot"
        )
    if part.pwm_most_hz is not None and part.pwm_most_hz * slot < 4:
        said.append(
            f"even at its fastest ({part.pwm_most_hz:.4g} Hz) the grey-scale PWM completes only "
            f"{part.pwm_most_hz * slot:.2f} periods in a slot: dimmed colours differ from slot to slot"
        )
    if part.brightness_pwm_hz is not None:
        said.append(
            f"keep the five-bit brightness at full: below it a PWM of about {part.brightness_pwm_hz:.0f} Hz lies over "
            "the light"
        )
    if part.wiring == "clocked" and part.bits_per_led >= CHIP_BITS:
        said.append(f"a chip counts as one LED here, with {part.bits_per_led} bits for all of its outputs")
    memory = [field for field in ("bit_time", "latch", "pwm") if part.mark_of(field) == "memory"]
    if memory:
        said.append(f"from memory, not verified: {', '.join(field.replace('_', ' ') for field in memory)}")
    return tuple(said)


def budget_lines(
    speed_rev_per_s: float, columns: int, leds: int, part: str, clock_hz: float | None = None
) -> list[str]:
    """The budget of every part that the name can mean, as lines of text; `direct` means LEDs on lines of their own.

    Raises PartError for an unknown part.
    """
    if part.strip().lower() == "direct":
        slot = 1 / (speed_rev_per_s * columns)
        return [
            "direct lines",
            f"  column slot       {slot * 1e6:.4g} µs, {360 / columns:.4g}° ({columns} columns)",
            "  wire time         none: a line's edge is its LED's light, however many LEDs there are",
            f"  dimming           a PWM of the lines needs at least {4 / slot:.4g} Hz for 4 periods in a slot",
        ]
    lines: list[str] = []
    for found, rows in _slowest_rows(find_parts(part)):
        if lines:
            lines.append("")
        if found.wiring == "one-wire" and found.bit_time_s is None:
            lines += [found.name, "  the bit time is not known, so nothing can be said"]
            continue
        lines += _text(budget(speed_rev_per_s, columns, leds, found, clock_hz=clock_hz))
        if len(rows) > 1:
            lines.append(f"  rows              {_rows_text(rows)}")
    return lines


def _slowest_rows(found: Sequence[Part]) -> list[tuple[Part, tuple[Part, ...]]]:
    """Each part, of a sheet with rows only the slowest one, and the rows that it stands for."""
    sheets: dict[tuple[str, str], list[Part]] = {}
    for part in found:
        sheets.setdefault((part.number, part.title) if part.supply_v is not None else (part.name, ""), []).append(part)
    slowest = []
    for rows in sheets.values():
        slowest.append((max(rows, key=lambda row: (1 / (fastest_clock_hz(row) or math.inf), _latch(row, 0.0))), rows))
    return [(part, tuple(rows)) for part, rows in slowest]


def _rows_text(rows: Sequence[Part]) -> str:
    volts = [row.supply_v for row in rows if row.supply_v is not None]
    ambient = [row.ambient_c for row in rows if row.ambient_c is not None]
    clocks = [clock / 1e6 for row in rows if (clock := fastest_clock_hz(row))]
    return (
        f"the slowest of {len(rows)}, which is the safe bound: the sheet's rows for {min(volts):g} to {max(volts):g} V "
        f"and {min(ambient):g} to {max(ambient):g} °C allow clocks of {min(clocks):.4g} to {max(clocks):.4g} MHz; name "
        "one in full to reckon with it"
    )


def _text(result: Budget) -> list[str]:
    part = result.part
    slot, update = result.slot_s * 1e6, result.update_s * 1e6
    verdict = "fits the slot" if result.fits else "does NOT fit the slot"
    spare = (
        f"{(result.slot_s - result.update_s) * 1e6:.4g} µs to spare" if result.fits else f"{update - slot:.4g} µs over"
    )
    return [
        part.name,
        f"  revolution        {result.revolution_s * 1e3:.4g} ms at {result.speed_rev_per_s:.6g} rev/s",
        f"  column slot       {slot:.4g} µs, {result.slot_deg:.4g}° ({result.columns} columns)",
        f"  wire time         {result.wire_s * 1e6:.4g} µs, {result.wire_deg:.4g}° of rotation "
        f"({result.leds} LEDs, {result.bits} bits of {result.bit_s * 1e6:.4g} µs; {result.led_s * 1e6:.4g} µs per LED)",
        f"  until shown       {update:.4g} µs, {result.update_deg:.4g}° (latch time {result.latch_s * 1e6:.4g} µs)",
        *_clock_text(result),
        f"  an update         {verdict}, {spare}",
        f"  most columns      {result.most_columns} with {result.leds} LEDs",
        f"  most LEDs         {result.most_leds} with {result.columns} columns",
        f"  LED's own PWM     {_pwm_text(result)}",
        f"  source            {part.source}",
        *(f"  caution           {caution}" for caution in result.cautions),
    ]


def _clock_text(result: Budget) -> list[str]:
    lines = []
    if result.clock_hz is not None:
        enough, fastest = result.least_clock_hz, fastest_clock_hz(result.part)
        needed = "no clock would do: the latch time alone fills the slot"
        if enough is not None:
            needed = f"{enough / 1e6:.4g} MHz would do"
            if fastest is not None and enough > fastest * (1 + 1e-9):
                needed = f"it would take {enough / 1e6:.4g} MHz, more than the sheet allows"
        which = ", the fastest of the sheet" if fastest and abs(result.clock_hz / fastest - 1) < 1e-9 else ""
        lines.append(f"  clock             {result.clock_hz / 1e6:.4g} MHz{which}; {needed}")
    if result.shear_s:
        lines.append(
            f"  shear             {result.shear_s * 1e6:.4g} µs, {result.shear_deg:.4g}° from the first LED's light "
            "to the last one's"
        )
    return lines


def _pwm_text(result: Budget) -> str:
    if result.pwm_periods is not None:
        return f"{result.pwm_periods:.3g} periods in a slot ({result.part.pwm_from})"
    if result.part.pwm_most_hz is not None:
        most = result.part.pwm_most_hz * result.slot_s
        return f"at most {most:.3g} periods in a slot ({result.part.pwm_from})"
    return "rate not published" if "pwm" in result.part.not_published else result.part.pwm_from or "none"
