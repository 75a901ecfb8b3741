"""LED parts and their limits, from parts.toml, each with its sheet, revision, page and how well it is known."""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from functools import lru_cache
from importlib.resources import files
from typing import Any, Literal, cast, get_args

from spinlag.errors import PartError

Mark = Literal["verified", "web", "secondary", "derived", "memory"]
MARKS: tuple[str, ...] = get_args(Mark)
Grade = Literal["sheet", "measured", "outside"]

NS_PER_S = 1e9
US_PER_S = 1e6


@dataclass(frozen=True)
class Window:
    """Limits of one interval in seconds; None where the sheet gives no such bound."""

    low_s: float | None
    high_s: float | None

    def holds(self, value_s: float, slack_s: float = 0.0) -> bool:
        """True where `value_s` lies inside, or outside by no more than `slack_s`."""
        above = self.low_s is None or value_s >= self.low_s - slack_s
        return above and (self.high_s is None or value_s <= self.high_s + slack_s)

    def __str__(self) -> str:
        low = "-" if self.low_s is None else f"{self.low_s * NS_PER_S:.9g}"
        high = "-" if self.high_s is None else f"{self.high_s * NS_PER_S:.9g}"
        return f"{low}..{high} ns"


@dataclass(frozen=True)
class Part:
    """One LED part under one revision of its datasheet.

    `name` is the full name as rigs write it (`WS2812B 2013-05`), `number` the part number, `revision` what follows.
    `mark` tells how well the figures are known: `verified`, `web`, `secondary`, `derived` or `memory`.
    """

    name: str
    number: str
    revision: str
    wiring: str
    title: str
    page: str
    mark: str
    bits_per_led: int
    order: str
    windows: Mapping[str, Window]
    """By timing name (t0h, t0l, t1h, t1l, bit_period, low_between_updates)."""
    latch_s: float | None
    measured: Mapping[str, Window]
    """What members of the family were measured to accept, by timing name; empty where nobody measured."""
    measured_latch_s: float | None
    pwm_hz: float | None
    pwm_from: str
    notes: tuple[str, ...] = ()
    bit_time_s: float | None = None
    """Nominal length of a bit: as printed, or the sum of the nominal high and low times."""
    measured_from: str = ""
    """Who measured `measured` and `measured_latch_s`, and when."""
    reshaped: Mapping[str, float] = field(default_factory=dict)
    """High times (t0h, t1h, seconds) that a part of the family was measured to send on at its output."""
    marks: Mapping[str, str] = field(default_factory=dict)
    """Marks of single fields that differ from `mark`: by timing name, or order, bit_time, latch, pwm."""
    not_published: tuple[str, ...] = ()
    """Fields that the sheet does not give, or that were not found."""
    facts: Mapping[str, str] = field(default_factory=dict)
    """What else the sheet says and a bench may need: data rate, input levels, supply."""
    also: tuple[str, ...] = ()
    """Other part numbers that the same sheet covers."""
    frame: str = ""
    """Clocked parts: the format of their words, by the name that `frames` knows it under."""
    brightness_pwm_hz: float | None = None
    """Rate of the slower PWM that dims the whole LED below full brightness; None where there is none."""
    pwm_most_hz: float | None = None
    """Fastest PWM that the sheet allows, where the bench's own grey-scale clock sets the rate."""
    latch_clocks: float | None = None
    """Rest of the clock, in clock periods, after which the data show."""
    bits_per_output: int = 8
    outputs_per_chip: int | None = None
    """Latched parts: what one chip takes."""
    quiet_latch: bool = False
    """True where clock and data must not move while the latch is active."""
    supply_v: float | None = None
    ambient_c: float | None = None
    """Of sheets with a row for each supply voltage and temperature: which row this is."""

    @property
    def source(self) -> str:
        """Sheet, revision, page and mark in one line, as verdicts print it."""
        return f"{self.title}, {self.page} [{self.mark}]"

    def mark_of(self, name: str) -> str:
        """How well one field is known (a timing name, order, bit_time, latch, pwm)."""
        return self.marks.get(name, self.mark)

    def source_of(self, name: str) -> str:
        """As `source`, with the mark of one field."""
        return f"{self.title}, {self.page} [{self.mark_of(name)}]"

    def grade(self, name: str, value_s: float, slack_s: float = 0.0) -> Grade:
        """Where one interval lies: inside the sheet, outside it but inside what was measured, or outside both.

        A name the sheet gives no window for is inside it. `slack_s` is what the recorder may have added or taken.
        """
        if name not in self.windows or self.windows[name].holds(value_s, slack_s):
            return "sheet"
        if name in self.measured and self.measured[name].holds(value_s, slack_s):
            return "measured"
        return "outside"

    @property
    def threshold_s(self) -> float | None:
        """High time that tells a 0 from a 1: the middle between the longest T0H and the shortest T1H."""
        for windows in (self.windows, self.measured):
            longest = windows["t0h"].high_s if "t0h" in windows else None
            shortest = windows["t1h"].low_s if "t1h" in windows else None
            if longest is not None and shortest is not None:
                return (longest + shortest) / 2
        return None


@lru_cache(maxsize=1)
def parts() -> tuple[Part, ...]:
    """Every part of parts.toml, in file order."""
    text = files("spinlag.leds").joinpath("parts.toml").read_text(encoding="utf-8")
    return tuple(part for entry in tomllib.loads(text)["part"] for part in _parts(entry))


def find_parts(name: str) -> tuple[Part, ...]:
    """The parts a rig's `part` means: one for a full name, every revision for a bare part number (any case).

    Raises PartError, which lists near names.
    """
    wanted = " ".join(name.replace("_", "-").lower().split())
    known = parts()
    exact = tuple(part for part in known if part.name.lower() == wanted)
    found = exact or tuple(part for part in known if any(_begins(called, wanted) for called in _called(part)))
    if found and wanted:
        return found
    raise PartError(f"no LED part {name!r} is known; {_near(wanted, known)}")


def after_led(part: Part) -> Part:
    """The part as a probe behind an LED of the chain must judge it.

    Behind an LED the line carries that LED's own pulses. No sheet limits those, so the windows are empty; what is left
    is the range of high times that parts of the family were measured to send on.
    """
    ranges = {
        name: Window(min(values), max(values))
        for name in ("t0h", "t1h")
        if (values := [other.reshaped[name] for other in parts() if name in other.reshaped])
    }
    return replace(
        part,
        windows={},
        measured=ranges,
        measured_latch_s=None,
        measured_from="high times that one-wire LEDs were measured to send on (bench posts of 2014 to 2016)",
        notes=(*part.notes, "probe behind an LED: its input limits do not apply to the pulses seen here"),
    )


def _called(part: Part) -> Iterable[str]:
    for number in (part.number, *part.also):
        yield f"{number} {part.revision}".lower()


def _begins(called: str, wanted: str) -> bool:
    """Whole words of `called`, from its first, are `wanted`."""
    return f"{called} ".startswith(f"{wanted} ")


def _near(wanted: str, known: Iterable[Part]) -> str:
    names = {called: part.name for part in known for called in (part.name.lower(), *_called(part))}
    names |= {number.lower(): number for part in known for number in (part.number, *part.also)}
    close = difflib.get_close_matches(wanted, names, n=5, cutoff=0.5)
    if not close:
        close = [called for called in names if wanted and called.startswith(wanted[:4])][:5]
    said = ", ".join(dict.fromkeys(names[called] for called in close))
    return f"near names: {said}" if said else "`spinlag parts` lists those that are"


def _parts(entry: Mapping[str, Any]) -> Iterable[Part]:
    """The entry as a part, or as one for each row of its sheet."""
    rows = entry.get("rows")
    if rows is None:
        yield _part(entry)
        return
    for row in rows:
        windows = {
            "clock_high": (row["clock"], "-"),
            "clock_low": (row["clock"], "-"),
            "data_setup": (row["setup"], "-"),
            "data_hold": (row["hold"], "-"),
            "clock_to_latch": (row["to_latch"], "-"),
            "latch_width": (row["latch"], "-"),
        }
        revision = f"{entry['revision']} {row['supply_v']:.1f}V {row['ambient_c']}C"
        made = {"revision": revision, "windows_ns": windows, "max_clock_mhz": row["mhz"]}
        yield replace(_part({**entry, **made}), supply_v=row["supply_v"], ambient_c=float(row["ambient_c"]))


def _part(entry: Mapping[str, Any]) -> Part:
    latch = _scaled(entry.get("latch_us"), US_PER_S)
    windows = windows_from_ns(entry["windows_ns"])
    if latch is not None:
        windows["low_between_updates" if entry["wiring"] == "one-wire" else "clock_idle"] = Window(latch, None)
    if "max_clock_mhz" in entry:
        windows["clock_period"] = Window(1e-6 / entry["max_clock_mhz"], None)
    return Part(
        name=f"{entry['number']} {entry['revision']}",
        number=entry["number"],
        revision=entry["revision"],
        wiring=entry["wiring"],
        title=entry["title"],
        page=entry["page"],
        mark=_mark(entry["mark"]),
        bits_per_led=entry["bits_per_led"],
        order=entry["order"],
        windows=windows,
        latch_s=latch,
        measured=windows_from_ns(entry.get("measured_ns", {})),
        measured_latch_s=_scaled(entry.get("measured_latch_us"), US_PER_S),
        pwm_hz=_scaled(entry.get("pwm_hz"), 1.0),
        pwm_from=entry.get("pwm_from", ""),
        notes=tuple(entry.get("notes", ())),
        bit_time_s=_scaled(entry.get("bit_time_ns"), NS_PER_S),
        measured_from=entry.get("measured_from", ""),
        reshaped={name: value / NS_PER_S for name, value in entry.get("reshaped_ns", {}).items()},
        marks={name: _mark(mark) for name, mark in entry.get("marks", {}).items()},
        not_published=tuple(entry.get("not_published", ())),
        facts=dict(entry.get("facts", {})),
        also=tuple(entry.get("also", ())),
        frame=entry.get("frame", ""),
        brightness_pwm_hz=_scaled(entry.get("brightness_pwm_hz"), 1.0),
        pwm_most_hz=_scaled(entry.get("pwm_most_hz"), 1.0),
        latch_clocks=_scaled(entry.get("latch_clocks"), 1.0),
        bits_per_output=entry.get("bits_per_output", 8),
        outputs_per_chip=entry.get("outputs_per_chip"),
        quiet_latch=entry.get("quiet_latch", False),
    )


def _mark(mark: str) -> str:
    if mark not in MARKS:
        raise ValueError(f"parts.toml: no mark {mark!r}")
    return cast(Mark, mark)


def windows_from_ns(table: Mapping[str, tuple[float | str, float | str]]) -> dict[str, Window]:
    """Windows by timing name from pairs of least and most in ns, "-" where there is no such bound."""
    return {name: Window(_bound(low), _bound(high)) for name, (low, high) in table.items()}


def _bound(value: float | str) -> float | None:
    return None if value == "-" else float(value) / NS_PER_S


def _scaled(value: float | None, per_si_unit: float) -> float | None:
    # division by a power of ten rounds once; a product with 1e-9 rounds twice and misses the decimal
    return None if value is None else value / per_si_unit
