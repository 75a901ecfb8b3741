"""CSV texts for tests: a source that holds bytes, and a hypothesis strategy for files in many dialects."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from unittest.mock import patch

import numpy as np
from hypothesis import strategies as st

from reference_csv import ReferenceLine
from spinlag.importers import csv
from spinlag.importers.csv_options import CsvOptions
from spinlag.importers.csv_rows import FINEST_PLACES
from spinlag.importers.draft import Draft
from spinlag.importers.source import HEAD_BYTES
from spinlag.rig import CaptureTable

UNITS = {"s": Fraction(1), "ms": Fraction(1, 10**3), "us": Fraction(1, 10**6), "ns": Fraction(1, 10**9)}
STYLES = (("0", "1"), ("low", "high"), ("FALSE", "TRUE"), ("L", "H"), ("false", "true"))


class TextSource:
    """Bytes that were never in a file."""

    def __init__(self, text: bytes, head_bytes: int = HEAD_BYTES) -> None:
        self.file = "made.csv"
        self.unpacks = False
        self._text = text
        self._at = 0
        self.head = text[:head_bytes]

    def readinto(self, buffer: memoryview) -> int:
        part = self._text[self._at : self._at + len(buffer)]
        buffer[: len(part)] = part
        self._at += len(part)
        return len(part)


def read_text(
    text: bytes | str,
    *,
    table: CaptureTable | None = None,
    block_bytes: int = 1 << 20,
    head_bytes: int = HEAD_BYTES,
    threads: int = 0,
    **options: object,
) -> Draft:
    """Read a text as the CSV importer would read a file of it."""
    data = text.encode() if isinstance(text, str) else text
    chosen = CsvOptions(**options)  # type: ignore[arg-type]
    with patch.object(csv, "HEAD_BYTES", head_bytes):
        source = TextSource(data, head_bytes)
        return csv.read(source, table=table, options=chosen, block_bytes=block_bytes, threads=threads)


def as_reference(draft: Draft) -> list[ReferenceLine]:
    """The channels of a draft in exact seconds; an unknown interval that runs to the end stops at the last row."""
    last = draft.end if draft.sample_period is None else draft.end - int(draft.sample_period.ticks.__ceil__())
    lines = []
    for channel in draft.channels:
        edges = [int(edge) * draft.tick for edge in channel.edges[:]]
        spans = [(int(a), int(b)) for a, b in channel.unknown]
        spans = [(a, min(b, last if draft.sample_period is not None else draft.end - 1)) for a, b in spans]
        lines.append(
            ReferenceLine(channel.initial, edges, [(a * draft.tick, b * draft.tick) for a, b in spans if a < b])
        )
    return lines


@dataclass(frozen=True)
class MadeFile:
    """A text and how it is written."""

    text: str
    delimiter: str
    decimal: str
    unit: Fraction
    header_lines: int
    packed_bits: int
    rows: int


@st.composite
def csv_texts(draw: st.DrawFn) -> MadeFile:
    """Times and levels in one of many dialects; numpy makes the rows, so that long files cost little."""
    delimiter, decimal, quoted = draw(
        st.sampled_from([(",", ".", False), (";", ",", False), ("\t", ".", False), (";", ".", True), (",", ",", True)])
    )
    rng = np.random.default_rng(draw(st.integers(0, 2**32)))
    rows = draw(st.sampled_from([2, 3, 10, 70, 150, 400]))
    unit = draw(st.sampled_from(list(UNITS)))
    places = draw(st.integers(0, FINEST_PLACES[unit] if unit == "ns" else 9))
    shape = draw(st.sampled_from(["fixed", "stripped", "exponent", "mixed"]))
    spread = draw(st.sampled_from([1, 20, 10**4]))
    steps = rng.integers(draw(st.sampled_from([0, 1])), spread + 1, rows)
    ticks = np.cumsum(steps) - draw(st.sampled_from([0, 0, spread * rows // 3]))
    channels = draw(st.integers(1, 5))
    style = STYLES[draw(st.integers(0, len(STYLES) - 1))]
    change = draw(st.sampled_from([0.05, 0.5, 1.0]))
    levels = (rng.random((rows, channels)) < change).cumsum(axis=0) & 1
    texts = np.array(style, dtype=object)[levels]
    if draw(st.booleans()):
        texts[rng.random((rows, channels)) < 0.1] = draw(st.sampled_from(["x", "", "Z"]))
    packed = draw(st.sampled_from([0, 0, 3, 12]))
    values = [hex(value) for value in rng.integers(0, 1 << packed, rows)]
    pad = " " if draw(st.booleans()) else ""
    newline = draw(st.sampled_from(["\n", "\r\n"]))
    lines = []
    for k in range(rows):
        cells = [_time(int(ticks[k]), places, shape, decimal, k), *texts[k], *([values[k]] if packed else [])]
        cells = [f'"{cell}"' for cell in cells] if quoted else cells
        lines.append((delimiter + pad).join(cells))
    for extra in draw(st.lists(st.sampled_from(["", "# a remark"]), max_size=2)):
        lines.insert(draw(st.integers(1, len(lines))), extra)
    names = [f"Time [{unit}]", *(f"D{k}" for k in range(channels)), *(["bus"] if packed else [])]
    preamble = draw(st.lists(st.sampled_from(["# made for a test", ""]), max_size=2))
    open_ended = not packed and texts[-1, -1] != ""  # what could be cut off is not believed
    end = draw(st.sampled_from([newline, ""])) if open_ended else newline
    text = newline.join([*preamble, delimiter.join(names), *lines]) + end
    mark = "\ufeff" if draw(st.booleans()) else ""
    header = 1 + len(preamble)
    return MadeFile(mark + text, delimiter, decimal, UNITS[unit], header, packed, rows)


def _time(tick: int, places: int, shape: str, decimal: str, row: int) -> str:
    value = Decimal(tick).scaleb(-places)
    if shape == "mixed":
        shape = ("fixed", "stripped", "exponent")[row % 3]
    if shape == "exponent":
        return f"{value:E}".replace(".", decimal)
    text = f"{value:f}"
    if shape == "stripped" and "." in text:
        text = text.rstrip("0").rstrip(".")
    return text.replace(".", decimal)
