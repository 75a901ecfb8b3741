"""Roles as a rig gives them, in the shape of a guess."""

from __future__ import annotations

from spinlag.capture import Capture
from spinlag.rig import Rig
from spinlag.roles import Role, RoleGuess

_LED_LINES: dict[str, Role] = {
    "clock": "leds-clock",
    "latch": "leds-latch",
    "blank": "leds-blank",
    "lines": "leds-direct",
}


def roles_of(capture: Capture, rig: Rig) -> tuple[RoleGuess, ...]:
    """The role that the rig gives each channel of the capture, in the capture's order."""
    families: dict[str, Role] = {"index": "index", "motor": "motor-phase", "leds": "leds-data", "markers": "marker"}
    given: dict[str, tuple[Role, str]] = {}
    for key, name in rig.channels().items():
        role = families[key.partition(".")[0].partition("[")[0]]
        if role == "leds-data":
            role = _LED_LINES.get(key.partition(".")[2].partition("[")[0], role)
        given[capture.channel(name).path] = (role, key)
    return tuple(
        RoleGuess(channel.name, given[channel.path][0], 1.0, (f"the rig's {given[channel.path][1]}",))
        if channel.path in given
        else RoleGuess(channel.name, "other", 1.0, ("the rig does not name it",))
        for channel in capture.channels
    )
