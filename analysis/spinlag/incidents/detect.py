"""Departures that no single stage can see: gaps of the recording, and silences among many others."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spinlag.capture import Capture, Channel, Ticks
from spinlag.incidents.sentences import duration, listed
from spinlag.incidents.splices import splices
from spinlag.incidents.standstill import Pace, marks_of, pace_beside, shaft_lines
from spinlag.incidents.steps import faults_of_turns
from spinlag.leds.unseen import unseen_of
from spinlag.leds.updates import ChainUpdates
from spinlag.observations import Observation, revolution_of, told_in
from spinlag.placed import stretches
from spinlag.placement import Placement
from spinlag.rig import Rig
from spinlag.rotation import Rotation

Floats = NDArray[np.float64]
Indices = NDArray[np.int64]

TIMES_USUAL = 1.5
"""A line is silent where nothing happens on it for this many times its longest usual pause nearby."""

_NEIGHBOURS = 12
"""Pauses on either side that tell what is usual on an index or motor line."""

_FEWEST_EDGES = 8
"""Fewer edges than this on such a line do not tell what is usual."""

SILENT_STEPS = 3.5
"""A LED line is called silent from so many of its usual steps on; less is told as missing columns."""

_TURNS_NEARBY = 2.0
_RESTS = 2
"""Usual pauses by which a LED line's silence may outlast the stretch in which no line moves: one at either end."""

_MOST_EDGES = 5_000_000
_MOST_SILENCES = 2000
_RESUMES_WITHIN = 0.35
"""Share of a column slot within which firmware that waited for an index pulse answers it as it usually does."""


@dataclass(frozen=True)
class Silence:
    """One line silent over [begin, end) in ticks; `usual` is its longest pause nearby.

    `before` is the row of the update that the silence follows on a LED line (-1 on others); `lost_bits` tells that bits
    are missing on either side of it, so that what was sent was not all recorded.
    """

    channel: str
    family: str
    begin: int
    end: int
    usual: int
    before: int = -1
    lost_bits: bool = False


def detect(
    capture: Capture,
    rig: Rig,
    rotation: Rotation | None,
    chains: Sequence[ChainUpdates],
    placements: Sequence[Placement | None],
    observations: Sequence[Observation],
    gaps: Sequence[Observation] = (),
) -> tuple[Observation, ...]:
    """Observations that other stages could not make, in order of time.

    `capture-gap`: stretches in which nothing moved at all although lines should have, which no fault of a single line
    explains. `data-silent`: silences of a LED line far beyond what is usual in the turns around them, where the LED
    stage, which knows no turns, did not tell of one. `speed-step` and
    `index-shifted`: where the rotation stage had too little to go by. `gaps`: where the gaps of the recording are known
    already, they stand, and none is looked for.
    """
    silences = _silences(capture, rig, rotation, chains, observations)
    if not gaps:
        lost = splices(capture, rig, rotation, chains, observations)
        still = _gaps(capture, rig, rotation, chains, placements, observations, silences)
        gaps = [*lost, *(gap for gap in still if not any(_meet(capture, gap, one) for one in lost))]
    silent = _silent(capture, chains, [*observations, *gaps], silences)
    steps = faults_of_turns(capture, rotation, [*observations, *gaps]) if rotation is not None else ()
    return tuple(sorted((*gaps, *silent, *steps), key=lambda observation: observation.tick))


def _meet(capture: Capture, one: Observation, other: Observation) -> bool:
    """Whether two gaps overlap."""
    end, others = (gap.tick + round((gap.observed or 0.0) / capture.tick) for gap in (one, other))
    return one.tick <= others and other.tick <= end


_PACES: dict[Pace, str] = {
    "kept": ", with the shaft at speed right before and after",
    "unknown": "",
    "lost": "",
}


def _gaps(
    capture: Capture,
    rig: Rig,
    rotation: Rotation | None,
    chains: Sequence[ChainUpdates],
    placements: Sequence[Placement | None],
    observations: Sequence[Observation],
    silences: Sequence[Silence],
) -> list[Observation]:
    lines = [channel for channel in capture.channels if len(channel.edges) >= 2]
    slack = max(2 * round(capture.sample_period.ticks), 2)
    found: list[Observation] = []
    taken: list[tuple[int, int]] = []
    telling = [silence for silence in silences if silence.family != "index" or not chains]
    shaft, marks = shaft_lines(capture, rig), marks_of(rig)
    for silence in sorted(telling, key=lambda one: (one.end - one.begin, one.begin)):
        if any(begin < silence.end and silence.begin < end for begin, end in taken):
            continue
        begin, end = _stillest(lines, silence.begin, silence.end)
        together = [other for other in silences if other.begin <= begin + slack and other.end >= end - slack]
        stepped = _stepped_unseen(observations, end)
        if not together or (end - begin <= TIMES_USUAL * min(one.usual for one in together) and not stepped):
            continue
        still = (begin, end)
        pace = pace_beside(shaft, begin, end, marks)
        if pace == "lost":
            continue
        reason = _beyond_one_fault(
            together, still, rotation, chains, placements, observations, slack, float(capture.tick)
        )
        if reason is None:
            continue
        taken.append((begin, end))
        found.append(_gap(capture, rotation, together, begin, end, reason + _PACES[pace]))
    return found


def _silent(
    capture: Capture, chains: Sequence[ChainUpdates], told: Sequence[Observation], silences: Sequence[Silence]
) -> Iterator[Observation]:
    tick_s = float(capture.tick)
    known = [
        (seen.tick, seen.tick + round((seen.observed or 0.0) / tick_s), seen.channel)
        for seen in told
        if seen.kind in ("data-silent", "capture-gap")
    ]
    known += [(begin, end, chain.channel) for chain in chains for begin, end in unseen_of(capture, chain)]
    steps = {chain.channel: float(np.median(np.diff(chain.start))) for chain in chains if len(chain) > 1}
    names = {chain.channel: chain.name for chain in chains}
    # where only changes are seen, a pause as long as others is the picture's own
    still = {chain.channel: np.sort(np.diff(chain.start)) for chain in chains if chain.changes_only}
    for silence in silences:
        length = silence.end - silence.begin
        if silence.family != "leds" or length < SILENT_STEPS * steps[silence.channel]:
            continue
        pauses = still.get(silence.channel)
        if pauses is not None and len(pauses) - int(pauses.searchsorted(0.95 * length)) > 1:
            continue
        if any(begin < silence.end and silence.begin < end for begin, end, _ in known):
            continue
        yield Observation(
            kind="data-silent",
            tick=silence.begin,
            channel=silence.channel,
            detail=f"no data for {told_in(length * tick_s, 'ms')}; the longest usual pause in the turns around is "
            f"{told_in(silence.usual * tick_s, 'ms')}",
            expected=silence.usual * tick_s,
            observed=length * tick_s,
            unit="s",
            threshold=f"{SILENT_STEPS:g} times the usual spacing of updates, {TIMES_USUAL:g} times the longest pause "
            "in the turns around",
            chain=names[silence.channel],
            update=silence.before,
        )


def _stillest(lines: Sequence[Channel], begin: int, end: int) -> tuple[int, int]:
    """The longest stretch of [begin, end] in which no line has an edge."""
    stops = [np.array([begin, end], dtype=np.int64)]
    for line in lines:
        first, after = int(line.edges.searchsorted(begin)), int(line.edges.searchsorted(end, side="right"))
        stops.append(np.asarray(line.edges[first:after], dtype=np.int64))
    instants = np.unique(np.concatenate(stops))
    k = int(np.argmax(np.diff(instants)))
    return int(instants[k]), int(instants[k + 1])


def _silences(
    capture: Capture,
    rig: Rig,
    rotation: Rotation | None,
    chains: Sequence[ChainUpdates],
    observations: Sequence[Observation],
) -> list[Silence]:
    found: list[Silence] = []
    for family, channel in shaft_lines(capture, rig):
        if _FEWEST_EDGES <= len(channel.edges) <= _MOST_EDGES:
            found += _of_line(channel, family)
    for chain in chains:
        found += _of_chain(chain, rotation)
        found += _inside_updates(capture, chain, observations)
    return found[:_MOST_SILENCES]


def _of_line(channel: Channel, family: str) -> Iterator[Silence]:
    """Highs and lows are judged apart: an index line is usually low for most of a turn and high for little of it."""
    edges = np.asarray(channel.edges[:], dtype=np.int64)
    pause = np.diff(edges)
    for level in (0, 1):
        same = pause[level::2]
        usual = _usual_nearby(same, _NEIGHBOURS)
        for i in np.flatnonzero(same > TIMES_USUAL * usual):
            row = 2 * int(i) + level
            yield Silence(channel.name, family, int(edges[row]), int(edges[row + 1]), int(usual[i]))


def _usual_nearby(pause: Ticks, reach: int) -> Floats:
    """Longest of the `reach` pauses before each one and of those after it; the smaller of the two, so that another
    silence nearby does not hide this one."""
    from scipy.ndimage import maximum_filter1d

    if not len(pause):
        return np.empty(0)
    left = maximum_filter1d(pause, reach, origin=(reach - 1) // 2, mode="nearest")
    right = maximum_filter1d(pause, reach, origin=-(reach // 2), mode="nearest")
    before = np.concatenate((pause[:1], left[:-1]))
    after = np.concatenate((right[1:], pause[-1:]))
    return np.asarray(np.minimum(before, after), dtype=np.float64)


def _of_chain(chain: ChainUpdates, rotation: Rotation | None) -> Iterator[Silence]:
    """Silences between updates."""
    n = len(chain)
    if n < 2 * _NEIGHBOURS:
        return
    turns = max(len(rotation.turn_ticks) - 1, 1) if rotation is not None else max(n // _NEIGHBOURS, 1)
    reach = int(np.clip(_TURNS_NEARBY * n / turns, _NEIGHBOURS, max(n // 2, _NEIGHBOURS)))
    expected = chain.leds_seen * chain.bits_per_led
    for rows in stretches(n - 1):
        # what is usual nearby is looked for beyond both ends of the stretch
        begin = max(rows.start - reach - 1, 0)
        start, last = (times[begin : rows.stop + reach + 2] for times in (chain.start, chain.last))
        step = np.diff(start)  # a short update leaves a long pause behind it, but does not move the next one
        pause = start[1:] - last[:-1]
        usual = _usual_nearby(pause, reach)
        long = (step > TIMES_USUAL * _usual_nearby(step, reach)) & (pause > TIMES_USUAL * usual)
        for k in np.flatnonzero(long[rows.start - begin : rows.stop - begin]) + (rows.start - begin):
            i = int(k) + begin
            sent = int(chain.bits[i]) + int(chain.bits[i + 1])
            inner = bool(chain.whole[i]) and bool(chain.whole[i + 1])
            lost = inner and sent % expected != 0 if expected else False
            yield Silence(chain.channel, "leds", int(last[k]), int(start[k + 1]), int(usual[k]), i, lost)


def _inside_updates(capture: Capture, chain: ChainUpdates, observations: Sequence[Observation]) -> Iterator[Silence]:
    """Bits that lasted far longer than the usual pause between updates, or until the motor's lines were seen to have
    moved on, with bits missing from that update."""
    if len(chain) < 2:
        return
    usual = int(np.median(chain.start[1:] - chain.last[:-1]))
    expected = chain.leds_seen * chain.bits_per_led
    for seen in observations:
        if seen.chain != chain.name or seen.kind not in ("data-bit-time", "data-pause") or seen.unit != "s":
            continue
        length = round((seen.observed or 0.0) / float(capture.tick))
        if seen.update is None or not 0 <= seen.update < len(chain):
            continue
        lost = bool(expected) and int(chain.bits[seen.update]) % expected != 0
        if length > TIMES_USUAL * usual or (lost and _stepped_unseen(observations, seen.tick + length)):
            yield Silence(chain.channel, "leds", seen.tick, seen.tick + length, usual, seen.update, lost)


def _beyond_one_fault(
    together: Sequence[Silence],
    still: tuple[int, int],
    rotation: Rotation | None,
    chains: Sequence[ChainUpdates],
    placements: Sequence[Placement | None],
    observations: Sequence[Observation],
    slack: int,
    tick_s: float,
) -> str | None:
    """Why these silences are the recorder's, in words; None where a fault of one line explains them."""
    families = {silence.family for silence in together}
    names = sorted({silence.channel for silence in together})
    if "motor" in families and len(families) > 1:
        return f"{listed(names)} all stood still"
    if len({silence.family for silence in together if silence.end == still[1]}) > 1:
        return f"{listed(names)} stood still together and changed again at one instant, when somebody looked"
    leds = [silence for silence in together if silence.family == "leds"]
    begin, end = still
    stepped = _stepped_unseen(observations, end)
    if leds and stepped:
        return f"{listed(names)} stood still, and the motor's lines had moved on unseen ({stepped})"
    # other lines that moved in it would show that the recorder did look, and the line itself is at fault
    if any(one.lost_bits and one.end - one.begin <= end - begin + _RESTS * one.usual for one in leds):
        return "bits of the updates on either side were not recorded"
    index = "index" in families or any(
        seen.kind == "index-shifted" and abs(seen.tick - end) <= slack for seen in observations
    )
    if index and leds and not _stopped_for_want_of_index(leds[0], chains, placements, rotation, tick_s):
        return f"{listed(names)} stood still together, which no want of an index pulse explains"
    return None


def _stepped_unseen(observations: Sequence[Observation], end: int) -> str:
    """What the motor's lines skipped at `end`, in words; empty where nothing."""
    return next((seen.detail for seen in observations if seen.kind == "motor-sequence" and seen.tick == end), "")


def _stopped_for_want_of_index(
    silence: Silence,
    chains: Sequence[ChainUpdates],
    placements: Sequence[Placement | None],
    rotation: Rotation | None,
    tick_s: float,
) -> bool:
    """True where firmware that gets no index pulse would have fallen silent just so: after the last column of a turn,
    until right after the next pulse that begins one."""
    if rotation is not None and len(rotation.tooth_angles_deg) > 1 and not rotation.begins_known:
        return True
    chain = next((chain for chain in chains if chain.channel == silence.channel), None)
    placed = next((p for p in placements if p is not None and chain is not None and p.chain == chain.name), None)
    if chain is None or placed is None or rotation is None or silence.before < 0:
        return True
    ended = int(placed.places.column[silence.before]) >= placed.columns - 1
    pulses = rotation.pulses
    if len(rotation.tooth_angles_deg) > 1:
        pulses = pulses[pulses["kind"] == "index"]
    edges = pulses["tick"].to_numpy(dtype=np.int64)
    before = int(edges.searchsorted(silence.end, side="right")) - 1
    turn = float(np.median(np.diff(rotation.turn_ticks)))
    response = silence.end - int(edges[before]) if before >= 0 else np.inf
    chain_response_ticks = placed.usual_response_s / tick_s
    slot = turn / placed.columns
    resumed = abs(response - chain_response_ticks) < _RESUMES_WITHIN * slot
    return ended and resumed


def _gap(
    capture: Capture, rotation: Rotation | None, together: Sequence[Silence], begin: int, end: int, reason: str
) -> Observation:
    tick_s = float(capture.tick)
    usual = min(silence.usual for silence in together)
    return Observation(
        kind="capture-gap",
        tick=begin,
        channel=together[0].channel,
        detail=f"nothing was recorded on any line for {duration((end - begin) * tick_s)}: {reason}",
        expected=usual * tick_s,
        observed=(end - begin) * tick_s,
        unit="s",
        threshold=f"over {TIMES_USUAL:g} times the longest usual pause of this capture's own lines nearby",
        revolution=revolution_of(rotation.turn_ticks, begin) if rotation is not None else None,
    )
