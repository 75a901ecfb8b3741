"""What the header and the preamble of a CSV file say: names, units, sample rate."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction

from spinlag.importers.csv_options import TimeUnit

SECONDS: dict[TimeUnit, Fraction] = {
    "h": Fraction(3600),
    "min": Fraction(60),
    "s": Fraction(1),
    "ms": Fraction(1, 10**3),
    "us": Fraction(1, 10**6),
    "ns": Fraction(1, 10**9),
    "ps": Fraction(1, 10**12),
}
"""Length of each time unit in seconds; "samples" has none of its own."""

_TIME_UNITS: dict[str, TimeUnit] = {
    **dict.fromkeys(("h", "hr", "hrs", "hour", "hours"), "h"),
    **dict.fromkeys(("min", "mins", "minute", "minutes"), "min"),
    **dict.fromkeys(("s", "sec", "secs", "second", "seconds"), "s"),
    **dict.fromkeys(("ms", "msec", "millis", "millisecond", "milliseconds"), "ms"),
    **dict.fromkeys(("us", "µs", "μs", "usec", "micros", "microsecond", "microseconds"), "us"),
    **dict.fromkeys(("ns", "nsec", "nanos", "nanosecond", "nanoseconds"), "ns"),
    **dict.fromkeys(("ps", "psec", "picosecond", "picoseconds"), "ps"),
    **dict.fromkeys(("sample", "samples"), "samples"),
}
_VOLTS = {
    "v": 1.0,
    "volt": 1.0,
    "volts": 1.0,
    "mv": 1e-3,
    "millivolt": 1e-3,
    "millivolts": 1e-3,
    "uv": 1e-6,
    "µv": 1e-6,
}
_TIME_NAMES = {
    *(
        "time",
        "times",
        "t",
        "timestamp",
        "time stamp",
        "time_stamp",
        "elapsed",
        "elapsed time",
        "x",
        "x-axis",
        "x axis",
    ),
    *(
        "hours",
        "minutes",
        "seconds",
        "second",
        "sec",
        "millis",
        "milliseconds",
        "micros",
        "microseconds",
        "nanos",
        "nanoseconds",
    ),
}
_SAMPLE_NAMES = {
    *("sample", "samples", "sample number", "sample_number", "sample no", "sample no.", "sample index", "sample_index"),
    *("sample #", "sample nr", "#", "n", "no", "no.", "nr", "index", "row"),
}
_PREFIX = {"": 1, "k": 10**3, "m": 10**6, "g": 10**9}

_NAME_WITH_UNIT = re.compile(
    r"^(?P<name>.*?)\s*(?:[\[(](?P<bracket>[^\])]*)[\])]|/\s*(?P<slash>\w+)|\bin\s+(?P<word>\w+))$"
)
_NAME_WITH_SUFFIX = re.compile(r"^(?P<name>.*)_(?P<unit>[a-zµμ]+)$", re.IGNORECASE)
_NUMBER = r"(?P<number>(?:\d[\d.,]{0,30}|\.\d{1,30})(?:e[-+]?\d{1,2})?)(?![\w.]*\d)"
_RATE_UNIT = r"(?:(?P<prefix{0}>[kmg]?)(?P<hertz{0}>hz|sa?/s|sps|samples?/s)\b)"
_RATE = re.compile(
    r"(?:sampl(?:e|ing)[ _-]*(?:rate|freq(?:uency)?)|\bfs\b)[ _]*[\[(]?"
    + _RATE_UNIT.format(1)
    + r"?[\])]?\s*[:=,;|]*\s*"
    + _NUMBER
    + r"[\s;|]*"
    + _RATE_UNIT.format(2)
    + "?",
    re.IGNORECASE,
)
_TIME_UNIT = r"(?P<unit{}>[mnpuµμ]?s(?:ec(?:onds?)?)?\b)"
_INTERVAL = re.compile(
    r"(?:sampl(?:e|ing)[ _-]*(?:interval|period)|(?:x|time|horizontal)[ _-]*(?:increment|incr|step)|\bincrement|\bdt\b)"
    r"[ _]*[\[(]?"
    + _TIME_UNIT.format(1)
    + r"?[\])]?\s*[:=,;|]*\s*"
    + _NUMBER
    + r"[\s;|]*"
    + _TIME_UNIT.format(2)
    + "?",
    re.IGNORECASE,
)
_UNIT_OF_TIME = re.compile(r"\b(?:time|horizontal|x)[ _-]*units?\W+(?P<unit>[a-zµμ]+)", re.IGNORECASE)
_UNIT_OF_LEVEL = re.compile(r"\b(?:vertical|y|channel)[ _-]*units?\W+(?P<unit>[a-zµμ]+)", re.IGNORECASE)


@dataclass(frozen=True)
class HeaderName:
    """A column's name without its unit, and the unit as written ("" where there is none)."""

    name: str
    unit: str

    @property
    def time_unit(self) -> TimeUnit | None:
        """The time unit that the unit, or else the name itself, stands for."""
        return time_unit(self.unit) or (_TIME_UNITS.get(self.name.lower()) if not self.unit else None)

    @property
    def volts(self) -> float | None:
        """Volts per unit, None where the unit is no voltage."""
        return volts(self.unit)

    @property
    def is_time(self) -> bool:
        """Whether this is a usual name for a time axis."""
        return self.name.lower() in _TIME_NAMES

    @property
    def is_sample(self) -> bool:
        """Whether this is a usual name for a sample number."""
        return self.name.lower() in _SAMPLE_NAMES


@dataclass(frozen=True)
class Preamble:
    """What the lines before (or beside) the data say; None where they say nothing."""

    sample_rate_hz: Fraction | None = None
    time_unit: TimeUnit | None = None
    volts: float | None = None
    doubts: tuple[str, ...] = ()
    """Statements that contradict one another or mean nothing, in words."""


def time_unit(text: str) -> TimeUnit | None:
    """The time unit that a text such as "µs" or "Second" means."""
    return _TIME_UNITS.get(text.strip().lower())


def volts(text: str) -> float | None:
    """Volts per unit for a text such as "mV" or "Volt"."""
    return _VOLTS.get(text.strip().lower())


def header_name(text: str) -> HeaderName:
    """Split `Time [s]`, `time (us)`, `Time/s`, `time in ms` or `t_us` into name and unit.

    A suffix after an underscore counts only where it is a time unit and the rest names a time: `PH_S` stays whole.
    """
    text = text.strip()
    found = _NAME_WITH_UNIT.match(text)
    if found:
        unit = found["bracket"] or found["slash"] or found["word"] or ""
        name = HeaderName(found["name"].strip(), unit.strip())
        known = name.time_unit is not None or name.volts is not None
        if known and (found["bracket"] is not None or name.is_time or name.is_sample):
            return name
        if found["bracket"] is not None:
            return HeaderName(text, unit.strip())
    found = _NAME_WITH_SUFFIX.match(text)
    if found and time_unit(found["unit"]) and HeaderName(found["name"], "").is_time:
        return HeaderName(found["name"], found["unit"])
    return HeaderName(text, "")


def read_preamble(lines: Iterable[str]) -> Preamble:
    """Sample rate (or interval) and units from free text; the first statement of each kind counts."""
    rate = interval = None
    unit = level = None
    doubts = []
    for line in lines:
        stated = _rate(line)
        if stated == 0:
            doubts.append("the file states a sample rate of 0 Hz, which is none: it was passed over")
        elif stated and rate and stated != rate:
            said = " and ".join(f"{float(one) / 1e6:.6g} MHz" for one in (rate, stated))
            doubts.append(f"the file states two sample rates, {said}: the first counts (--sample-rate says otherwise)")
        rate = rate or stated
        interval = interval if interval is not None else _interval(line)
        if unit is None and (found := _UNIT_OF_TIME.search(line)):
            unit = time_unit(found["unit"])
        if level is None and (found := _UNIT_OF_LEVEL.search(line)):
            level = volts(found["unit"])
    if rate is None and interval:
        rate = 1 / interval
    return Preamble(rate or None, unit, level, tuple(doubts))


def _rate(line: str) -> Fraction | None:
    found = _RATE.search(line)
    if not found:
        return None
    prefix = (found["prefix1"] or found["prefix2"] or "").lower()
    return _fraction(found["number"], plain=not prefix) * _PREFIX[prefix]


def _interval(line: str) -> Fraction | None:
    found = _INTERVAL.search(line)
    if not found:
        return None
    unit = time_unit(found["unit1"] or found["unit2"] or "s") or "s"
    return _fraction(found["number"], plain=False) * SECONDS[unit]


def _fraction(text: str, *, plain: bool) -> Fraction:
    """A number whose commas are decimal signs or, in groups of three, group signs.

    One group alone ("24,000") is told by `plain`: a count of hertz, rather than a number with a prefix to its unit.
    """
    text = text.rstrip(".,")
    grouped = re.fullmatch(r"\d{1,3}(,\d{3})+(\.\d*)?", text)
    if grouped and (plain or text.count(",") > 1 or grouped[2]):
        text = text.replace(",", "")
    text = text.replace(",", ".")
    return Fraction(text) if text.count(".") <= 1 else Fraction(0)
