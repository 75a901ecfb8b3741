"""Sets of captures, and their rigs, on the command line."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import click

from spinlag.errors import CaptureError


class SetsOfFiles(click.Command):
    """Lets `--before` and `--after` take every file up to the next option, as a shell's wildcards give them."""

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        """Repeat the option before each of its files."""
        spread: list[str] = []
        taking = ""
        for argument in args:
            if argument in ("--before", "--after"):
                taking = argument
            elif argument.startswith("-") or not taking:
                taking = ""
                spread.append(argument)
            else:
                spread += [taking, argument]
        return super().parse_args(ctx, spread)


def named_sets(before: tuple[Path, ...], after: tuple[Path, ...], named: tuple[str, ...]) -> dict[str, list[Path]]:
    """The captures of every set, by its name; `before` and `after` where sets are not named."""
    if named:
        if before or after:
            raise click.UsageError("give either --before and --after, or --set for each version")
        sets: dict[str, list[Path]] = {}
        for one in named:
            name, equals, files = one.partition("=")
            if not (name.strip() and equals and files):
                raise click.UsageError(f"--set {one}: write NAME=CAPTURE or NAME=CAPTURE,CAPTURE")
            if name in sets:
                raise click.UsageError(f"--set {name} is given twice; put its captures behind one, with commas")
            sets[name] = [Path(file) for file in files.split(",") if file]
        if len(sets) < 2:
            raise click.UsageError("a comparison needs two versions at least")
        return sets
    if not before or not after:
        raise click.UsageError("give --before CAPTURE... and --after CAPTURE..., or --set for each version")
    return {"before": list(before), "after": list(after)}


def refuse_missing(sets: dict[str, list[Path]]) -> None:
    """Raise CaptureError for a file that is not there, before any other is measured."""
    for path in (path for paths in sets.values() for path in paths):
        try:
            path.stat()
        except FileNotFoundError:
            raise CaptureError("no such file", file=str(path)) from None
        except (OSError, ValueError):
            continue  # its reader says what is wrong


def refuse_idle_reading(sets: dict[str, list[Path]], reading: dict[str, Any]) -> None:
    """Options of reading say nothing where only report folders are compared: their captures have been read."""
    given = ["--" + name.replace("_", "-") for name, value in reading.items() if value not in (None, ())]
    if given and all(os.path.isdir(path) for paths in sets.values() for path in paths):
        raise click.UsageError(
            f"{', '.join(given)}: only report folders are given, and their captures have been read already; "
            "give the option to `spinlag check`, or compare the captures themselves"
        )


def rig_of_each_set(sets: dict[str, list[Path]], given: tuple[str, ...], rig_before: Path | None) -> dict[str, Path]:
    """The rig of every set that has one: its own, else the one given for all."""
    common: Path | None = None
    own: dict[str, Path] = {}
    if rig_before is not None:
        if "before" not in sets:
            raise click.UsageError("--rig-before goes with --before; with --set, write --rig NAME=RIG")
        own["before"] = rig_before
    for one in given:
        name, equals, path = one.partition("=")
        if equals and name in sets:
            if name in own:
                raise click.UsageError(f"two rigs are given for {name}")
            own[name] = Path(path)
        elif equals and not os.path.exists(one):
            raise click.UsageError(f"--rig {one}: no set is called {name!r}; there are {', '.join(sets)}")
        elif common is not None:
            raise click.UsageError(
                f"--rig is given twice for all sets ({common} and {one}); write NAME=RIG for one set"
            )
        else:
            common = Path(one)
    found = {name: own.get(name, common) for name in sets}
    return {name: path for name, path in found.items() if path is not None}
