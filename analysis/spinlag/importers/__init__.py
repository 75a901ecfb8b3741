"""Capture files to captures: one importer per format, chosen by a bounded look at the first bytes."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import asdict, dataclass, replace
from fractions import Fraction
from pathlib import Path
from typing import Any

from spinlag.capture import Capture, Progress, SamplePeriod
from spinlag.errors import CaptureError
from spinlag.importers import csv as csv_table
from spinlag.importers import vcd
from spinlag.importers.csv_layout import find_layout
from spinlag.importers.csv_options import CsvOptions
from spinlag.importers.draft import Draft
from spinlag.importers.line_of import with_line
from spinlag.importers.source import HEAD_BYTES, FileSource
from spinlag.lattice_breaks import breaks_said, find_breaks
from spinlag.rig import CaptureTable
from spinlag.sampling import ClaimedRate, detect_sample_period

__all__ = ["IMPORTERS", "CsvOptions", "Importer", "read_capture"]

SAME_RATE = Fraction(1, 1000)
"""Two statements of a sample rate agree when they differ by less than this part."""


@dataclass(frozen=True)
class Importer:
    """One format: `sniff` judges the first decompressed bytes, `read` reads the whole source."""

    name: str
    what: str
    sniff: Callable[[bytes], bool]
    read: Callable[[FileSource, CaptureTable, CsvOptions], Draft]


IMPORTERS = (
    Importer(
        "vcd",
        "value change dump, plain or extended (IEEE Std 1364-2005, clause 18)",
        vcd.sniff,
        lambda source, table, _: vcd.read(source, table=table),
    ),
    Importer(
        "csv",
        "table of times and levels or volts, one row per sample or per change",
        csv_table.sniff,
        lambda source, table, options: csv_table.read(source, table=table, options=options),
    ),
)
"""Every format that can be read. Their order means nothing: two that claim the same file are an error."""

_FOREIGN = (
    (b"\xff\xd8\xff", "a JPEG picture"),
    (b"\x89PNG", "a PNG picture"),
    (b"GIF8", "a GIF picture"),
    (b"%PDF", "a PDF document"),
    (b"PK\x03\x04", "a zip archive"),
    (b"BZh", "bzip2 data; decompress it first"),
    (b"\x28\xb5\x2f\xfd", "Zstandard data; decompress it first"),
    (b"\x5d\0\0", "LZMA data of the old kind; decompress it first"),
    (b"\x78\x9c", "zlib data; decompress it first"),
    (b"\x7fELF", "a program"),
    (b"RIFF", "a RIFF file (sound or video)"),
    (b"\x1f\x8b", "gzip data inside compressed data; decompress it once by hand"),
    (b"\xfd7zXZ\x00", "xz data inside compressed data; decompress it once by hand"),
    (b"\xff\xfe\0\0", "UTF-32 text; save it as UTF-8"),
    (b"\0\0\xfe\xff", "UTF-32 text; save it as UTF-8"),
    (b"\xff\xfe", "UTF-16 text; save it as UTF-8"),
    (b"\xfe\xff", "UTF-16 text; save it as UTF-8"),
)
"""First bytes of files that people hand over by mistake."""

_PADDING = b"\0\x1a"
"""Zero bytes and control-Z, with which old programs fill a file up (common practice, no source)."""

_DECLARATION = re.compile(rb"(?<!\S)\$(?:date|version|timescale|comment|scope|var)(?=\s)", re.IGNORECASE)


def read_capture(
    path: str | Path,
    *,
    table: CaptureTable | None = None,
    importer: str | None = None,
    csv: CsvOptions | None = None,
    progress: Progress | None = None,
    expand_limit: int | None = None,
) -> Capture:
    """Read a capture, plain, gzip- or xz-compressed.

    `table` is the rig's [capture] table, for what the file cannot tell about itself. `importer` overrules the choice
    by content; `csv` overrules what is found out about a table. `progress` is called with (done, total) bytes of the
    file as it lies on disk. `expand_limit` is how many bytes of text a compressed file may hold; without it, 1 GiB or
    100 times its size, whichever is more. Edges of large captures stay in a temporary file while the result lives.

    Raises CaptureError, which says what and where, for a file that cannot be read or is no capture, and OutputError
    where the temporary file cannot be written.
    """
    table = table if table is not None else CaptureTable()
    with FileSource(path, progress=progress, expand_limit=expand_limit) as source:
        chosen = _chosen(source, importer)
        try:
            draft = chosen.read(source, table, csv if csv is not None else CsvOptions())
        except CaptureError as error:
            raise with_line(error, path) from None
        digest = source.sha256()
        idle = _idle_options(chosen, csv)
        draft = replace(draft, warnings=(*source.warnings, *idle, *draft.warnings))
        understood = (("compression", source.packing),) if source.packing != "plain" else ()
    period, doubts, out_of_step = _sample_period(draft, table)
    if draft.resolution is not None and draft.resolution > period.ticks:
        period = SamplePeriod(draft.resolution, "timescale")
    return Capture(
        file=source.file,
        sha256=digest,
        importer=chosen.name,
        tick=draft.tick,
        start=draft.start,
        end=draft.end,
        channels=draft.channels,
        sample_period=period,
        warnings=(*draft.warnings, *doubts),
        understood=(*understood, *draft.understood),
        read_with=_overruled(table, importer, csv, expand_limit),
        out_of_step=out_of_step,
    )


def _idle_options(chosen: Importer, csv: CsvOptions | None) -> list[str]:
    """What was said of a table, where the file is none. A sample rate is not of tables alone."""
    said = asdict(csv) if csv is not None and chosen.name != "csv" else {}
    idle = [name.replace("_", " ") for name, value in said.items() if value is not None and name != "sample_rate_hz"]
    if not idle:
        return []
    return [
        f"{', '.join(idle)}: this says how a CSV is read and changes nothing here, as the file is {chosen.name.upper()}"
    ]


def _overruled(
    table: CaptureTable, importer: str | None, csv: CsvOptions | None, expand_limit: int | None
) -> tuple[tuple[str, Any], ...]:
    """What the caller said that the file does not."""
    said: dict[str, Any] = {"importer": importer, "expand_limit": expand_limit}
    said["table"] = table.model_dump(mode="json", exclude_defaults=True)
    said["csv"] = {name: value for name, value in asdict(csv).items() if value is not None} if csv is not None else {}
    return tuple((name, value) for name, value in said.items() if value)


def _chosen(source: FileSource, name: str | None) -> Importer:
    """The importer of that name, or the only one whose sniffer knows the first bytes."""
    if name is not None:
        for importer in IMPORTERS:
            if importer.name == name:
                return importer
        known = ", ".join(importer.name for importer in IMPORTERS)
        raise CaptureError(f"there is no importer {name!r}; there are {known}", file=source.file)
    if not source.head:
        packed = f"the {source.packing} data hold no text: the file is empty or was cut short; export or copy it again"
        raise CaptureError("the file is empty" if source.packing == "plain" else packed, file=source.file)
    fitting = [importer for importer in IMPORTERS if importer.sniff(source.head)]
    if len(fitting) == 1:
        return fitting[0]
    if fitting:
        names = " and ".join(importer.name for importer in fitting)
        raise CaptureError(f"its first bytes could be {names}; say which with the importer option", file=source.file)
    raise CaptureError(f"no capture that spinlag can read: {_guess(source.head, source.file)}", file=source.file)


def _guess(head: bytes, file: str) -> str:
    for magic, what in _FOREIGN:
        if head.startswith(magic):
            return f"it looks like {what}"
    if not head.strip(b"\0"):
        return "it holds nothing but zero bytes, as after a crash or an unfinished copy; copy or export it again"
    few = head.rstrip(_PADDING)[:400]
    if 4 * few.count(0) > len(few):
        return f"it looks like {_of_zeros(few)}"
    if 0 in head and not head.translate(None, bytes(range(32, 256)) + b"\0\t\n\v\f\r"):
        where = f"zero bytes stand among the text, the first at byte {head.index(0)}"
        return f"{where}, as after a crash; copy or export it again"
    if not head.strip():
        return "it begins with nothing but blanks"
    declared = _DECLARATION.search(head)
    if declared and not head[: declared.start()].strip(b"\xef\xbb\xbf \t\r\n"):
        return f"{declared.group().decode()} begins a VCD file where it stands in lower case: write all keywords so"
    if declared:
        return (
            f"declarations of a VCD file begin at byte {declared.start()}: they have to stand first and in lower case; "
            "delete what is before them, and write keywords such as $timescale in lower case"
        )
    kinds = " nor ".join(importer.name.upper() for importer in IMPORTERS)
    return f"its first bytes are neither {kinds}{_as_a_table(head, file)}"


def _of_zeros(few: bytes) -> str:
    """What text, or not, is full of zero bytes, without the mark that would say so; with what to do about it."""
    for wide, name in ((4, "UTF-32"), (2, "UTF-16")):
        for place in (0, wide - 1):
            others = [few[other::wide] for other in range(wide) if other != place]
            if len(few) >= 2 * wide and 0 not in few[place::wide] and not any(map(any, others)):
                return f"{name} text without its mark; save it as UTF-8"
    return "binary data; export it as VCD or CSV"


def _as_a_table(head: bytes, file: str) -> str:
    """What keeps a text from being a table, in brackets; nothing for what is no text."""
    odd = next((byte for byte in head if byte < 32 and byte not in b"\t\n\v\f\r"), None)
    if odd is not None:
        few = 100 * len(head.translate(None, bytes({*range(32)} - {*b"\t\n\v\f\r"}))) > 99 * len(head)
        return f" (a control character, \\x{odd:02x}, stands at byte {head.index(odd)})" if few else ""
    try:
        find_layout(head, CsvOptions(), file=file, complete=len(head) < HEAD_BYTES)
    except CaptureError as error:
        return f" (as a table: {str(error).removeprefix(file).lstrip(', :')})"
    return " (it could be a table for all that: say so with the importer option, --importer csv)"


def _sample_period(
    draft: Draft, table: CaptureTable
) -> tuple[SamplePeriod, tuple[str, ...], tuple[tuple[int, int], ...]]:
    """The period that the format shows, or the one that the edges and whatever is claimed about them agree on; doubts
    about it, and where the samples fall out of step."""
    claims = []
    if table.sample_rate_hz is not None:
        claims.append(ClaimedRate(Fraction(str(table.sample_rate_hz)), "the rig"))
    if draft.sample_rate_hz is not None:
        claims.append(ClaimedRate(draft.sample_rate_hz, "the file's header"))
    doubts: tuple[str, ...] = ()
    if len(claims) == 2 and not _agree(claims[0].hz, claims[1].hz):
        rig, header = (f"{float(claim.hz) / 1e6:.6g} MHz" for claim in claims)
        doubts = (f"the rig gives a sample rate of {rig}, the file's header {header}; the rig's is used",)
    if draft.sample_period is None:
        lines = list({id(channel.edges): channel.edges for channel in draft.channels}.values())
        period, more = detect_sample_period(lines, draft.tick, claims[0] if claims else None)
        breaks = find_breaks(lines, draft.tick, None if period.source == "timescale" else period.ticks)
        if breaks is None:
            return period, doubts + more, ()
        if breaks.period > period.ticks:
            period = SamplePeriod(breaks.period, "lattice")
        return period, (*doubts, *more, breaks_said(breaks, draft.tick)), breaks.between
    shown = 1 / (draft.sample_period.ticks * draft.tick)
    if claims and not _agree(claims[0].hz, shown):
        claimed = f"{claims[0].by} gives a sample rate of {float(claims[0].hz) / 1e6:.6g} MHz"
        doubts += (f"{claimed}, but the rows are {float(shown) / 1e6:.6g} MHz apart; the rows count",)
    return draft.sample_period, doubts, ()


def _agree(one: Fraction, other: Fraction) -> bool:
    return abs(one - other) <= SAME_RATE * max(one, other)
