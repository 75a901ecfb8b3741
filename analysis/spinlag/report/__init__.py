"""Findings to files for people and for scripts: one page, one JSON, tables, and test results."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO

if TYPE_CHECKING:
    from spinlag.findings import Findings
    from spinlag.report.folder import Writer


def write_report(findings: Findings, out_dir: str | os.PathLike[str]) -> Path:
    """Write the report folder `out_dir`, whole or not at all; returns the path of its report.html.

    The folder holds report.html, results.json, revolutions.csv, updates.csv, incidents.csv and junit.xml. A report that
    is already there is replaced; a folder that holds anything else is refused. Raises OutputError.
    """
    from spinlag.report import folder

    folder.refuse_foreign(out_dir)
    return folder.write_folder(out_dir, report_files(findings)) / "report.html"


def report_files(findings: Findings) -> dict[str, Writer]:
    """Name of every file of a report, with the function that writes its bytes; the page is made at once."""
    from spinlag.memory import release_freed_memory
    from spinlag.report import folder, html, junit, results, tables

    release_freed_memory()
    page = html.report_bytes(findings)
    tick_s = float(findings.capture.tick)
    writers: dict[str, Writer] = {
        "report.html": lambda stream: folder.put(stream, page),
        "results.json": lambda stream: folder.put(stream, results.results_bytes(findings)),
        "revolutions.csv": lambda stream: tables.write_table(findings.revolutions, stream, tick_s=tick_s),
        "updates.csv": lambda stream: tables.write_parts(findings.update_parts(), stream, tick_s=tick_s),
        "incidents.csv": lambda stream: tables.write_table(tables.incidents_table(findings), stream, tick_s=tick_s),
        "junit.xml": lambda stream: folder.put(stream, junit.junit_bytes(findings)),
    }
    return {name: _with_room(writer) for name, writer in writers.items()}


def _with_room(writer: Writer) -> Writer:
    """The writer, after what the one before it needed was handed back."""
    from spinlag.memory import release_freed_memory

    def write(stream: BinaryIO) -> None:
        release_freed_memory()
        writer(stream)

    return write
