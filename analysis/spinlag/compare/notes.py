"""Sentences about a comparison: what the recordings, their rigs and their readings leave to be minded."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from spinlag.compare.measured import Measured
from spinlag.compare.shown import PictureDifference
from spinlag.compare.sound import speed_is_known
from spinlag.compare.stats import LEAST_REVOLUTIONS
from spinlag.quantities import UNITS, quantity
from spinlag.rig import Limit

SPEED_TOLD = 0.01
"""Relative difference in speed from which it is pointed out."""
DEFAULT = "the default"
"""What is negligible where a rig says nothing."""


def notes_on(
    before: Sequence[Measured], after: Sequence[Measured], names: tuple[str, str], limits: Mapping[str, Limit]
) -> list[str]:
    """What a reader should know of two sets; `names` are theirs, `limits` those whose tolerances counted."""
    notes = [*_same_on_both_sides(before, after, names), *_few_revolutions(before, after, names)]
    speeds = [[one.speed_rev_per_s for one in side if one.speed_rev_per_s] for side in (before, after)]
    if all(speeds) and speed_is_known(before, after):
        a, b = (sum(side) / len(side) for side in speeds)
        if abs(b - a) > SPEED_TOLD * a:
            notes.append(
                f"The speeds differ: {a:.2f} rev/s {names[0]}, {b:.2f} rev/s {names[1]}. Figures in seconds show what "
                "the firmware does, figures in degrees what that means on the picture at each speed. A change that the "
                "speed alone explains is called neither better nor worse."
            )
    if len(before) == len(after) == 1:
        notes.append(
            "One recording on each side: what differs from one recording to the next (warmth, load, how the recorder "
            "was clipped on) is not in the intervals. Several recordings of each firmware would show it."
        )
    spoiled = [sum(one.spoiled for one in side) for side in (before, after)]
    if any(spoiled):
        notes.append(
            f"Revolutions that a fault of sensor, shaft or recorder touched are left out of the quantities "
            f"({spoiled[0]} of {names[0]}, {spoiled[1]} of {names[1]}); those faults are compared by their rates."
        )
    periods = {one.sample_period_s for one in (*before, *after)}
    if max(periods) > 1.01 * min(periods):
        notes.append("The sample periods differ; what sampling adds to a spread has been taken off on both sides.")
    keys = {key for one in (*before, *after) for key in one.bench}
    for key in sorted(keys):
        told = {one.bench[key] for one in (*before, *after) if key in one.bench}
        if len(told) > 1:
            notes.append(f"Measured by different rigs: {key} is {' in some, '.join(sorted(told))} in others.")
    notes += _tolerance_notes({names[0]: before, names[1]: after}, limits)
    notes += _reading_notes([*before, *after])
    if any(one.guessed for one in (*before, *after)):
        notes.append("No rig was given for some captures: what their channels are, and their columns, is guessed.")
    return notes


def _same_on_both_sides(before: Sequence[Measured], after: Sequence[Measured], names: tuple[str, str]) -> list[str]:
    """Recordings that were given to both sets, most likely by mistake."""
    shared = {one.sha256 for one in before} & {one.sha256 for one in after}
    files = ", ".join(dict.fromkeys(one.file for one in before if one.sha256 in shared))
    if not shared:
        return []
    which = "The same recording stands" if len(shared) == 1 else f"{len(shared)} recordings stand"
    return [
        f"{which} on both sides, {names[0]} and {names[1]} ({files}): held against itself it shows no difference, "
        "whatever the firmware does. The intervals take the sides for independent, and mean nothing there."
    ]


def _few_revolutions(before: Sequence[Measured], after: Sequence[Measured], names: tuple[str, str]) -> list[str]:
    """That a set is too short for anything to be told of its revolutions."""
    turns = [sum(one.revolutions for one in side) for side in (before, after)]
    few = [f"{count} in {name}" for count, name in zip(turns, names, strict=True) if count < LEAST_REVOLUTIONS]
    if not few or not any(turns):
        return []
    return [
        f"Too few revolutions ({', '.join(few)}; at least {LEAST_REVOLUTIONS} are needed) to tell anything of what "
        "differs from turn to turn."
    ]


def _tolerance_notes(sets: Mapping[str, Sequence[Measured]], limits: Mapping[str, Limit]) -> list[str]:
    """Where the rigs behind the recordings call other changes negligible than the limits that counted; a rig that says
    nothing of a quantity does not disagree."""
    written = {name: [one.limits for one in side if not one.guessed] for name, side in sets.items()}
    ids = sorted({id_ for side in written.values() for one in (limits, *side) for id_ in one})
    told = []
    for id_ in ids:
        counts = _negligible(id_, limits)
        others: dict[str, list[str]] = {}
        for name, side in written.items():
            for said in dict.fromkeys(_negligible(id_, one) for one in side):
                if said not in (counts, DEFAULT):
                    others.setdefault(said, []).append(name)
        if others:
            named = "; ".join(f"{said} by a rig of {' and '.join(names)}" for said, names in others.items())
            told.append(f"{id_}: {counts}, but {named}")
    if not told:
        return []
    last = list(sets)[-1]
    owner = f"the rig of {last} counts" if limits in written[last] else "one rig counts for all"
    return [f"The rigs do not agree on what is negligible, and {owner} ({'; '.join(told)})."]


def _negligible(id_: str, limits: Mapping[str, Limit]) -> str:
    """What limits call negligible of one quantity, in words."""
    found = limits.get(id_)
    if found is None or found.negligible is None:
        return DEFAULT
    dimension = quantity(id_).dimension
    value, unit = found.negligible, UNITS[dimension]
    if dimension == "time":
        value, unit = 1e6 * value, "\u00b5s"
    return f"{value:.6g}{'' if unit == '1' else f' {unit}'}"


def _reading_notes(captures: Sequence[Measured]) -> list[str]:
    """That files were read with different options, which an earlier check chose for the report folders among them."""
    told: dict[str, list[str]] = {}
    for one in captures:
        options = {**one.read_with.get("csv", {}), "importer": one.read_with.get("importer")}
        given = [_option_said(name, value) for name, value in sorted(options.items()) if value is not None]
        told.setdefault(", ".join(given) or "as they are", []).append(one.file)
    if len(told) < 2:
        return []
    ways = "; ".join(f"{', '.join(dict.fromkeys(files))}: {how}" for how, files in told.items())
    return [f"Not all recordings were read with the same options ({ways})."]


def _option_said(name: str, value: object) -> str:
    values = [str(one) for one in (value if isinstance(value, list | tuple) else [value])]
    shown = " ".join(one if one.isalnum() else f'"{one}"' for one in values)
    return f"{name.replace('_', '-')} {shown}"


def notes_on_data(before: Sequence[Measured], picture: PictureDifference) -> list[str]:
    """What other data do to the timing of one-wire lines."""
    if not picture.different or not any(chain.wiring == "one-wire" for chain in before[0].chains):
        return []
    return [
        "The data differ, and with them the last bit of an update, which ends sooner as a 0 than as a 1: so much of a "
        "shift of the time from first to last data edge, and of the latency, may be the picture's and not the timing's."
    ]
