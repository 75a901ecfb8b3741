"""junit.xml: one test case per verdict, so that a release gate can read a report."""

from __future__ import annotations

import os
from xml.etree import ElementTree

from spinlag.findings import Findings
from spinlag.report.format import bounds, measured
from spinlag.report.names import printable, xml_text
from spinlag.verdicts import Verdict

LONGEST = 2000


def junit_bytes(findings: Findings) -> bytes:
    """The verdicts as JUnit XML: `fail` is a failure, `undecided` and `not-measured` are skipped, with the reason."""
    outcomes = [verdict.verdict for verdict in findings.verdicts]
    failures = outcomes.count("fail")
    skipped = sum(outcome in ("undecided", "not-measured") for outcome in outcomes)
    counts = {"tests": str(len(outcomes)), "failures": str(failures), "errors": "0", "skipped": str(skipped)}
    root = ElementTree.Element("testsuites", {"name": "spinlag", **counts})
    name = _text(f"spinlag {os.path.basename(findings.capture.file)}")
    suite = ElementTree.SubElement(root, "testsuite", {"name": name, **counts})
    seen: dict[str, int] = {}
    for verdict in findings.verdicts:
        _case(suite, verdict, seen)
    ElementTree.indent(root)
    return bytes(ElementTree.tostring(root, encoding="utf-8", xml_declaration=True)) + b"\n"


def _case(suite: ElementTree.Element, verdict: Verdict, seen: dict[str, int]) -> None:
    seen[verdict.id] = seen.get(verdict.id, 0) + 1
    name = verdict.id if seen[verdict.id] == 1 else f"{verdict.id} ({seen[verdict.id]})"
    case = ElementTree.SubElement(
        suite, "testcase", {"classname": f"spinlag.{verdict.id.partition('.')[0]}", "name": _text(name), "time": "0"}
    )
    said = verdict_sentence(verdict)
    if verdict.verdict == "fail":
        failure = ElementTree.SubElement(case, "failure", {"message": _text(said), "type": "limit"})
        failure.text = _text(_detail(verdict))
    elif verdict.verdict in ("undecided", "not-measured"):
        ElementTree.SubElement(case, "skipped", {"message": _text(f"{verdict.verdict}: {said}")})
    output = ElementTree.SubElement(case, "system-out")
    output.text = _text(_detail(verdict))


def verdict_sentence(verdict: Verdict) -> str:
    """What was measured against which limit, in one line."""
    limit = bounds(verdict.limit_low, verdict.limit_high, verdict.unit)
    if verdict.value is None:
        against = f" (limit {limit})" if verdict.limited else ""
        return f"{verdict.quantity}: {verdict.note or 'nothing to measure'}{against}"
    value = measured(verdict.value, verdict.uncertainty, verdict.unit)
    note = f"; {verdict.note}" if verdict.note else ""
    return f"{verdict.quantity}: {value}, limit {limit}{note}"


def _detail(verdict: Verdict) -> str:
    return f"{verdict.verdict}: {verdict_sentence(verdict)}; limit from {verdict.source}"


def _text(text: str) -> str:
    return xml_text(printable(text, LONGEST))
