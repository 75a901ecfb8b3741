"""Can the wire keep up? Update time against column slot, before anything is built."""

from __future__ import annotations

import math
from dataclasses import dataclass

from spinlag.leds.parts import Part, find_parts


@dataclass(frozen=True)
class Budget:
    """What a part's wire allows at one speed. Times in seconds, angles in degrees.

    `wire_s` is the time the data of all LEDs take, `update_s` that and the wait until the LEDs show them; `fits` says
    whether an update fits the column slot; `most_columns` and `most_leds` are the most that would fit with the other
    figures unchanged. `pwm_periods` counts the LED's own PWM periods in a slot, None where the rate is not published.
    """

    part: Part
    speed_rev_per_s: float
    columns: int
    leds: int
    revolution_s: float
    slot_s: float
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
    pwm_periods: float | None
    cautions: tuple[str, ...]


def budget(speed_rev_per_s: float, columns: int, leds: int, part: Part) -> Budget:
    """Wire time, slot and what fits, for so many LEDs of one part on one line.

    An update of n LEDs of b bits of t seconds takes n b t plus the latch time; a slot lasts 1 / (r C); an interval of
    t seconds is 360 r t degrees. Raises ValueError for figures that are not positive and for a part whose bit time is
    not known.
    """
    if not (speed_rev_per_s > 0 and math.isfinite(speed_rev_per_s) and columns > 0 and leds > 0):
        raise ValueError("speed, columns and leds must be positive")
    if part.bit_time_s is None:
        raise ValueError(f"the bit time of {part.name} is not known")
    revolution = 1 / speed_rev_per_s
    slot = revolution / columns
    led = part.bit_time_s * part.bits_per_led
    latch = part.latch_s or 0.0
    update = leds * led + latch
    periods = part.pwm_hz * slot if part.pwm_hz else None
    return Budget(
        part=part,
        speed_rev_per_s=speed_rev_per_s,
        columns=columns,
        leds=leds,
        revolution_s=revolution,
        slot_s=slot,
        bit_s=part.bit_time_s,
        led_s=led,
        wire_s=leds * led,
        latch_s=latch,
        update_s=update,
        fits=_whole(slot / update) >= 1,
        most_columns=_whole(revolution / update),
        most_leds=max(_whole((slot - latch) / led), 0),
        wire_deg=360 * leds * led / revolution,
        update_deg=360 * update / revolution,
        slot_deg=360 / columns,
        pwm_periods=periods,
        cautions=_cautions(part, periods),
    )


def _whole(ratio: float) -> int:
    """The whole part, where a ratio that is whole but for rounding counts as whole."""
    return math.floor(ratio * (1 + 1e-12))


def _cautions(part: Part, periods: float | None) -> tuple[str, ...]:
    said = []
    if part.latch_s is None:
        said.append("the latch time is not published and is left out")
    if periods is None:
        said.append("the LED's PWM rate is not published, so dimmed colours may not be even within a slot")
    elif periods < 1:
        said.append(
            f"the LED's own PWM ({part.pwm_hz:.4g} Hz) completes {periods:.2f} periods in a slot: dimmed colours show "
            "as dots or in the wrong colour"
        )
    elif periods < 4:
        said.append(
            f"the LED's own PWM ({part.pwm_hz:.4g} Hz) completes only {periods:.2f} periods in a slot: dimmed colours "
            "differ from slot to slot"
        )
    memory = [field for field in ("bit_time", "latch", "pwm") if part.mark_of(field) == "memory"]
    if memory:
        said.append(f"from memory, not verified: {', '.join(field.replace('_', ' ') for field in memory)}")
    return tuple(said)


def budget_lines(speed_rev_per_s: float, columns: int, leds: int, part: str) -> list[str]:
    """The budget of every part that the name can mean, as lines of text.

    Raises PartError for an unknown part.
    """
    lines: list[str] = []
    for found in find_parts(part):
        if lines:
            lines.append("")
        if found.bit_time_s is None:
            lines += [found.name, "  the bit time is not known, so nothing can be said"]
            continue
        lines += _text(budget(speed_rev_per_s, columns, leds, found))
    return lines


def _text(result: Budget) -> list[str]:
    part = result.part
    slot, update = result.slot_s * 1e6, result.update_s * 1e6
    verdict = "fits the slot" if result.fits else "does NOT fit the slot"
    spare = (
        f"{(result.slot_s - result.update_s) * 1e6:.4g} us to spare" if result.fits else f"{update - slot:.4g} us over"
    )
    return [
        part.name,
        f"  revolution        {result.revolution_s * 1e3:.4g} ms at {result.speed_rev_per_s:.6g} rev/s",
        f"  column slot       {slot:.4g} us, {result.slot_deg:.4g} deg ({result.columns} columns)",
        f"  wire time         {result.wire_s * 1e6:.4g} us, {result.wire_deg:.4g} deg of rotation "
        f"({result.leds} LEDs of {result.led_s * 1e6:.4g} us: {part.bits_per_led} bits of {result.bit_s * 1e6:.4g} us)",
        f"  until shown       {update:.4g} us, {result.update_deg:.4g} deg (latch time {result.latch_s * 1e6:.4g} us)",
        f"  an update         {verdict}, {spare}",
        f"  most columns      {result.most_columns} with {result.leds} LEDs",
        f"  most LEDs         {result.most_leds} with {result.columns} columns",
        "  LED's own PWM     "
        + (
            "rate not published"
            if result.pwm_periods is None
            else f"{result.pwm_periods:.3g} periods in a slot ({part.pwm_from})"
        ),
        f"  source            {part.source}",
        *(f"  caution           {caution}" for caution in result.cautions),
    ]
