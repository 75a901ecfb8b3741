"""report.html: one file that needs nothing else, runs no script and prints on paper."""

from __future__ import annotations

import base64
import hashlib
import os
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup
from matplotlib.figure import Figure

import spinlag
from spinlag.cautions import SAFETY
from spinlag.findings import Findings
from spinlag.memory import release_freed_memory
from spinlag.report import figures, moments, rows, sections, series
from spinlag.report.bars import WIDTH as BAR_WIDTH
from spinlag.report.chain_facts import chain_facts
from spinlag.report.format import si
from spinlag.report.incident_section import incident_pictures, incident_texts
from spinlag.report.motor_rows import motor_section
from spinlag.report.names import printable
from spinlag.report.plots import style
from spinlag.report.quality_section import quality_caption, quality_figure, quality_section
from spinlag.report.rig_text import rig_toml

MOST_CHAIN_PICTURES = 6
"""So many chains get pictures; a wall of LEDs has its figures in the tables all the same."""


@dataclass(frozen=True)
class Picture:
    """A picture as a data URI, with words for those who cannot see it and a caption for all."""

    source: str
    alt: str
    caption: str


def report_bytes(findings: Findings) -> bytes:
    """The whole page, UTF-8."""
    return render("report.html", page(findings))


def render(template: str, content: dict[str, Any]) -> bytes:
    """Fill a template; the style sheet is inlined, and the page's policy allows that and data images only."""
    release_freed_memory()
    environment = _environment()
    sheet = environment.get_template("report.css").render()
    digest = base64.b64encode(hashlib.sha256(sheet.encode("utf-8")).digest()).decode("ascii")
    policy = f"default-src 'none'; img-src data:; style-src 'sha256-{digest}'; base-uri 'none'; form-action 'none'"
    text = environment.get_template(template).render(
        style_sheet=Markup(sheet),
        policy=policy,
        version=spinlag.__version__,
        **content,
    )
    return text.encode("utf-8", errors="backslashreplace")


@lru_cache(maxsize=1)
def _environment() -> Environment:
    environment = Environment(
        loader=PackageLoader("spinlag.report", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    environment.filters["said"] = lambda text: printable(str(text), longest=2000)
    environment.filters["name"] = lambda text: printable(str(text))
    return environment


def page(findings: Findings) -> dict[str, Any]:
    """Everything that the template shows."""
    capture = findings.capture
    with style.styled():
        pictures = _pictures(figures_of(findings))
        incident_images = _pictures(incident_pictures(findings, findings.incidents, findings.seen))
    verdicts, sources = rows.verdict_rows(findings)
    return {
        "title": os.path.basename(capture.file),
        "headline": sections.headline(findings),
        "guessed": findings.rig.guessed,
        "warnings": list(dict.fromkeys((*capture.warnings, *findings.warnings))),
        "left_out": sections.left_out(findings),
        "capture_facts": sections.capture_facts(findings),
        "verdicts": verdicts,
        "sources": sources,
        "bar_width": BAR_WIDTH,
        "statistics_head": rows.STATISTICS_HEAD,
        "chains": [_chain(findings, index, pictures) for index in range(len(findings.chains))],
        "quality": quality_section(findings.quality, findings.placements, findings.motor),
        "quality_picture": pictures.get("quality"),
        "motor": motor_section(findings.motor),
        "rotation": sections.rotation_section(findings),
        "speed_picture": pictures.get("speed"),
        "worst_picture": pictures.get("worst"),
        "incidents": incident_texts(findings.incidents, findings.seen),
        "incident_pictures": incident_images,
        "rig_text": rig_toml(findings.rig),
        "channels": sections.channel_rows(findings),
        "channels_total": len(capture.channels),
        "cautions": findings.cautions,
        "safety": SAFETY,
        "sha256": capture.sha256,
    }


def _chain(findings: Findings, index: int, pictures: dict[str, Picture]) -> dict[str, Any]:
    chain = findings.chains[index]
    revision_head, revisions = rows.revision_rows(findings, index)
    return {
        "name": chain.name,
        "facts": chain_facts(findings, index),
        "timing": rows.timing_rows(findings, index),
        "revision_head": revision_head,
        "revisions": revisions,
        "notes": chain.notes,
        "lengths_picture": pictures.get(f"lengths-{index}"),
        "latency": sections.latency_section(findings, index),
        "latency_picture": pictures.get(f"latency-{index}"),
        "placement": sections.placement_section(findings.placements[index]),
        "placement_picture": pictures.get(f"placement-{index}"),
    }


def _pictures(drawn: Iterable[tuple[str, Figure, str, str]]) -> dict[str, Picture]:
    return {key: _picture(figure, alt, caption) for key, figure, alt, caption in drawn}


def _picture(figure: Figure, alt: str, caption: str) -> Picture:
    return Picture(style.data_uri(style.rendered(figure, "svg"), "svg"), alt, caption)


def figures_of(findings: Findings) -> Iterator[tuple[str, Figure, str, str]]:
    """Key, figure, words for those who cannot see it, caption."""
    step = si(findings.capture.sample_period_s, "s")
    for index, chain in enumerate(findings.chains[:MOST_CHAIN_PICTURES]):
        name = printable(chain.name)
        latency = series.latency_series(findings, index)
        if latency is not None:
            yield (
                f"latency-{index}",
                figures.latency_figure(latency),
                f"Latency of chain {name} for each revolution",
                "One point for each revolution; the line is the median. The scale on the right turns time into degrees "
                "of rotation at the mean speed.",
            )
        lengths = series.length_series(findings, chain)
        if lengths:
            yield (
                f"lengths-{index}",
                figures.lengths_figure(lengths),
                f"Distributions of bit times of chain {name}",
                "Counts are logarithmic, so that a single outlier shows. Small ticks inside the axis are the "
                f"recorder's samples, {step} apart: no length between two of them can be seen. Brackets are the "
                "windows allowed.",
            )
        placement = findings.placements[index]
        data = series.placement_map(placement) if placement is not None else None
        if data is not None:
            yield (
                f"placement-{index}",
                figures.placement_figure(data),
                f"Placement error of chain {name} by revolution and column",
                "Violet came too far on in the direction of rotation (late), orange not far enough (early).",
            )
    speed = series.speed_series(findings)
    if speed is not None:
        yield "speed", figures.speed_figure(speed), "Speed of rotation over time", "One point for each revolution."
    if findings.quality is not None and findings.rotation is not None:
        quality = quality_figure(findings.quality, findings.rotation)
        if quality is not None:
            yield (
                "quality",
                quality,
                "Quality of rotation",
                quality_caption(findings.quality, findings.rotation),
            )
    worst = moments.worst_moment(findings)
    if worst is not None:
        yield (
            "worst",
            figures.moment_figure(findings.capture, findings.rig, worst),
            printable(worst.title),
            f"The revolution with the longest latency. An edge is known to one sample, {step}.",
        )
