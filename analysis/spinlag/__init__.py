"""spinlag: offline timing analysis of spinning displays from logic captures."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from spinlag.errors import CaptureError, RigError, SpinlagError
    from spinlag.findings import Findings
    from spinlag.importers import read_capture
    from spinlag.pipeline import analyse
    from spinlag.report import write_report
    from spinlag.rig import Rig, read_rig
    from spinlag.roles import guess_rig

__version__ = "0.1.0"

__all__ = [
    "CaptureError",
    "Findings",
    "Rig",
    "RigError",
    "SpinlagError",
    "__version__",
    "analyse",
    "guess_rig",
    "read_capture",
    "read_rig",
    "write_report",
]

_HOMES = {
    "CaptureError": "errors",
    "Findings": "findings",
    "Rig": "rig",
    "RigError": "errors",
    "SpinlagError": "errors",
    "analyse": "pipeline",
    "guess_rig": "roles",
    "read_capture": "importers",
    "read_rig": "rig",
    "write_report": "report",
}


def __getattr__(name: str) -> Any:
    """Load public names on first use, so that `spinlag --help` stays quick."""
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_HOMES[name]}"), name)
