"""Numbers for people: engineering units, and as many digits as the uncertainty allows.

Values carry their unit after a narrow space; an uncertainty is rounded to two significant digits and the value to the
same decimal place (JCGM 100, 7.2.6), each with its own unit (NIST SP 811, 7.7).
"""

from __future__ import annotations

import math
from decimal import ROUND_HALF_EVEN, Decimal

MISSING = "–"
_PREFIXES = ((0, "s"), (-3, "ms"), (-6, "µs"), (-9, "ns"), (-12, "ps"))
_NO_SPACE = "°"
_TIGHT = "\u202f"
"""Narrow no-break space, between groups of digits."""


def _group(digits: str) -> str:
    """Digits before the point in groups of three once there are five or more."""
    sign = "-" if digits.startswith("-") else ""
    whole, point, rest = digits.removeprefix("-").partition(".")
    if len(whole) > 4:
        head = len(whole) % 3
        parts = ([whole[:head]] if head else []) + [whole[i : i + 3] for i in range(head, len(whole), 3)]
        whole = _TIGHT.join(parts)
    return sign.replace("-", "−") + whole + point + rest


def count(n: int) -> str:
    """A whole number, digits grouped."""
    return _group(str(int(n)))


def _exponent(value: float) -> int:
    """Decimal exponent of the leading digit of a value that is not 0."""
    return Decimal(repr(float(value))).adjusted()


def _scale(value: float, unit: str) -> tuple[int, str]:
    """Power of ten and unit in which `value` reads best."""
    if unit != "s" or value == 0 or not math.isfinite(value):
        return 0, {"deg": "°", "1": ""}.get(unit, unit)
    exponent = _exponent(value)
    for power, name in _PREFIXES:
        if exponent >= power:
            return power, name
    return _PREFIXES[-1]


def _place(number: str, unit: str) -> str:
    if not unit:
        return number
    return number + unit if unit == _NO_SPACE else f"{number}\u00a0{unit}"


def _rounded(value: float, power: int, place: int) -> str:
    """`value` / 10^power, rounded at the decimal `place` (exponent of the last digit kept) of the unscaled value."""
    scaled = Decimal(repr(float(value))).quantize(Decimal(1).scaleb(place), rounding=ROUND_HALF_EVEN).scaleb(-power)
    return _group(f"{abs(scaled) if scaled == 0 else scaled:.{max(0, power - place)}f}")


def si(value: float | None, unit: str, digits: int = 4) -> str:
    """`value` in `unit` (s, deg, rev/s, %, 1, ...) to so many significant digits: `0.0003424, "s"` -> `342.4 µs`."""
    if value is None or not math.isfinite(value):
        return MISSING
    if value == 0:
        return _place("0", _scale(0.0, unit)[1])
    place = _exponent(value) - digits + 1
    value = float(Decimal(repr(float(value))).quantize(Decimal(1).scaleb(place)))
    power, name = _scale(value, unit)
    # whole units never get zeros in place of digits that are known, nor decimals that say nothing
    return _place(_trim(_rounded(value, power, min(place, power))), name)


def _trim(number: str) -> str:
    return number.rstrip("0").rstrip(".") if "." in number else number


def _two_digits(value: float) -> tuple[float, int]:
    """`value` rounded to two significant digits, and the decimal place of the second."""
    rounded = float(f"{value:.1e}")
    return rounded, _exponent(rounded) - 1


def uncertainty(value: float | None, unit: str) -> str:
    """An expanded uncertainty, two significant digits."""
    if value is None or not math.isfinite(value):
        return MISSING
    if value == 0:
        return _place("0", _scale(0.0, unit)[1])
    value, place = _two_digits(value)
    power, name = _scale(value, unit)
    return _place(_rounded(value, power, min(place, power)), name)


def measured(value: float | None, expanded: float | None, unit: str) -> str:
    """Value ± U: `3.424e-4, 1.23e-6, "s"` -> `342.4 µs ± 1.2 µs`; without U four significant digits."""
    if value is None or not math.isfinite(value):
        return MISSING
    if expanded is None or not math.isfinite(expanded) or expanded <= 0:
        return si(value, unit)
    place = _two_digits(expanded)[1]
    power, name = _scale(value if abs(value) >= expanded else expanded, unit)
    shown = _place(_rounded(value, power, min(place, power)), name)
    return f"{shown} ± {uncertainty(expanded, unit)}"


def bounds(low: float | None, high: float | None, unit: str) -> str:
    """A limit in words: `220 ns to 380 ns`, `at least 280 µs`, `at most 450 µs`."""
    if low is not None and high is not None:
        return f"{si(low, unit)} to {si(high, unit)}"
    if low is not None:
        return f"at least {si(low, unit)}"
    return f"at most {si(high, unit)}" if high is not None else MISSING


def axis_unit(largest: float, unit: str = "s") -> tuple[float, str]:
    """Factor and unit name for an axis whose largest value is `largest`: multiply by the factor to plot."""
    power, name = _scale(largest, unit)
    return 10.0**-power, name
