"""The whole analysis, in reading order."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from spinlag.capture import Capture, Progress
from spinlag.cautions import cautions
from spinlag.clips import wrong_clips
from spinlag.doubts import clock_doubts, doubts, ended_early, while_held
from spinlag.errors import Problem, RigError
from spinlag.findings import Findings
from spinlag.incidents.find import Seen, find_incidents, gaps_told
from spinlag.incidents.model import IncidentReport
from spinlag.judge import judge_all
from spinlag.latency import Latency, measure_latency
from spinlag.leds import decode_chains
from spinlag.leds.held import Held, held_stretches, knowing_of, observe_held
from spinlag.leds.lost import with_gaps
from spinlag.leds.together import light_sentences
from spinlag.leds.unseen import nobody_saw, unseen_of
from spinlag.leds.updates import ChainUpdates
from spinlag.memory import release_freed_memory
from spinlag.motor import Motor
from spinlag.motor.gaps import without_gaps
from spinlag.observations import Observation
from spinlag.placement import Placement, place
from spinlag.restart import restart_mark
from spinlag.rig import Rig, lines_named_twice
from spinlag.roles.given import roles_of
from spinlag.rotation import Rotation
from spinlag.rotation.quality import RotationQuality, measure_quality
from spinlag.rotation.refine import read_shaft
from spinlag.together import chain_skews
from spinlag.wrong_lines import WrongClip, held_back, sound_rig, unsound, without_misplaced


def analyse(capture: Capture, rig: Rig, *, progress: Progress | None = None) -> Findings:
    """Measure and judge one capture against one rig.

    `progress` is called with (done, total) edges while LED lines are decoded. Raises RigError where the rig names
    channels or parts that do not exist; all of them are listed.
    """
    check_channels(capture, rig)
    rotation, motor = read_shaft(capture, rig)
    release_freed_memory()
    chains = decode_chains(capture, rig, progress)
    clips = wrong_clips(capture, rig, chains, motor)
    chains = without_misplaced(capture, rig, chains, clips)
    sound = sound_rig(capture, rig, clips)
    if sound is not rig:
        rotation, motor = read_shaft(capture, sound)
    mark = restart_mark(rotation, chains, rig.display.columns)
    if mark is not None:
        rotation, motor = read_shaft(capture, sound, first_mark=mark)
    held = held_stretches(capture, rig, chains)
    known = capture
    if held:
        # what such a line did meanwhile nobody saw: it is no bit
        known = knowing_of(capture, held)
        chains = without_misplaced(capture, rig, decode_chains(known, rig, progress), clips)
    release_freed_memory()
    quality = measure_quality(capture, sound, rotation, motor)
    release_freed_memory()
    read = _Read(rotation, motor, quality, chains, clips, held)
    lines, incidents, seen = _follow(known, sound, read)
    gaps = gaps_told(incidents)
    if gaps:
        # what the lines did in a gap of the recording nobody saw: they are read again with that known
        del lines, incidents, seen
        read = _knowing_of_gaps(known, sound, read, _spans(capture, gaps), mark, progress)
        lines, incidents, seen = _follow(known, sound, read, gaps)
    return _findings(capture, rig, read, lines, incidents, seen)


@dataclass(frozen=True, eq=False)
class _Read:
    """What the lines themselves gave."""

    rotation: Rotation | None
    motor: Motor | None
    quality: RotationQuality | None
    chains: tuple[ChainUpdates, ...]
    clips: tuple[WrongClip, ...]
    held: tuple[Held, ...]


def _spans(capture: Capture, gaps: Sequence[Observation]) -> list[tuple[int, int]]:
    """First and last tick of every gap of the recording: the last edge before it, and the first one after it."""
    return [(gap.tick, gap.tick + round((gap.observed or 0.0) / capture.tick)) for gap in gaps]


def _knowing_of_gaps(
    capture: Capture,
    rig: Rig,
    read: _Read,
    spans: Sequence[tuple[int, int]],
    first_mark: int | None,
    progress: Progress | None,
) -> _Read:
    """What the lines gave, without what leans on the gaps of the recording."""
    unseen = with_gaps(capture, spans)
    rotation, motor = read_shaft(unseen, rig, first_mark=first_mark)
    if motor is not None:
        motor = without_gaps(motor, spans, capture)
    quality = measure_quality(capture, rig, rotation, motor)
    chains = decode_chains(unseen, rig, progress)
    release_freed_memory()
    return _Read(rotation, motor, quality, without_misplaced(capture, rig, chains, read.clips), read.clips, read.held)


@dataclass(frozen=True, eq=False)
class _Followed:
    """What chains and turns gave together."""

    placements: tuple[Placement | None, ...]
    latencies: tuple[Latency | None, ...]
    observations: tuple[Observation, ...]


def _follow(
    capture: Capture, rig: Rig, read: _Read, gaps: tuple[Observation, ...] = ()
) -> tuple[_Followed, IncidentReport, Seen | None]:
    """Placement, latency and incidents. `gaps` of the recording, where they are known from an earlier look."""
    rotation, motor, chains = read.rotation, read.motor, read.chains
    spans = [[*_spans(capture, gaps), *unseen_of(capture, chain)] for chain in chains]
    placements = tuple(
        None if rotation is None else place(capture, rig, rotation, chain, motor, gaps=own)
        for chain, own in zip(chains, spans, strict=True)
    )
    latencies = tuple(
        None
        if rotation is None or placement is None or not rotation.begins_known
        else measure_latency(capture, rig, rotation, chain, placement, gaps=own)
        for chain, placement, own in zip(chains, placements, spans, strict=True)
    )
    release_freed_memory()
    observations = [*(rotation.observations if rotation else ()), *(o for chain in chains for o in chain.observations)]
    observations += [o for placement in placements if placement for o in placement.observations]
    observations += motor.observations if motor else ()
    observations = [seen for seen in observations if not nobody_saw(seen, capture, chains, rotation)]
    observations += observe_held(capture, read.held, rotation)
    observations.sort(key=lambda observation: observation.tick)
    incidents, seen = find_incidents(capture, rig, rotation, chains, placements, observations, motor=motor, gaps=gaps)
    release_freed_memory()
    return _Followed(placements, latencies, tuple(observations)), incidents, seen


def _findings(
    capture: Capture, rig: Rig, read: _Read, lines: _Followed, incidents: IncidentReport, seen: Seen | None
) -> Findings:
    """Doubts, verdicts and cautions on what was found, and all of it in one."""
    rotation, motor, quality, chains = read.rotation, read.motor, read.quality, read.chains
    placements, latencies = lines.placements, lines.latencies
    warnings = (*capture.warnings, *doubts(capture, rig, chains, incidents, motor, read.clips, read.held))
    capture = replace(capture, warnings=warnings)
    verdicts = judge_all(capture, rig, rotation, chains, placements, latencies, quality=quality, motor=motor)
    doubted = (
        *unsound(capture, rig, read.clips),
        *clock_doubts(capture, chains, read.clips),
        *ended_early(capture, rig, chains),
        *while_held(capture, read.held),
    )
    return Findings(
        capture=capture,
        rig=rig,
        roles=roles_of(capture, rig),
        rotation=rotation,
        motor=motor,
        quality=quality,
        chains=chains,
        placements=placements,
        latencies=latencies,
        observations=lines.observations,
        incidents=incidents,
        seen=seen,
        verdicts=held_back(verdicts, doubted),
        cautions=(
            *cautions(rig, rotation, chains, placements),
            *light_sentences(chains, chain_skews(capture, rig, chains, placements), rotation),
        ),
        warnings=warnings,
        unsound=doubted,
    )


def check_channels(capture: Capture, rig: Rig) -> None:
    """Raise RigError that lists every rig key whose channel the capture does not have, and once the channels it has;
    or, where all are there, the keys that name one line by two names."""
    problems: list[Problem] = []
    listed = False
    for key, name in rig.channels().items():
        try:
            capture.channel(name)
        except KeyError as error:
            said = str(error.args[0])
            absent = name not in {channel.name for channel in capture.channels}
            if absent and listed:
                meant = capture.meant(name)
                said = f"no channel {name!r}" + (f"; {meant}" if meant else "")
            listed |= absent
            problems.append(Problem(key, said))
    if not problems:
        problems = lines_named_twice({key: capture.channel(name).path for key, name in rig.channels().items()})
    if problems:
        raise RigError(problems)
