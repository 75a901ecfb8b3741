"""Which parts a chain of the rig can mean: by name, by row of the sheet, or by limits given by hand."""

from __future__ import annotations

import numpy as np

from spinlag.leds.parts import Part, Window, find_parts, windows_from_ns
from spinlag.leds.updates import ChainUpdates
from spinlag.rig_leds import LedsTable

_DEFAULT_BITS = {"one-wire": 24, "clocked": 24, "latched": 1, "direct": 1}
_DEFAULT_ORDER = {"one-wire": "GRB", "clocked": "RGB", "latched": "W", "direct": "W"}


def chain_parts(chain: LedsTable) -> tuple[tuple[Part, ...], tuple[str, ...]]:
    """Every part that the chain's table can mean, and what to say about the choice; none where it names none.

    Of sheets with rows, the row of the highest supply voltage that the rig's does not fall short of (a safe bound, as
    parts are slower at lower voltage) and of the lowest temperature that is not exceeded. Raises PartError for an
    unknown part.
    """
    if chain.windows_ns:
        return (_by_hand(chain),), ()
    if chain.part is None:
        return (), ()
    found = find_parts(chain.part)
    if all(part.supply_v is None for part in found):
        return found, ()
    notes: list[str] = []
    found = _supply(chain, found, notes)
    found = _ambient(chain, found, notes)
    return found, tuple(notes)


def _by_hand(chain: LedsTable) -> Part:
    order = chain.order or _DEFAULT_ORDER[chain.wiring]
    depth = chain.bits_per_output or (1 if chain.wiring in ("latched", "direct") else 8)
    latch_s = chain.latch_us / 1e6 if chain.latch_us is not None else None
    windows = windows_from_ns(chain.windows_ns)
    if latch_s is not None:
        windows.setdefault("low_between_updates" if chain.wiring == "one-wire" else "clock_idle", Window(latch_s, None))
    return Part(
        name=f"{chain.name}, by hand",
        number="by hand",
        revision="",
        wiring=chain.wiring,
        title=chain.source or "rig",
        page="as the rig says",
        mark="given",
        bits_per_led=chain.bits_per_led or len(order) * depth,
        order=order,
        windows=windows,
        latch_s=latch_s,
        measured={},
        measured_latch_s=None,
        pwm_hz=None,
        pwm_from="",
        not_published=("pwm",),
        frame=chain.frame or "",
        bits_per_output=depth,
        outputs_per_chip=chain.outputs_per_chip,
    )


def _supply(chain: LedsTable, found: tuple[Part, ...], notes: list[str]) -> tuple[Part, ...]:
    volts = sorted({part.supply_v for part in found if part.supply_v is not None})
    if chain.supply_v is None:
        if len(volts) > 1:
            rows = ", ".join(f"{volt:g} V" for volt in volts)
            notes.append(f"{chain.part} has rows for {rows}; give supply_v in the rig to choose one")
        return found
    below = [volt for volt in volts if volt <= chain.supply_v]
    chosen = max(below) if below else min(volts)
    if not below:
        notes.append(
            f"{chain.supply_v:g} V is below the lowest row of the sheet ({chosen:g} V): no limit is guaranteed"
        )
    elif chosen < chain.supply_v:
        notes.append(
            f"the sheet has no row for {chain.supply_v:g} V; judged by the {chosen:g} V row, which is the safe bound"
        )
    return tuple(part for part in found if part.supply_v == chosen)


def _ambient(chain: LedsTable, found: tuple[Part, ...], notes: list[str]) -> tuple[Part, ...]:
    rows = sorted({part.ambient_c for part in found if part.ambient_c is not None})
    if chain.ambient_c is None:
        return found
    above = [row for row in rows if row >= chain.ambient_c]
    chosen = min(above) if above else max(rows)
    if not above:
        notes.append(f"{chain.ambient_c:g} C is above the hottest row of the sheet ({chosen:g} C)")
    return tuple(part for part in found if part.ambient_c == chosen)


def no_updates(chain: LedsTable, channel: str, found: tuple[Part, ...], why: str) -> ChainUpdates:
    """A chain on which nothing was sent: every table empty, with its columns."""
    part = found[0] if found else None
    order = chain.order or (part.order if part else _DEFAULT_ORDER[chain.wiring])
    per_letter = _DEFAULT_BITS[chain.wiring] // 3 or 1
    bits = len(chain.order) * per_letter if chain.order and not part else _DEFAULT_BITS[chain.wiring]
    latch_s = chain.latch_us / 1e6 if chain.latch_us is not None else part.latch_s if part else None
    none = np.empty(0, dtype=np.int64)
    return ChainUpdates(
        name=chain.name,
        wiring=chain.wiring,
        channel=channel,
        part=part,
        part_note="rig" if found else "no part given",
        bits_per_led=chain.bits_per_led or (part.bits_per_led if part else bits),
        order=order,
        start=none,
        last=none,
        light_early_s=np.empty(0),
        light_s=np.empty(0),
        bits=none,
        data=np.empty(0, dtype=np.uint8),
        offsets=np.zeros(1, dtype=np.int64),
        whole=np.empty(0, dtype=bool),
        timing={},
        threshold_s=None,
        threshold_from="",
        latch_s=latch_s,
        latch_from="" if latch_s is None or part is None else part.source_of("latch"),
        notes=(why,),
        candidates=found,
        frame=part.frame if part else chain.frame or "",
    )
