"""results.json: the contract that scripts rely on, schema `spinlag/results/1`.

Times are in seconds, angles in degrees; what is not known is null, never NaN; keys are sorted and floats are written
to full precision, so that the same findings give the same bytes.
"""

from __future__ import annotations

import hashlib
import io
import json
import math
import os
from collections.abc import Mapping
from typing import Any

import numpy as np

import spinlag
from spinlag.capture import Capture
from spinlag.compare.shown import usual_data
from spinlag.findings import Findings
from spinlag.latency import Latency
from spinlag.leds.updates import ChainUpdates
from spinlag.placement import Placement
from spinlag.report.chain_facts import together_document
from spinlag.report.motor_rows import motor_document
from spinlag.report.quality_section import quality_document
from spinlag.rotation import Rotation
from spinlag.seal import KEY, seal_of
from spinlag.summary import EMPTY, Statistics

SCHEMA = "spinlag/results/1"

INCIDENT_FIELDS = (
    "id",
    "kind",
    "time_s",
    "revolution",
    "shaft_angle_deg",
    "channel",
    "chain",
    "update",
    "origin",
    "cause",
    "delay_s",
    "expected",
    "observed",
    "unit",
    "threshold",
    "detail",
)
"""What results.json and incidents.csv say of an incident, in this order."""


def results_document(findings: Findings) -> dict[str, Any]:
    """The whole of results.json as plain Python values."""
    measured = [i for i, latency in enumerate(findings.latencies) if latency is not None]
    placed = [i for i, placement in enumerate(findings.placements) if placement is not None]
    document = {
        "schema": SCHEMA,
        "producer": {"name": "spinlag", "version": spinlag.__version__},
        "verdict": findings.verdict,
        "capture": _capture(findings),
        "rig": findings.rig.model_dump(mode="json"),
        "guessed": list(findings.rig.guessed),
        "rotation": _rotation(findings.rotation),
        "motor": motor_document(findings.motor),
        "quality": quality_document(findings.quality),
        "leds": [
            _chain(findings.capture, *one)
            for one in zip(findings.chains, findings.latencies, findings.placements, strict=True)
        ],
        "together": together_document(findings),
        "latency": _latency(findings.latencies[measured[0]] if measured else None),
        "placement": _placement(findings.placements[placed[0]] if placed else None),
        "verdicts": [
            {name: getattr(verdict, name) for name in verdict.__dataclass_fields__} for verdict in findings.verdicts
        ],
        "incidents": incident_rows(findings),
        "kinds_looked_for": list(findings.incidents.rates["kind"]),
        "suspects": _suspects(findings),
        "events": [
            {"origin": event.id, "effects": [effect.id for effect in event.effects], "sentence": event.sentence}
            for event in findings.incidents.events
        ],
        "shown": [
            {name: getattr(shown, name) for name in shown.__dataclass_fields__}
            for shown in usual_data(findings.chains, findings.placements)
        ],
        "cautions": list(findings.cautions),
        "warnings": list(findings.warnings),
        "unsound": [{"what": one.what, "why": one.why} for one in findings.unsound],
    }
    plain: dict[str, Any] = _plain(document)
    return plain


def results_bytes(findings: Findings) -> bytes:
    """results.json as bytes (ASCII, sorted keys, one trailing newline), under a seal that takes in revolutions.csv."""
    document = results_document(findings)
    document[KEY] = seal_of(document, _table_sha256(findings))
    text = json.dumps(document, allow_nan=False, sort_keys=True, indent=1, ensure_ascii=True)
    return (text + "\n").encode("ascii")


def _table_sha256(findings: Findings) -> str:
    from spinlag.report import tables

    digest = _Digest()
    tables.write_table(findings.revolutions, digest, tick_s=float(findings.capture.tick))  # type: ignore[arg-type]
    return digest.sha256.hexdigest()


class _Digest(io.RawIOBase):
    """A stream that keeps nothing but the digest of what was written."""

    def __init__(self) -> None:
        self.sha256 = hashlib.sha256()

    def writable(self) -> bool:
        return True

    def write(self, content: Any, /) -> int:
        self.sha256.update(content)
        return len(content)


def incident_rows(findings: Findings) -> list[dict[str, Any]]:
    """Incidents in order of time, as results.json and incidents.csv list them."""
    return [{name: getattr(incident, name) for name in INCIDENT_FIELDS} for incident in findings.incidents.incidents]


def _suspects(findings: Findings) -> list[dict[str, Any]]:
    return [
        {name: getattr(suspect, name) for name in suspect.__dataclass_fields__}
        for suspect in findings.incidents.suspects
    ]


def _plain(value: Any) -> Any:
    """numpy and non-finite values as JSON has them."""
    if isinstance(value, Mapping):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(item) for item in value]
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value


def _statistics(statistics: Statistics | None) -> dict[str, Any]:
    return (statistics or EMPTY).as_dict()


def _capture(findings: Findings) -> dict[str, Any]:
    capture = findings.capture
    roles = {role.channel: role.role for role in findings.roles}
    used = {channel: key for key, channel in findings.rig.channels().items()}
    return {
        "file": os.path.basename(capture.file),
        "sha256": capture.sha256,
        "importer": capture.importer,
        "read_with": dict(capture.read_with),
        "duration_s": capture.duration_s,
        "tick_s": float(capture.tick),
        "sample_period_s": capture.sample_period_s,
        "sample_period_from": capture.sample_period.source,
        "warnings": list(capture.warnings),
        "channels": [
            {
                "name": channel.name,
                "path": channel.path,
                "edges": len(channel.edges),
                "role": roles.get(channel.path, roles.get(channel.name)),
                "rig_key": used.get(channel.path, used.get(channel.name)),
            }
            for channel in capture.channels
        ],
    }


def _rotation(rotation: Rotation | None) -> dict[str, Any] | None:
    if rotation is None:
        return None
    return {
        "channel": rotation.channel,
        "revolutions": len(rotation.turns),
        "revolutions_used": int(rotation.turns["used"].sum()),
        "speed_rev_per_s": _statistics(rotation.speed),
        "period_s": _statistics(rotation.period),
        "period_jitter_rms_s": rotation.period_jitter_rms_s,
        "period_jitter_peak_to_peak_s": rotation.period_jitter_peak_to_peak_s,
        "cycle_to_cycle_jitter_rms_s": rotation.cycle_to_cycle_jitter_rms_s,
        "jitter_uncertainty_s": rotation.jitter_uncertainty_s,
        "drift_rev_per_s2": rotation.drift_rev_per_s2,
        "allan": rotation.allan.to_dict(orient="records"),
        "notes": list(rotation.notes),
    }


def _chain(
    capture: Capture, chain: ChainUpdates, latency: Latency | None, placement: Placement | None
) -> dict[str, Any]:
    tick = float(capture.tick)
    return {
        "name": chain.name,
        "part": chain.part.name if chain.part else None,
        "part_from": chain.part_note,
        "wiring": chain.wiring,
        "channel": chain.channel,
        "updates": len(chain),
        "bits": int(chain.bits.sum()),
        "bits_per_led": chain.bits_per_led,
        "order": chain.order,
        "leds_seen": chain.leds_seen,
        "threshold_s": chain.threshold_s,
        "threshold_from": chain.threshold_from,
        "latch_s": chain.latch_s,
        "latch_from": chain.latch_from,
        "timing": {name: _statistics(tally.statistics) for name, tally in chain.timing.items()},
        "extremes": {
            name: {"shortest_at_s": tally.shortest_at * tick, "longest_at_s": tally.longest_at * tick}
            for name, tally in chain.timing.items()
            if tally.statistics.n
        },
        "latency": _latency(latency),
        "placement": _placement(placement),
        "notes": list(chain.notes),
    }


def _latency(latency: Latency | None) -> dict[str, Any] | None:
    if latency is None:
        return None
    return {
        "chain": latency.chain,
        "response_s": _statistics(latency.response),
        "wire_s": _statistics(latency.wire),
        "latch_s": _statistics(latency.latch),
        "latency_s": _statistics(latency.latency),
        "latency_deg": _statistics(latency.latency_deg),
        "latency_columns": _statistics(latency.latency_columns),
        "jitter_std_s": latency.jitter_std_s,
        "jitter_peak_to_peak_s": latency.jitter_peak_to_peak_s,
        "jitter_uncertainty_s": latency.jitter_uncertainty_s,
        "revolutions_without_update": latency.revolutions_without_update,
        "revolutions_with_broken_update": latency.revolutions_with_broken_update,
    }


def _placement(placement: Placement | None) -> dict[str, Any] | None:
    if placement is None:
        return None
    return {
        "chain": placement.chain,
        "columns": placement.columns,
        "columns_from": placement.columns_from,
        "columns_expected": placement.columns_expected,
        "offset_deg": _statistics(placement.offset),
        "scale": _statistics(placement.scale),
        "residue_deg": _statistics(placement.residue),
        "residue_rms_deg": placement.residue_rms_deg,
        "residue_uncertainty_deg": placement.residue_uncertainty_deg,
        "seam_deg": _statistics(placement.seam),
        "missing": placement.missing,
        "extra": placement.extra,
        "repeated": placement.repeated,
    }
