"""Risks that are worth a sentence but never a verdict."""

from __future__ import annotations

from collections.abc import Sequence

from spinlag.judge import pwm_periods_per_slot
from spinlag.leds.updates import ChainUpdates
from spinlag.placement import Placement
from spinlag.rig import Rig
from spinlag.rotation import Rotation

SAFETY = (
    "Spinning parts throw things and cut: guard and balance the arm, keep eyes and sleeves away, let it run down "
    "before probing.",
    "Bright LEDs and infrared emitters can hurt eyes: dim them on the bench and do not stare into them.",
    "Connect the grounds of recorder and rig before clipping on; a mains-powered rig needs isolation and a licensed "
    "person.",
    "Makers' datasheets, local codes and licensed practice come before anything said here.",
)


def cautions(
    rig: Rig, rotation: Rotation | None, chains: Sequence[ChainUpdates], placements: Sequence[Placement | None]
) -> tuple[str, ...]:
    """Cautions on this capture: the LED's own PWM against the column slot, and flicker of the picture."""
    found = []
    for chain, placement in zip(chains, placements, strict=True):
        periods, _ = pwm_periods_per_slot(chain, rotation, placement)
        if periods is not None and periods < 1 and chain.part is not None:
            found.append(
                f"{chain.name}: the part's own PWM ({chain.part.pwm_hz:.0f} Hz, {chain.part.pwm_from}) completes only "
                f"{periods:.2f} periods in a column slot, so dimmed colours show as dots or in the wrong colour."
            )
    if rotation is not None and rotation.speed.mean:
        found.append(_flicker(rotation.speed.mean * rig.display.arms))
    return tuple(found)


def low_risk_modulation_percent(frequency_hz: float) -> float:
    """Low-risk limit of modulation, percent (IEEE Std 1789-2015, 8.1.1): 0.025 f below 90 Hz, 0.08 f to 1250 Hz."""
    if frequency_hz < 90:
        return 0.025 * frequency_hz
    return min(0.08 * frequency_hz, 100.0)


def _flicker(refresh_hz: float) -> str:
    limit = low_risk_modulation_percent(refresh_hz)
    text = (
        f"The picture is refreshed {refresh_hz:.1f} times a second with full modulation; general lighting counts as "
        f"low risk below {limit:.2g} % at that rate (IEEE Std 1789-2015, as a caution only)."
    )
    if 3 <= refresh_hz <= 70:
        text += " Light that flashes 3 to 70 times a second can trigger seizures in photosensitive people"
        text += ", most of all between 15 and 25." if 15 <= refresh_hz <= 25 else "."
    return text
