"""Names that came from a file, made safe for the place where they are shown.

A channel name is whatever a capture says it is: control characters, terminal sequences, text that runs the other way,
a spreadsheet formula. Nothing here changes what results.json records.
"""

from __future__ import annotations

import re
import unicodedata

LONGEST = 160
"""Characters of a name that texts and pages show; the rest is cut and marked."""

_HIDDEN = frozenset({"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"})
_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n")
_NOT_XML = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def _escape(character: str) -> str:
    code = ord(character)
    if code <= 0xFF:
        return f"\\x{code:02x}"
    return f"\\u{code:04x}" if code <= 0xFFFF else f"\\U{code:08x}"


def printable(text: str, longest: int = LONGEST) -> str:
    """`text` on one line, with every control, format, surrogate or unassigned character written as an escape.

    Takes away what could move a terminal's cursor, turn the reading direction or break a line.
    """
    cut = text[:longest]
    shown = "".join(_escape(c) if unicodedata.category(c) in _HIDDEN else c for c in cut)
    return shown if len(text) <= longest else shown + "…"


def csv_text(text: str) -> str:
    """`text` as a table cell that no spreadsheet takes for a formula: a leading = + - @, tab or line end gets a '."""
    shown = printable(text, longest=len(text))
    return "'" + shown if text.startswith(_FORMULA) or shown.startswith(_FORMULA) else shown


def xml_text(text: str) -> str:
    """`text` with every character that XML 1.0 (section 2.2) cannot hold written as an escape."""
    return _NOT_XML.sub(lambda match: _escape(match.group()), text)


def picture_text(text: str, longest: int = 24) -> str:
    """`text` for a picture: printable, short, and ? for characters that the pictures' own font has no shape for."""
    from spinlag.report.plots.style import glyphs

    known = glyphs()
    shown = printable(text, longest)
    return "".join(c if ord(c) in known else "?" for c in shown)
