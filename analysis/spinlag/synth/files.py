"""What goes beside a synthetic capture: its truth as JSON and its rig as TOML; and the recipe that writes all three."""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from spinlag.errors import OutputError
from spinlag.synth.scenario import Scenario, read_scenario
from spinlag.synth.simulate import Trial, rig_tables, run
from spinlag.synth.truth import TrueChain, Truth
from spinlag.synth.write import CsvLayout, new_file, write_csv, write_vcd

SCHEMA = "spinlag/truth/1"

_PACKED = (".gz", ".xz")


def stem_of(path: Path) -> Path:
    """`captures/tide.vcd.gz` -> `captures/tide`."""
    if path.suffix in _PACKED:
        path = path.with_suffix("")
    return path.with_suffix("") if path.suffix in (".vcd", ".csv") else path


def synthesise(scenario_path: str | Path, out_path: str | Path, *, force: bool = False) -> tuple[Path, ...]:
    """Run a scenario file and write its capture (.vcd or .csv, perhaps .gz or .xz), and beside it the truth
    (`<stem>.truth.json`) and the rig (`<stem>.toml`). Returns the paths written.

    Raises RigError for the scenario and OutputError for the files; nothing is overwritten unless `force` is set, and
    the scenario never.
    """
    rig_path = stem_of(Path(out_path)).with_name(stem_of(Path(out_path)).name + ".toml")
    if os.path.exists(rig_path) and rig_path.samefile(scenario_path):
        raise OutputError(
            f"{rig_path}: is the scenario itself, and the rig would go there; give the capture another name"
        )
    return write_trial(run(read_scenario(scenario_path)), Path(out_path), force=force)


def write_trial(trial: Trial, out: Path, *, force: bool = False, rig: bool = True) -> tuple[Path, ...]:
    """Write what `synthesise` does, for a scenario that has been run."""
    stem = stem_of(out)
    truth_path, rig_path = stem.with_name(stem.name + ".truth.json"), stem.with_name(stem.name + ".toml")
    wanted = [out, truth_path, *([rig_path] if rig else [])]
    if stem == out:
        raise OutputError(f"{out}: the name must end in .vcd or .csv, perhaps followed by .gz or .xz")
    for path in wanted:
        if os.path.exists(path) and not force:
            raise OutputError(f"{path}: exists already; give another name, or --force to overwrite it")
    try:
        out.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise OutputError(f"{out.parent}: {error.strerror or error}") from None
    scenario, lattice = trial.world.scenario, trial.world.lattice
    if (out.with_suffix("") if out.suffix in _PACKED else out).suffix == ".vcd":
        write_vcd(out, trial.lines(), tick=lattice.tick, end=lattice.end, comment=scenario.title, force=force)
    else:
        preamble = (f"; sample rate {scenario.recorder.sample_rate_hz:.0f} Hz",)
        layout = CsvLayout(preamble=preamble)
        write_csv(
            out,
            trial.lines(),
            tick=lattice.tick,
            period_ticks=lattice.period_ticks,
            end=lattice.end,
            layout=layout,
            force=force,
        )
    with new_file(truth_path, force=force) as file:
        file.write(truth_json(trial.truth()).encode("utf-8"))
    if rig:
        with new_file(rig_path, force=force) as file:
            file.write(rig_toml(scenario).encode("utf-8"))
    return tuple(wanted)


def rig_toml(scenario: Scenario) -> str:
    """The rig that fits a scenario, as a TOML file."""
    tables = rig_tables(scenario)
    out = [f"# The bench of the scenario {scenario.title!r}." if scenario.title else "# The bench of a scenario."]
    for name, table in tables.items():
        if isinstance(table, list):
            for entry in table:
                out += ["", f"[[{name}]]", *_pairs(entry)]
        elif name == "limits":
            for key, limit in table.items():
                out += ["", f"[limits.{json.dumps(key)}]", *_pairs(limit)]
        elif table:
            out += ["", f"[{name}]", *_pairs(table)]
    return "\n".join(out) + "\n"


def _pairs(table: Mapping[str, Any]) -> list[str]:
    return [f"{_key(key)} = {_value(value)}" for key, value in table.items()]


def _key(key: str) -> str:
    plain = key and all(letter.isascii() and (letter.isalnum() or letter in "-_") for letter in key)
    return key if plain else json.dumps(key)


def _value(value: Any) -> str:
    if isinstance(value, list | tuple):
        return "[" + ", ".join(_value(item) for item in value) + "]"
    return json.dumps(value, ensure_ascii=False)


def truth_json(truth: Truth) -> str:
    """The truth as JSON. Names are those of `spinlag.synth.truth`; instants are rounded to 1 ps, angles to 1e-6 deg.

    `image` holds the picture column by column: red, green and blue of each LED of an arm, in hexadecimal. A chain's
    updates are given as columns of equal length; `frames` holds each column's bytes in hexadecimal, and
    `altered` those of the updates whose bytes differ from their column's frame.
    """
    turns = truth.turns
    data = {
        "schema": SCHEMA,
        "duration_s": truth.duration_s,
        "sample_period_s": truth.sample_period_s,
        "clock_error": truth.clock_error,
        "image": [column.tobytes().hex() for column in truth.image],
        "zero_s": _seconds(truth.zero_s),
        "pulses": {
            "lead_s": _seconds(truth.pulse_lead_s),
            "trail_s": _seconds(truth.pulse_trail_s),
            "reference_s": _seconds(truth.pulse_reference_s),
            "revolution": truth.pulse_revolution.tolist(),
            "place": truth.pulse_place.tolist(),
        },
        "turns": {
            "reference_s": _seconds(turns.reference_s),
            "revolution": turns.revolution.tolist(),
            "expected_period_s": _seconds(turns.expected_period_s),
            "first_start_s": _seconds(turns.first_start_s),
            "first_last_s": _seconds(turns.first_last_s),
            "first_visible_s": _seconds(turns.first_visible_s),
            "first_column": turns.first_column.tolist(),
            "columns_sent": turns.columns_sent.tolist(),
        },
        "chains": [_chain(chain) for chain in truth.chains],
        "motor_angles_deg": {name: _round(angles, 6) for name, angles in truth.motor_angles_deg.items()},
        "marker_s": {name: _seconds(times) for name, times in truth.marker_s.items()},
        "planted": [
            {
                "id": fault.id,
                "kind": fault.kind,
                "time_s": round(fault.time_s, 12),
                "revolution": fault.revolution,
                "channel": fault.channel,
                "chain": fault.chain,
                "column": fault.column,
                "may_follow": list(fault.may_follow),
                "cause": fault.cause,
            }
            for fault in truth.planted
        ],
    }
    body = ",\n".join(f"{json.dumps(key)}: {json.dumps(value, separators=(',', ':'))}" for key, value in data.items())
    return "{\n" + body + "\n}\n"


def _round(values: NDArray[np.float64], digits: int) -> list[float | None]:
    return [None if value != value else round(value, digits) for value in values.tolist()]


def _seconds(values: NDArray[np.float64]) -> list[float | None]:
    return _round(values, 12)


def _chain(chain: TrueChain) -> dict[str, Any]:
    spread = bool(np.any(chain.first_visible_s != chain.visible_s))
    frames: dict[int, str] = {}
    altered: dict[str, str] = {}
    for i in range(len(chain)):
        text = chain.data[chain.offsets[i] : chain.offsets[i + 1]].tobytes().hex()
        if not chain.altered[i]:
            frames.setdefault(int(chain.column[i]), text)
        if frames.get(int(chain.column[i])) != text:
            altered[str(i)] = text
    return {
        "name": chain.name,
        "wiring": chain.wiring,
        "channels": list(chain.channels),
        "updates": {
            "start_s": _seconds(chain.start_s),
            "last_s": _seconds(chain.last_s),
            **({"first_visible_s": _seconds(chain.first_visible_s)} if spread else {}),
            "visible_s": _seconds(chain.visible_s),
            "angle_deg": _round(chain.angle_deg, 6),
            "revolution": chain.revolution.tolist(),
            "column": chain.column.tolist(),
            "extra": np.flatnonzero(chain.extra).tolist(),
            "cut": np.flatnonzero(~chain.whole).tolist(),
            "bits": chain.bits.tolist(),
        },
        "frames": {str(column): frames[column] for column in sorted(frames)},
        "altered": altered,
        "timing": {
            name: {"n": interval.n, "mean_s": interval.mean_s, "min_s": interval.min_s, "max_s": interval.max_s}
            for name, interval in chain.timing.items()
        },
    }
