"""What comparison needs of one capture, from the report folder of an earlier check.

Nothing in such a folder is taken on trust: keys and types are checked one by one, so that a message names the place,
and the seal over all figures tells of changes that leave everything well formed.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Mapping
from io import BytesIO
from pathlib import Path
from typing import Annotated, Any, Literal, NoReturn

import pandas as pd
from pandas.api.types import is_bool_dtype, is_numeric_dtype
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from spinlag.compare.measured import (
    SERIES,
    Chain,
    CompareError,
    Measured,
    Timing,
    bench_of,
    part_window,
    series_of,
    spoiled_turns,
    usual_extra,
)
from spinlag.compare.shown import Shown
from spinlag.errors import SpinlagError
from spinlag.leds.chain_parts import chain_parts
from spinlag.observations import Kind
from spinlag.quantities import TIMING_NAMES
from spinlag.rig import LedsTable, Rig, validation_problems
from spinlag.seal import KEY, seal_of
from spinlag.small_files import read_small
from spinlag.summary import Statistics
from spinlag.wrong_lines import Unsound

RESULTS_SCHEMA = "spinlag/results/1"

_LARGEST_FILE = 1 << 30
"""A results file of more bytes is none of ours."""

_NUMBERS = ("period_s", "index_s", "missing", "extra")
"""Columns of revolutions.csv that are needed besides SERIES."""

_AGAIN = "run `spinlag check` on the capture again"

Count = Annotated[int, Field(ge=0)]


class _Part(BaseModel):
    """A table of results.json, as far as comparison reads it; other keys are left alone."""

    model_config = ConfigDict(strict=True, extra="ignore", allow_inf_nan=False, frozen=True)


class _Capture(_Part):
    file: Annotated[str, Field(min_length=1)]
    sha256: Annotated[str, Field(pattern="^[0-9a-f]{64}$")]
    duration_s: Annotated[float, Field(ge=0)]
    sample_period_s: Annotated[float, Field(gt=0)]
    read_with: dict[str, Any]


class _Speed(_Part):
    mean: float | None


class _Rotation(_Part):
    revolutions: Count
    speed_rev_per_s: _Speed


class _Placement(_Part):
    columns: Annotated[int, Field(ge=1)]


class _Block(_Part):
    n: Count
    min: float | None
    max: float | None
    mean: float | None
    std: float | None
    median: float | None
    p95: float | None
    p99: float | None
    uncertainty: float | None


class _Chain(_Part):
    name: str
    wiring: Literal["one-wire", "clocked", "latched", "direct"]
    leds_seen: Count
    bits_per_led: Annotated[int, Field(ge=1)]
    timing: dict[str, _Block]


class _Incident(_Part):
    id: str
    kind: Kind
    revolution: int | None
    origin: str | None


class _Shown(_Part):
    chain: str
    order: str
    bits_per_led: Annotated[int, Field(ge=1)]
    data: list[Annotated[str, Field(pattern="^([0-9a-f]{2})*$")] | None]
    share: list[Annotated[float, Field(ge=0, le=1)]]


class _Unsound(_Part):
    what: Annotated[str, Field(min_length=1)]
    why: str


class _Document(_Part):
    capture: _Capture
    rig: dict[str, Any]
    rotation: _Rotation | None
    placement: _Placement | None
    leds: list[_Chain]
    incidents: list[_Incident]
    kinds_looked_for: list[Kind]
    shown: list[_Shown]
    warnings: list[str]
    unsound: list[_Unsound] = []
    """Reports of before this key was written have none; the seal tells where it was taken out."""
    seal: str


def is_results_folder(path: str | Path) -> bool:
    """True for a folder that holds a results.json."""
    return os.path.isfile(Path(path) / "results.json")


def from_folder(path: str | Path) -> Measured:
    """Read results.json and revolutions.csv of a report folder.

    Raises CompareError, one line that names folder, file and key, where they are not there, cannot be read, are of
    another schema, lack something or are not as they were written.
    """
    folder = Path(path)
    try:
        return _read(folder)
    except OSError as error:
        raise CompareError(f"{folder}: {error.filename or 'results'}: {error.strerror}") from None


def _read(folder: Path) -> Measured:
    results = folder / "results.json"
    raw = read_small(results, most_bytes=_LARGEST_FILE)
    try:
        tables = json.loads(raw, parse_constant=_no_number)
    except (ValueError, RecursionError):
        _refuse(results, "is damaged: it is no JSON, or was cut short")
    schema = tables.get("schema") if isinstance(tables, dict) else None
    if schema != RESULTS_SCHEMA:
        _refuse(results, f"is of schema {_short(schema)}; {RESULTS_SCHEMA!r} can be compared")
    try:
        document = _Document.model_validate(tables)
    except ValidationError as error:
        _refuse(results, _first(error))
    rig = _rig(results, document)
    revolutions = folder / "revolutions.csv"
    table = read_small(revolutions, most_bytes=_LARGEST_FILE)
    if document.seal != _seal(results, tables, table):
        _refuse(
            results,
            f"{KEY}: does not fit what stands in it and in revolutions.csv: one of them was changed since it was "
            "written",
        )
    return _measured(revolutions, document, rig, table)


def _no_number(name: str) -> NoReturn:
    raise ValueError(name)


def _refuse(file: Path, what: str) -> NoReturn:
    raise CompareError(f"{file}: {what}; {_AGAIN}") from None


def _first(error: ValidationError) -> str:
    """The first thing wrong, with its key, and how many more there are."""
    item = error.errors(include_url=False)[0]
    key = ""
    for step in item["loc"]:
        key += f"[{step}]" if isinstance(step, int) else f".{step}" if key else str(step)
    more = error.error_count() - 1
    also = f" (and {more} more mistakes)" if more else ""
    if item["type"] == "missing":
        return f"{key[:200]}: is missing{also}"
    return f"{key[:200]}: {_short(item['input'])} cannot stand there ({_wanted(str(item['msg']))}){also}"


def _wanted(message: str) -> str:
    """pydantic's sentence in words for people."""
    for theirs, ours in (
        ("Input should be a valid ", "it should be a "),
        ("Input should be ", "it should be "),
        ("a dictionary or instance of ", "table like "),
        ("dictionary", "table"),
        ("integer", "whole number"),
    ):
        message = message.replace(theirs, ours)
    return message.split(" or instance of")[0]


def _short(value: Any) -> str:
    """A value as a message shows it, one line and never long."""
    text = ascii(value)
    return text if len(text) <= 40 else f"{text[:37]}..."


def _seal(results: Path, tables: Mapping[str, Any], table: bytes) -> str:
    try:
        return seal_of(tables, hashlib.sha256(table).hexdigest())
    except (ValueError, RecursionError):
        _refuse(results, "is damaged: it holds a number that is none, or tables without end")


def _rig(results: Path, document: _Document) -> Rig:
    """The rig of results.json, which spells out defaults; a rig may not name keys that mean nothing on a wiring."""
    defaults = {name: one.get_default(call_default_factory=True) for name, one in LedsTable.model_fields.items()}
    chains = []
    tables = document.rig.get("leds")
    if not isinstance(tables, list):
        _refuse(results, f"rig.leds: {'is missing' if tables is None else 'is no list'}")
    for number, chain in enumerate(tables):
        if not isinstance(chain, dict):
            _refuse(results, f"rig.leds[{number}]: {_short(chain)} cannot stand there (it should be a table)")
        plain = {key: tuple(value) if isinstance(value, list) else value for key, value in chain.items()}
        chains.append({key: value for key, value in plain.items() if key not in defaults or value != defaults[key]})
    try:
        rig = Rig.model_validate({**document.rig, "leds": chains})
    except ValidationError as error:
        problem = validation_problems(error)[0]
        _refuse(results, f"rig.{problem.key[:200]}: {problem.reason[:200]}")
    for number, picture in enumerate(document.shown):
        if len(picture.share) != len(picture.data):
            _refuse(results, f"shown[{number}].share: does not have a figure for each of the columns in its data")
    for number, one in enumerate(rig.leds):
        try:
            chain_parts(one)
        except SpinlagError as error:
            _refuse(results, f"rig.leds[{number}].part: {str(error)[:200]}")
    if [one.name for one in rig.leds] != [one.name for one in document.leds]:
        _refuse(results, "leds: are other chains than those of its rig.leds")
    return rig


def _table(raw: bytes) -> pd.DataFrame:
    """revolutions.csv; raises ValueError where a column that is compared holds anything but numbers."""
    table = pd.read_csv(BytesIO(raw), encoding="utf-8")
    kinds = {name: table[name].dtype for name in ("used", "revolution", *_NUMBERS, *SERIES)}
    if not isinstance(table.index, pd.RangeIndex):
        raise ValueError("rows of more cells than there are columns")
    if len(table) and not (is_bool_dtype(kinds.pop("used")) and all(map(is_numeric_dtype, kinds.values()))):
        raise ValueError("text among numbers")
    return table


def _measured(revolutions: Path, document: _Document, rig: Rig, raw: bytes) -> Measured:
    capture, rotation, placement = document.capture, document.rotation, document.placement
    incidents = [(one.id, one.kind, one.revolution, one.origin) for one in document.incidents]
    try:
        table = _table(raw)
        series, spoiled = series_of(table, spoiled_turns(incidents))
        extra = usual_extra(table)
    except KeyError as error:
        _refuse(revolutions, f"the column {error} is missing")
    except (ValueError, TypeError, AttributeError):
        _refuse(revolutions, "is damaged: it is no table of numbers")
    return Measured(
        file=capture.file,
        sha256=capture.sha256,
        duration_s=capture.duration_s,
        sample_period_s=capture.sample_period_s,
        clock_ppm=rig.capture.clock_ppm,
        revolutions=rotation.revolutions if rotation else 0,
        speed_rev_per_s=rotation.speed_rev_per_s.mean if rotation else None,
        columns=placement.columns if placement else None,
        chains=tuple(
            Chain(chain.name, chain.wiring, table_of.part, chain.leds_seen, chain.bits_per_led)
            for chain, table_of in zip(document.leds, rig.leds, strict=True)
        ),
        series=series,
        spoiled=spoiled,
        timing={
            f"leds.{chain.name}.{name}": Timing(Statistics(**dict(block)), *part_window(rig, index, name))
            for index, chain in enumerate(document.leds)
            for name, block in chain.timing.items()
            if block.n and name in TIMING_NAMES
        },
        faults=_faults(document),
        shown=tuple(
            Shown(one.chain, one.order, one.bits_per_led, tuple(one.data), tuple(one.share)) for one in document.shown
        ),
        limits=rig.limits,
        guessed=bool(rig.guessed),
        bench=bench_of(rig),
        extra=extra,
        read_with=dict(capture.read_with),
        warnings=tuple(dict.fromkeys(document.warnings)),
        unsound=tuple(Unsound(one.what, one.why) for one in document.unsound),
    )


def _faults(document: _Document) -> dict[str, int]:
    found: dict[str, int] = dict.fromkeys(document.kinds_looked_for, 0)
    for incident in document.incidents:
        found[incident.kind] = found.get(incident.kind, 0) + (incident.origin is None)
    return found
