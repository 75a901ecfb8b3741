"""Draw the pictures of README.md from a real check of the shipped captures: `python -m tests.readme_pictures`."""

from __future__ import annotations

from itertools import chain
from pathlib import Path

import spinlag
from spinlag.compare.measured import from_findings
from spinlag.compare.versions import compare_versions
from spinlag.report.compare_page import shifts_figure
from spinlag.report.html import figures_of
from spinlag.report.incident_section import incident_pictures
from spinlag.report.plots import style

ROOT = Path(__file__).parents[1]
WANTED = {"latency-0": "latency", "lengths-0": "bit-times", "placement-0": "placement", "worst": "worst-revolution"}
DPI = 100


def main() -> None:
    """Write reports/*.png."""
    rig = spinlag.read_rig(ROOT / "captures" / "tide-dial.toml")
    new, findings = (
        spinlag.analyse(spinlag.read_capture(ROOT / "captures" / f"tide-dial-{name}.vcd.xz"), rig)
        for name in ("1.4", "1.3")
    )
    versions = compare_versions({"1.3": (from_findings(findings),), "1.4": (from_findings(new),)}, rig=rig)
    worst = findings.incidents.events[0].id
    with style.styled():
        drawn = chain(figures_of(findings), incident_pictures(findings, findings.incidents, findings.seen))
        for key, figure, _, _ in drawn:
            name = WANTED.get(key) or ("incident" if key == f"seen-{worst}" else None)
            if name is not None:
                (ROOT / "reports" / f"{name}.png").write_bytes(style.rendered(figure, "png", DPI))
        shifts = shifts_figure(versions.newest)
        if shifts is not None:
            (ROOT / "reports" / "comparison.png").write_bytes(style.rendered(shifts, "png", DPI))


if __name__ == "__main__":
    main()
