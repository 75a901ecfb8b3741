"""A comparison in words: one sentence per row, and the lines that the command prints."""

from __future__ import annotations

import math
from collections.abc import Sequence

from spinlag.compare import Comparison
from spinlag.compare.rows import Fault, Row
from spinlag.compare.versions import Versions
from spinlag.report.format import MISSING, count, si
from spinlag.report.names import printable

VERDICT_WORDS = {"better": "better", "worse": "worse", "same": "the same", "cannot-tell": "cannot tell"}


def quantity_value(value: float | None, unit: str) -> str:
    """A value in its unit; shares in per cent."""
    if value is None:
        return MISSING
    return f"{si(100 * value, '%', 3)}" if unit == "1" else si(value, unit, 4)


def signed(value: float | None, unit: str) -> str:
    """A shift with its sign."""
    if value is None:
        return MISSING
    scaled, name = (100 * value, "%") if unit == "1" else (value, unit)
    return f"{'+' if scaled > 0 else ''}{si(scaled, name, 3)}"


def interval(low: float | None, high: float | None, unit: str) -> str:
    """A 95 % interval in words."""
    if low is None or high is None:
        return MISSING
    return f"{signed(low, unit)} to {signed(high, unit)}"


def p_value(p: float | None) -> str:
    """A p-value to two digits, or that it is very small."""
    if p is None:
        return MISSING
    return "< 0.0001" if p < 1e-4 else f"{p:.2g}" if p < 0.1 else f"{p:.2f}"


def in_runs(numbers: Sequence[int]) -> str:
    """Ascending whole numbers with runs of three or more drawn together: `1 to 16, 19, 20`."""
    runs: list[list[int]] = []
    for number in numbers:
        if runs and number == runs[-1][-1] + 1:
            runs[-1].append(number)
        else:
            runs.append([number])
    return ", ".join(f"{run[0]} to {run[-1]}" if len(run) > 2 else ", ".join(map(str, run)) for run in runs)


def duration(seconds: float) -> str:
    """A recording time as a person would say it."""
    if seconds < 10:
        return f"{math.ceil(10 * seconds) / 10:.1f}\u00a0s"
    if seconds < 120:
        return f"{seconds:.0f}\u00a0s"
    if seconds < 7200:
        return f"{seconds / 60:.0f}\u00a0min"
    return f"{seconds / 3600:.1f}\u00a0h"


def p_said(p: float | None) -> str:
    """A p-value as an equation or a bound, to stand in a sentence."""
    told = p_value(p)
    return f"p {told}" if told.startswith("<") else f"p = {told}"


def needed(longer: float | None, comparison: Comparison) -> str:
    """How long to record each side to settle an open row."""
    if longer is None:
        return "no recording of a practicable length would settle it"
    return f"about {duration(longer * comparison.length_s)} of each would settle it, if the difference stays as it is"


def row_title(row: Row) -> str:
    """The quantity, and which figure of it where its name does not tell."""
    told = row.what in ("share", "mean") or row.what in row.title
    return row.title if told else f"{row.title}, {row.what}"


def row_sentence(row: Row, comparison: Comparison) -> str:
    """One quantity: both values, the shift with its interval, what is negligible, and the verdict's reason."""
    if row.shift is None:
        tail = f"; {needed(row.longer, comparison)}" if row.longer else ""
        return f"{row.title}: {row.why}{tail}"
    said = (
        f"{row_title(row)}: {quantity_value(row.value(row.before), row.unit)} ({comparison.name_before}), "
        f"{quantity_value(row.value(row.after), row.unit)} ({comparison.name_after}); "
        f"shift {signed(row.shift, row.unit)} ({interval(row.low, row.high, row.unit)}), "
        f"negligible {quantity_value(row.tolerance, row.unit)}"
    )
    p = f", {p_said(row.p)}" if row.p is not None else ""
    more = f"; {needed(row.longer, comparison)}" if row.verdict == "cannot-tell" else ""
    return f"{said}{p}: {row.why}{more}"


def fault_sentence(fault: Fault, comparison: Comparison) -> str:
    """One kind of fault: counts, ratio, and the verdict's reason."""
    if fault.before + fault.after == 0:
        more = f"; {needed(fault.longer, comparison)}" if fault.verdict == "cannot-tell" else ""
        return f"{fault.kind}: {fault.why}{more}"
    ratio = "" if fault.rate_ratio is None else f", ratio of rates {fault.rate_ratio:.3g}"
    span = _ratio_span(fault)
    p = f", {p_said(fault.p)}" if fault.p is not None else ""
    more = f"; {needed(fault.longer, comparison)}" if fault.verdict == "cannot-tell" else ""
    return (
        f"{fault.kind}: {fault.before} in {count(fault.revolutions_before)} revolutions ({comparison.name_before}), "
        f"{fault.after} in {count(fault.revolutions_after)} ({comparison.name_after}){ratio}{span}{p}: "
        f"{fault.why}{more}"
    )


def _ratio_span(fault: Fault) -> str:
    if fault.ratio_low is None:
        return ""
    return f" ({fault.ratio_low:.2g} to {f'{fault.ratio_high:.2g}' if fault.ratio_high is not None else 'any'})"


def ratio_text(fault: Fault) -> str:
    """Ratio of rates with its interval, for a table."""
    if fault.rate_ratio is None and fault.ratio_low is None:
        return MISSING
    value = f"{fault.rate_ratio:.3g}" if fault.rate_ratio is not None else "only after"
    return f"{value}{_ratio_span(fault)}"


def summary_lines(versions: Versions) -> list[str]:
    """What the command prints: of a row the version at which each quantity changed; then, pair by pair, the verdict,
    everything that changed, and what is open. What looks wrong with the captures comes first of all."""
    # of a row the first question is which version did it
    several = len(versions.names) > 2
    lines = [f"{trend.title}: {trend.said}" for trend in versions.trends] if several else []
    notes: list[str] = []
    for name, comparison in versions.comparisons.items():
        told = printable(name)
        lines.append(f"{told} against {printable(versions.reference)}: {VERDICT_WORDS[comparison.verdict]}")
        lines += [f"  {printable(sentence, 400)}" for sentence in comparison.worthless]
        for row in comparison.quantities:
            if row.differs:
                lines.append(f"  {row.verdict}: {printable(row_sentence(row, comparison), 400)}")
        for fault in comparison.faults:
            if fault.verdict in ("better", "worse"):
                lines.append(f"  {fault.verdict}: {printable(fault_sentence(fault, comparison), 400)}")
        open_rows = [row for row in comparison.rows if row.verdict == "cannot-tell"]
        same = sum(row.verdict == "same" for row in comparison.rows)
        lines.append(f"  the same: {same}; cannot tell: {len(open_rows)} of {len(comparison.rows)}")
        if comparison.longer_s is not None:
            lines.append(f"  {duration(comparison.longer_s)} of each would settle what can be settled")
        lines.append(f"  {comparison.picture.said}")
        notes += [note for note in comparison.notes if note not in notes]
    said = dict.fromkeys(warning for one in versions.comparisons.values() for warning in one.warnings)
    warnings = [f"warning: {printable(warning, 400)}" for warning in said]
    return [*warnings, *lines, *(f"note: {note}" for note in notes)]
