"""compare.html: one page that needs nothing else, in the style of the report."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np
from matplotlib.figure import Figure
from numpy.typing import NDArray

from spinlag.cautions import SAFETY
from spinlag.compare import Comparison
from spinlag.compare.items import ITEMS, NEGLIGIBLE_SHARE, Item, values_of
from spinlag.compare.measured import Measured
from spinlag.compare.rows import ALPHA, Change, Fault, Row
from spinlag.compare.shown import Shown
from spinlag.compare.trends import NO_CHANGE, SURE, Trend
from spinlag.compare.versions import Versions
from spinlag.report.compare_text import (
    VERDICT_WORDS,
    duration,
    fault_sentence,
    in_runs,
    interval,
    needed,
    p_value,
    quantity_value,
    ratio_text,
    row_sentence,
    row_title,
    signed,
)
from spinlag.report.format import MISSING, count, si
from spinlag.report.html import Picture, render
from spinlag.report.names import picture_text
from spinlag.report.plots import style
from spinlag.report.plots.compare import (
    Shift,
    over_revolutions,
    shifts_against_tolerance,
    shown_columns,
    trend_over_versions,
    two_distributions,
)

Floats = NDArray[np.float64]
WIDTH_IN = 8.2
ORDER: tuple[Change, ...] = ("worse", "better", "cannot-tell", "same")
MOST_PICTURED = 6
"""Versions of a row that get pictures of their own; the newest come first."""


def comparison_bytes(versions: Versions) -> bytes:
    """The whole page, UTF-8."""
    return render("compare.html", _page(versions))


def _page(versions: Versions) -> dict[str, Any]:
    pairs = list(versions.comparisons.items())
    pictured = {name for name, _ in pairs[-MOST_PICTURED:]}
    with style.styled():
        trends = _trend_pictures(versions) if len(versions.names) > 2 else None
        parts = [_pair(name, one, pictures=name in pictured) for name, one in reversed(pairs)]
    return {
        "title": f"{versions.newest.name_after} against {versions.reference}",
        "newest": _headline(versions.newest),
        "pairs": parts,
        "several": len(pairs) > 1,
        "row": [(name, _row_of(versions, name)) for name in versions.names],
        "trends": [(trend.title, _trend_range(trend), trend.said) for trend in versions.trends],
        "trend_picture": trends,
        "alpha": f"{100 * ALPHA:g}",
        "sure": f"{SURE:g}",
        "safety": SAFETY,
    }


def _headline(comparison: Comparison) -> dict[str, Any]:
    counts = {verdict: sum(row.verdict == verdict for row in comparison.rows) for verdict in ORDER}
    tally = ", ".join(f"{n} {VERDICT_WORDS[verdict]}" for verdict, n in counts.items() if n)
    open_time = comparison.longer_s
    return {
        "verdict": VERDICT_WORDS[comparison.verdict],
        "tally": f"{len(comparison.rows)} quantities and kinds of fault compared: {tally}",
        "changed": [
            *comparison.worthless,
            *_changes(comparison),
        ],
        "longer": f"{duration(open_time)} of each would settle what is open and can be settled" if open_time else "",
    }


def _changes(comparison: Comparison) -> list[str]:
    """A sentence for everything that is worse or better."""
    quantities = [
        f"{row.verdict}: {row_sentence(row, comparison)}"
        for verdict in ORDER[:2]
        for row in comparison.quantities
        if row.verdict == verdict
    ]
    faults = [fault for fault in comparison.faults if fault.verdict in ("better", "worse")]
    return [*quantities, *(f"{fault.verdict}: {fault_sentence(fault, comparison)}" for fault in faults)]


def _row_of(versions: Versions, name: str) -> dict[str, str]:
    captures = versions.sets[name]
    changed = [trend.title for trend in versions.trends if trend.changed_at == name]
    verdict = "reference" if name == versions.reference else VERDICT_WORDS[versions.comparisons[name].verdict]
    return {
        "recordings": str(len(captures)),
        "revolutions": count(sum(one.revolutions for one in captures)),
        "verdict": verdict,
        "changed": "; ".join(changed) or MISSING,
    }


def _pair(name: str, comparison: Comparison, *, pictures: bool) -> dict[str, Any]:
    rows = sorted(comparison.quantities, key=lambda row: ORDER.index(row.verdict))
    drawn = dict(_pictures(comparison)) if pictures else {}
    return {
        "name": name,
        "headline": _headline(comparison),
        "sides": [
            (side_name, [(one.file, one.sha256, count(one.revolutions), _speed(one)) for one in side])
            for side_name, side in (
                (comparison.name_before, comparison.before),
                (comparison.name_after, comparison.after),
            )
        ],
        "names": (comparison.name_before, comparison.name_after),
        "quantities": [_quantity(row, comparison) for row in rows],
        "faults": [_fault(fault, comparison) for fault in comparison.faults if fault.before + fault.after],
        "fault_tolerance": quantity_value(NEGLIGIBLE_SHARE, "1"),
        "statistics": [_statistics_of(row, comparison) for row in comparison.quantities],
        "unseen": _unseen(comparison),
        "picture_said": comparison.picture.said,
        "different": in_runs(comparison.picture.different),
        "notes": comparison.notes,
        "warnings": comparison.warnings,
        "not_compared": sorted(comparison.not_compared.items()),
        "pictures": drawn,
    }


def _statistics_of(row: Row, comparison: Comparison) -> tuple[str, list[list[str]]]:
    """A quantity's statistics block, one line for each side."""
    lines = []
    for name, side in ((comparison.name_before, row.before), (comparison.name_after, row.after)):
        # what centring leaves of a mean is rounding, not a figure
        mean = 0.0 if side.mean is not None and abs(side.mean) < 1e-9 * (side.std or 0.0) else side.mean
        figures = (side.min, side.median, mean, side.std, side.p95, side.p99, side.max)
        lines.append([name, count(side.n), *(quantity_value(figure, row.unit) for figure in figures)])
    return row.title, lines


def _unseen(comparison: Comparison) -> list[str]:
    """Kinds never seen, those of one verdict and reason in one sentence."""
    said: dict[str, list[str]] = {}
    for fault in comparison.faults:
        if not fault.before + fault.after:
            more = f"; {needed(fault.longer, comparison)}" if fault.verdict == "cannot-tell" else ""
            said.setdefault(f"{VERDICT_WORDS[fault.verdict]}: {fault.why}{more}", []).append(fault.kind)
    return [f"{', '.join(kinds)}: {reason}" for reason, kinds in said.items()]


def _speed(one: Measured) -> str:
    return MISSING if one.speed_rev_per_s is None else f"{si(one.speed_rev_per_s, 'rev/s')}"


def _quantity(row: Row, comparison: Comparison) -> dict[str, str]:
    effective = [MISSING if one is None else count(round(one)) for one in row.effective]
    block = [MISSING if one is None else f"{one:.1f}" for one in row.block]
    more = []
    if row.tail is not None:
        more.append(
            f"99 % point {signed(row.tail.difference, row.unit)} ({interval(row.tail.low, row.tail.high, row.unit)})"
        )
    if row.spread is not None:
        ratio, low, high = np.exp([row.spread.difference, row.spread.low, row.spread.high])
        more.append(f"spread times {ratio:.3g} ({low:.3g} to {high:.3g})")
    if row.what in ("median", "rms"):
        worst = [quantity_value(side.max, row.unit) for side in (row.before, row.after)]
        more.append(f"worst case {worst[0]} and {worst[1]}")
    if row.effective[0] is not None:
        more.append(
            f"{count(row.before.n)} and {count(row.after.n)} revolutions, worth {effective[0]} and {effective[1]} "
            f"independent ones (mean block {block[0]} and {block[1]})"
        )
    more.append(f"negligible: {quantity_value(row.tolerance, row.unit)}, {row.tolerance_from}")
    open_row = row.verdict == "cannot-tell" and (row.shift is not None or row.longer is not None)
    more.append(f"{row.why}; {needed(row.longer, comparison)}" if open_row else row.why)
    return {
        "id": row.id,
        "title": row_title(row),
        "verdict": VERDICT_WORDS[row.verdict],
        "before": quantity_value(row.value(row.before), row.unit),
        "after": quantity_value(row.value(row.after), row.unit),
        "shift": signed(row.shift, row.unit),
        "interval": interval(row.low, row.high, row.unit),
        "p": p_value(row.p),
        "more": "; ".join(more),
    }


def _fault(fault: Fault, comparison: Comparison) -> dict[str, str]:
    open_fault = fault.verdict == "cannot-tell"
    return {
        "kind": fault.kind,
        "verdict": VERDICT_WORDS[fault.verdict],
        "before": f"{fault.before} in {count(fault.revolutions_before)}",
        "after": f"{fault.after} in {count(fault.revolutions_after)}",
        "ratio": ratio_text(fault),
        "p": p_value(fault.p),
        "why": f"{fault.why}; {needed(fault.longer, comparison)}" if open_fault else fault.why,
    }


def _picture(figure: Figure, alt: str, caption: str) -> Picture:
    return Picture(style.data_uri(style.rendered(figure, "svg"), "svg"), alt, caption)


def _pictures(comparison: Comparison) -> Iterator[tuple[str, Picture]]:
    names = picture_text(comparison.name_before), picture_text(comparison.name_after)
    shifts = shifts_figure(comparison)
    if shifts is not None:
        yield (
            "shifts",
            _picture(
                shifts,
                "Shifts of all quantities against their tolerances",
                "Left is smaller, right is larger. Smaller is better, but for the offset (nearer zero) and the bit "
                "times (nearer the middle of the sheet's window). "
                "Diamonds: changed beyond chance. An interval wholly in the shaded band is called the same.",
            ),
        )
    for item in ITEMS:
        if item.id in ("latency.latency", "latency.latency_deg"):
            figure = _item_figure(item, comparison, names)
            if figure is not None:
                yield (
                    item.id,
                    _picture(
                        figure,
                        f"{item.title}: distributions and values over revolutions of both",
                        "Recordings of one side stand one after the other. Lines: medians. The outermost 0.2 % on each "
                        "side are gathered in the first and last bin.",
                    ),
                )
    figure = _shown_figure(comparison, names)
    if figure is not None:
        yield (
            "shown",
            _picture(
                figure,
                "What each column usually shows, before and after",
                "Colours as sent to the LEDs. Triangles: columns whose data differ."
                + (" Hatched: not steady, or never drawn." if comparison.picture.moving else ""),
            ),
        )


def shifts_figure(comparison: Comparison) -> Figure | None:
    """Every shift with its interval, in tolerances; None where nothing can be drawn."""
    shifts = [_shift(row) for row in comparison.quantities if row.shift is not None and row.tolerance > 0]
    return _shift_figure(shifts) if shifts else None


def _shift(row: Row) -> Shift:
    scale = row.tolerance
    assert row.shift is not None and row.low is not None and row.high is not None
    label = row.id.removeprefix("leds.")
    said = f"{signed(row.shift, row.unit)}"
    return Shift(picture_text(label, 30), row.verdict, row.shift / scale, row.low / scale, row.high / scale, said)


def _shift_figure(shifts: Sequence[Shift]) -> Figure:
    figure = style.figure(WIDTH_IN, 0.9 + 0.26 * len(shifts))
    axes = figure.subplots()
    shifts_against_tolerance(axes, shifts)
    axes.set_title("what moved, by how much")
    return figure


def _item_figure(item: Item, comparison: Comparison, names: tuple[str, str]) -> Figure | None:
    sides = [np.concatenate([values_of(item, one) for one in side]) for side in (comparison.before, comparison.after)]
    if any(len(side) < 2 for side in sides):
        return None
    unit = "deg" if item.angle else "s"
    pooled = np.concatenate(sides)
    figure = style.figure(WIDTH_IN, 4.6)
    grid = figure.add_gridspec(2, 2)
    top = figure.add_subplot(grid[0, :])
    two_distributions(top, sides[0], sides[1], names, unit)
    top.set_title(item.title)
    for place, (side, name) in enumerate(zip(sides, names, strict=True)):
        axes = figure.add_subplot(grid[1, place])
        over_revolutions(axes, side, name, unit, (float(pooled.min()), float(pooled.max())), after=place == 1)
    return figure


def _shown_figure(comparison: Comparison, names: tuple[str, str]) -> Figure | None:
    """Both usual pictures, one above the other, where both are known and not too many LEDs differ in number."""
    sides = [side[0].shown for side in (comparison.before, comparison.after)]
    if not all(sides) or comparison.picture.compared == 0:
        return None
    images = [_image(side) for side in sides]
    if images[0].shape != images[1].shape:
        return None
    different = comparison.picture.different
    figure = style.figure(WIDTH_IN, 4.4)
    axes = figure.subplots(3, 1, sharex=True)
    moving = comparison.picture.moving
    shown_columns(axes[0], images[0], names[0], different, moving)
    shown_columns(axes[1], images[1], names[1], different, moving)
    change = np.abs(images[0].astype(np.int16) - images[1].astype(np.int16)).max(axis=2)
    strongest = max(int(change.max()), 1)
    grey = (255 - (215 * (change / strongest)))[:, :, None].repeat(3, axis=2).astype(np.uint8)
    shown_columns(axes[2], grey, "difference: darker where more changed", different, moving)
    if not change.any():
        axes[2].text(0.5, 0.5, "no column differs", transform=axes[2].transAxes, ha="center", va="center")
    axes[2].set_xlabel("column")
    return figure


def _image(shown: Sequence[Shown]) -> NDArray[np.uint8]:
    """The usual picture, shape (LEDs, columns, 3); light grey where a column is not steady."""
    blocks = []
    for chain in shown:
        width = chain.bits_per_led // 8
        leds = max((len(data) // 2 // width for data in chain.data if data), default=0)
        block = np.full((leds, chain.columns, 3), 225, dtype=np.uint8)
        for column, data in enumerate(chain.data):
            if data is None or not chain.steady(column):
                continue
            sent = np.frombuffer(bytes.fromhex(data), dtype=np.uint8)
            sent = sent[: len(sent) // width * width].reshape(-1, width)
            block[: len(sent), column] = _colours(sent, chain.order)
            block[len(sent) :, column] = 0
        blocks.append(block)
    columns = max(block.shape[1] for block in blocks)
    return np.concatenate([block for block in blocks if block.shape[1] == columns])


def _colours(sent: NDArray[np.uint8], order: str) -> NDArray[np.uint8]:
    """Bytes in wire order to red, green, blue; a white LED adds to all three."""
    letters = order.upper()
    mixed = np.zeros((len(sent), 3), dtype=np.int16)
    for place, letter in enumerate(letters[: sent.shape[1]]):
        if letter in "RGB":
            mixed[:, "RGB".index(letter)] += sent[:, place]
        else:
            mixed += sent[:, place, None]
    # dim LEDs are bright to the eye; a root keeps them from looking black on paper
    scaled: NDArray[np.uint8] = (255 * np.sqrt(np.clip(mixed, 0, 255) / 255)).astype(np.uint8)
    return scaled


def _trend_range(trend: Trend) -> str:
    """The first and the last version's value."""
    first, last = trend.points[0], trend.points[-1]
    return f"{quantity_value(first.value, trend.unit)} to {quantity_value(last.value, trend.unit)}"


def _trend_pictures(versions: Versions) -> Picture:
    # quantities of revolutions always; counts and bit times where something may have changed
    usual = {item.id for item in ITEMS}
    trends = [trend for trend in versions.trends if trend.id in usual or trend.changed_at or trend.sure < NO_CHANGE]
    rows = -(-len(trends) // 2)
    figure = style.figure(WIDTH_IN, 1.9 * max(rows, 1))
    axes = figure.subplots(max(rows, 1), 2, squeeze=False).ravel()
    for place, trend in zip(axes, trends, strict=False):
        names = [point.version for point in trend.points]
        values, lows, highs = (
            np.array([getattr(point, name) for point in trend.points]) for name in ("value", "low", "high")
        )
        changed = names.index(trend.changed_at) if trend.changed_at in names else None
        trend_over_versions(place, [picture_text(name, 12) for name in names], values, lows, highs, trend.unit, changed)
        place.set_title(f"{trend.id}, {trend.what}", fontsize=8.5)
    for place in axes[len(trends) :]:
        place.set_axis_off()
    return _picture(
        figure,
        "Each quantity over the versions",
        "Bars: 95 % intervals. A dashed line stands before the version from which a quantity is different. Faults, "
        "shares and bit times are drawn where one may have changed.",
    )
