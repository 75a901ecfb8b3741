"""Samples that the recorder lost while its time went on: what leans on such a place is no evidence."""

from __future__ import annotations

import dataclasses
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from spinlag.capture import Capture
from spinlag.findings import Findings
from spinlag.importers import read_capture
from spinlag.incidents import splices
from spinlag.pipeline import analyse
from spinlag.rig import read_rig

CAPTURES = Path(__file__).parents[1] / "captures"
SAMPLE_NS = Fraction(1000, 24)
LOST_AT_NS = 1_023_400_000
"""In the midst of an update, 216 degrees into a turn."""


@pytest.fixture(scope="module")
def rig():
    return read_rig(CAPTURES / "tide-dial.toml")


@pytest.fixture(scope="module")
def whole(rig) -> Capture:
    """24 MHz, ticks of 1 ns."""
    return read_capture(CAPTURES / "tide-dial-1.3.vcd.xz", table=rig.capture)


@pytest.fixture(scope="module")
def clean(whole, rig) -> Findings:
    return analyse(whole, rig)


def spliced(capture: Capture, lost: int) -> Capture:
    """The record without the `lost` ticks from LOST_AT_NS on, the rest moved up."""
    lines = []
    for line in capture.channels:
        edges = line.edges[:]
        first, after = edges.searchsorted([LOST_AT_NS, LOST_AT_NS + lost])
        changed = [LOST_AT_NS] if (after - first) % 2 else []
        lines.append(dataclasses.replace(line, edges=np.concatenate((edges[:first], changed, edges[after:] - lost))))
    return dataclasses.replace(capture, channels=tuple(lines), end=capture.end - lost)


def verdicts(findings: Findings) -> dict[str, str]:
    return {verdict.id: verdict.verdict for verdict in findings.verdicts}


@pytest.mark.parametrize("samples", [72_000, 7_200_000], ids=["3 ms", "300 ms"])
def test_lost_samples_that_the_shaft_betrays_change_no_verdict(whole, rig, clean, samples):
    found = analyse(spliced(whole, round(samples * SAMPLE_NS)), rig)
    assert verdicts(found) == verdicts(clean)
    (gap,) = [incident for incident in found.incidents.incidents if incident.kind == "capture-gap"]
    assert abs(gap.tick - LOST_AT_NS) < 100_000
    assert "the recorder lost samples here" in gap.detail
    assert "which no shaft can, and an update of arm breaks off at the same place" in gap.detail
    assert any("the recorder lost samples here" in warning for warning in found.warnings)


def test_lost_samples_that_the_lattice_betrays_change_no_verdict(whole, rig, clean, monkeypatch):
    """Jumps of the shaft are not looked at, so that nothing but the lattice tells."""
    monkeypatch.setattr(splices, "_jumps", lambda *_: [])
    capture = spliced(whole, round(72_000 * SAMPLE_NS) + 17)
    told = dataclasses.replace(capture, out_of_step=((LOST_AT_NS - 80, LOST_AT_NS + 230),))
    assert verdicts(analyse(told, rig)) == verdicts(clean)
    unaware = verdicts(analyse(capture, rig))
    assert (unaware["placement.residue"], verdicts(clean)["placement.residue"]) == ("fail", "pass")


def test_a_whole_record_has_no_such_place(clean, whole):
    assert whole.out_of_step == ()
    assert not any(incident.kind == "capture-gap" for incident in clean.incidents.incidents)
