"""Text for terminals: for those that know fewer characters than Unicode has, and mistakes on the command line."""

from __future__ import annotations

import codecs
import io
from typing import TextIO

import click

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


def usage_line(error: click.ClickException, command: str = "spinlag") -> str:
    """What is wrong with a command line, and whose help tells how to put it right, in one line; `command` is for
    errors that do not know theirs."""
    said = " ".join(error.format_message().split()).removesuffix(".")
    said = said[:1].lower() + said[1:]
    context = error.ctx if isinstance(error, click.UsageError) else None
    return f"{said} (see {context.command_path if context is not None else command} --help)"


def asks_for_help(error: click.ClickException) -> bool:
    """Whether the error only says that a command was called with nothing at all, which shows its help."""
    return type(error).__name__ == "NoArgsIsHelpError"
