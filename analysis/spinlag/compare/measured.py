"""What comparison needs of one capture, from its findings; `stored.py` reads it from an earlier check's folder."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spinlag.compare.shown import Shown, usual_data
from spinlag.errors import SpinlagError
from spinlag.findings import Findings
from spinlag.rig import Limit, Rig
from spinlag.summary import Statistics
from spinlag.wrong_lines import Unsound

Floats = NDArray[np.float64]

SERIES = ("response_s", "wire_s", "latency_s", "latency_deg", "offset_deg", "residue_rms_deg", "seam_deg")
"""Columns of revolutions.csv that are compared revolution by revolution."""


SPOILING = ("index-", "speed-step", "motor-", "capture-gap")
"""Faults of sensor, shaft and recorder. What they do to a turn's figures is no property of the firmware's timing: they
are compared as faults, and the turns that they touch are left out of the series."""


class CompareError(SpinlagError, ValueError):
    """Captures that cannot be compared, or results that cannot be read; the message gives every reason."""


@dataclass(frozen=True)
class Chain:
    """What must agree for two captures to be of one display. `part` is as the rig names it, None where it does not."""

    name: str
    wiring: str
    part: str | None
    leds: int
    bits_per_led: int


@dataclass(frozen=True)
class Timing:
    """One interval of a chain's line: its statistics, and the window of the chain's part (None: no such bound)."""

    statistics: Statistics
    low_s: float | None
    high_s: float | None
    source: str


@dataclass(frozen=True, eq=False)
class Measured:
    """One capture as comparison sees it.

    `series` holds float64 arrays over revolutions, in order and finite: those of SERIES, `period_s` (used turns),
    `cycle_s` (differences of neighbouring used turns) and `without_update` and `missing` (counts in each revolution),
    without the `spoiled` revolutions, which a fault of sensor, shaft or recorder touched. `columns` is the number of
    columns, None where nothing was placed. `faults` counts origins by kind, for every kind that was looked for.
    `limits` are the rig's.
    """

    file: str
    sha256: str
    duration_s: float
    sample_period_s: float
    clock_ppm: float
    revolutions: int
    speed_rev_per_s: float | None
    columns: int | None
    chains: tuple[Chain, ...]
    series: Mapping[str, Floats]
    spoiled: int
    timing: Mapping[str, Timing]
    faults: Mapping[str, int]
    shown: tuple[Shown, ...]
    limits: Mapping[str, Limit] = field(default_factory=dict)
    guessed: bool = False
    """True where no rig was given, so that channels, LEDs and columns are guesses."""
    bench: Mapping[str, str] = field(default_factory=dict)
    """Keys of the rig on which the figures hang, such as the edge that begins a turn."""
    extra: int = 0
    """Updates of a usual revolution that belong to no column of the rig's."""
    read_with: Mapping[str, Any] = field(default_factory=dict)
    """What the user said of the file that the file does not: importer, CSV options and the like."""
    warnings: tuple[str, ...] = ()
    """What looks wrong with the capture, as its check said it."""
    unsound: tuple[Unsound, ...] = ()
    """Figures that a warning makes worthless."""


def from_findings(findings: Findings) -> Measured:
    """One capture's findings, reduced to what comparison needs; the capture itself is let go."""
    capture, rig = findings.capture, findings.rig
    rotation = findings.rotation
    placement = findings.placements[0] if findings.placements else None
    rates = findings.incidents.rates
    incidents = [(one.id, one.kind, one.revolution, one.origin) for one in findings.incidents.incidents]
    series, spoiled = series_of(findings.revolutions, spoiled_turns(incidents))
    extra = usual_extra(findings.revolutions)
    return Measured(
        file=Path(capture.file).name,
        sha256=capture.sha256,
        duration_s=capture.duration_s,
        sample_period_s=capture.sample_period_s,
        clock_ppm=rig.capture.clock_ppm,
        revolutions=len(rotation.turns) if rotation is not None else 0,
        speed_rev_per_s=rotation.speed.mean if rotation is not None else None,
        columns=placement.columns if placement is not None else None,
        chains=tuple(
            Chain(chain.name, chain.wiring, table.part, chain.leds_seen, chain.bits_per_led)
            for chain, table in zip(findings.chains, rig.leds, strict=True)
        ),
        series=series,
        spoiled=spoiled,
        timing={
            f"leds.{chain.name}.{name}": Timing(tally.statistics, *part_window(rig, index, name))
            for index, chain in enumerate(findings.chains)
            for name, tally in chain.timing.items()
            if tally.statistics.n
        },
        faults=dict(zip(rates["kind"], (int(n) for n in rates["origins"]), strict=True)),
        shown=usual_data(findings.chains, findings.placements),
        limits=rig.limits,
        guessed=bool(rig.guessed),
        bench=bench_of(rig),
        extra=extra,
        read_with=dict(capture.read_with),
        warnings=tuple(dict.fromkeys(findings.warnings)),
        unsound=findings.unsound,
    )


def usual_extra(revolutions: pd.DataFrame) -> int:
    """Updates of a usual revolution (median) that belong to no column; 0 where none is known."""
    extra = revolutions["extra"].to_numpy(dtype=np.float64)
    extra = extra[np.isfinite(extra)]
    return int(np.median(extra)) if len(extra) else 0


def bench_of(rig: Rig) -> dict[str, str]:
    """Keys of the rig on which the figures hang, and their values as text."""
    found: dict[str, object] = {}
    if rig.index is not None:
        found["index.edge"] = rig.index.edge
        found["index.pulses_per_revolution"] = rig.index.pulses_per_revolution
        found["index.missing_tooth"] = rig.index.missing_tooth
    if rig.display is not None:
        found["display.geometry"] = rig.display.geometry
        found["display.direction"] = rig.display.direction
    for table in rig.leds:
        found[f"leds.{table.name}.tap"] = table.tap
    return {key: str(value) for key, value in found.items()}


def spoiled_turns(incidents: Sequence[tuple[str, str, int | None, str | None]]) -> frozenset[int]:
    """Revolutions touched by events that a fault of sensor, shaft or recorder began, and the one after each event.

    `incidents` are (id, kind, revolution, id of the origin or None).
    """
    roots = {id_ for id_, kind, _, origin in incidents if origin is None and kind.startswith(SPOILING)}
    touched: dict[str, list[int]] = {}
    for id_, _, revolution, origin in incidents:
        root = origin if origin is not None else id_
        if root in roots and revolution is not None:
            touched.setdefault(root, []).append(int(revolution))
    return frozenset(turn for turns in touched.values() for turn in range(min(turns), max(turns) + 2))


def series_of(table: pd.DataFrame, spoiled: frozenset[int]) -> tuple[dict[str, Floats], int]:
    """Series over revolutions, and how many were left out as spoiled.

    Turns that the rotation does not trust give no period and nothing that rests on it.
    """
    out = table["revolution"].isin(spoiled).to_numpy(dtype=bool)
    table = table[~out]
    used = table["used"].to_numpy(dtype=bool)
    found: dict[str, Floats] = {}
    for name in SERIES:
        values = table[name].to_numpy(dtype=np.float64)
        # seconds do not rest on the turn's end, degrees do
        found[name] = values[np.isfinite(values) & (used | name.endswith("_s"))]
    periods = table["period_s"].to_numpy(dtype=np.float64)
    timed = used & np.isfinite(periods)
    found["period_s"] = periods[timed]
    # neighbours only: across a turn that was left out there is no cycle to the next
    adjacent = timed[1:] & timed[:-1] & (np.diff(table["revolution"].to_numpy()) == 1)
    found["cycle_s"] = np.diff(periods)[adjacent]
    indexed = np.isfinite(table["index_s"].to_numpy(dtype=np.float64))
    # a first update that is broken gives no latency, but it is one
    lacking = table["response_s"].isna().to_numpy()
    found["without_update"] = lacking[indexed].astype(np.float64)
    missing = table["missing"].to_numpy(dtype=np.float64)
    found["missing"] = missing[np.isfinite(missing) & used]
    return found, int(out.sum())


def part_window(rig: Rig, index: int, name: str) -> tuple[float | None, float | None, str]:
    """Limits of one interval in seconds and their source: those of the part where one sheet is meant."""
    from spinlag.leds.chain_parts import chain_parts

    table = rig.leds[index]
    parts, _ = chain_parts(table)
    if table.tap != "controller" or len(parts) != 1 or name not in parts[0].windows:
        return None, None, ""
    window = parts[0].windows[name]
    return window.low_s, window.high_s, parts[0].source_of(name)


def comparable(sides: Mapping[str, Sequence[Measured]]) -> None:
    """Raise CompareError with every reason why these captures are not of one display, or name one capture twice.

    Speed may differ. `sides` maps a side's name to its captures.
    """
    reasons: list[str] = []
    for side, captures in sides.items():
        if not captures:
            reasons.append(f"{side}: no capture")
        seen: dict[str, str] = {}
        for one in captures:
            if one.sha256 in seen:
                reasons.append(f"{side}: {one.file} is the same recording as {seen[one.sha256]}; it would count twice")
            seen.setdefault(one.sha256, one.file)
    everything = [one for captures in sides.values() for one in captures]
    for one in everything[1:]:
        reasons += [f"{everything[0].file} and {one.file}: {reason}" for reason in _differences(everything[0], one)]
    if reasons:
        # a chain or an index that was not read for what its line looks like is no other display
        reasons += [f"{one.file}: {found.why}" for one in everything for found in one.unsound]
        raise CompareError("cannot compare: " + "; ".join(dict.fromkeys(reasons)))


def _differences(a: Measured, b: Measured) -> list[str]:
    reasons = []
    names = [chain.name for chain in a.chains], [chain.name for chain in b.chains]
    if names[0] != names[1]:
        return [f"other LED chains ({', '.join(names[0]) or 'none'} against {', '.join(names[1]) or 'none'})"]
    if a.columns != b.columns and a.columns is not None and b.columns is not None:
        reasons.append(f"other columns ({a.columns} against {b.columns})")
    if (a.extra > 0) != (b.extra > 0):
        more, fewer = (a, b) if a.extra else (b, a)
        reasons.append(
            f"other columns ({more.file} draws {(more.columns or 0) + more.extra} in a revolution where its rig has "
            f"{more.columns}, {fewer.file} keeps to its {fewer.columns})"
        )
    shape = a.bench.get("display.geometry"), b.bench.get("display.geometry")
    if None not in shape and shape[0] != shape[1]:
        reasons.append(f"other geometry ({shape[0]} against {shape[1]})")
    if (a.revolutions > 0) != (b.revolutions > 0):
        reasons.append("only one of them has an index line that gives revolutions")
    for mine, other in zip(a.chains, b.chains, strict=True):
        what = f"chain {mine.name!r} has "
        if mine.wiring != other.wiring:
            reasons.append(f"{what}other wiring ({mine.wiring} against {other.wiring})")
        if mine.leds != other.leds:
            reasons.append(f"{what}another LED count ({mine.leds} against {other.leds})")
        if mine.bits_per_led != other.bits_per_led:
            reasons.append(f"{what}other bits per LED ({mine.bits_per_led} against {other.bits_per_led})")
        if not _same_part(mine.part, other.part):
            reasons.append(f"{what}another part ({mine.part} against {other.part})")
    return reasons


def _same_part(a: str | None, b: str | None) -> bool:
    """A part number without a revision goes with any of its revisions; one that no rig names is not held against it."""
    if a is None or b is None:
        return True
    short, long = sorted((a.lower().split(), b.lower().split()), key=len)
    return long[: len(short)] == short
