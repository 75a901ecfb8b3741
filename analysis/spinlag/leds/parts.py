"""LED parts and their limits, from parts.toml, each with its sheet, revision, page and how well it is known."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True)
class Window:
    """Limits of one interval in seconds; None where the sheet gives no such bound."""

    low_s: float | None
    high_s: float | None


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

    @property
    def source(self) -> str:
        """Sheet, revision, page and mark in one line, as verdicts print it."""
        return f"{self.title}, {self.page} [{self.mark}]"


def parts() -> tuple[Part, ...]:
    """Every part of parts.toml, in file order."""
    raise NotImplementedError


def find_parts(name: str) -> tuple[Part, ...]:
    """The parts a rig's `part` means: one for a full name, every revision for a bare part number (any case).

    Raises PartError, which lists near names.
    """
    raise NotImplementedError
