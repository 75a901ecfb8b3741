"""Files to comparison: read, measure, or take what an earlier check has measured; one capture in memory at a time."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

from spinlag.compare.measured import CompareError, Measured, from_findings
from spinlag.compare.stored import from_folder, is_results_folder
from spinlag.compare.versions import Versions, compare_versions
from spinlag.findings import Findings
from spinlag.rig import Rig

Analyse = Callable[[Path, Rig | None], Findings]
"""Reads and analyses one capture file with a rig (None: guess one)."""


def analyse_file(path: Path, rig: Rig | None) -> Findings:
    """Read and analyse one capture with the default settings of every reader."""
    from spinlag.importers import read_capture
    from spinlag.pipeline import analyse
    from spinlag.roles import guess_rig

    capture = read_capture(path, table=rig.capture if rig is not None else None)
    return analyse(capture, rig if rig is not None else guess_rig(capture))


def measure_sets(
    sets: Mapping[str, Sequence[str | Path]],
    rigs: Mapping[str, Rig] | Rig | None = None,
    *,
    analyse: Analyse = analyse_file,
) -> dict[str, tuple[Measured, ...]]:
    """Every capture of every set, from a capture file or from the report folder of an earlier check.

    `rigs` is one rig for all, one per set, or None (guess). A folder was measured with its own rig; only the tolerances
    of the one given here count. Raises what reading and measuring raise, and CompareError.
    """
    found: dict[str, tuple[Measured, ...]] = {}
    for name, paths in sets.items():
        rig = rigs.get(name) if isinstance(rigs, Mapping) else rigs
        found[name] = tuple(_measure(Path(path), rig, analyse) for path in paths)
    return found


def _measure(path: Path, rig: Rig | None, analyse: Analyse) -> Measured:
    if os.path.isdir(path):  # unlike the path's own method, False for a name too long for the disk
        if not is_results_folder(path):
            raise CompareError(
                f"{path}: a folder without results.json; give a capture, or the report folder of a check"
            )
        return from_folder(path)
    return from_findings(analyse(path, rig))


def compare_sets(
    sets: Mapping[str, Sequence[str | Path]],
    rigs: Mapping[str, Rig] | Rig | None,
    out_dir: str | Path,
    reference: str | None = None,
    *,
    analyse: Analyse = analyse_file,
) -> tuple[Versions, Path]:
    """Compare named sets of captures, in the order given, and write the comparison's folder, whole or not at all.

    Two sets or more; the reference is the first unless named. Returns what was found and the path of compare.html. The
    folder holds compare.html, compare.json, compare.csv and junit.xml. Raises CompareError, OutputError and what
    reading a capture or a rig raises.
    """
    from spinlag.report.compare_files import write_comparison
    from spinlag.report.folder import refuse_foreign

    refuse_foreign(out_dir)
    measured = measure_sets(sets, rigs, analyse=analyse)
    given = rigs if isinstance(rigs, Rig) else None
    if isinstance(rigs, Mapping):
        # the newest firmware's rig says what is negligible
        given = next((rigs[name] for name in reversed(list(sets)) if name in rigs), None)
    versions = compare_versions(measured, reference=reference, rig=given)
    return versions, write_comparison(versions, out_dir)
