"""What looks wrong with a capture or with what the rig says of it: sentences for `warnings`, each with a way out.

Nothing here changes a figure. A line that died, a clock that is off by a factor or two clips that were swapped leave
figures that look sound; these checks say what a colleague at the bench would ask.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from fractions import Fraction

import numpy as np

from spinlag.capture import UNKNOWN, Capture, Channel, Ticks
from spinlag.incidents.model import IncidentReport
from spinlag.incidents.sentences import duration, listed
from spinlag.incidents.standstill import marks_of, pace_beside, shaft_lines
from spinlag.leds.held import Held
from spinlag.leds.parts import Part
from spinlag.leds.updates import ChainUpdates
from spinlag.motor import Motor
from spinlag.rig import Rig
from spinlag.rotation import FASTEST_MARKS_HZ, pulse_rate_hz
from spinlag.sampling import USUAL_MHZ
from spinlag.wrong_lines import TIME, Unsound, WrongClip, on_index

SILENCES = 5.0
"""A line died if its last silence is so many times its longest other one. Common practice, no source."""

SHARE = 0.02
"""Silences and unknown stretches at the ends of the record that are a smaller part of it are not worth a word."""

DEAD_SHARE = 0.1
"""Nothing passes for a whole record of which so much came after its line went dead. Common practice, no source."""

OFF_SCALE = 1.15
"""Times off by less than this factor are for the verdicts; clocks are off by whole factors."""

USUAL_PERIOD_S = 1.25e-6
"""Bit period of most one-wire parts (their sheets), for lines whose part is not known."""

USUAL_WINDOW_S = (0.8e-6, 2.6e-6)
"""Bit periods from fast to slow (400 kHz) parts, per their sheets."""

FACTORS = tuple(sorted({Fraction(n, d) for n in (1, 2, 3, 4, 5, 8, 10, 16) for d in (1, 2, 3, 4, 5, 8, 10, 16)}))
DECADES = tuple(Fraction(10) ** power for power in range(-12, 13))

_ENOUGH_EDGES = 16
_ENOUGH_STEADY_EDGES = 8
"""An index or a motor line is steady, and slow: four pulses show its pace. Common practice, no source."""

_ENOUGH_BITS = 64
_CUT_OUT_BITS = 8
"""Fewer bits may well be lost on the wire."""

_PIECE = 1 << 20


def doubts(
    capture: Capture,
    rig: Rig,
    chains: Sequence[ChainUpdates],
    incidents: IncidentReport,
    motor: Motor | None = None,
    clips: Sequence[WrongClip] = (),
    held: Sequence[Held] = (),
) -> tuple[str, ...]:
    """Sentences, the gravest kind first; none where all looks as it should. `clips`: what `wrong_clips` found;
    `held`: what `held_stretches` did."""
    named = _named(capture, rig)
    misplaced = {path for one in clips for path in one.misplaced}
    return (
        *_bit_times(capture, _placed(capture, chains, clips)),
        *(one.said for one in clips),
        *_too_fast(capture, rig, misplaced),
        *_no_motor_line(capture, rig, motor, misplaced),
        *_lifeless([one for one in named if not left_out_in_reading(capture, one[1])]),
        *_fell_silent(capture, rig, named, chains),
        *_held_levels(capture, named, held),
        *_quiet_ends(capture, rig, named, chains),
        *_unknown(capture, named),
        *_gaps(capture, incidents),
        *_cut_out(capture, chains),
    )


def clock_doubts(capture: Capture, chains: Sequence[ChainUpdates], clips: Sequence[WrongClip]) -> tuple[Unsound, ...]:
    """Everything that is timed, where the bit times betray a wrong clock."""
    said = any(_bit_times(capture, _placed(capture, chains, clips)))
    return (Unsound(TIME, "the bit times say that the file's clock may be wrong; see the warnings"),) if said else ()


def ended_early(capture: Capture, rig: Rig, chains: Sequence[ChainUpdates]) -> tuple[Unsound, ...]:
    """What passes on part of the record alone, as the LED line or the index that it needs went dead while others went
    on. Lines that only show changes may well rest."""
    named = _named(capture, rig)
    busy = [(key, channel) for key, channel in named if len(channel.edges) >= _enough_edges(key)]
    still = {capture.channel(chain.channel).path for chain in chains if chain.changes_only}
    starts = {capture.channel(chain.channel).path: chain.start for chain in chains if len(chain) > 2}
    found: list[Unsound] = []
    for key, channel in busy:
        if channel.path in still or not key.startswith(("index.", "leds[")):
            continue
        last = int(channel.edges[-1])
        after, others = capture.end - last, [other for _, other in busy if other is not channel]
        if after <= DEAD_SHARE * (capture.end - capture.start):
            continue
        if after <= SILENCES * _longest_pause(channel, starts.get(channel.path)):
            continue
        if not _active(others, last + after // 2, capture.end):
            continue
        why = f"{channel.name} goes dead at {_instant(capture, last)}, and what followed is in no figure"
        if key.startswith("index."):
            found += [replace(one, passes_only=True) for one in on_index(rig, why)]
        else:
            own = f"leds.{rig.leds[int(key[5 : key.index(']')])].name}."
            found += [Unsound(what, why, passes_only=True) for what in (own, "latency.", "placement.")]
    return tuple(found)


def while_held(capture: Capture, held: Sequence[Held]) -> tuple[Unsound, ...]:
    """What passes only because an LED line that held its level for a while, as others went on, showed nothing then."""
    found: list[Unsound] = []
    for chain, own in _by_chain(held):
        total = sum(one.end - one.begin for one in own)
        why = (
            f"{capture.channel(own[0].channel).name} holds its level for {_span(capture, total)}, from "
            f"{_instant(capture, own[0].begin)} on, and what was sent then is in no figure"
        )
        much = total > DEAD_SHARE * (capture.end - capture.start)
        whats = (
            (f"leds.{chain}.", "latency.", "placement.") if much else ("latency.without_update", "placement.missing")
        )
        found += [Unsound(what, why, passes_only=True) for what in whats]
    return tuple(found)


def _by_chain(held: Sequence[Held]) -> Iterator[tuple[str, list[Held]]]:
    for chain in dict.fromkeys(one.chain for one in held):
        yield chain, [one for one in held if one.chain == chain]


def _held_levels(capture: Capture, named: Sequence[tuple[str, Channel]], held: Sequence[Held]) -> Iterator[str]:
    keys = {channel.path: f"{channel.name} ({key})" for key, channel in named}
    for _, own in _by_chain(held):
        first, total = own[0], sum(one.end - one.begin for one in own)
        levels = listed(sorted({_level(one.level) for one in own}))
        often = "" if len(own) == 1 else f" in all, {len(own)} times, the first"
        yield (
            f"{keys[first.channel]} stays {levels} for {_span(capture, total)}{often} from "
            f"{_instant(capture, first.begin)} on, in the middle of an update, while other lines go on: that was taken "
            "for no bit, and nothing there was judged; did its clip come off, or did the sender stop?"
        )


def left_out_in_reading(capture: Capture, channel: Channel) -> bool:
    """Whether the importer left the line out and warned of it: there is nothing to find at its clip."""
    said = (warning for warning in capture.warnings if warning.startswith(f"{channel.name}: "))
    return not len(channel.edges) and any("the line was left out" in warning for warning in said)


def _placed(capture: Capture, chains: Sequence[ChainUpdates], clips: Sequence[WrongClip]) -> list[ChainUpdates]:
    """Chains whose lines are what the rig says."""
    misplaced = {path for one in clips for path in one.misplaced}
    return [chain for chain in chains if capture.channel(chain.channel).path not in misplaced]


def _named(capture: Capture, rig: Rig) -> list[tuple[str, Channel]]:
    """The rig's keys and their channels, each channel once."""
    found: dict[str, tuple[str, Channel]] = {}
    for key, name in rig.channels().items():
        channel = capture.channel(name)
        found.setdefault(channel.path, (key, channel))
    return list(found.values())


def _lifeless(named: Sequence[tuple[str, Channel]]) -> Iterator[str]:
    """Lines without one edge, all in one sentence."""
    still = [(key, channel) for key, channel in named if not len(channel.edges)]
    if len(still) == 1:
        ((key, channel),) = still
        level = "its level is never known" if channel.initial == UNKNOWN else f"it stays {_level(channel.initial)}"
        yield (
            f"{channel.name} ({key}) never changes in the whole record, {level}: look at its clip and ground, and "
            "whether the rig names the right line"
        )
    elif still:
        level_of = {UNKNOWN: "never known", 0: "low", 1: "high"}
        names = listed([f"{channel.name} ({key}, {level_of[channel.initial]})" for key, channel in still])
        yield (
            f"{names} never change in the whole record: look at their clips and their ground, and whether the rig "
            "names the right lines"
        )


def _too_fast(capture: Capture, rig: Rig, misplaced: set[str]) -> Iterator[str]:
    if rig.index is None:
        return
    channel = capture.channel(rig.index.channel)
    if channel.path in misplaced:
        return
    rate = pulse_rate_hz(capture, channel)
    if rate > FASTEST_MARKS_HZ:
        yield (
            f"{channel.name} (index.channel) pulses {rate:.3g} times a second, faster than the marks of any shaft: it "
            "was not taken for an index, and nothing was measured from it"
        )


def _no_motor_line(capture: Capture, rig: Rig, motor: Motor | None, misplaced: set[str]) -> Iterator[str]:
    if rig.motor is None or motor is None:
        return
    for number, name in enumerate(rig.motor.phases):
        line = capture.channel(name)
        if name in motor.strange and line.path not in misplaced:
            edges = len(line.edges)
            yield (
                f"{name} (motor.phases[{number}]) does not step as a motor's line does ({edges} edges, "
                f"{edges / capture.duration_s:.3g} a second, too fast or too uneven for any shaft): nothing was taken "
                "from it; look at its clip, and whether the rig names the right line"
            )


def _level(level: int) -> str:
    return "high" if level else "low"


def _fell_silent(
    capture: Capture, rig: Rig, named: Sequence[tuple[str, Channel]], chains: Sequence[ChainUpdates]
) -> Iterator[str]:
    """Lines that stop, or begin, while others go on."""
    spans = [(key, channel) for key, channel in named if len(channel.edges) >= _enough_edges(key)]
    starts = {capture.channel(chain.channel).path: chain.start for chain in chains if len(chain) > 2}
    markers = {f"markers.{name}" for name in rig.markers}
    for key, channel in spans:
        if key in markers:
            continue
        first, last = int(channel.edges[0]), int(channel.edges[-1])
        before, after = first - capture.start, capture.end - last
        if max(before, after) <= SHARE * (capture.end - capture.start):
            continue
        usual = _longest_pause(channel, starts.get(channel.path))
        others = [other for _, other in spans if other is not channel]
        if after > SILENCES * usual and _active(others, last + after // 2, capture.end):
            yield (
                f"{channel.name} ({key}) changes for the last time at {_instant(capture, last)}, "
                f"{_span(capture, after)} before the end of the record, while other lines go on: what needs it ends "
                "there; did its clip come off?"
            )
        if before > SILENCES * usual and _active(others, capture.start, first - before // 2):
            yield (
                f"{channel.name} ({key}) changes for the first time at {_instant(capture, first)}, "
                f"{_span(capture, before)} into the record, while other lines are busy: what needs it begins there"
            )


def _quiet_ends(
    capture: Capture, rig: Rig, named: Sequence[tuple[str, Channel]], chains: Sequence[ChainUpdates]
) -> Iterator[str]:
    """A start or an end of the record in which nothing at all changes, though the shaft was at speed beside it."""
    moving = [channel for channel in capture.channels if len(channel.edges)]
    busy = [channel for key, channel in named if len(channel.edges) >= _enough_edges(key)]
    if not busy:
        return
    first, last = min(int(one.edges[0]) for one in moving), max(int(one.edges[-1]) for one in moving)
    share = SHARE * (capture.end - capture.start)
    ends = [(capture.start, first, "first"), (last, capture.end, "last")]
    if not (ends := [one for one in ends if one[1] - one[0] > share]):
        return
    starts = {capture.channel(chain.channel).path: chain.start for chain in chains if len(chain) > 2}
    usual = min(_longest_pause(channel, starts.get(channel.path)) for channel in busy)
    lines, marks = shaft_lines(capture, rig), marks_of(rig)
    for begin, end, where in ends:
        if end - begin > SILENCES * usual and pace_beside(lines, begin, end, marks) != "lost":
            yield (
                f"no line changes in the {where} {_span(capture, end - begin)} of the record (from "
                f"{_instant(capture, begin)} to {_instant(capture, end)}), and none shows the shaft "
                f"{'getting up to speed after' if where == 'first' else 'coming to rest before'} it: the recorder, or "
                "everything at once, stood still; nothing there was judged"
            )


def _enough_edges(key: str) -> int:
    return _ENOUGH_STEADY_EDGES if key.startswith(("index.", "motor.")) else _ENOUGH_EDGES


def _longest_pause(channel: Channel, starts: np.ndarray | None) -> int:
    """Longest time between updates of an LED line, or between edges of any other, in ticks."""
    if starts is not None:
        return int(np.diff(starts).max())
    longest, before = 0, None
    for start in range(0, len(channel.edges), _PIECE):
        piece = channel.edges[start : start + _PIECE]
        if before is not None:
            longest = max(longest, int(piece[0]) - before)
        longest = max(longest, int(np.diff(piece).max(initial=0)))
        before = int(piece[-1])
    return longest


def _active(channels: Sequence[Channel], begin: int, end: int) -> bool:
    """Whether any of the channels changes in [begin, end)."""
    return any(int(np.diff(channel.edges.searchsorted(np.array([begin, end])))[0]) > 0 for channel in channels)


def unknown_told(capture: Capture, channel: Channel) -> Ticks:
    """The stretches of a line's unknown level that are worth a warning, shape (k, 2)."""
    spans = channel.unknown
    if len(spans) and int(spans[0, 0]) == capture.start:
        lead = int(spans[0, 1]) - capture.start
        # simulators and recorders alike know a line only once it was first written
        spans = spans[1:] if lead <= SHARE * (capture.end - capture.start) or not len(channel.edges) else spans
    return spans


def _unknown(capture: Capture, named: Sequence[tuple[str, Channel]]) -> Iterator[str]:
    """Stretches in which lines are not known; lines that share the beginnings of theirs are told of together: each is
    known again with its own next level."""
    alike: dict[bytes, tuple[list[str], list[Ticks]]] = {}
    for key, channel in named:
        spans = unknown_told(capture, channel)
        if len(spans):
            names, own = alike.setdefault(spans[:, 0].tobytes(), ([], []))
            names.append(f"{channel.name} ({key})")
            own.append(spans)
    for names, own in alike.values():
        stretches = "one stretch" if len(own[0]) == 1 else f"{len(own[0])} stretches"
        totals = [int((spans[:, 1] - spans[:, 0]).sum()) for spans in own]
        lasted = dict.fromkeys(_span(capture, total) for total in (min(totals), max(totals)))
        one = len(names) == 1
        held = "its last level was held" if one else "their last levels were held"
        yield (
            f"{listed(names)} {'is' if one else 'are'} unknown (x, z or no sample) in {stretches}, "
            f"{' to '.join(lasted)} in all, the first at {_instant(capture, int(own[0][0, 0]))}: {held}, and what "
            "happened there is lost"
        )


def _gaps(capture: Capture, incidents: IncidentReport) -> Iterator[str]:
    told = {before for before, _ in capture.out_of_step}  # the importer warned of those
    gaps = [
        incident for incident in incidents.incidents if incident.kind == "capture-gap" and incident.tick not in told
    ]
    if gaps:
        many = "a gap" if len(gaps) == 1 else f"{len(gaps)} gaps, the first"
        yield f"the recording has {many} at {gaps[0].time_s:.6g} s ({gaps[0].detail}): what happened there is lost"


def _cut_out(capture: Capture, chains: Sequence[ChainUpdates]) -> Iterator[str]:
    """Bits as long as those that lack from their update: changes are missing from the file, or the line was held."""
    for chain in chains:
        period = chain.timing.get("bit_period")
        bit_s = period.statistics.median if period is not None else None
        if bit_s is None or chain.wiring != "one-wire" or not chain.leds_seen:
            continue
        found = []
        for seen in chain.observations:
            if seen.kind != "data-bit-time" or seen.update is None or not seen.observed:
                continue
            lacking = chain.leds_seen * chain.bits_per_led - int(chain.bits[seen.update])
            if lacking >= _CUT_OUT_BITS and abs(seen.observed - (lacking + 0.5) * bit_s) < bit_s:
                found.append((seen.tick, lacking))
        if found:
            tick, lacking = found[0]
            more = f", and so at {len(found) - 1} more" if len(found) > 1 else ""
            yield (
                f"{chain.channel}: one bit at {_instant(capture, tick)} stands where {lacking} bits lack from an "
                f"update that took its usual time{more}: the line was held there, or changes are missing from the "
                "file; copy or export it again to tell which"
            )


def _bit_times(capture: Capture, chains: Sequence[ChainUpdates]) -> Iterator[str]:
    """Times on an LED line that are all off by one factor: then it is a clock that is wrong, not the bits."""
    for chain in chains:
        period = chain.timing.get("bit_period")
        if chain.wiring != "one-wire" or period is None or period.statistics.n < _ENOUGH_BITS:
            continue
        medians = {
            name: median
            for name in ("t0h", "t1h", "bit_period")
            if name in chain.timing
            and chain.timing[name].statistics.n >= _ENOUGH_BITS
            and (median := chain.timing[name].statistics.median)
        }
        if "bit_period" not in medians:
            continue
        fitting = [found for part in _parts(chain) if (found := _scales(part, medians)) is not None]
        if not chain.candidates and chain.part is None:
            fitting = [(USUAL_WINDOW_S[0] / medians["bit_period"], USUAL_WINDOW_S[1] / medians["bit_period"])]
        if not fitting or any(low <= 1 <= high for low, high in fitting):
            continue
        low, high = min(fitting, key=lambda window: abs(np.log(window[0] * window[1])))
        centre = USUAL_PERIOD_S / medians["bit_period"] if chain.part is None else float(np.sqrt(low * high))
        if low <= OFF_SCALE and high >= 1 / OFF_SCALE:
            continue
        scale = _likely_scale(capture, low, high, min(max(centre, low), high))
        said = chain.part.name if chain.part is not None else "a one-wire LED"
        yield (
            f"{chain.channel}: all bit times are {1 / float(scale):.4g} times what {said} takes, in one proportion: "
            f"the file's clock looks wrong (one tick counts as {_figure(capture.tick * 10**9)} ns; [capture] tick_ns = "
            f"{_figure(capture.tick * 10**9 * scale)} in the rig would make the bits fit), or the line runs at another "
            "rate"
        )


def _figure(value: Fraction) -> str:
    return f"{float(value):.9g}"


def _parts(chain: ChainUpdates) -> Sequence[Part]:
    return chain.candidates or ((chain.part,) if chain.part is not None else ())


def _scales(part: Part, medians: dict[str, float]) -> tuple[float, float] | None:
    """The factors that bring all the medians into the part's windows; None where no one factor does."""
    low, high = 0.0, np.inf
    for name, median in medians.items():
        window = part.windows.get(name)
        if window is None:
            continue
        low = max(low, (window.low_s or 0.0) / median)
        high = min(high, np.inf if window.high_s is None else window.high_s / median)
    return (low, high) if 0 < low <= high < np.inf else None


def _likely_scale(capture: Capture, low: float, high: float, centre: float) -> Fraction:
    """The factor in [low, high] that a wrong clock has most likely: to a usual sample rate, or a simple one."""
    tick_s = capture.tick
    if capture.sample_period.ticks == 1:
        rates = (Fraction(rate) * unit for rate in USUAL_MHZ.split() for unit in (1000, 1_000_000))
        usual = [scale for rate in rates if low <= (scale := 1 / (rate * tick_s)) <= high]
    else:
        usual = []
    simple = [scale for factor in FACTORS for decade in DECADES if low <= (scale := factor * decade) <= high]
    near = usual or simple
    return min(near, key=lambda scale: abs(np.log(float(scale) / centre))) if near else Fraction(f"{centre:.6g}")


def _instant(capture: Capture, tick: int) -> str:
    seconds = float(tick * capture.tick)
    return f"{seconds * 1e6:.6g} µs" if 0 < abs(seconds) < 1e-3 else f"{seconds:.6g} s"


def _span(capture: Capture, ticks: int) -> str:
    return duration(float(ticks * capture.tick))
