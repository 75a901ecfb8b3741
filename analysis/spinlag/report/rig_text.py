"""A resolved rig as the text of a rig file, so that a colleague can repeat a report."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from spinlag.quantities import LIMIT_UNITS, quantity
from spinlag.rig import Limit, Rig
from spinlag.roles.words import toml_text

_BARE = re.compile(r"[A-Za-z0-9_-]+")


def rig_toml(rig: Rig) -> str:
    """TOML that `read_rig` reads back as the same rig; what was not given is left out."""
    idle: Any = {i: set(chain.keys_of_other_wirings) for i, chain in enumerate(rig.leds)}
    tables = rig.model_dump(mode="json", exclude={"limits": True, "guessed": True, "leds": idle}, exclude_none=True)
    lines: list[str] = []
    for name, table in tables.items():
        for one in table if isinstance(table, list) else [table]:
            if not one:
                continue
            lines.append(f"[[{name}]]" if isinstance(table, list) else f"[{name}]")
            lines += [f"{_key(key)} = {_value(value)}" for key, value in one.items() if value not in ([], {})]
            lines.append("")
    for quantity_id, limit in rig.limits.items():
        lines += [f"[limits.{toml_text(quantity_id)}]", *_limit(quantity_id, limit), ""]
    return "\n".join(lines)


def _limit(quantity_id: str, limit: Limit) -> list[str]:
    units = LIMIT_UNITS[quantity(quantity_id).dimension]
    sides = {"min": limit.low, "max": limit.high, "negligible": limit.negligible}
    lines = [_side(side, value, units) for side, value in sides.items() if value is not None]
    return [*lines, f"source = {toml_text(limit.source)}"]


def _side(side: str, value: float, units: Mapping[str, int]) -> str:
    """A bound in the unit that writes it shortest, among those that read back as the very same number."""
    exact = [(f"{value * count:.12g}", unit) for unit, count in units.items()]
    exact = [(text, unit) for text, unit in exact if float(text) / units[unit] == value]
    plain = next(unit for unit, count in units.items() if count == 1)
    text, unit = min(exact, key=lambda one: len(one[0]), default=(repr(value), plain))
    return f"{side}_{unit} = {text}"


def _key(key: str) -> str:
    return key if _BARE.fullmatch(key) else toml_text(key)


def _value(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return toml_text(value)
    if isinstance(value, list | tuple):
        return f"[{', '.join(_value(item) for item in value)}]"
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{_key(str(key))} = {_value(item)}" for key, item in value.items()) + " }"
    return repr(value)
