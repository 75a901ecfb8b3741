"""Rows of the report's tables: findings turned into texts, ready for any renderer."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

from spinlag.findings import Findings
from spinlag.leds.parts import Window
from spinlag.quantities import TIMING_TITLES
from spinlag.report.bars import Bar, bar
from spinlag.report.format import MISSING, bounds, count, measured, si, uncertainty
from spinlag.report.grades import Grade, grades
from spinlag.summary import Statistics
from spinlag.verdicts import Verdict

TIMING_LABELS: Mapping[str, str] = {
    "t0h": "T0H",
    "t0l": "T0L",
    "t1h": "T1H",
    "t1l": "T1L",
    "bit_period": "bit period",
    "low_between_updates": "low between updates",
}

_LONG_SOURCE = 40

STATISTICS_HEAD = ("n", "min", "median", "mean ± U", "std", "p95", "p99", "max")


@dataclass(frozen=True)
class VerdictRow:
    """One verdict as texts, with its bar."""

    id: str
    quantity: str
    value: str
    limit: str
    margin: str
    verdict: str
    source: str
    note: str
    bar: Bar | None


@dataclass(frozen=True)
class StatisticsRow:
    """One block of statistics as texts, in the order of STATISTICS_HEAD."""

    label: str
    cells: tuple[str, ...]


@dataclass(frozen=True)
class TimingRow:
    """One interval of one chain: how often, how long, and how it stands against one part."""

    label: str
    n: str
    shortest: str
    shortest_at: str
    mean: str
    longest: str
    longest_at: str
    sheet: str
    family: str
    grade: str


@dataclass(frozen=True)
class RevisionRow:
    """One revision of a part named without one: a grade per timing name."""

    part: str
    grades: tuple[str, ...]


def shown_unit(verdict: Verdict) -> tuple[float, str]:
    """Factor and unit in which a verdict is shown: shares in percent, everything else in its own unit."""
    if verdict.unit == "1" and verdict.quantity.startswith("share"):
        return 100.0, "%"
    return 1.0, verdict.unit


def verdict_row(verdict: Verdict) -> VerdictRow:
    """A verdict as texts."""
    factor, unit = shown_unit(verdict)

    def scaled(value: float | None) -> float | None:
        return None if value is None else float(value) * factor

    return VerdictRow(
        id=verdict.id,
        quantity=verdict.quantity,
        value=measured(scaled(verdict.value), scaled(verdict.uncertainty), unit),
        limit=bounds(scaled(verdict.limit_low), scaled(verdict.limit_high), unit),
        margin=si(scaled(verdict.margin), unit, 3),
        verdict=verdict.verdict,
        source=verdict.source,
        note=verdict.note,
        bar=bar(verdict),
    )


def verdict_rows(findings: Findings) -> tuple[list[VerdictRow], list[tuple[str, str]]]:
    """All verdicts as texts, and the sources that are too long to stand in every row: (number, source)."""
    long = [s for s in dict.fromkeys(verdict.source for verdict in findings.verdicts) if len(s) > _LONG_SOURCE]
    numbered = {source: f"[{number}]" for number, source in enumerate(long, start=1)}
    rows = [verdict_row(verdict) for verdict in findings.verdicts]
    rows = [replace(row, source=numbered.get(row.source, row.source)) for row in rows]
    return rows, [(number, source) for source, number in numbered.items()]


def statistics_row(label: str, statistics: Statistics, unit: str) -> StatisticsRow:
    """A block of statistics as texts."""
    s = statistics
    return StatisticsRow(
        label,
        (
            count(s.n),
            si(s.min, unit),
            si(s.median, unit),
            measured(s.mean, s.uncertainty, unit),
            si(_no_dust(s), unit, 3),
            si(s.p95, unit),
            si(s.p99, unit),
            si(s.max, unit),
        ),
    )


def _no_dust(s: Statistics) -> float | None:
    """The standard deviation, 0 where it is nothing but rounding of the arithmetic."""
    if s.std is not None and s.mean is not None and s.std < 1e-9 * abs(s.mean):
        return 0.0
    return s.std


def timing_rows(findings: Findings, chain_index: int) -> list[TimingRow]:
    """Every interval of one chain against the first part that it may be."""
    chain = findings.chains[chain_index]
    tick = float(findings.capture.tick)
    graded = {grade.name: grade for grade in reversed(grades(findings, chain_index))}
    rows = []
    for name, tally in chain.timing.items():
        grade: Grade | None = graded.get(name)
        seen = tally.statistics.n > 0
        rows.append(
            TimingRow(
                label=TIMING_LABELS.get(name, TIMING_TITLES.get(name, name)),
                n=count(tally.statistics.n),
                shortest=si(tally.shortest * tick, "s") if seen else MISSING,
                shortest_at=instant(tally.shortest_at * tick) if seen else MISSING,
                mean=measured(tally.statistics.mean, tally.statistics.uncertainty, "s"),
                longest=si(tally.longest * tick, "s") if seen else MISSING,
                longest_at=instant(tally.longest_at * tick) if seen else MISSING,
                sheet=_window(grade.sheet) if grade else MISSING,
                family=_window(grade.family) if grade else MISSING,
                grade=grade.words if grade else "not judged" if seen else "not measured",
            )
        )
    return rows


def revision_rows(findings: Findings, chain_index: int) -> tuple[tuple[str, ...], list[RevisionRow]]:
    """Timing names, and one row of grades per revision; no rows where there is one part at most."""
    found = grades(findings, chain_index)
    parts = list(dict.fromkeys(grade.part for grade in found))
    # what no revision limits would fill the table with words for nothing
    names = tuple(dict.fromkeys(grade.name for grade in found if grade.sheet is not None or grade.family is not None))
    if len(parts) < 2:
        return names, []
    by_key = {(grade.part, grade.name): grade.words for grade in found}
    rows = [RevisionRow(part, tuple(by_key.get((part, name), MISSING) for name in names)) for part in parts]
    return tuple(TIMING_LABELS.get(name, TIMING_TITLES.get(name, name)) for name in names), rows


def _window(window: Window | None) -> str:
    return MISSING if window is None else bounds(window.low_s, window.high_s, "s")


def instant(seconds: float) -> str:
    """An instant on the capture's own time axis, to a microsecond."""
    return f"{seconds:.6f}\u00a0s"


def pairs(rows: Iterable[tuple[str, str | None]]) -> list[tuple[str, str]]:
    """Rows of a two-column table, without those that have nothing to say."""
    return [(label, text) for label, text in rows if text]


def with_uncertainty(value: float | None, expanded: float | None, unit: str, why_not: str = "not measured") -> str:
    """Value ± U, or why there is none."""
    if value is None:
        return why_not
    if expanded is None:
        return f"{si(value, unit)} (uncertainty not known)"
    return measured(value, expanded, unit) if expanded > 0 else f"{si(value, unit)} ± {uncertainty(0.0, unit)}"
