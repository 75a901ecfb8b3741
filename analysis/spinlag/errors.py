"""The errors that spinlag raises on purpose: one root, each with its place and its exit status."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

USAGE_STATUS = 2
INTERNAL_STATUS = 70


class SpinlagError(Exception):
    """Root of every error a user can cause; `exit_status` is what the command line ends with."""

    exit_status = USAGE_STATUS


class CaptureError(SpinlagError, ValueError):
    """A capture file that cannot be read or used.

    `file` is the path as given; `byte_offset`, `line`, `column` (both counted from 1) and `channel` say where, as far
    as is known.
    """

    def __init__(
        self,
        reason: str,
        *,
        file: str,
        byte_offset: int | None = None,
        line: int | None = None,
        column: int | None = None,
        channel: str | None = None,
    ) -> None:
        self.reason = reason
        self.file = file
        self.byte_offset = byte_offset
        self.line = line
        self.column = column
        self.channel = channel
        super().__init__(f"{file}{self._place()}: {reason}")

    def _place(self) -> str:
        parts = [
            f"line {self.line}" if self.line is not None else "",
            f"column {self.column}" if self.column is not None else "",
            f"byte {self.byte_offset}" if self.byte_offset is not None else "",
            f"channel {self.channel}" if self.channel is not None else "",
        ]
        said = ", ".join(part for part in parts if part)
        return f", {said}" if said else ""


@dataclass(frozen=True)
class Problem:
    """One thing wrong in a rig or a scenario: the dotted key it stands under and what to do about it."""

    key: str
    reason: str

    def __str__(self) -> str:
        return f"{self.key}: {self.reason}"


MOST_PROBLEMS = 20
"""Problems of one file that a message spells out before it says how many more there are."""


class RigError(SpinlagError, ValueError):
    """A rig or scenario file with one or more problems, all reported at once."""

    def __init__(self, problems: Sequence[Problem], *, file: str | None = None) -> None:
        self.problems = tuple(problems)
        self.file = file
        where = f"{file}: " if file else ""
        more = len(self.problems) - MOST_PROBLEMS
        said = [str(problem) for problem in self.problems[:MOST_PROBLEMS]] + ([f"and {more} more"] if more > 0 else [])
        super().__init__(where + "; ".join(said))


class PartError(SpinlagError, LookupError):
    """A LED part that `parts.toml` does not know; the message lists near names."""


class OutputError(SpinlagError, OSError):
    """A result that could not be written; what was there before is untouched."""
