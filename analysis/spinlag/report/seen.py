"""What the viewer saw in one revolution, saved as a picture file."""

from __future__ import annotations

from pathlib import Path

from spinlag.errors import OutputError, Problem, RigError
from spinlag.findings import Findings
from spinlag.picture import turn_image
from spinlag.picture.render import exposure_of, render, save_png
from spinlag.report.moments import Moment

SIZE = 720
"""Pixels across."""


def save_seen(findings: Findings, moment: Moment, path: str | Path) -> int:
    """Save the picture of the revolution in which a moment lies, as PNG; returns the revolution.

    Brightness is raised so that the brightest LED is full. Raises RigError where no picture can be laid out or no
    revolution holds the moment, OutputError where the file cannot be written.
    """
    if Path(path).suffix.lower() != ".png":
        raise OutputError(f"{path}: the picture that the viewer saw is written as .png")
    if findings.seen is None or findings.rotation is None:
        raise RigError([Problem("picture", "needs whole revolutions and decoded LED data; this capture gives none")])
    ticks = findings.rotation.turn_ticks
    revolution = int(ticks.searchsorted(round(moment.zero_s / float(findings.capture.tick)), side="right")) - 1
    if not 0 <= revolution < len(ticks) - 1:
        raise RigError([Problem("picture", "the moment lies outside the whole revolutions of the capture")])
    image = turn_image(findings.seen.screen, revolution)
    save_png(path, render(findings.seen.screen, image, SIZE, exposure=exposure_of(image)))
    return revolution
