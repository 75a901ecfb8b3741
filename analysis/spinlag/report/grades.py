"""How the bits of a chain stand: inside the sheet, outside it but inside what the family accepts, outside both."""

from __future__ import annotations

from dataclasses import dataclass

from spinlag.findings import Findings
from spinlag.judge import observed_timing
from spinlag.leds.parts import Part, Window
from spinlag.leds.updates import ChainUpdates
from spinlag.verdicts import Figure, Outcome, judge_every

_WORDS: dict[tuple[Outcome, Outcome | None], str] = {
    ("fail", "pass"): "outside the sheet, inside what the family was measured to accept",
    ("fail", "fail"): "outside the sheet and outside what the family was measured to accept",
    ("fail", "undecided"): "outside the sheet; the sampling cannot tell whether the family accepts it",
    ("fail", None): "outside the sheet; nobody measured what the family accepts",
    ("undecided", "pass"): "the sampling cannot tell for the sheet; inside what the family was measured to accept",
}


@dataclass(frozen=True)
class Grade:
    """One timing name of one chain against one part: both windows, and the grade in words."""

    part: str
    name: str
    sheet: Window | None
    family: Window | None
    words: str


def candidates(chain: ChainUpdates) -> tuple[Part, ...]:
    """The parts a chain may be: those its rig means, by name, row or limits, else the one that was guessed, else
    none."""
    return chain.candidates or ((chain.part,) if chain.part is not None else ())


def grades(findings: Findings, chain_index: int) -> tuple[Grade, ...]:
    """Every timing name that was seen, for every part the chain may be."""
    chain, table = findings.chains[chain_index], findings.rig.leds[chain_index]
    if table.tap != "controller":
        return ()
    return tuple(
        _grade(findings, chain, part, name)
        for part in candidates(chain)
        for name, tally in chain.timing.items()
        if tally.statistics.n > 0
    )


def _grade(findings: Findings, chain: ChainUpdates, part: Part, name: str) -> Grade:
    if name == "low_between_updates":
        sheet = None if part.latch_s is None else Window(part.latch_s, None)
        family = None if part.measured_latch_s is None else Window(part.measured_latch_s, None)
    else:
        sheet, family = part.windows.get(name), part.measured.get(name)
    return Grade(part.name, name, sheet, family, _words(findings, chain, name, sheet, family))


def _words(findings: Findings, chain: ChainUpdates, name: str, sheet: Window | None, family: Window | None) -> str:
    seen = observed_timing(findings.capture, findings.rig, chain, name)
    if isinstance(seen, Figure):
        return "not measured"

    def judged(window: Window) -> Outcome:
        return judge_every(seen, window.low_s, window.high_s, "").verdict

    if sheet is None:
        return "no limit in the sheet"
    by_sheet = judged(sheet)
    by_family = None if family is None else judged(family)
    if by_sheet == "pass":
        return "inside the sheet"
    return _WORDS.get((by_sheet, by_family), "the sampling cannot tell")
