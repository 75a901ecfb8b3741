"""A report made again from its capture: is every file the same, byte for byte?

The report says by itself how it was made: the resolved rig, what was guessed, and what was overruled in reading.
"""

from __future__ import annotations

import io
import json
import os
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from pydantic import ValidationError

import spinlag
from spinlag.capture import Capture
from spinlag.errors import CaptureError
from spinlag.importers import CsvOptions, read_capture
from spinlag.pipeline import analyse
from spinlag.report import report_files
from spinlag.report.names import printable
from spinlag.report.results import SCHEMA, results_document
from spinlag.rig import CaptureTable, Rig, validation_problems
from spinlag.seal import KEY
from spinlag.small_files import FileTooLargeError, read_small

MOST_DIFFERENCES = 12
"""Differences that are told one by one."""

_AGAIN = "run `spinlag check` on the capture again"

LARGEST_RESULTS = 1 << 28
"""A results.json of more bytes is none of ours."""


@dataclass(frozen=True)
class Verification:
    """Whether the report was made again to the byte, and sentences about it."""

    same: bool
    lines: tuple[str, ...]


def verify_report(report: str | os.PathLike[str], capture: str | os.PathLike[str]) -> Verification:
    """Analyse `capture` as the report in folder `report` says, and compare every file of the report.

    Raises CaptureError for a folder that holds no report of this kind and for a capture that cannot be read.
    """
    folder = Path(report)
    document = _document(folder)
    recorded = document["capture"]
    found = _read(folder, Path(capture), recorded)
    if found.sha256 != recorded["sha256"]:
        return Verification(
            False,
            (
                f"another capture: the report is about a file with SHA-256 {recorded['sha256'][:16]}…, "
                f"this one has {found.sha256[:16]}…",
                "not the same",
            ),
        )
    findings = analyse(replace(found, file=str(recorded["file"])), _rig(folder, document))
    differences = list(_differences(document, results_document(findings)))
    lines = [printable(line, 400) for line in differences[:MOST_DIFFERENCES]]
    if len(differences) > MOST_DIFFERENCES:
        lines.append(f"and {len(differences) - MOST_DIFFERENCES} more differences in results.json")
    changed = _changed_files(folder, report_files(findings))
    lines += [f"{name}: {what}" for name, what in changed.items()]
    version = str(document["producer"]["version"])
    if version != spinlag.__version__:
        lines.insert(0, f"the report was made by spinlag {version}, this is {spinlag.__version__}")
    same = not changed
    return Verification(same, (*lines, "the same, byte for byte" if same else "not the same"))


def _document(folder: Path) -> dict[str, Any]:
    path = folder / "results.json"
    try:
        document = json.loads(read_small(path, most_bytes=LARGEST_RESULTS))
        whole = (
            document["schema"] == SCHEMA
            and isinstance(document["capture"]["sha256"], str)
            and isinstance(document["capture"]["file"], str)
            and isinstance(document["producer"]["version"], str)
            and isinstance(document["rig"], dict)
        )
    except (OSError, ValueError, RecursionError, KeyError, TypeError) as error:
        reason = f"is no results.json of spinlag, or damaged: {_AGAIN}"
        if isinstance(error, OSError) and error.strerror:
            reason = f"{error.strerror}; give the folder of a report, as `spinlag check` writes it"
        raise CaptureError(reason, file=str(path)) from None
    if not whole:
        raise CaptureError(f"is no results.json of the kind {SCHEMA}: {_AGAIN}", file=str(path))
    # the seal follows from the rest, and the files are compared whole
    return {key: value for key, value in document.items() if key != KEY}


def _read(folder: Path, path: Path, recorded: Mapping[str, Any]) -> Capture:
    """The capture, read with what was overruled the first time."""
    options = recorded.get("read_with", {})
    try:
        table = CaptureTable.model_validate(options.get("table", {}))
        given: dict[str, Any] = {
            name: tuple(value) if isinstance(value, list) else value for name, value in options.get("csv", {}).items()
        }
        csv = CsvOptions(**given) if given else None
        importer, limit = options.get("importer"), options.get("expand_limit")
    except (ValidationError, TypeError, AttributeError):
        raise CaptureError(
            f"capture.read_with, what was overruled when the file was read, is not understood: {_AGAIN}",
            file=str(folder / "results.json"),
        ) from None
    return read_capture(path, table=table, importer=importer, csv=csv, expand_limit=limit)


def _rig(folder: Path, document: Mapping[str, Any]) -> Rig:
    try:
        return Rig.model_validate(document["rig"])
    except ValidationError as error:
        first, *more = validation_problems(error)
        also = f" (and {len(more)} more mistakes)" if more else ""
        raise CaptureError(
            f"rig.{first.key[:200]}: {first.reason[:200]}{also}; another version of spinlag wrote it, or it was "
            f"changed: {_AGAIN}",
            file=str(folder / "results.json"),
        ) from None


def _changed_files(folder: Path, files: Mapping[str, Any]) -> dict[str, str]:
    """Names of files that are missing or not the same, with what is wrong."""
    changed = {}
    for name, writer in files.items():
        stream = io.BytesIO()
        writer(stream)
        try:
            there = read_small(folder / name, most_bytes=len(stream.getbuffer()))
        except FileTooLargeError:
            changed[name] = "differs: it is longer"
            continue
        except OSError as error:
            changed[name] = f"cannot be read: {error.strerror}"
            continue
        if there != stream.getvalue():
            changed[name] = "differs"
    return changed


def _differences(one: Any, other: Any, where: str = "") -> Iterator[str]:
    """Where two JSON documents differ: `path: recorded X, now Y`."""
    if isinstance(one, Mapping) and isinstance(other, Mapping):
        for key in sorted({*one, *other}):
            yield from _differences(one.get(key), other.get(key), f"{where}.{key}" if where else str(key))
    elif isinstance(one, list) and isinstance(other, list) and len(one) == len(other):
        for number, (mine, theirs) in enumerate(zip(one, other, strict=True)):
            yield from _differences(mine, theirs, f"{where}[{number}]")
    elif one != other:
        yield f"{where}: recorded {_short(one)}, now {_short(other)}"


def _short(value: Any) -> str:
    text = json.dumps(value, sort_keys=True)
    return text if len(text) <= 60 else f"{text[:57]}..."
