"""Text for terminals that know fewer characters than Unicode has."""

from __future__ import annotations

import codecs
import io
from typing import TextIO

_PLAIN = {
    "µ": "u",
    "°": " deg",
    "±": "+/-",
    "–": "-",
    "−": "-",
    "×": "x",
    "\u00a0": " ",
    "\u202f": " ",
}  # fmt: skip
_HANDLER = "spinlag-plain"


def _plain(error: UnicodeError) -> tuple[str, int]:
    """Units and signs in ASCII where the encoding lacks them, a question mark for anything else."""
    if not isinstance(error, UnicodeEncodeError):
        raise error
    return "".join(_PLAIN.get(letter, "?") for letter in error.object[error.start : error.end]), error.end


def write_what_it_can(stream: TextIO) -> None:
    """From now on a text stream of whatever encoding never fails over a character: `µs` becomes `us` where it must."""
    codecs.register_error(_HANDLER, _plain)
    if isinstance(stream, io.TextIOWrapper):
        stream.reconfigure(errors=_HANDLER)
