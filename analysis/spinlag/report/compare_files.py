"""A comparison to files: compare.html, compare.json (schema `spinlag/compare/1`), compare.csv and junit.xml.

compare.json sets the newest version against the reference; with more than two sets `versions` holds all of them. Times
are in seconds, angles in degrees, what is not known is null; keys are sorted, so that the same input gives the same
bytes.
"""

from __future__ import annotations

import json
import os
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import numpy as np
import pandas as pd

import spinlag
from spinlag.compare import Comparison
from spinlag.compare.measured import Measured
from spinlag.compare.rows import ALPHA, Fault, Row
from spinlag.compare.stats import COVERAGE
from spinlag.compare.trends import Trend
from spinlag.compare.versions import Versions
from spinlag.report.compare_text import fault_sentence, row_sentence
from spinlag.report.junit import LONGEST
from spinlag.report.names import printable, xml_text

SCHEMA = "spinlag/compare/1"

CSV_COLUMNS = (
    "version",
    "reference",
    "id",
    "quantity",
    "statistic",
    "unit",
    "reference_value",
    "version_value",
    "shift",
    "shift_low",
    "shift_high",
    "tolerance",
    "p_single",
    "p",
    "verdict",
    "why",
    "p99_shift",
    "p99_shift_low",
    "p99_shift_high",
    "spread_ratio",
    "spread_ratio_low",
    "spread_ratio_high",
    "reference_worst",
    "version_worst",
    "reference_effective_revolutions",
    "version_effective_revolutions",
    "recording_needed_s",
)


def write_comparison(versions: Versions, out_dir: str | os.PathLike[str]) -> Path:
    """Write the comparison folder, whole or not at all; returns the path of its compare.html. Raises OutputError."""
    from spinlag.report import folder, tables
    from spinlag.report.compare_page import comparison_bytes

    folder.refuse_foreign(out_dir)
    page = comparison_bytes(versions)
    document = json.dumps(comparison_document(versions), allow_nan=False, sort_keys=True, indent=1, ensure_ascii=True)
    written = folder.write_folder(
        out_dir,
        {
            "compare.html": lambda stream: folder.put(stream, page),
            "compare.json": lambda stream: folder.put(stream, (document + "\n").encode("ascii")),
            "compare.csv": lambda stream: tables.write_table(comparison_table(versions), stream, tick_s=1e-6),
            "junit.xml": lambda stream: folder.put(stream, junit_bytes(versions)),
        },
    )
    return written / "compare.html"


def comparison_document(versions: Versions) -> dict[str, Any]:
    """The whole of compare.json as plain Python values."""
    newest = versions.newest
    plain: dict[str, Any] = _plain(
        {
            "schema": SCHEMA,
            "producer": {"name": "spinlag", "version": spinlag.__version__},
            **pair_document(newest),
            "reference": versions.reference,
            "alpha": ALPHA,
            "coverage": COVERAGE,
            "versions": [
                {
                    "name": name,
                    "captures": [_capture(one) for one in versions.sets[name]],
                    "verdict": None if name == versions.reference else versions.comparisons[name].verdict,
                    "against_reference": None
                    if name == versions.reference
                    else pair_document(versions.comparisons[name]),
                }
                for name in versions.names
            ],
            "trends": [_trend(trend) for trend in versions.trends],
        }
    )
    return plain


def pair_document(comparison: Comparison) -> dict[str, Any]:
    """One pair of sets: the contract's blocks, and `details` by id for what the contract has no room for."""
    return {
        "verdict": comparison.verdict,
        "settled": comparison.settled,
        "recording_needed_s": comparison.longer_s,
        "name_before": comparison.name_before,
        "name_after": comparison.name_after,
        "before": [_capture(one) for one in comparison.before],
        "after": [_capture(one) for one in comparison.after],
        "quantities": [_quantity(row) for row in comparison.quantities],
        "faults": [_fault(fault) for fault in comparison.faults],
        "picture": {
            "columns_compared": comparison.picture.compared,
            "columns_different": list(comparison.picture.different),
            "columns_moving": list(comparison.picture.moving),
            "differences": [
                {"chain": chain, "column": column, "before": before, "after": after}
                for chain, column, before, after in comparison.picture.columns
            ],
            "said": comparison.picture.said,
        },
        "details": {row.id: _details(row, comparison) for row in comparison.quantities},
        "warnings": list(comparison.warnings),
        "worthless": list(comparison.worthless),
        "notes": list(comparison.notes),
        "not_compared": dict(comparison.not_compared),
    }


def _capture(one: Measured) -> dict[str, Any]:
    return {
        "file": one.file,
        "sha256": one.sha256,
        "revolutions": one.revolutions,
        "read_with": dict(one.read_with),
        "warnings": list(one.warnings),
    }


def _quantity(row: Row) -> dict[str, Any]:
    return {
        "id": row.id,
        "quantity": row.title,
        "unit": row.unit,
        "before": row.before.as_dict(),
        "after": row.after.as_dict(),
        "shift": row.shift,
        "shift_low": row.low,
        "shift_high": row.high,
        "tolerance": row.tolerance,
        "p": row.p,
        "verdict": row.verdict,
    }


def _fault(fault: Fault) -> dict[str, Any]:
    return {
        "kind": fault.kind,
        "before": fault.before,
        "after": fault.after,
        "revolutions_before": fault.revolutions_before,
        "revolutions_after": fault.revolutions_after,
        "rate_ratio": fault.rate_ratio,
        "ratio_low": fault.ratio_low,
        "ratio_high": fault.ratio_high,
        "p": fault.p,
        "verdict": fault.verdict,
        "why": fault.why,
    }


def _details(row: Row, comparison: Comparison) -> dict[str, Any]:
    longer = None if row.longer is None else row.longer * comparison.length_s
    return {
        "statistic": row.what,
        "why": row.why,
        "tolerance_from": row.tolerance_from,
        "p_single": row.p_single,
        "p99_shift": row.tail.difference if row.tail else None,
        "p99_shift_low": row.tail.low if row.tail else None,
        "p99_shift_high": row.tail.high if row.tail else None,
        "spread_ratio": float(np.exp(row.spread.difference)) if row.spread else None,
        "spread_ratio_low": float(np.exp(row.spread.low)) if row.spread else None,
        "spread_ratio_high": float(np.exp(row.spread.high)) if row.spread else None,
        "effective_revolutions_before": row.effective[0],
        "effective_revolutions_after": row.effective[1],
        "block_length_before": row.block[0],
        "block_length_after": row.block[1],
        "recording_needed_s": longer if row.verdict == "cannot-tell" else None,
    }


def _trend(trend: Trend) -> dict[str, Any]:
    return {
        "id": trend.id,
        "quantity": trend.title,
        "statistic": trend.what,
        "unit": trend.unit,
        "points": [{name: getattr(point, name) for name in point.__dataclass_fields__} for point in trend.points],
        "changed_at": trend.changed_at,
        "probability": trend.sure,
        "said": trend.said,
    }


def comparison_table(versions: Versions) -> pd.DataFrame:
    """compare.csv: one row per version and quantity or fault kind, in SI units or degrees."""
    rows: list[dict[str, Any]] = []
    for name, comparison in versions.comparisons.items():
        for row in comparison.quantities:
            rows.append({"version": name, "reference": versions.reference, **_csv_quantity(row, comparison)})
        for fault in comparison.faults:
            rows.append({"version": name, "reference": versions.reference, **_csv_fault(fault, comparison)})
    return pd.DataFrame(rows, columns=list(CSV_COLUMNS))


def _csv_quantity(row: Row, comparison: Comparison) -> dict[str, Any]:
    details = _details(row, comparison)
    return {
        "id": row.id,
        "quantity": row.title,
        "statistic": row.what,
        "unit": row.unit,
        "reference_value": row.value(row.before),
        "version_value": row.value(row.after),
        "shift": row.shift,
        "shift_low": row.low,
        "shift_high": row.high,
        "tolerance": row.tolerance,
        "p_single": row.p_single,
        "p": row.p,
        "verdict": row.verdict,
        "why": row.why,
        **{
            name: details[name]
            for name in CSV_COLUMNS
            if name in details and name not in ("statistic", "why", "p_single")
        },
        "reference_worst": row.before.max,
        "version_worst": row.after.max,
        "reference_effective_revolutions": row.effective[0],
        "version_effective_revolutions": row.effective[1],
    }


def _csv_fault(fault: Fault, comparison: Comparison) -> dict[str, Any]:
    open_ = fault.verdict == "cannot-tell" and fault.longer is not None
    return {
        "id": f"faults.{fault.kind}",
        "quantity": fault.kind,
        "statistic": "origins per revolution",
        "unit": "1",
        "reference_value": fault.before / fault.revolutions_before,
        "version_value": fault.after / fault.revolutions_after,
        "shift": fault.after / fault.revolutions_after - fault.before / fault.revolutions_before,
        "shift_low": fault.low,
        "shift_high": fault.high,
        "tolerance": fault.tolerance,
        "p_single": fault.p_single,
        "p": fault.p,
        "verdict": fault.verdict,
        "why": fault.why,
        "recording_needed_s": (fault.longer or 0.0) * comparison.length_s if open_ else None,
    }


def junit_bytes(versions: Versions) -> bytes:
    """One suite per version, one case per quantity and fault kind: `worse` fails, `cannot-tell` is skipped."""
    root = ElementTree.Element("testsuites", {"name": "spinlag compare"})
    totals = [0, 0, 0]
    for name, comparison in versions.comparisons.items():
        verdicts = [row.verdict for row in comparison.rows]
        counts = (len(verdicts), verdicts.count("worse"), verdicts.count("cannot-tell"))
        totals = [total + count for total, count in zip(totals, counts, strict=True)]
        suite = ElementTree.SubElement(
            root, "testsuite", {"name": _text(f"{name} against {versions.reference}"), **_counts(counts)}
        )
        for row in comparison.quantities:
            _case(suite, row.id, row.verdict, row_sentence(row, comparison))
        for fault in comparison.faults:
            _case(suite, f"faults.{fault.kind}", fault.verdict, fault_sentence(fault, comparison))
    for key, value in _counts(totals).items():
        root.set(key, value)
    ElementTree.indent(root)
    return bytes(ElementTree.tostring(root, encoding="utf-8", xml_declaration=True)) + b"\n"


def _counts(counts: Sequence[int]) -> dict[str, str]:
    return {"tests": str(counts[0]), "failures": str(counts[1]), "errors": "0", "skipped": str(counts[2])}


def _case(suite: ElementTree.Element, name: str, verdict: str, said: str) -> None:
    case = ElementTree.SubElement(
        suite,
        "testcase",
        {"classname": f"spinlag.compare.{name.partition('.')[0]}", "name": _text(name), "time": "0"},
    )
    if verdict == "worse":
        ElementTree.SubElement(case, "failure", {"message": _text(said), "type": "worse"}).text = _text(said)
    elif verdict == "cannot-tell":
        ElementTree.SubElement(case, "skipped", {"message": _text(said)})
    ElementTree.SubElement(case, "system-out").text = _text(f"{verdict}: {said}")


def _text(text: str) -> str:
    return xml_text(printable(text, LONGEST))


def _plain(value: Any) -> Any:
    """numpy and non-finite values as JSON has them."""
    if isinstance(value, Mapping):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(item) for item in value]
    if isinstance(value, np.generic):
        value = value.item()
    return None if isinstance(value, float) and not np.isfinite(value) else value
