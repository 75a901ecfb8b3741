"""The whole analysis, in reading order."""

from __future__ import annotations

from dataclasses import replace

from spinlag.capture import Capture, Progress
from spinlag.cautions import cautions
from spinlag.doubts import doubts
from spinlag.errors import Problem, RigError
from spinlag.findings import Findings
from spinlag.incidents.find import find_incidents
from spinlag.judge import judge_all
from spinlag.latency import measure_latency
from spinlag.leds import decode_chains
from spinlag.leds.together import light_sentences
from spinlag.memory import release_freed_memory
from spinlag.placement import place
from spinlag.restart import restart_mark
from spinlag.rig import Rig
from spinlag.roles.given import roles_of
from spinlag.rotation.quality import measure_quality
from spinlag.rotation.refine import read_shaft
from spinlag.together import chain_skews


def analyse(capture: Capture, rig: Rig, *, progress: Progress | None = None) -> Findings:
    """Measure and judge one capture against one rig.

    `progress` is called with (done, total) edges while LED lines are decoded. Raises RigError where the rig names
    channels or parts that do not exist; all of them are listed.
    """
    check_channels(capture, rig)
    rotation, motor = read_shaft(capture, rig)
    release_freed_memory()
    chains = decode_chains(capture, rig, progress)
    mark = restart_mark(rotation, chains, rig.display.columns)
    if mark is not None:
        rotation, motor = read_shaft(capture, rig, first_mark=mark)
    release_freed_memory()
    quality = measure_quality(capture, rig, rotation, motor)
    release_freed_memory()
    placements = tuple(None if rotation is None else place(capture, rig, rotation, chain, motor) for chain in chains)
    latencies = tuple(
        None
        if rotation is None or placement is None or not rotation.begins_known
        else measure_latency(capture, rig, rotation, chain, placement)
        for chain, placement in zip(chains, placements, strict=True)
    )
    release_freed_memory()
    observations = [*(rotation.observations if rotation else ()), *(o for chain in chains for o in chain.observations)]
    observations += [o for placement in placements if placement for o in placement.observations]
    observations += motor.observations if motor else ()
    observations.sort(key=lambda observation: observation.tick)
    incidents, seen = find_incidents(capture, rig, rotation, chains, placements, observations, motor=motor)
    release_freed_memory()
    warnings = (*capture.warnings, *doubts(capture, rig, chains, incidents, motor))
    capture = replace(capture, warnings=warnings)
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
        observations=tuple(observations),
        incidents=incidents,
        seen=seen,
        verdicts=judge_all(capture, rig, rotation, chains, placements, latencies, quality=quality, motor=motor),
        cautions=(
            *cautions(rig, rotation, chains, placements),
            *light_sentences(chains, chain_skews(capture, rig, chains, placements), rotation),
        ),
        warnings=warnings,
    )


def check_channels(capture: Capture, rig: Rig) -> None:
    """Raise RigError that lists every rig key whose channel the capture does not have, and the channels that it has."""
    problems = []
    for key, name in rig.channels().items():
        try:
            capture.channel(name)
        except KeyError as error:
            problems.append(Problem(key, str(error.args[0])))
    if problems:
        raise RigError(problems)
