"""Figures in words, as reasons for guesses need them, and texts as TOML writes them."""

from __future__ import annotations

import json
import math

_PREFIXES = ((1e9, "G"), (1e6, "M"), (1e3, "k"), (1.0, ""), (1e-3, "m"), (1e-6, "µ"), (1e-9, "n"), (1e-12, "p"))


def figure(value: float, unit: str, digits: int = 3) -> str:
    """`0.000476, "s"` -> `476 µs`: three significant digits with an SI prefix."""
    if value == 0 or not math.isfinite(value):
        return f"{value:g} {unit}"
    rounded = float(f"{value:.{digits - 1}e}")
    scale, prefix = next((pair for pair in _PREFIXES if abs(rounded) >= pair[0]), _PREFIXES[-1])
    shown = rounded / scale
    decimals = max(0, digits - 1 - math.floor(math.log10(abs(shown)) + 1e-12))
    return f"{shown:.{decimals}f} {prefix}{unit}"


def plural(count: int, thing: str) -> str:
    """`1, "edge"` -> `1 edge`; `2, "edge"` -> `2 edges`."""
    return f"{count} {thing}" + ("" if count == 1 else "s")


def toml_text(value: str) -> str:
    """A TOML basic string in which whatever a terminal or an editor would not show as it is stands as an escape."""
    # JSON strings are TOML basic strings, but for DEL and for surrogates, which TOML has no way to write
    quoted = json.dumps(value.encode("utf-8", "replace").decode("utf-8"), ensure_ascii=False)
    return "".join(c if c.isprintable() else _escaped(c) for c in quoted)


def _escaped(character: str) -> str:
    code = ord(character)
    return f"\\u{code:04x}" if code <= 0xFFFF else f"\\U{code:08x}"
